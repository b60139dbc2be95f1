"""``raysim measure``: measure recorded impulse responses."""

import argparse
from pathlib import Path
from typing import TYPE_CHECKING

from raysim.commands.words import DONE, Commands, say
from raysim.errors import Complaint, RaysimError, SettingsError

if TYPE_CHECKING:
    from raysim.response.wav import Recording


def add(commands: Commands) -> None:
    """Say what the command takes."""
    parser = commands.add_parser(
        "measure", help="decay, clarity and speech measures of recorded impulse responses"
    )
    parser.add_argument("recording", type=Path, nargs="+", help="WAV or FLAC file")
    parser.add_argument("--channel", type=int, metavar="N", help="which channel, from 1")
    parser.add_argument("--thirds", action="store_true", help="one-third octaves")
    parser.add_argument(
        "--against", type=Path, metavar="RESULTS.h5",
        help="put a simulated pair beside the recording: see --layout and --pair",
    )  # fmt: skip
    parser.add_argument(
        "--into", type=Path, metavar="FILE.csv",
        help="write T20 and T30 as a table for `raysim calibrate`; --layout and --pair, if "
        "given, say what of the scene was measured",
    )  # fmt: skip
    parser.add_argument("--layout", metavar="NAME", help="of the results (default: the first)")
    parser.add_argument(
        "--pair", nargs=2, metavar=("SOURCE", "RECEIVER"),
        help="of the results (default: the first)",
    )  # fmt: skip
    parser.set_defaults(run=run_measure)


def run_measure(arguments: argparse.Namespace) -> int:
    """Measure recorded impulse responses."""
    from raysim.measures.recorded import measure_recorded
    from raysim.report.recorded import decay_lines, recorded_table, write_decays
    from raysim.response.wav import read_wav
    from raysim.scene.model import Bands

    if arguments.channel is not None and arguments.channel < 1:
        raise SettingsError(
            Complaint("--channel", f"{arguments.channel} is not a channel.",
                      "Channels count from 1.", "RS-P01")
        )  # fmt: skip
    if arguments.into is not None and arguments.thirds:
        raise SettingsError(
            Complaint("--into", "materials are fitted in octaves.", "Leave --thirds out.",
                      "RS-C12")
        )  # fmt: skip
    asked = arguments.against or arguments.into
    if asked is None and (arguments.layout or arguments.pair):
        option = "--layout" if arguments.layout else "--pair"
        raise SettingsError(
            Complaint(option, "there is nothing to compare with.",
                      "Name a result file with --against, or a table with --into.",
                      "RS-C10")
        )  # fmt: skip
    bands = Bands(3 if arguments.thirds else 1)
    complaints: list[Complaint] = []
    lines: list[tuple[str, ...]] = []
    of = (arguments.layout or "", *(arguments.pair or ("", "")))
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
        lines += decay_lines(measured, bands, *of)
        if arguments.against is not None:
            _say_beside(arguments, recording)
    if complaints:
        raise RaysimError(complaints)
    if arguments.into is not None:
        write_decays(arguments.into, lines)
        say(f"All data   {arguments.into}",
            f"Then       raysim calibrate SCENE --measured {arguments.into}")  # fmt: skip
    return DONE


def _say_beside(arguments: argparse.Namespace, recording: "Recording") -> None:
    """Put a simulated pair beside a recording."""
    from raysim.compare.measured import beside, beside_table
    from raysim.measures.recorded import measure_recorded
    from raysim.store.file import open_results

    with open_results(arguments.against) as results:
        layout = arguments.layout or results.layout_names[0]
        source, receiver = arguments.pair or results.pair_names(layout)[0]
        measured = measure_recorded(recording.samples, recording.sample_rate_hz, results.bands)
        rows = beside(measured, results, layout, source, receiver)
        title = f"Beside {arguments.against}: {layout}, {source} to {receiver}"
        say("", beside_table(rows, results.bands, title))
