"""``raysim suggest``: what a budget would buy, at best, in a room."""

import argparse
from pathlib import Path

from raysim.commands.words import (
    DONE,
    Commands,
    add_run_options,
    announce_compilation,
    say,
    use_threads,
)


def add(commands: Commands) -> None:
    """Say what the command takes."""
    parser = commands.add_parser(
        "suggest", help="search for what a budget would buy, at best, in a room"
    )
    parser.add_argument("scene", type=Path, help="scene file, or the folder with scene.toml")
    parser.add_argument(
        "--budget", type=float, metavar="MONEY",
        help="in the currency of the prices (default: as the scene's rules say)",
    )  # fmt: skip
    parser.add_argument(
        "--use", help="voice, listening or ensemble (default: as the scene says)"
    )
    parser.add_argument("--prices", type=Path, metavar="FILE", help="your own price file")
    parser.add_argument(
        "--into", type=Path, metavar="FOLDER", help="where to write (default: SCENE-suggested)"
    )
    parser.add_argument(
        "--most", type=int, metavar="N",
        help="layouts to judge in the search (default: 1000, about a minute)",
    )  # fmt: skip
    parser.add_argument(
        "--no-confirm", action="store_true",
        help="do not simulate what was found: promises alone, in a minute or two",
    )  # fmt: skip
    add_run_options(parser)
    parser.set_defaults(run=run_suggest)


def run_suggest(arguments: argparse.Namespace) -> int:
    """Search for what a budget would buy, at best, in a room."""
    from raysim.folders import PAGE_NAME
    from raysim.planning.suggest import MOST, TOML_NAME, suggest, suggested_folder
    from raysim.planning.suggest_page import suggestion_page, write_suggested
    from raysim.progress import Progress

    use_threads(arguments.threads)
    announce_compilation()
    with Progress("layouts") as progress:
        result = suggest(
            arguments.scene,
            arguments.budget,
            arguments.use,
            prices=arguments.prices,
            into=arguments.into,
            confirm=not arguments.no_confirm,
            most=MOST if arguments.most is None else arguments.most,
            n_ray=arguments.rays,
            until_t30_pct=arguments.until_t30,
            seed=arguments.seed,
            bass=False if arguments.no_bass else None,
            tell=progress.step,
        )
    folder = suggested_folder(result.scene, arguments.into)
    written = write_suggested(result, folder)
    say(
        suggestion_page(result), "", f"To paste   {folder / TOML_NAME}", f"All data   {written}"
    )
    if result.is_confirmed:
        say(f"Look at    {folder / PAGE_NAME}")
    say("Then       paste what you like into scene.toml; raysim plan draws it, raysim report "
        "decides")  # fmt: skip
    return DONE
