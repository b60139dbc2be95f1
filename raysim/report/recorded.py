"""The measures of a recorded response as a terminal table."""

import numpy as np
from rich.box import SIMPLE
from rich.console import Group, RenderableType
from rich.table import Table
from rich.text import Text

from raysim.measures.recorded import RecordedMeasures
from raysim.report.numbers import decimals, index_of_one, plus_minus
from raysim.response.wav import Recording
from raysim.scene.model import Bands

#: Measure, heading, decimals as a resolution, whether a standard error is known.
_ROWS = (
    ("edt_s", "EDT, s", 0.01),
    ("t20_s", "T20, s", 0.01),
    ("t30_s", "T30, s", 0.01),
    ("curvature_pct", "curvature, %", 1.0),
    ("c50_db", "C50, dB", 0.1),
    ("c80_db", "C80, dB", 0.1),
    ("d50", "D50", 0.01),
    ("ts_s", "Ts, s", 0.001),
    ("range_db", "decay range, dB", 1.0),
)


def recorded_table(
    name: str, recording: Recording, measured: RecordedMeasures, bands: Bands
) -> RenderableType:
    """Give the measures of one recording, to print with rich.

    Values that the recording does not support are dashes; below the table stands why.
    """
    table = Table(box=SIMPLE, pad_edge=False, title=name, title_justify="left")
    table.add_column("")
    for label in bands.labels:
        table.add_column(label, justify="right")
    reasons: dict[str, list[str]] = {}
    for key, heading, resolution in _ROWS:
        values = getattr(measured, key)
        errors = measured.error.get(key)
        why = measured.why.get(key, ("",) * bands.n_band)
        cells = []
        for i, label in enumerate(bands.labels):
            if not np.isfinite(values[i]):
                cells.append("-")
                if why[i]:
                    reasons.setdefault(why[i], []).append(f"{heading.split(',')[0]} {label}")
                continue
            text = f"{values[i]:.{decimals(resolution)}f}"
            if errors is not None and np.isfinite(errors[i]):
                text = f"{text} {plus_minus(float(errors[i]), resolution)}"
            cells.append(text)
        table.add_row(heading, *cells)
    notes = [
        f"{recording.samples.size / recording.sample_rate_hz:.2f} s at "
        f"{recording.sample_rate_hz} Hz; direct sound at {measured.onset_s:.3f} s. "
        f"STI of the room alone, without its noise: "
        f"{index_of_one(measured.sti) if np.isfinite(measured.sti) else '-'}."
    ]
    notes += [f"- {', '.join(where)}: {reason}" for reason, where in reasons.items()]
    notes += [f"Caution: {caution}" for caution in recording.cautions]
    return Group(table, Text("\n".join(notes)))
