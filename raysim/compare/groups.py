"""Which layouts can be told apart, by what, and which cannot.

Differences come with the error that shared chance leaves (M17). Layouts of one group cannot
be told apart, any two of them; two of different groups need not be far apart. "Not told apart"
is no proof of equality. Theory: DEVELOPERS.md, C2 and C3.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.cluster.hierarchy import fcluster, linkage
from scipy.spatial.distance import squareform

from raysim.compare.figures import Quantity, Readings
from raysim.compare.jnd import audibility, least_factor
from raysim.measures.pair import spread
from raysim.units import Float


@dataclass(frozen=True, slots=True)
class Difference:
    """How one layout differs from another in one quantity: other less first."""

    quantity: Quantity
    first: str
    other: str
    value: float  # in the quantity's unit
    error: float
    steps: float  # in just-noticeable differences
    steps_error: float
    is_certain: bool  # more than chance
    is_audible: bool  # certain, and at least one just-noticeable difference
    is_typical: bool  # both values lie where that difference was given for


@dataclass(frozen=True, slots=True)
class Differences:
    """All differences between layouts: row layout to column layout."""

    readings: Readings
    value: Float  # (n_layout, n_layout, n_quantity)
    error: Float
    steps: Float
    steps_error: Float
    factor: float  # standard errors that a difference must exceed
    n_comparison: int

    @property
    def audibility(self) -> Float:
        """How far each exceeds the stricter of its thresholds: 1 or more is audible."""
        return audibility(self.steps, self.steps_error, self.factor)

    def between(self, first: str, other: str) -> tuple[Difference, ...]:
        """Give the differences from one layout to another, in all quantities."""
        r = self.readings
        a, b = r.index(first), r.index(other)
        heard = self.audibility[a, b]
        certain = np.abs(self.steps[a, b]) > self.factor * self.steps_error[a, b]
        return tuple(
            Difference(
                quantity=q,
                first=first,
                other=other,
                value=float(self.value[a, b, i]),
                error=float(self.error[a, b, i]),
                steps=float(self.steps[a, b, i]),
                steps_error=float(self.steps_error[a, b, i]),
                is_certain=bool(certain[i]),
                is_audible=bool(heard[i] >= 1.0),
                is_typical=all(q.jnd.is_typical(float(r.value[k, i])) for k in (a, b)),
            )
            for i, q in enumerate(r.quantities)
        )

    def distinguishable(self, first: str, other: str) -> tuple[Difference, ...]:
        """Give what two layouts can be told apart by; empty: they cannot be.

        Hints are left out.
        """
        return tuple(
            d for d in self.between(first, other) if d.is_audible and not d.quantity.is_hint
        )


def differences(readings: Readings, looked_at: NDArray[np.bool_] | None = None) -> Differences:
    """Compare every layout with every other.

    Parameters
    ----------
    readings : Readings
    looked_at : (n_layout, n_layout) bool, optional
        Which layouts anyone looks at beside each other, symmetric; all otherwise. The fewer,
        the less each must exceed its error by.

    Returns
    -------
    Differences
        Errors are batch by batch where two layouts have as many batches  (M17).
    """
    n, n_q = readings.value.shape
    on_scale = _on_scale(readings, readings.value)
    value = readings.value[None, :] - readings.value[:, None]
    steps = on_scale[None, :] - on_scale[:, None]
    error, steps_error = np.full((2, n, n, n_q), np.nan)
    scaled = [None if w is None else _on_scale(readings, w) for w in readings.without]
    for a in range(n):
        for b in range(n):
            error[a, b] = _error(readings.without[a], readings.without[b], n_q)
            steps_error[a, b] = _error(scaled[a], scaled[b], n_q)
    judged = np.array([not q.is_hint for q in readings.quantities])
    apart = np.triu(np.ones((n, n), dtype=bool) if looked_at is None else looked_at, 1)
    n_comparison = int((np.isfinite(steps[apart]) & judged).sum())
    n_batch = min((0 if w is None else len(w) for w in readings.without), default=0)
    return Differences(
        readings=readings,
        value=value,
        error=error,
        steps=steps,
        steps_error=steps_error,
        factor=least_factor(n_comparison, n_batch),
        n_comparison=n_comparison,
    )


def _on_scale(readings: Readings, values: Float) -> Float:
    """Give values in just-noticeable differences."""
    columns = [q.jnd.steps(values[..., i]) for i, q in enumerate(readings.quantities)]
    return np.stack(columns, axis=-1)


def _error(first: Float | None, other: Float | None, n_quantity: int) -> Float:
    if first is None or other is None:
        return np.full(n_quantity, np.nan)
    if len(first) == len(other):
        return spread(other - first)
    return np.hypot(spread(first), spread(other))


def groups(
    found: Differences, measure: str | None = None, layouts: Sequence[str] | None = None
) -> tuple[tuple[str, ...], ...]:
    """Put together layouts that cannot be told apart  (C3).

    Parameters
    ----------
    found : Differences
    measure : str, optional
        Tell them by this one alone; by all otherwise.
    layouts : sequence of str, optional
        Only these; all otherwise.

    Returns
    -------
    tuple of tuple of str
        Every layout in one group; layouts and groups in the layouts' order.
    """
    asked = [not q.is_hint and measure in (None, q.measure) for q in found.readings.quantities]
    names = found.readings.layouts if layouts is None else tuple(layouts)
    chosen = [found.readings.index(name) for name in names]
    furthest = found.audibility[:, :, asked].max(axis=2, initial=0.0)
    return linked(names, furthest[np.ix_(chosen, chosen)])


def linked(names: Sequence[str], apart: Float) -> tuple[tuple[str, ...], ...]:
    """Group by complete linkage: joined while all within a group are less than 1 apart.

    Parameters
    ----------
    names : sequence of str
    apart : (n, n) float64
        Symmetric, zero on the diagonal.

    Returns
    -------
    tuple of tuple of str

    Examples
    --------
    >>> linked("abc", np.array([[0, 0.2, 3], [0.2, 0, 0.9], [3, 0.9, 0]]))
    (('a', 'b'), ('c',))
    """
    if len(names) < 2:
        return tuple((name,) for name in names)
    tree = linkage(squareform(apart, checks=False), method="complete")
    number = fcluster(tree, math.nextafter(1.0, 0.0), criterion="distance")
    members: dict[int, list[str]] = {}
    for name, i in zip(names, number.tolist(), strict=True):
        members.setdefault(i, []).append(name)
    return tuple(tuple(group) for group in members.values())
