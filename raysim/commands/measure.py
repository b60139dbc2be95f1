"""``raysim measure``: measure recorded impulse responses."""

import argparse
from pathlib import Path

from raysim.commands.words import DONE, Commands, say
from raysim.errors import Complaint, RaysimError, SettingsError


def add(commands: Commands) -> None:
    """Say what the command takes."""
    parser = commands.add_parser(
        "measure", help="decay, clarity and speech measures of recorded impulse responses"
    )
    parser.add_argument("recording", type=Path, nargs="+", help="WAV or FLAC file")
    parser.add_argument("--channel", type=int, metavar="N", help="which channel, from 1")
    parser.add_argument("--thirds", action="store_true", help="one-third octaves")
    parser.set_defaults(run=run_measure)


def run_measure(arguments: argparse.Namespace) -> int:
    """Measure recorded impulse responses."""
    from raysim.measures.recorded import measure_recorded
    from raysim.report.recorded import recorded_table
    from raysim.response.wav import read_wav
    from raysim.scene.model import Bands

    if arguments.channel is not None and arguments.channel < 1:
        raise SettingsError(
            Complaint("--channel", f"{arguments.channel} is not a channel.",
                      "Channels count from 1.", "RS-P01")
        )  # fmt: skip
    bands = Bands(3 if arguments.thirds else 1)
    complaints: list[Complaint] = []
    for path in arguments.recording:
        try:
            recording = read_wav(path, arguments.channel)
            measured = measure_recorded(recording.samples, recording.sample_rate_hz, bands)
        except RaysimError as error:
            complaints.extend(
                c if str(path) in c.where else Complaint(str(path), c.wrong, c.fix, c.code)
                for c in error.complaints
            )
            continue
        say(recorded_table(str(path), recording, measured, bands))
    if complaints:
        raise RaysimError(complaints)
    return DONE
