"""A calibration on a terminal: what was fitted, what the data cannot tell, what is left."""

import numpy as np
from numpy.typing import NDArray
from rich.box import SIMPLE
from rich.console import Group, RenderableType
from rich.table import Table
from rich.text import Text

from raysim.planning.calibrate import LITTLE, NOTHING, Calibration
from raysim.report.numbers import band_name
from raysim.units import OCTAVE_LABELS, Float

#: Two materials of which only a sum is known: correlation of what is left of their doubt.
_APART = -0.6
#: Data that lie farther off, in their own errors, do not go with the ranges.
_FAR = 2.0


def calibration_page(found: Calibration) -> RenderableType:
    """Give a calibration, to print with rich."""
    return Group(
        _table(found),
        Text(
            "Doubt left: of what the range left open, in per cent. !: at an end of the range."
        ),
        Text(""),
        _misfits(found),
        Text(""),
        *(Text(f"- {one}") for one in sentences(found)),
    )


def _bare_table(heading: str) -> Table:
    table = Table(box=SIMPLE, pad_edge=False, show_edge=False, padding=(0, 1, 0, 0))
    table.add_column(heading)
    for label in OCTAVE_LABELS:
        table.add_column(label, justify="right", no_wrap=True)
    return table


def _table(found: Calibration) -> Table:
    table = _bare_table("absorption coefficient")
    left, at_end = found.left, found.at_end
    for i, material in enumerate(found.materials):
        marks = ["!" if end else "" for end in at_end[i]]
        shares = [f"{100.0 * v:.0f}" if np.isfinite(v) else "-" for v in left[i]]
        fitted = [f"{a:.2f}{m}" for a, m in zip(found.alpha[i], marks, strict=True)]
        table.add_row(material.name, *(f"{a:.2f}" for a in material.alpha))
        table.add_row("  fitted", *fitted)
        table.add_row("  doubt left, %", *shares)
    return table


def rms_pct(found: Calibration, computed_s: Float) -> Float:
    """Give how far off computed times are, by octave, per cent; NaN where none is measured."""
    band = np.array([row.band for row in found.rows])
    off = np.log(computed_s / np.array([row.value_s for row in found.rows]))
    return np.array(
        [
            100.0 * float(np.sqrt(np.mean(off[band == b] ** 2)))
            if (band == b).any()
            else np.nan
            for b in range(len(OCTAVE_LABELS))
        ]
    )


def _misfits(found: Calibration) -> Table:
    table = _bare_table("decay times off by, %")
    for name, times_s in (("before", found.before_s), ("fitted", found.after_s)):
        off = rms_pct(found, times_s)
        table.add_row(name, *(f"{v:.0f}" if np.isfinite(v) else "-" for v in off))
    return table


def sentences(found: Calibration) -> list[str]:
    """Say what the data tell and what they do not."""
    told: list[str] = []
    heard = np.isin(np.arange(len(OCTAVE_LABELS)), [row.band for row in found.rows])
    if not heard.all():
        bands = _bands(~heard, heard)
        told.append(f"Nothing was measured at {bands}: there all stays as it was.")
    left = found.left
    for i, material in enumerate(found.materials):
        with np.errstate(invalid="ignore"):
            nothing = heard & (left[i] > NOTHING)
            little = heard & (left[i] > LITTLE) & ~nothing
        if nothing.any():
            told.append(
                f'The data say nothing about "{material.name}" at {_bands(nothing, heard)}.'
            )
        if little.any():
            told.append(
                f'The data say little about "{material.name}" at {_bands(little, heard)}.'
            )
        ends = found.at_end[i] != 0.0
        if ends.any():
            told.append(
                f'"{material.name}" came to an end of its range at {_bands(ends, heard)}: its '
                "range, its area, or something else in the scene is not right."
            )
    told += _not_apart(found, heard)
    if found.n_unused:
        told.append(
            f"{found.n_unused} measured times were left out: the room as described has none "
            "there to compare with."
        )
    far = np.abs(found.misfit) > _FAR
    if np.mean(far) > 0.1:
        told.append(
            f"{int(far.sum())} of {far.size} measured times are farther off than their errors "
            "allow, whatever the materials absorb inside their ranges: look at geometry, "
            "places, what stands in the room, and the measurement itself."
        )
    told.append(
        "This makes the model decay as the room does where it was measured; it is no "
        "measurement of materials, and scattering stays as it was."
    )
    return told


def _not_apart(found: Calibration, heard: NDArray[np.bool_]) -> list[str]:
    """Name materials that the data tell together and not apart."""
    told = []
    names = [m.name for m in found.materials]
    for i in range(len(names)):
        for k in range(i):
            both = found.correlation[:, i, k] < _APART
            if both.any():
                told.append(
                    f'"{names[k]}" and "{names[i]}" cannot be told apart at '
                    f"{_bands(both, heard)}: what one has too much the other has too little."
                )
    return told


def _bands(which: NDArray[np.bool_], heard: NDArray[np.bool_]) -> str:
    """Name octaves, for a sentence; those that were measured go by one word."""
    if np.array_equal(which, heard):
        return "all octaves that were measured"
    names = [band_name(OCTAVE_LABELS[b]) for b in np.flatnonzero(which)]
    return " and ".join(filter(None, [", ".join(names[:-1]), names[-1]]))
