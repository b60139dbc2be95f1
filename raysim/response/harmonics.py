"""Real spherical harmonics as ambisonic channels: ACN order, SN3D scale.

Channel l^2 + l + m has degree l and index m; with SN3D the gain of W is 1 and none is
larger. Axes are those of the listener: x ahead, y to the left, z up. Theory:
DEVELOPERS.md, H6.
"""

import math
from typing import Final

import numpy as np
from scipy import special

from raysim.units import Float

#: Names of the first channels, by number; those beyond are called by it.
_NAMES: Final = ("W", "Y", "Z", "X", "V", "T", "R", "S", "U", "Q", "O", "M", "K", "L", "N", "P")


def channel_names(order: int) -> tuple[str, ...]:
    """Give the channels' names, in their order.

    Examples
    --------
    >>> channel_names(1)
    ('W', 'Y', 'Z', 'X')
    """
    n = (order + 1) ** 2
    return tuple(_NAMES[i] if i < len(_NAMES) else f"ACN{i}" for i in range(n))


def degrees(order: int) -> tuple[int, ...]:
    """Give the degree of each channel.

    Examples
    --------
    >>> degrees(2)
    (0, 1, 1, 1, 2, 2, 2, 2, 2)
    """
    return tuple(degree for degree in range(order + 1) for _ in range(2 * degree + 1))


def harmonics(direction: Float, order: int) -> Float:
    """Give the gain of every channel for sound from each direction  (H6).

    Parameters
    ----------
    direction : (n, 3) float64
        Unit vectors to where sound comes from, in the listener's axes.
    order : int

    Returns
    -------
    ((order + 1)^2, n) float64
    """
    x, y, z = np.asarray(direction, np.float64).T
    azimuth = np.arctan2(y, x)
    gains = []
    for degree in range(order + 1):
        for m in range(-degree, degree + 1):
            size = abs(m)
            scale = math.sqrt(
                (1.0 if m == 0 else 2.0)
                * math.factorial(degree - size) / math.factorial(degree + size)
            )  # fmt: skip
            # scipy's function has a sign (-1)^m that ambisonics leave out
            along = (-1.0) ** size * special.lpmv(size, degree, np.clip(z, -1.0, 1.0))
            turn = np.sin(size * azimuth) if m < 0 else np.cos(size * azimuth)
            gains.append(scale * along * turn)
    return np.stack(gains)
