"""The ``raysim`` command: words in, words out; no physics.

Exit codes: 0 done; 1 done, but a stated check failed; 2 input that cannot be used;
130 interrupted. Modules are loaded only when a command needs them, so that help is
quick.
"""

import argparse
import io
import os
import sys
from collections.abc import Sequence
from importlib import import_module

import raysim
from raysim.commands.words import DONE, INTERRUPTED
from raysim.errors import RaysimError, Stopped

#: In the order that the help lists them; each is a file of `raysim.commands`.
_COMMANDS = (
    "check", "simulate", "report", "page", "compare", "suggest", "plan", "treatments",
    "stack", "noise", "unknowns", "materials", "hear", "listen", "kit", "measure", "sweep",
    "calibrate", "message",
)  # fmt: skip

_ABOUT = """\
Room acoustics of small rooms: what is wrong with this room.

  raysim check scenes/weir-bulletin        read a scene, say what to expect
  raysim simulate scenes/weir-bulletin     trace it: result file, sound, page
  raysim simulate SCENE --layout all       the same with each of its layouts
  raysim plan scenes/weir-bulletin         price, check and draw its layouts
  raysim report scenes/weir-bulletin       all layouts, one page to act on
  raysim suggest SCENE --budget 420        what that would buy, at best
  raysim kit RESULTS.h5 --layout A --layout B   a blind test of two layouts
  raysim measure response.wav              decay and clarity of a recording
"""


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="raysim", description=_ABOUT, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--version", action="version", version=f"raysim {raysim.__version__}")
    commands = parser.add_subparsers(dest="command", metavar="COMMAND", required=True)
    for name in _COMMANDS:
        import_module(f"raysim.commands.{name}").add(commands)
    return parser


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command and give its exit code."""
    if isinstance(sys.stdout, io.TextIOWrapper):  # an old terminal may lack signs such as α
        sys.stdout.reconfigure(errors="replace")
    try:
        try:
            words = sys.argv[1:] if argv is None else argv
            if not words:
                _parser().print_help(sys.stderr)
                raise SystemExit(2)
            arguments = _parser().parse_args(words)
            return int(arguments.run(arguments))
        finally:
            sys.stdout.flush()  # so that a reader who has left is noticed here
    except RaysimError as error:
        _complain(error)
        return error.exit_code
    except KeyboardInterrupt as stopped:
        known = isinstance(stopped, Stopped)
        print(stopped if known else "stopped; nothing was complete yet", file=sys.stderr)  # noqa: T201
        return INTERRUPTED
    except BrokenPipeError:  # the reader of our output has left
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return DONE


def _complain(error: RaysimError) -> None:
    for complaint in error.complaints:
        print(complaint, file=sys.stderr)  # noqa: T201
    if len(error.complaints) > 1:
        print(f"{len(error.complaints)} mistakes; nothing was written", file=sys.stderr)  # noqa: T201
