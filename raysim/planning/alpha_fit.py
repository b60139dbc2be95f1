"""Measured decay times against computed ones: errors, and least squares inside ranges.

Rows are measured times, changes are sets of coefficients; each octave is a problem of its own.
Theory: DEVELOPERS.md, Q5 to Q8.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from scipy.optimize import lsq_linear

from raysim.planning.measured_decays import DECAYS, MeasuredDecay
from raysim.planning.replayed_decay import ReplayedRoom
from raysim.units import Float

#: Of one response, ISO 3382-2:2008 clause 7, over the root of bandwidth times decay time
#: (values from memory, (M14)); EDT is taken to scatter twice as T20: a guess, no source.
_CHANCE: Final = {"edt_s": 1.92, "t20_s": 0.96, "t30_s": 0.59}


def prior_spread(low: Float, likely: Float, high: Float) -> Float:
    """Give the standard deviation of a triangular distribution  (Q5).

    Examples
    --------
    >>> round(float(prior_spread(np.array(0.0), np.array(0.5), np.array(1.0))), 4)
    0.2041
    """
    square = low**2 + likely**2 + high**2 - low * likely - low * high - likely * high
    return np.asarray(np.where(high > low, np.sqrt(np.maximum(square, 0.0) / 18.0), 0.0))


def is_of(row: MeasuredDecay, pair: tuple[str, str]) -> bool:
    """Tell if a row is of a pair, or of a mean that the pair is in."""
    return row.source in ("", pair[0]) and row.receiver in ("", pair[1])


@dataclass(frozen=True, slots=True, eq=False)
class Data:
    """Rows against what rooms give: which numbers' mean each row is."""

    rows: tuple[MeasuredDecay, ...]
    room: tuple[int, ...]
    pairs: tuple[tuple[int, ...], ...]

    def of(self, decays_s: Sequence[Float]) -> Float:
        """Give what each row would be, (n_change, n_row), from times of each room."""
        columns = [
            decays_s[room][:, list(pairs), DECAYS.index(row.measure), row.band].mean(axis=1)
            for row, room, pairs in zip(self.rows, self.room, self.pairs, strict=True)
        ]
        return np.stack(columns, axis=1)

    def only(self, kept: Sequence[int]) -> "Data":
        """Give some of the rows."""
        return Data(
            tuple(self.rows[i] for i in kept),
            tuple(self.room[i] for i in kept),
            tuple(self.pairs[i] for i in kept),
        )


def data_of(rooms: Sequence[ReplayedRoom], rows: Sequence[MeasuredDecay]) -> Data:
    """Find what each row is to be compared with."""
    names = [room.name for room in rooms]
    which = tuple(names.index(row.layout or names[0]) for row in rows)
    pairs = tuple(
        tuple(i for i, pair in enumerate(rooms[k].pairs) if is_of(row, pair))
        for row, k in zip(rows, which, strict=True)
    )
    return Data(tuple(rows), which, pairs)


def own_error(data: Data, computed: Float, wide_hz: Float) -> Float:
    """Give the error of each row that is its own: of measuring and of tracing, relative."""
    own = []
    for row, pairs in zip(data.rows, data.pairs, strict=True):
        if math.isfinite(row.error_s):
            own.append(row.error_s / row.value_s)
        else:
            chance = _CHANCE[row.measure] / math.sqrt(float(wide_hz[row.band]) * row.value_s)
            own.append(chance / math.sqrt(len(pairs)))
    return np.asarray(np.hypot(np.array(own), computed))


@dataclass(frozen=True, slots=True, eq=False)
class BandFit:
    """The rows of one octave, whitened: errors of their own, one for each layout  (Q8)."""

    rows: tuple[int, ...]
    white: Float  # (n, n) inverse of the Cholesky factor of the covariance

    def __init__(self, data: Data, band: int, own: Float, model: float) -> None:
        rows = tuple(i for i, row in enumerate(data.rows) if row.band == band)
        room = np.array([data.room[i] for i in rows])
        covariance = np.diag(own[list(rows)] ** 2)
        covariance += model**2 * (room[:, None] == room[None])
        white = np.linalg.inv(np.linalg.cholesky(covariance)) if rows else covariance
        object.__setattr__(self, "rows", rows)
        object.__setattr__(self, "white", white)

    def step(
        self, left: Float, jacobian: Float, at: Float, low: Float, likely: Float,
        high: Float, prior: Float,
    ) -> Float:  # fmt: skip
        """Give the step to the best point of the linear problem, inside the range."""
        free = np.flatnonzero(prior > 0.0)
        step = np.zeros(at.size)
        if not self.rows or not free.size:
            return step
        slope = self.white @ jacobian[list(self.rows)][:, free]
        matrix = np.vstack([slope, np.diag(1.0 / prior[free])])
        right = np.concatenate(
            [self.white @ left[list(self.rows)], (likely - at)[free] / prior[free]]
        )
        bounds = ((low - at)[free], (high - at)[free])
        step[free] = lsq_linear(matrix, right, bounds).x
        return step

    def posterior(self, jacobian: Float, prior: Float) -> Float:
        """Give the covariance of coefficients that the data leave, range or not  (Q7)."""
        free = np.flatnonzero(prior > 0.0)
        covariance = np.zeros((prior.size, prior.size))
        if free.size:
            slope = self.white @ jacobian[list(self.rows)][:, free]
            precision = slope.T @ slope + np.diag(prior[free] ** -2.0)
            covariance[np.ix_(free, free)] = np.linalg.inv(precision)
        return covariance


def cost_of(
    weighing: Sequence[BandFit], left: Float, alpha: Float, likely: Float, prior: Float
) -> Float:
    """Give the sum of squares of each octave, (n_band,)."""
    away = np.divide(alpha - likely, prior, out=np.zeros_like(alpha), where=prior > 0.0)
    data = [float(((w.white @ left[list(w.rows)]) ** 2).sum()) for w in weighing]
    return np.asarray((away**2).sum(axis=0) + np.array(data))
