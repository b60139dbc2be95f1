"""``raysim listen``: play dry sound through the layouts of a result file."""

import argparse
from pathlib import Path

from raysim.commands.words import DONE, Commands, other_pairs, say
from raysim.errors import Complaint, RaysimError, SettingsError


def add(commands: Commands) -> None:
    """Say what the command takes."""
    parser = commands.add_parser(
        "listen", help="hear dry sound in each layout: true in level, and matched in loudness"
    )
    parser.add_argument("results", type=Path, help="result file (.h5)")
    parser.add_argument(
        "--dry", type=Path, action="append", default=[], metavar="FILE",
        help="dry recording, WAV or FLAC; may be repeated (default: sounds of our own)",
    )  # fmt: skip
    parser.add_argument("--channel", type=int, metavar="N",
                        help="which channel of the dry recordings, from 1")  # fmt: skip
    parser.add_argument("--source", metavar="NAME", help="where it sounds (default: the first)")
    parser.add_argument("--receiver", metavar="NAME", help="where it is heard")
    parser.add_argument("--layout", action="append", default=[], metavar="NAME",
                        help="only this one; may be repeated (default: all)")  # fmt: skip
    parser.add_argument(
        "--as", dest="ear", metavar="EAR",
        help="microphone or head (default: head if the room is for listening)",
    )  # fmt: skip
    parser.add_argument("--rate", type=int, default=48_000, metavar="HZ",
                        help="44100, 48000 (the default) or 96000")  # fmt: skip
    parser.add_argument("--bits", default="float", metavar="FORM",
                        help="float (the default, 32 bit) or 24")  # fmt: skip
    parser.add_argument("--into", type=Path, metavar="FOLDER",
                        help="default: listen, beside the file")  # fmt: skip
    parser.set_defaults(run=run_listen)


def run_listen(arguments: argparse.Namespace) -> int:
    """Play dry sound through the layouts of a result file."""
    from rich.table import Table

    from raysim.compare.comparison import use_of
    from raysim.listening.dry import dry_recording
    from raysim.listening.listen import HEARING, LIMIT, LOG_NAME, MICROPHONE, listen
    from raysim.progress import Progress
    from raysim.response.ears import SphereHead
    from raysim.store.file import open_results

    if arguments.ear not in (None, "microphone", "head"):
        raise SettingsError(
            Complaint("--as", f'"{arguments.ear}" does not listen.',
                      "Choose microphone or head.", "RS-L32")
        )  # fmt: skip
    folder = arguments.into or arguments.results.parent / "listen"
    with open_results(arguments.results) as results:
        sounds = []
        complaints: list[Complaint] = []
        for path in arguments.dry:
            try:
                sounds.append(dry_recording(path, arguments.channel))
            except RaysimError as error:
                complaints += error.complaints
        if complaints:
            raise RaysimError(complaints)
        for sound in sounds:
            say(*(f"Caution: {caution}" for caution in sound.cautions))
        is_head = (arguments.ear or _usual(use_of(results))) == "head"
        with Progress("listen") as progress:
            made = listen(
                results, folder, SphereHead() if is_head else MICROPHONE,
                dry=sounds, source=arguments.source, receiver=arguments.receiver,
                layouts=arguments.layout, sample_rate_hz=arguments.rate, form=arguments.bits,
                tell=progress.step,
            )  # fmt: skip
        pairs = results.pair_names(made.sets[0].versions[0].layout)
    first = made.sets[0]
    table = Table(title=f"{first.source} to {first.receiver}, heard by {first.what}")
    for head in ("dry sound", "layout", "louder than first, LU", "gain that matches it, dB"):
        table.add_column(head, justify="left" if head[:2] in ("dr", "la") else "right")
    for one in made.sets:
        n = len(one.versions) // 2
        true, matched = one.versions[:n], one.versions[n:]
        for a, b in zip(true, matched, strict=True):
            louder_lu = a.loudness_lufs - true[0].loudness_lufs
            gain_db = b.gain_db - a.gain_db
            table.add_row(one.dry, a.layout, f"{louder_lu:+.1f}", f"{gain_db:+.1f}")
    say(table)
    for one in made.sets:
        if one.faded:
            say(f"{one.dry}: the response stopped with a step and was faded in "
                f"{', '.join(one.faded)}.")  # fmt: skip
    say("", HEARING, LIMIT, "")
    for kind, about in (
        ("level-true", "one gain for all: hear what a layout takes away"),
        ("loudness-matched", "each as loud as the others: hear how it sounds, not how loud"),
    ):
        say(f"Listen to  {made.folder / kind}  ({about})")
    say(f"Log        {made.folder / LOG_NAME}")
    if arguments.source is None and arguments.receiver is None:
        say(*other_pairs(pairs, (first.source, first.receiver)))
    say(f"Then       raysim kit {arguments.results} --layout A --layout B  (is it heard?)")
    return DONE


def _usual(use: str | None) -> str:
    """Give who listens in a room of some use: recordings are heard by a microphone."""
    return "head" if use == "listening" else "microphone"
