"""``raysim unknowns``: say which unknown inputs move the answer most."""

import argparse
from pathlib import Path

from raysim.commands.words import DONE, Commands, add_layouts, say


def add(commands: Commands) -> None:
    """Say what the command takes."""
    parser = commands.add_parser(
        "unknowns", help="which unknown inputs move the answer most, and how to check them"
    )
    parser.add_argument("scene", type=Path, help="scene file, or the folder with scene.toml")
    add_layouts(parser)
    parser.set_defaults(run=run_unknowns)


def run_unknowns(arguments: argparse.Namespace) -> int:
    """Say which unknown inputs move the answer most."""
    from raysim.planning.unknowns import unknowns
    from raysim.planning.unknowns_page import unknowns_page
    from raysim.study import prepare_all

    for one in prepare_all(arguments.scene, arguments.layout, arguments.state):
        say("", f"{one.scene.title}: {one.name}", unknowns_page(unknowns(one)))
    return DONE
