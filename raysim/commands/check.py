"""``raysim check``: read a scene and say what to expect."""

import argparse
from pathlib import Path

from raysim.commands.words import (
    CHECK_FAILED,
    DONE,
    Commands,
    add_layouts,
    announce_compilation,
    say,
)


def add(commands: Commands) -> None:
    """Say what the command takes."""
    parser = commands.add_parser(
        "check", help="read a scene and its mesh, report every mistake, say what to expect"
    )
    parser.add_argument("scene", type=Path, help="scene file, or the folder with scene.toml")
    add_layouts(parser)
    parser.set_defaults(run=run_check)


def run_check(arguments: argparse.Namespace) -> int:
    """Read a scene and say what to expect."""
    from raysim.check import expect
    from raysim.checklist import checklist
    from raysim.study import prepare_all

    prepared = prepare_all(arguments.scene, arguments.layout, arguments.state)
    announce_compilation()
    status = DONE
    for i, one in enumerate(prepared):
        expected = expect(one)
        # what holds for every layout is said once, at the end
        say(checklist(one, expected, is_last=i == len(prepared) - 1))
        if expected.n_lost > 1e-4 * expected.n_segment:
            status = CHECK_FAILED
    return status
