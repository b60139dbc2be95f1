"""``raysim compare``: say which layouts differ, and what that costs."""

import argparse
from pathlib import Path

from raysim.commands.words import DONE, Commands, say
from raysim.errors import Complaint, SettingsError


def add(commands: Commands) -> None:
    """Say what the command takes."""
    parser = commands.add_parser(
        "compare", help="which layouts of a result file differ, and what that costs"
    )
    parser.add_argument("results", type=Path, help="result file (.h5) with several layouts")
    parser.add_argument(
        "--use", help="voice, listening or ensemble (default: as the scene says, else all)"
    )
    parser.add_argument("--scene", type=Path, help="where it came from, to price its layouts")
    parser.add_argument("--prices", type=Path, metavar="FILE", help="your own price file")
    parser.add_argument("--into", type=Path, metavar="FOLDER", help="default: beside it")
    parser.set_defaults(run=run_compare)


def run_compare(arguments: argparse.Namespace) -> int:
    """Say which layouts differ, and what that costs."""
    from raysim.compare.comparison import check_use, compare
    from raysim.compare.rows import write_compared
    from raysim.compare.terminal import comparison_page
    from raysim.planning.layout_prices import layout_prices
    from raysim.store.file import open_results

    check_use(arguments.use)
    if arguments.prices is not None and arguments.scene is None:
        raise SettingsError(
            Complaint("--prices", "prices need the scene, which says what they are of.",
                      "Give it with --scene.", "RS-T52")
        )  # fmt: skip
    folder = arguments.into if arguments.into is not None else arguments.results.parent
    with open_results(arguments.results) as results:
        prices, currency = None, ""
        if arguments.scene is not None:
            prices, currency = layout_prices(results, arguments.scene, arguments.prices)
        found = compare(results, arguments.use, prices, currency)
    written = write_compared(found, folder)
    say(comparison_page(found), "", *(f"All data   {path}" for path in written))
    if arguments.scene is None:
        say("No prices here: --scene SCENE gives them, and `raysim report SCENE` a verdict.")
    return DONE
