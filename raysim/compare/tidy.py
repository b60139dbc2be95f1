"""Numbers of a result file as flat rows with the same keys, one number each.

A row is a dict of texts, numbers, truth values and None, so a list of them goes into any data
frame as it is. A number that could not be had is None. ``freq_hz`` is the nominal mid-band of
an octave or third, None for what is of no one band; a name with ``mid`` is of 500 Hz and
1 kHz. ``error`` is one standard error, None where it is not known. ``source`` and
``receiver`` are empty for the mean over pairs.
"""

import itertools
import math
from collections.abc import Iterator
from typing import TYPE_CHECKING

import numpy as np

from raysim.compare.figures import Quantity
from raysim.errors import Complaint, SettingsError
from raysim.measures.pair import spread
from raysim.scene.layouts import RESERVED_NAMES
from raysim.store.file import Measure, Results

if TYPE_CHECKING:
    from raysim.compare.comparison import Comparison

Cell = str | float | bool | None
Row = dict[str, Cell]

AS_DESCRIBED = RESERVED_NAMES[0]


def tables(results: Results) -> list[Row]:
    """Give every stored measure of a result file as tidy rows.

    Parameters
    ----------
    results : Results
        An open result file.

    Returns
    -------
    list of dict
        layout, state, source, receiver, measure, freq_hz, value, error, unit.

    Raises
    ------
    SettingsError
        RS-T82: the file has no measures yet.
    """
    rows = [
        row
        for stored in results.layout_names
        for source, receiver in results.pair_names(stored)
        for name, measure in results.measures(stored, source, receiver).items()
        for row in _of_measure(results, (stored, source, receiver), name, measure)
    ]
    if not rows:
        wrong = "no measures are stored: the run was stopped before they were made."
        fix = "Make them: raysim page RESULTS.h5."
        raise SettingsError(Complaint("results", wrong, fix, "RS-T82"))
    return rows


def _of_measure(
    results: Results, at: tuple[str, str, str], name: str, measure: Measure
) -> Iterator[Row]:
    room = results.layout(at[0])
    values = np.atleast_1d(np.asarray(measure.value, dtype=np.float64))
    unknown = np.full(values.shape, np.nan)
    errors = unknown if measure.error is None else np.atleast_1d(measure.error)
    single = values.size == 1
    labels = [""] if single else list(results.bands.labels)
    for label, value, error in zip(labels, values.tolist(), errors.tolist(), strict=True):
        yield _row(
            room.treatment_layout, room.state, at[1], at[2], name, label, value, error,
            measure.unit,
        )  # fmt: skip


def comparison_rows(comparison: "Comparison") -> list[Row]:
    """Give what layouts are compared by as tidy rows; see `Comparison.rows`."""
    r = comparison.readings
    rows: list[Row] = []
    for i, stored in enumerate(r.layouts):
        one, without = comparison.conditions[stored], r.without[i]
        for j, q in enumerate(r.quantities):
            error = math.nan if without is None else float(spread(without[:, j]))
            rows.append(
                _row(
                    one.layout, one.state, q.source, q.receiver, _measure(q), _band(q),
                    float(r.value[i, j]), error, q.unit,
                )
            )  # fmt: skip
    for seat in () if comparison.bass is None else comparison.bass.seats:
        one = comparison.conditions[seat.layout]
        for measure, band in seat.value:
            rows.append(
                _row(
                    one.layout, one.state, seat.source, seat.receiver, measure, band,
                    seat.at_place(measure, band), math.nan, "dB",
                )
            )  # fmt: skip
    return rows


def comparison_difference_rows(comparison: "Comparison") -> list[Row]:
    """Give the differences of layouts as tidy rows; see `Comparison.difference_rows`."""
    c = comparison
    return [
        row
        for first, other in itertools.combinations(c.layouts, 2)
        if c.is_looked_at(first, other)
        for row in _between(c, first, other)
    ]


def _between(c: "Comparison", first: str, other: str) -> Iterator[Row]:
    a, b = c.conditions[first], c.conditions[other]
    less: Row = {
        "less_layout": a.layout or AS_DESCRIBED,
        "less_state": a.state or AS_DESCRIBED,
    }
    for d in c.found.between(first, other):
        q = d.quantity
        yield _row(
            b.layout, b.state, q.source, q.receiver, _measure(q), _band(q), d.value, d.error,
            q.unit,
        ) | less | {
            "within_10_cm": None, "steps": _number(d.steps),
            "audible": d.is_audible and not q.is_hint, "hint": q.is_hint,
        }  # fmt: skip
    if c.bass is None or not {first, other} <= set(c.bass.layouts):
        return
    for one in c.bass.between(first, other):
        yield _row(
            b.layout, b.state, one.source, one.receiver, one.measure, one.band, one.value,
            math.nan, "dB",
        ) | less | {
            "within_10_cm": _number(one.spread), "steps": _number(one.steps),
            "audible": one.is_audible, "hint": False,
        }  # fmt: skip


def _row(
    layout: str, state: str, source: str, receiver: str, measure: str, band: str,
    value: float, error: float, unit: str,
) -> Row:  # fmt: skip
    return {
        "layout": layout or AS_DESCRIBED,
        "state": state or AS_DESCRIBED,
        "source": source,
        "receiver": receiver,
        "measure": measure,
        "freq_hz": nominal_hz(band),
        "value": _number(value),
        "error": _number(error),
        "unit": unit,
    }


def _measure(q: Quantity) -> str:
    """Name a quantity; what is of 500 Hz and 1 kHz says so before its unit."""
    if q.band != "mid":
        return q.measure
    name, _, unit = q.measure.rpartition("_")
    return f"{name}_mid_{unit}"


def _band(q: Quantity) -> str:
    return "" if q.band == "mid" else q.band


def nominal_hz(label: str) -> float | None:
    """Give the frequency that a band is called by; None for no band.

    Examples
    --------
    >>> nominal_hz("63"), nominal_hz("1.25k"), nominal_hz("")
    (63.0, 1250.0, None)
    """
    if not label:
        return None
    return 1000.0 * float(label[:-1]) if label.endswith("k") else float(label)


def _number(value: float) -> float | None:
    return value if math.isfinite(value) else None
