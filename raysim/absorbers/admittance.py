"""How a locally reacting wall takes up sound at any frequency, as a sum of passive branches.

Everything is over the characteristic impedance of air, so admittance is a plain number,
``l`` a time in seconds and ``e`` a rate in 1/s. Time goes as e^(+jwt). Each branch is a
damped mass on a spring and all lie side by side. No constant may be negative: the real
part is then nowhere negative, whatever the numbers are (W20), and a solver that steps
these branches with centred differences cannot gain energy from a wall.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Self

import numpy as np
from numpy.typing import ArrayLike, NDArray

from raysim.units import Float

Complex = NDArray[np.complex128]


@dataclass(frozen=True, slots=True, eq=False)
class Admittance:
    """The admittance of a wall times rho c: g + sum of 1/(r + jw l + e/(jw))  (W20).

    Attributes
    ----------
    g : float
        What does not depend on frequency, 0 or more; 0 with no branch is a rigid wall.
    r, l, e : (n_branch,) float64
        Resistance (1), mass (s) and stiffness (1/s) of each branch, 0 or more, no branch
        all zero.

    Raises
    ------
    ValueError
        A constant is negative or not finite, or a branch is all zero.
    """

    g: float
    r: Float
    l: Float  # noqa: E741
    e: Float

    def __post_init__(self) -> None:
        for name in ("r", "l", "e"):
            column = np.array(getattr(self, name), dtype=np.float64, ndmin=1)
            column.setflags(write=False)
            object.__setattr__(self, name, column)
        if not self.r.shape == self.l.shape == self.e.shape == (self.n_branch,):
            raise ValueError(f"r, l, e differ in shape: {self.r}, {self.l}, {self.e}")
        every = np.concatenate([[self.g], self.r, self.l, self.e])
        if not (np.isfinite(every) & (every >= 0.0)).all():
            raise ValueError(f"a constant of a passive wall is negative or not finite: {every}")
        if (self.r + self.l + self.e == 0.0).any():
            raise ValueError("a branch of zero impedance is no wall")

    @property
    def n_branch(self) -> int:
        """How many branches lie beside the constant."""
        return int(self.r.size)

    @classmethod
    def of(cls, g: float, branches: Sequence[tuple[float, float, float]] = ()) -> Self:
        """Make one from a constant and any number of (r, l, e)."""
        r, l, e = np.array(branches, dtype=np.float64).reshape(-1, 3).T  # noqa: E741
        return cls(float(g), r, l, e)

    def at(self, freq_hz: ArrayLike) -> Complex:
        """Give the admittance times rho c at each frequency above zero.

        Examples
        --------
        >>> complex(Admittance.of(0.25).at(100.0))
        (0.25+0j)
        """
        jw = np.asarray(2j * math.pi * np.asarray(freq_hz, dtype=np.float64))
        branch = 1.0 / (self.r + jw[..., None] * self.l + self.e / jw[..., None])
        return np.asarray(self.g + branch.sum(axis=-1))


#: A wall that takes up nothing.
RIGID = Admittance.of(0.0)
