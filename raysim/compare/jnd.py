"""The least differences that listeners notice, and when a difference counts as one.

A difference is counted in steps: just-noticeable differences from one value to the other.
It is called audible only if it is at least one step and exceeds its standard error by a
factor that is 2 or more. Theory: DEVELOPERS.md, C1 and C2. Source: ISO 3382-1:2009, Table
A.1, for the rows it has. Its values come from concert halls; the ranges that they are typical
of are kept with them, since most small rooms lie outside.
"""

import math
from dataclasses import dataclass

import numpy as np
from scipy.special import stdtrit

from raysim.units import Float

_TABLE = "ISO 3382-1:2009, Table A.1"
_SEEN = "seen second-hand"

#: Standard errors that a difference must exceed at least.
LEAST_FACTOR = 2.0
#: Chance, over a whole comparison, that alike layouts are told apart by mistake.
MISTAKE_SHARE = 0.05


@dataclass(frozen=True, slots=True)
class Jnd:
    """A just-noticeable difference."""

    size: float  # in the measure's unit, or a share of the value
    is_relative: bool
    source: str
    certainty: str
    typical: tuple[float, float]  # values of the measure that it was given for
    bands_hz: tuple[float, float] = (500.0, 1000.0)  # octaves that it was given for

    def steps(self, value: Float) -> Float:
        """Give values on a scale where one unit is one just-noticeable difference  (C1).

        Examples
        --------
        >>> scale = JNDS["edt_s"].steps(np.array([1.0, 1.05]))
        >>> round(float(scale[1] - scale[0]), 9)
        1.0
        """
        if not self.is_relative:
            return np.asarray(value) / self.size
        with np.errstate(divide="ignore", invalid="ignore"):
            return np.asarray(np.log(value) / math.log1p(self.size))

    def is_typical(self, value: float) -> bool:
        """Whether a value lies where the difference was given for."""
        low, high = self.typical
        return low <= value <= high


_EDT = Jnd(0.05, True, f"{_TABLE}, EDT", _SEEN, (1.0, 3.0))
_C80 = Jnd(1.0, False, f"{_TABLE}, C80", _SEEN, (-5.0, 5.0))


def _taken_over(jnd: Jnd) -> Jnd:
    source = f"{jnd.source}; taken over, the table has no row of its own"
    return Jnd(jnd.size, jnd.is_relative, source, jnd.certainty, jnd.typical)


#: By measure. The note to the table tells of a repeated test in which EDT had to change by
#: nearly 18 % (seen second-hand): what is called audible here is the finest ear's.
JNDS = {
    "edt_s": _EDT,
    "t20_s": _taken_over(_EDT),
    "t30_s": _taken_over(_EDT),
    "g_db": Jnd(1.0, False, f"{_TABLE}, G", _SEEN, (-2.0, 10.0)),
    "c80_db": _C80,
    "c50_db": _taken_over(_C80),
    "d50": Jnd(0.05, False, f"{_TABLE}, D50", _SEEN, (0.3, 0.7)),
    "ts_s": Jnd(0.010, False, f"{_TABLE}, Ts", _SEEN, (0.060, 0.260)),
    "j_lf": Jnd(0.05, False, f"{_TABLE}, J_LF", _SEEN, (0.05, 0.35), (125.0, 1000.0)),
    "sti": Jnd(0.03, False, "no text seen", "value from memory", (0.0, 1.0), (125.0, 8000.0)),
}


def least_factor(n_comparison: int, n_batch: int) -> float:
    """Give how many standard errors a difference must exceed among many  (C2).

    Parameters
    ----------
    n_comparison : int
        Differences that are looked at together.
    n_batch : int
        Independent batches that the standard errors come from.

    Returns
    -------
    float
        At least `LEAST_FACTOR`; infinite with fewer than two batches.

    Examples
    --------
    >>> round(least_factor(1, 32), 2), round(least_factor(100, 32), 2)
    (2.04, 3.89)
    """
    if n_batch < 2:
        return math.inf
    tail = MISTAKE_SHARE / (2.0 * max(n_comparison, 1))
    return max(LEAST_FACTOR, float(-stdtrit(n_batch - 1, tail)))


def audibility(steps: Float, error: Float, factor: float = LEAST_FACTOR) -> Float:
    """Give how far differences exceed the stricter of their two thresholds  (C2).

    Parameters
    ----------
    steps : float64
        Differences in just-noticeable ones, of any sign.
    error : float64
        Their standard errors, in the same unit and shape; NaN if not known.
    factor : float
        Standard errors to exceed.

    Returns
    -------
    float64
        1 or more: audible. 0 where the difference or its error is not known.
    """
    size = np.abs(steps)
    with np.errstate(divide="ignore", invalid="ignore"):
        certain = np.where(error == 0.0, np.where(size > 0.0, np.inf, 0.0), size / error)
    least = np.minimum(size, certain / factor)
    return np.where(np.isfinite(least), least, 0.0)
