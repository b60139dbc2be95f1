"""``raysim message``: say what the code of a message means."""

import argparse

from raysim.commands.words import DONE, Commands, say


def add(commands: Commands) -> None:
    """Say what the command takes."""
    parser = commands.add_parser("message", help="say what the code of a message means")
    parser.add_argument("code", help='such as "RS-S04", or "s04" for short')
    parser.set_defaults(run=run_message)


def run_message(arguments: argparse.Namespace) -> int:
    """Say what the code of a message means."""
    from rich.text import Text

    from raysim.errors import meaning

    say(Text(meaning(arguments.code)))
    return DONE
