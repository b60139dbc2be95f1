"""``raysim sweep``: make a sweep to play in a room, and read what was recorded of it."""

import argparse
from pathlib import Path
from typing import TYPE_CHECKING

from raysim.commands.words import DONE, Commands, say
from raysim.errors import Complaint, SettingsError

if TYPE_CHECKING:
    from rich.console import RenderableType

    from raysim.response.sweep_file import SweptResponse

#: What could harm ears and loudspeakers, and spoil a recording.
_BEFORE_PLAYING = (
    "Before you play it:",
    "- Set the volume to nothing, start, and raise it slowly: 75 to 80 dB at the microphone is "
    "plenty. Wear hearing protection when it is louder; a sweep is worst where ears are most "
    "sensitive. Warn whoever is near, let nobody put an ear to the loudspeaker, and play it on "
    "no headphones. Local rules on noise say how loud, how long and when.",
    "- Sweeps at high level burn tweeters: start low, keep it short, stop at any harsh sound.",
    "- Bass below what the loudspeaker is made for harms it; begin higher (--from-hz) then.",
    "- Record at the same sample rate, without any automatic gain, noise or echo reduction; "
    "start before the sweep, stop some seconds after its end. Leave the room, or stand still.",
)


def add(commands: Commands) -> None:
    """Say what the command takes."""
    parser = commands.add_parser(
        "sweep", help="measure a real room: make a sweep to play, read what was recorded of it"
    )
    kinds = parser.add_subparsers(dest="sweep_does", metavar="make | read", required=True)
    make = kinds.add_parser("make", help="write a sweep to play")
    make.add_argument("file", type=Path, metavar="FILE.wav")
    for option, kind, usual, text in (
        ("--seconds", float, 10.0, "how long one sweep is"),
        ("--from-hz", float, 20.0, "where it begins"),
        ("--to-hz", float, 20_000.0, "where it ends"),
        ("--rate", int, 48_000, "samples a second"),
        ("--times", int, 1, "how often it is repeated, against noise"),
        ("--silence-s", float, 3.0, "after each sweep; longer than the room sounds on"),
        ("--level-db", float, -6.0, "of its peak, re full scale"),
    ):
        make.add_argument(
            option, type=kind, default=usual, metavar="N", help=f"{text} (default {usual:g})"
        )
    make.set_defaults(run=run_make)

    read = kinds.add_parser("read", help="give the response of the room in a recording")
    read.add_argument("recording", type=Path, metavar="RECORDING.wav")
    read.add_argument(
        "--sweep", type=Path, required=True, metavar="FILE.wav", help="the file that was played"
    )
    read.add_argument(
        "--into", type=Path, metavar="FILE.wav", help="default: RECORDING-response.wav"
    )
    read.add_argument("--channel", type=int, metavar="N", help="which channel, from 1")
    read.set_defaults(run=run_read)


def run_make(arguments: argparse.Namespace) -> int:
    """Make a sweep to play."""
    from raysim.response.sweep import Sweep
    from raysim.response.sweep_file import write_sweep

    sweep = Sweep(
        arguments.seconds, arguments.from_hz, arguments.to_hz, arguments.rate,
        arguments.times, arguments.silence_s, level_db=arguments.level_db,
    )  # fmt: skip
    write_sweep(arguments.file, sweep)
    low, high = sweep.passband_hz
    say(
        f"Play       {arguments.file}",
        f"It measures {low:.0f} to {high:.0f} Hz; octaves that reach beyond are cut.",
        "",
        *_BEFORE_PLAYING,
        "",
        f"Then       raysim sweep read RECORDING.wav --sweep {arguments.file}",
    )
    return DONE


def run_read(arguments: argparse.Namespace) -> int:
    """Give the response in a recording."""
    from raysim.response.sweep_file import read_response, read_sweep, write_response

    if arguments.channel is not None and arguments.channel < 1:
        raise SettingsError(
            Complaint("--channel", f"{arguments.channel} is not a channel.",
                      "Channels count from 1.", "RS-P01")
        )  # fmt: skip
    recording = arguments.recording
    into = arguments.into or recording.with_name(f"{recording.stem}-response.wav")
    sweep = read_sweep(arguments.sweep)
    found = read_response(recording, sweep, arguments.channel)
    about = write_response(into, found, recording)
    many = "one sweep" if found.n_sweep == 1 else f"the mean of {found.n_sweep} sweeps"
    say(
        f"Response   {into}",
        f"About it   {about}",
        f"{len(found.response) / found.sample_rate_hz:.2f} s from {many}; its strongest sound "
        f"stands {found.peak_db:.0f} dB above the mean of all lags.",
        "",
        _distortion_table(found),
        "Noise hides what is in brackets: distortion is no more than that.",
        *(f"Caution: {caution}" for caution in found.cautions),
        "",
        f"Then       raysim measure {into}",
    )
    return DONE


def _distortion_table(found: "SweptResponse") -> "RenderableType":
    """Give the distortion of each order, in per cent, by octave of what was played."""
    import numpy as np
    from rich.box import SIMPLE
    from rich.table import Table

    table = Table(box=SIMPLE, pad_edge=False, title="Distortion, %", title_justify="left")
    table.add_column("Hz", justify="right")
    for one in found.distortion:
        table.add_column(f"order {one.order}", justify="right")
    first = found.distortion[0]
    for i, centre in enumerate(first.centre_hz):
        if not np.isfinite(first.share[i]):
            continue
        cells = []
        for one in found.distortion:
            share = one.share[i]
            text = f"{100.0 * share:.2g}" if np.isfinite(share) else "-"
            cells.append(text if one.clear[i] or text == "-" else f"({text})")
        table.add_row(f"{centre:.0f}", *cells)
    return table
