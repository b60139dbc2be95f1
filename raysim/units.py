"""Decibels, reference values and frequency bands: the only place where log10 occurs.

Energy in raysim is the time integral of squared pressure, relative to what the
same source gives 1 m away on its axis in free field; it has no unit. Its level is
therefore 0 dB for the direct sound at 1 m and -20 dB at 10 m.
"""

import math
from typing import Final

import numpy as np
from numpy.typing import NDArray

Float = NDArray[np.float64]
Int = NDArray[np.int64]

#: Energy decay of 60 dB as an exponent: 6 ln 10.
LN_60_DB: Final = 6.0 * math.log(10.0)

#: Nominal labels of the octave and one-third-octave bands, IEC 61260-1.
OCTAVE_LABELS: Final = ("63", "125", "250", "500", "1k", "2k", "4k", "8k")
THIRD_LABELS: Final = (
    "50", "63", "80", "100", "125", "160", "200", "250", "315", "400", "500", "630",
    "800", "1k", "1.25k", "1.6k", "2k", "2.5k", "3.15k", "4k", "5k", "6.3k", "8k", "10k",
)  # fmt: skip


def to_level_db(energy: Float | float) -> Float:
    """Give 10 lg of an energy ratio in dB; zero energy gives -inf without a warning."""
    with np.errstate(divide="ignore"):
        return np.asarray(10.0 * np.log10(np.asarray(energy, dtype=np.float64)))


def to_energy(level_db: Float | float) -> Float:
    """Give the energy ratio of a level in dB, the inverse of `to_level_db`."""
    return np.asarray(10.0 ** (np.asarray(level_db, dtype=np.float64) / 10.0))


def octave_centres_hz() -> Float:
    """Give the exact octave mid-bands 63 Hz to 8 kHz: 1000 * 10**(0.3 k), IEC 61260-1."""
    return np.asarray(1000.0 * 10.0 ** (0.3 * np.arange(-4, 4)))


def third_centres_hz() -> Float:
    """Give the exact one-third-octave mid-bands 50 Hz to 10 kHz: 1000 * 10**(0.1 k)."""
    return np.asarray(1000.0 * 10.0 ** (0.1 * np.arange(-13, 11)))


def band_edges_hz(centre_hz: Float, fraction: int) -> Float:
    """Give lower and upper edge of each band.

    Parameters
    ----------
    centre_hz : (n_band,) float64
        Exact mid-band frequencies.
    fraction : int
        1 for octaves, 3 for one-third octaves.

    Returns
    -------
    (n_band, 2) float64
        Hz; the ratio of the edges is 10**(0.3 / fraction), IEC 61260-1.
    """
    half = 10.0 ** (0.15 / fraction)
    return np.stack([centre_hz / half, centre_hz * half], axis=-1)
