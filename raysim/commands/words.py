"""What commands share: exit codes, how they print, and options that several take."""

import argparse
import sys
from collections.abc import Sequence
from typing import Final, TypeAlias

from raysim.errors import Complaint, SettingsError

DONE: Final = 0
CHECK_FAILED: Final = 1
INTERRUPTED: Final = 130

#: What `argparse.ArgumentParser.add_subparsers` gives.
Commands: TypeAlias = "argparse._SubParsersAction[argparse.ArgumentParser]"


def add_layouts(parser: argparse.ArgumentParser) -> None:
    """Add the options that choose layouts and states of a scene."""
    parser.add_argument(
        "--layout", action="append", default=[], metavar="NAME",
        help='layout of the scene, "as described" (the default) or "all"; may be repeated',
    )  # fmt: skip
    parser.add_argument(
        "--state", action="append", default=[], metavar="NAME",
        help='state of the scene, "as described" (the default) or "all"; may be repeated: '
        "every layout is taken in every state",
    )  # fmt: skip


def add_run_options(parser: argparse.ArgumentParser) -> None:
    """Add the options that say how a simulation is done, over the scene's own settings."""
    parser.add_argument(
        "--rays", type=int, metavar="N", help="rays per source in the first round"
    )
    parser.add_argument(
        "--until-t30", type=float, metavar="PCT",
        help="go on until T30 is this certain, in per cent; 0: a single round",
    )  # fmt: skip
    parser.add_argument(
        "--no-bass", action="store_true",
        help="do not solve the bass; what the result file has of it already stays",
    )  # fmt: skip
    parser.add_argument("--seed", type=int, metavar="N", help="seed of all chance")
    parser.add_argument(
        "--threads", type=int, metavar="N", help="processor cores to use (default: all)"
    )


def say(*what: object) -> None:
    """Print to standard output with rich, which is loaded here."""
    from rich.console import Console

    class Terminal(Console):
        def on_broken_pipe(self) -> None:  # `main` says what that means, not the library
            raise BrokenPipeError

    # files and pipes have no width of their own
    width = None if sys.stdout.isatty() else 110
    # Names may hold brackets and colons: they are no markup. Paths stay on one line.
    console = Terminal(highlight=False, markup=False, emoji=False, width=width)
    for one in what:
        console.print(one, soft_wrap=isinstance(one, str))


def other_pairs(pairs: Sequence[tuple[str, str]], taken: tuple[str, str]) -> list[str]:
    """Say what else could be played, where the first pair was taken unasked.

    Examples
    --------
    >>> other_pairs([("mouth", "mic"), ("amp", "mic")], ("mouth", "mic"))
    ['Also there: "amp" to "mic"; choose with --source and --receiver.']
    """
    others = "; ".join(f'"{a}" to "{b}"' for a, b in pairs if (a, b) != taken)
    return [f"Also there: {others}; choose with --source and --receiver."] if others else []


def use_threads(n_thread: int | None) -> None:
    """Set how many cores to use; None leaves all.

    Raises
    ------
    SettingsError
        RS-P01: the machine has fewer.
    """
    if n_thread is None:
        return
    import numba

    most = int(numba.config.NUMBA_NUM_THREADS)  # type: ignore[attr-defined]
    if not 1 <= n_thread <= most:
        raise SettingsError(
            Complaint("--threads", f"{n_thread} is not possible.",
                      f"This machine has {most}: give 1 to {most}.", "RS-P01")
        )  # fmt: skip
    numba.set_num_threads(n_thread)


def announce_compilation() -> None:
    """Say on standard error that the first run takes longer, if this is it."""
    from raysim.core.compile import compiled_before

    if not compiled_before():
        print("Compiling the kernels for this machine, once: about 20 s.", file=sys.stderr)  # noqa: T201
