"""The measures of a recorded response as a terminal table, its decay times as a file."""

import csv
import io
from collections.abc import Sequence
from pathlib import Path
from typing import Final

import numpy as np
from rich.box import SIMPLE
from rich.console import Group, RenderableType
from rich.table import Table
from rich.text import Text

from raysim.errors import AudioError, Complaint
from raysim.measures.recorded import RecordedMeasures, is_response
from raysim.report.numbers import decimals, index_of_one
from raysim.response.wav import Recording
from raysim.scene.model import Bands
from raysim.store.replace import replace_file, replacement_target

#: Columns of decay times on file, as of `measures.csv`.
COLUMNS: Final = (
    "layout", "source", "receiver", "measure", "band_hz", "value", "error", "unit",
)  # fmt: skip
#: Measure, name, unit and resolution.
_COLUMNS = (
    ("edt_s", "EDT", "s", 0.01),
    ("t20_s", "T20", "s", 0.01),
    ("t30_s", "T30", "s", 0.01),
    ("curvature_pct", "curve", "%", 1.0),
    ("c50_db", "C50", "dB", 0.1),
    ("c80_db", "C80", "dB", 0.1),
    ("d50", "D50", "", 0.01),
    ("ts_s", "Ts", "s", 0.001),
    ("range_db", "range", "dB", 1.0),
)


def recorded_table(
    name: str, recording: Recording, measured: RecordedMeasures, bands: Bands
) -> RenderableType:
    """Give the measures of one recording, to print with rich.

    Values that the recording does not support are dashes; below the table stands why.
    Bands are rows, so that one-third octaves fit a terminal of 80 columns.
    """
    table = Table(
        box=SIMPLE,
        pad_edge=False,
        show_edge=False,
        padding=(0, 1, 0, 0),
        title=Text(name),
        title_justify="left",
    )
    table.add_column("\nHz", justify="right", no_wrap=True)
    for key, heading, unit, _ in _COLUMNS:
        # Where a terminal is narrower than most, an error goes below its number.
        is_one = key not in measured.error
        table.add_column(f"{heading}\n{unit}", justify="right", no_wrap=is_one)
    for i, label in enumerate(bands.labels):
        cells = [_cell(measured, key, i, resolution) for key, _, _, resolution in _COLUMNS]
        table.add_row(label, *cells)
    reasons: dict[str, dict[str, list[str]]] = {}  # reason, measure, bands
    for key, heading, _, _ in _COLUMNS:
        why = measured.why.get(key, ("",) * bands.n_band)
        for value, label, reason in zip(getattr(measured, key), bands.labels, why, strict=True):
            if reason and not np.isfinite(value):
                reasons.setdefault(reason, {}).setdefault(heading, []).append(label)
    notes = [
        f"{recording.samples.size / recording.sample_rate_hz:.2f} s at "
        f"{recording.sample_rate_hz} Hz; direct sound at {measured.onset_s:.3f} s. "
        f"STI of the room alone, without its noise: "
        f"{index_of_one(measured.sti) if np.isfinite(measured.sti) else '-'}."
    ]
    for reason, places_of in reasons.items():
        where = "; ".join(f"{heading} {', '.join(p)}" for heading, p in places_of.items())
        notes.append(f"- {where}: {reason}")
    cautions = list(recording.cautions)
    if not is_response(measured):
        cautions.append(
            Complaint(name, "next to nothing of its energy comes in the first 50 ms: it is no "
                      "impulse response, and the numbers mean nothing.",
                      "Of a recorded sweep make one with `raysim sweep read`; cut off what "
                      "comes before a bang.", "RS-W12")
        )  # fmt: skip
    notes += [f"Caution: {caution}" for caution in cautions]
    return Group(table, Text("\n".join(notes)))


def decay_lines(
    measured: RecordedMeasures, bands: Bands, layout: str, source: str, receiver: str
) -> list[tuple[str, ...]]:
    """Give decay times with the columns of `measures.csv`, for `raysim calibrate` to read.

    Only those whose error is known, T20 and T30; none of what is no impulse response.
    """
    if not is_response(measured):
        return []
    lines: list[tuple[str, ...]] = []
    for key, errors in measured.error.items():
        for label, value, error in zip(
            bands.labels, getattr(measured, key), errors, strict=True
        ):
            if np.isfinite(value) and np.isfinite(error):
                told = (f"{value:.6g}", f"{error:.6g}", "s")
                lines.append((layout, source, receiver, key, label, *told))
    return lines


def write_decays(path: Path, lines: Sequence[tuple[str, ...]]) -> None:
    """Write lines of `decay_lines` as CSV; an earlier table of this kind is replaced.

    Raises
    ------
    AudioError
        RS-C12: there are none, or another file has this name.
    """
    head = ",".join(COLUMNS)
    if not lines:
        raise AudioError(
            Complaint(str(path), "no recording supports a decay time, so nothing was written.",
                      "Record again, with less noise or a longer sweep.", "RS-C12")
        )  # fmt: skip
    if path.exists():
        with path.open("rb") as file:
            is_ours = file.read(len(head) + 1) == f"{head}\n".encode()
        if not is_ours:
            raise AudioError(
                Complaint(str(path), "there is another file of this name.",
                          "Name another.", "RS-C12")
            )  # fmt: skip
    text = io.StringIO(newline="")
    csv.writer(text, lineterminator="\n").writerows([COLUMNS, *lines])
    replace_file(replacement_target(path), text.getvalue().encode)


def _cell(measured: RecordedMeasures, key: str, band: int, resolution: float) -> str:
    """Give one number, with its standard error if that is known: "0.92 ±.05"."""
    value = float(getattr(measured, key)[band])
    if not np.isfinite(value):
        return "-"
    places = decimals(resolution)
    text = f"{round(value, places) + 0.0:.{places}f}"  # never "-0"
    error = float(measured.error[key][band]) if key in measured.error else float("nan")
    if not np.isfinite(error):
        return text
    sign = "<" if error < resolution else ""
    shown = f"{max(error, resolution):.{places}f}"
    return f"{text} ±{sign}{shown.removeprefix('0')}"
