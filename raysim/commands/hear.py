"""``raysim hear``: write what a microphone, a head or an ambisonic array hears."""

import argparse
from pathlib import Path
from typing import TYPE_CHECKING, Final

from raysim.commands.words import CHECK_FAILED, DONE, Commands, say
from raysim.errors import Complaint, SettingsError

if TYPE_CHECKING:
    from raysim.response.heard import Listener

#: Highest ambisonic order; 64 channels.
_HIGHEST: Final = 7


def add(commands: Commands) -> None:
    """Say what the command takes."""
    parser = commands.add_parser(
        "hear", help="write responses as a microphone, two ears or an ambisonic array hear them"
    )
    parser.add_argument("results", type=Path, help="result file (.h5)")
    parser.add_argument(
        "--as", dest="listener", choices=("microphone", "head", "ambisonic"),
        help="who listens at the receivers (default: microphone, as the scene has it; head "
        "if --head is given, ambisonic if --order is)",
    )  # fmt: skip
    parser.add_argument(
        "--head", type=Path, metavar="FILE.sofa",
        help="a measured head, AES69 (default: a rigid sphere)",
    )  # fmt: skip
    parser.add_argument(
        "--order", type=int, metavar="N", help=f"ambisonic order, 1 to {_HIGHEST} (default 1)"
    )
    parser.add_argument(
        "--rate", type=int, choices=(44_100, 48_000, 96_000), default=48_000,
        help="sample rate in Hz (default 48000)",
    )  # fmt: skip
    parser.add_argument(
        "--layout", action="append", default=[], metavar="NAME",
        help="only this one; may be repeated (default: all of the file)",
    )  # fmt: skip
    parser.add_argument("--sofa", action="store_true", help="write AES69 files too")
    parser.add_argument(
        "--into", type=Path, metavar="FOLDER", help="default: heard-... beside the file"
    )
    parser.set_defaults(run=run_hear)


def run_hear(arguments: argparse.Namespace) -> int:
    """Write what a microphone, a head or an ambisonic array hears."""
    from raysim.folders import make_folder
    from raysim.progress import Progress
    from raysim.response.heard_set import write_heard
    from raysim.store.file import open_results

    word = _word(arguments)
    listener = _listener(arguments, word)
    folder = arguments.into
    if folder is None:
        folder = arguments.results.parent / f"heard-{word}"
    with open_results(arguments.results) as results, Progress("hear") as progress:
        for name in arguments.layout:
            results.pair_names(name)  # what is not there is told before a folder is made
        make_folder(folder)
        done = write_heard(
            results, listener, folder, arguments.rate, arguments.layout, arguments.sofa,
            progress.step,
        )  # fmt: skip
    gain = f"all turned down by {-done.gain_db:g} dB" if done.gain_db else "at absolute level"
    say(f"Listen to  {folder}  ({len(done.files)} responses, {gain})", f"Log        {done.log}")
    if done.files:
        say(f"Heard by   {done.files[0].heard.what}")
    say("Start quiet: what is played through a response can be far louder than it was.")
    failed = DONE
    for one in done.files:
        for fault in one.quality.faults:
            say(f"Check failed: {one.path.name}: {fault}.")
            failed = CHECK_FAILED
    return failed


def _word(arguments: argparse.Namespace) -> str:
    """Give who listens, and complain of options that go with someone else."""
    if arguments.listener is not None:
        word = str(arguments.listener)
    elif arguments.head is not None:
        word = "head"
    else:
        word = "microphone" if arguments.order is None else "ambisonic"
    wrong = []
    for option, value, of in (
        ("--head", arguments.head, "head"),
        ("--order", arguments.order, "ambisonic"),
    ):
        if value is not None and word != of:
            fix = f"Leave it out, or listen --as {of}."
            wrong.append(Complaint(option, f"a {word} has none.", fix, "RS-L08"))
    order = arguments.order
    if order is not None and not 1 <= order <= _HIGHEST:
        fix = f"Give 1 to {_HIGHEST}."
        wrong.append(Complaint("--order", f"{order} is not possible.", fix, "RS-L07"))
    if wrong:
        raise SettingsError(wrong)
    return word


def _listener(arguments: argparse.Namespace, word: str) -> "Listener":
    from raysim.response.ears import Ambisonic, Microphone, SphereHead
    from raysim.response.head_file import read_head

    if word == "microphone":
        return Microphone()
    if word == "ambisonic":
        return Ambisonic(arguments.order or 1)
    return SphereHead() if arguments.head is None else read_head(arguments.head)
