"""``raysim report``: all there is to decide on, as one page; what is missing is simulated."""

import argparse
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from raysim.commands.words import (
    DONE,
    Commands,
    add_run_options,
    announce_compilation,
    say,
    use_threads,
)

if TYPE_CHECKING:
    from raysim.study import Prepared


def add(commands: Commands) -> None:
    """Say what the command takes."""
    parser = commands.add_parser(
        "report", help="which layout to take, and all papers for it, as one page to act on"
    )
    parser.add_argument("scene", type=Path, help="scene file, or the folder with scene.toml")
    parser.add_argument(
        "--into", type=Path, metavar="FOLDER",
        help="where to write, and where results lie (default: SCENE-results)",
    )  # fmt: skip
    parser.add_argument(
        "--state",
        action="append",
        default=[],
        metavar="NAME",
        help='state of the scene or "as described"; may be repeated (default: all)',
    )
    parser.add_argument(
        "--without-each", action="append", default=[], metavar="LAYOUT",
        help="trace this layout without each of its items too, to say what to drop first; "
        "may be repeated",
    )  # fmt: skip
    parser.add_argument(
        "--use", help="voice, listening or ensemble (default: as the scene says, else all)"
    )
    parser.add_argument(
        "--second-language", metavar="CODE",
        help="de or nl: beside English on the sheet to sign",
    )  # fmt: skip
    parser.add_argument("--prices", type=Path, metavar="FILE", help="your own price file")
    add_run_options(parser)
    parser.set_defaults(run=run_report)


def run_report(arguments: argparse.Namespace) -> int:
    """Simulate what is missing, and write the report."""
    from rich.text import Text

    from raysim.decision.making import make_report, prepared_for
    from raysim.folders import RESULTS_NAME
    from raysim.progress import Progress
    from raysim.study import with_settings

    use_threads(arguments.threads)
    prepared = [
        with_settings(
            one,
            n_ray=arguments.rays,
            until_t30_pct=arguments.until_t30,
            seed=arguments.seed,
            bass=False if arguments.no_bass else None,
        )
        for one in prepared_for(arguments.scene, arguments.state, arguments.without_each)
    ]
    announce(prepared, arguments.into)
    announce_compilation()
    with Progress("report") as progress:
        made = make_report(
            prepared, arguments.into, arguments.use, arguments.prices, progress.step,
            arguments.second_language,
        )  # fmt: skip
    for one in (*made.page.findings, *made.page.traps):
        say(Text(f"{one.headline}", style="bold"), Text(f"  {one.sentence}"))
    simulated = f"{made.n_simulated} of {len(prepared)} layouts and states were simulated."
    say("", simulated if made.n_simulated else "All results were there already.")
    say(f"Look at    {made.path}", *(f"All data   {path}" for path in made.tables))
    results = made.path.with_name(RESULTS_NAME)
    say(f"Then       raysim kit {results} --layout A --layout B  (is the difference heard?)")
    return DONE


def announce(prepared: "Sequence[Prepared]", into: Path | None) -> None:
    """Say what will be simulated, which may take long, and what that replaces."""
    from raysim.decision.making import missing
    from raysim.folders import BEFORE_NAME, RESULTS_NAME
    from raysim.store.file import complete_layouts
    from raysim.store.parts import whole_key
    from raysim.study import folder_for

    if not prepared[0].described.layouts:  # refused by what follows
        return
    results = folder_for(prepared[0].described, into) / RESULTS_NAME
    lacking = missing(prepared, results)
    if not lacking:
        return
    held = complete_layouts(results)
    old = [one for one in prepared if whole_key(held.get(one.name, one.key)) != one.key]
    say(f"{len(lacking)} of {len(prepared)} layouts and states are simulated first. "
        "Ctrl-C keeps what is complete.")  # fmt: skip
    if old:
        are = "is" if len(old) == 1 else "are"
        say(f"{len(old)} of them {are} in {results}, but with other settings or of an earlier "
            f"scene or raysim, and {are} replaced; the file as it is stays beside, as "
            f"{BEFORE_NAME}.")  # fmt: skip
