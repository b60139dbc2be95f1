"""``raysim plan``: price, check and draw the layouts of a scene."""

import argparse
from pathlib import Path

from raysim.commands.words import CHECK_FAILED, DONE, Commands, say


def add(commands: Commands) -> None:
    """Say what the command takes."""
    parser = commands.add_parser(
        "plan", help="price, weigh, check and draw the layouts of a scene, without tracing"
    )
    parser.add_argument("scene", type=Path, help="scene file, or the folder with scene.toml")
    parser.add_argument(
        "--layout", action="append", default=[], metavar="NAME",
        help="only this one, with its shopping list; may be repeated (default: all)",
    )  # fmt: skip
    parser.add_argument("--prices", type=Path, metavar="FILE", help="your own price file")
    parser.add_argument("--into", type=Path, metavar="FILE.html",
                      help="the page to write (default: SCENE-plan.html)")  # fmt: skip
    parser.set_defaults(run=run_plan)


def run_plan(arguments: argparse.Namespace) -> int:
    """Price, check and draw the layouts of a scene."""
    from raysim.planning.book import make_book
    from raysim.planning.book_page import check_page, write_book
    from raysim.planning.book_table import book_table
    from raysim.study import folder_for

    book = make_book(arguments.scene, arguments.layout, arguments.prices)
    out = arguments.into or Path(
        f"{folder_for(book.scene).name.removesuffix('-results')}-plan.html"
    )
    check_page(out)
    write_book(book, out)
    say(book_table(book), f"Look at    {out}")
    return CHECK_FAILED if any(plan.is_forbidden for plan in book.plans) else DONE
