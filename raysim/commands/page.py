"""``raysim page``: make responses, tables and page again from a result file."""

import argparse
from pathlib import Path

from raysim.commands.words import DONE, Commands, say


def add(commands: Commands) -> None:
    """Say what the command takes."""
    parser = commands.add_parser(
        "page", help="make responses, tables and page again from a result file alone"
    )
    parser.add_argument("results", type=Path, help="result file (.h5)")
    parser.add_argument("--into", type=Path, metavar="FOLDER", help="default: beside the file")
    parser.set_defaults(run=run_page)


def run_page(arguments: argparse.Namespace) -> int:
    """Make responses, tables and page again from a result file."""
    from raysim.folders import PAGE_NAME, refuse_foreign
    from raysim.outputs import derive
    from raysim.progress import Progress
    from raysim.store.file import open_results

    folder = arguments.into if arguments.into is not None else arguments.results.parent
    open_results(arguments.results).close()  # what is wrong with the file comes first
    refuse_foreign(folder)
    with Progress("page") as progress:
        derive(arguments.results, folder, progress.step)
    say(f"Look at    {folder / PAGE_NAME}")
    return DONE
