"""A recorded response of the real room beside the simulated one of the same two places.

Differences are simulated minus measured, in just-noticeable differences  (C1). One counts
only if it is at least one such step and twice the errors of both, as far as they are known.
"""

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray
from rich.box import SIMPLE
from rich.console import Group, RenderableType
from rich.table import Table
from rich.text import Text

from raysim.compare.jnd import JNDS, LEAST_FACTOR
from raysim.measures.recorded import RecordedMeasures
from raysim.report.numbers import NOTHING, decimals, plus_minus
from raysim.scene.model import Bands
from raysim.store.file import Results
from raysim.units import Float

#: Measure, name with unit, resolution.
_SHOWN: Final = (
    ("edt_s", "EDT, s", 0.01),
    ("t20_s", "T20, s", 0.01),
    ("t30_s", "T30, s", 0.01),
    ("c50_db", "C50, dB", 0.1),
    ("c80_db", "C80, dB", 0.1),
    ("d50", "D50", 0.01),
    ("ts_s", "Ts, s", 0.001),
)


@dataclass(frozen=True, slots=True, eq=False)
class Beside:
    """One measure, measured and simulated, (n_band,) each; NaN where one is not known."""

    measure: str
    measured: Float
    measured_error: Float
    simulated: Float
    simulated_error: Float
    steps: Float  # simulated re measured, in just-noticeable differences
    error_steps: Float

    @property
    def differs(self) -> NDArray[np.bool_]:
        """Where the two are told apart: by ears, and by more than chance."""
        size = np.abs(self.steps)
        return np.asarray((size >= 1.0) & (size > LEAST_FACTOR * self.error_steps))


def beside(
    measured: RecordedMeasures, results: Results, layout: str, source: str, receiver: str
) -> list[Beside]:
    """Put the measures of a recording beside those of a simulated pair.

    Parameters
    ----------
    measured : RecordedMeasures
        In the bands of the results.
    results : Results
    layout, source, receiver : str
        As the result file calls them.

    Raises
    ------
    StoreError
        RS-H: the file has no such layout or pair.
    """
    stored = results.measures(layout, source, receiver)
    found = []
    for name, _, _ in _SHOWN:
        if name not in stored:
            continue
        one = np.asarray(getattr(measured, name), dtype=np.float64)
        other = np.asarray(stored[name].value, dtype=np.float64)
        nothing = np.full_like(other, np.nan)
        told = stored[name].error
        error = nothing if told is None else np.asarray(told, dtype=np.float64)
        one_error = measured.error.get(name, nothing)
        jnd = JNDS[name]
        # a step of a relative scale is a share of the value
        size = jnd.size * np.where(jnd.is_relative, np.abs(one), 1.0)
        both = np.hypot(np.nan_to_num(one_error), np.nan_to_num(error))
        steps = np.asarray(jnd.steps(other) - jnd.steps(one))
        found.append(Beside(name, one, one_error, other, error, steps, both / size))
    return found


def beside_table(rows: list[Beside], bands: Bands, title: str) -> RenderableType:
    """Give the comparison, to print with rich."""
    table = Table(
        box=SIMPLE, pad_edge=False, show_edge=False, padding=(0, 1, 0, 0),
        title=Text(title), title_justify="left",
    )  # fmt: skip
    table.add_column("", no_wrap=True)
    for label in bands.labels:
        table.add_column(label, justify="right")
    names = {key: (name, resolution) for key, name, resolution in _SHOWN}
    for row in rows:
        name, resolution = names[row.measure]
        table.add_row(f"{name} measured", *_cells(row.measured, row.measured_error, resolution))
        table.add_row("  simulated", *_cells(row.simulated, row.simulated_error, resolution))
        marks = ["!" if d else "" for d in row.differs]
        steps = [
            f"{s:+.1f}{mark}" if np.isfinite(s) else NOTHING
            for s, mark in zip(row.steps, marks, strict=True)
        ]
        table.add_row("  apart, JND", *steps)
    known = np.concatenate([np.isfinite(row.steps) for row in rows]) if rows else np.zeros(0)
    near = np.concatenate([np.abs(row.steps) < 1.0 for row in rows]) if rows else np.zeros(0)
    notes = (
        f"{int(near.sum())} of {int(known.sum())} are within one just-noticeable difference. "
        "!: apart by one or more, and by twice the errors that are known.",
        "± is of a single response by ISO 3382-2, and of the computation; neither has what is "
        "not known of the room's materials, nor of where the microphone really stood.",
        "Below the room's transition frequency decay times of rays are a rough guide. "
        "`raysim calibrate` fits materials to decay times.",
    )
    return Group(table, Text("\n".join(notes)))


def _cells(values: Float, errors: Float, resolution: float) -> list[str]:
    """Give numbers with their errors, where known."""
    cells = []
    for value, error in zip(values, errors, strict=True):
        if not np.isfinite(value):
            cells.append(NOTHING)
            continue
        text = f"{round(float(value), decimals(resolution)) + 0.0:.{decimals(resolution)}f}"
        # no room for spaces and zeros where eight octaves stand side by side
        spread = plus_minus(float(error), resolution).replace(" ", "").replace("0.", ".")
        cells.append(f"{text} {spread}" if spread else text)
    return cells
