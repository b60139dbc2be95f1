"""``raysim stack``: say what an absorber of layers does."""

import argparse
from pathlib import Path

from raysim.commands.words import DONE, Commands, say


def add(commands: Commands) -> None:
    """Say what the command takes."""
    parser = commands.add_parser("stack", help="what an absorber of layers does, and its worth")
    parser.add_argument(
        "what", nargs="+", metavar="WHAT",
        help='a material or treatment, or its layers from the room to the wall, each in '
        'quotes: "wool 100 mm 10000" "air 50 mm"',
    )  # fmt: skip
    parser.add_argument("--scene", type=Path, help="scene whose materials and prices count too")
    parser.add_argument(
        "--piece-mm", type=float, nargs=2, default=(1200.0, 600.0), metavar=("WIDTH", "HEIGHT"),
        help="of one piece (default 1200 600)",
    )  # fmt: skip
    parser.add_argument("--picture", type=Path, metavar="FILE", help="draw it: .svg or .html")
    parser.set_defaults(run=run_stack)


def run_stack(arguments: argparse.Namespace) -> int:
    """Say what an absorber of layers does."""
    from raysim.planning.stack_facts import stack_facts
    from raysim.planning.stack_names import Shelf, asked_stack, piece_m
    from raysim.planning.stack_page import stack_page
    from raysim.planning.stack_picture import picture_target, write_picture

    size_m = piece_m(*arguments.piece_mm)
    target = None if arguments.picture is None else picture_target(arguments.picture)
    shelf = Shelf(arguments.scene)
    title, typed = asked_stack(shelf, arguments.what)
    facts = stack_facts(
        title, typed.stack, size_m=size_m, prices=shelf.prices, assumed=typed.assumed
    )
    say(stack_page(facts))
    if target is not None:
        write_picture(facts, target)
        say("", f"Look at    {arguments.picture}")
    return DONE
