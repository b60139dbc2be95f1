"""``raysim materials``: list the ready materials."""

import argparse

from raysim.commands.words import DONE, Commands, say


def add(commands: Commands) -> None:
    """Say what the command takes."""
    parser = commands.add_parser(
        "materials", help="list the ready materials with their sources"
    )
    parser.set_defaults(run=run_materials)


def run_materials(_arguments: argparse.Namespace) -> int:
    """List the ready materials."""
    from raysim.checklist import material_table
    from raysim.scene.materials import catalogue
    from raysim.scene.model import Bands

    bands = Bands()
    say(material_table(catalogue(bands).values(), bands))
    return DONE
