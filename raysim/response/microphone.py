"""What a first-order microphone makes of sound from each direction.

The pattern is p + (1 - p) cos(theta) from the microphone's axis: 1 omnidirectional,
0.5 cardioid, 0 figure-of-eight. Gains are of pressure, shares of energy.
"""

import numpy as np

from raysim.records import MOMENTS, EnergyHistogram
from raysim.units import Float

#: The aim counts as straight up or down within about a thousandth of a radian.
_LEVEL_ENOUGH = 1e-3


def arrival_gain(direction: Float, aim: Float, pattern: float) -> Float:
    """Give the signed pressure gain of each arrival, (n_arrival,).

    Parameters
    ----------
    direction : (n_arrival, 3) float64
        Unit vectors from the receiver to where the sound comes from.
    aim : (3,) float64
        Unit vector of the microphone's axis.
    pattern : float
    """
    return np.asarray(pattern + (1.0 - pattern) * (direction @ aim))


def histogram_share(histogram: EnergyHistogram, aim: Float, pattern: float) -> Float:
    """Give the share of each bin's energy that the microphone takes, (n_band, n_time)  (S1).

    Exact for the mean over batches: p^2 E + 2 p (1 - p) u.n + (1 - p)^2 n'Mn, over E,
    with the moments u and M. Bins without energy give 0.
    """
    energy = histogram.energy.mean(axis=0)
    if pattern == 1.0:
        return np.where(energy > 0.0, 1.0, 0.0)
    moment = dict(zip(MOMENTS, histogram.moments, strict=True))
    x, y, z = (float(a) for a in aim)
    along = x * moment["x"] + y * moment["y"] + z * moment["z"]
    squared = (
        x * x * moment["xx"]
        + y * y * moment["yy"]
        + z * z * (energy - moment["xx"] - moment["yy"])
        + 2.0 * (x * y * moment["xy"] + x * z * moment["xz"] + y * z * moment["yz"])
    )
    taken = (
        pattern**2 * energy
        + 2.0 * pattern * (1.0 - pattern) * along
        + (1.0 - pattern) ** 2 * squared
    )
    share = np.divide(taken, energy, out=np.zeros_like(energy), where=energy > 0.0)
    # Every ray gives a share of 0 to 1; only the rounding of moments can leave that.
    return np.asarray(np.clip(share, 0.0, 1.0))


def lateral_axis(aim: Float) -> Float | None:
    """Give the horizontal axis across the aim, (3,), or None when the aim is vertical."""
    across = np.array([-aim[1], aim[0], 0.0])
    length = float(np.linalg.norm(across))
    return across / length if length > _LEVEL_ENOUGH else None
