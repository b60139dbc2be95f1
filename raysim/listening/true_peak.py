"""The highest value a converter reaches between samples: four times oversampled peak.

Full scale is 1; levels are dB true peak (dBTP). Theory: DEVELOPERS.md, K3. Source: the
method of ITU-R BS.1770 with a filter of our own; factor from memory.
"""

from typing import Final

import numpy as np
from scipy import signal

from raysim.units import Float, to_level_db

_FACTOR: Final = 4
#: Samples that the interpolation looks to each side, and its window.
_HALF: Final = 24
_KAISER_BETA: Final = 7.0


def _interpolation() -> Float:
    """Give a windowed sinc that keeps the samples and puts three between each two."""
    n = _HALF * _FACTOR
    x = np.arange(-n, n + 1) / _FACTOR
    window = np.kaiser(2 * n + 1, _KAISER_BETA)
    return np.asarray(np.sinc(x) * window)


class TruePeakMeter:
    """Measures sound that comes in pieces of any length: use `add`, then `peak`.

    Examples
    --------
    >>> meter = TruePeakMeter()
    >>> meter.add(np.sin(np.pi / 2 * np.arange(480) + np.pi / 4))  # samples reach 0.707
    >>> bool(meter.peak() > 0.98)
    True
    """

    def __init__(self, n_channel: int = 1) -> None:
        self._taps = _interpolation()
        self._before = np.zeros((n_channel, 2 * _HALF))
        self._peak = 0.0

    def add(self, samples: Float) -> None:
        """Take the next piece, (n_channel, n_sample) or (n_sample,)."""
        piece = np.atleast_2d(np.asarray(samples, dtype=np.float64))
        if piece.shape[1]:
            self._peak = max(self._peak, self._peak_of(piece))

    def peak(self) -> float:
        """Give the highest absolute value of all that came in; silence surrounds it."""
        silence = np.zeros((self._before.shape[0], 2 * _HALF))
        return max(self._peak, self._peak_of(silence, keep=False))

    def _peak_of(self, piece: Float, *, keep: bool = True) -> float:
        joined = np.concatenate([self._before, piece], axis=1)
        if keep:
            self._before = joined[:, -2 * _HALF :]
        fine = signal.upfirdn(self._taps, joined, _FACTOR, axis=1)
        # Only where the filter has all its neighbours; the rest comes with the next piece.
        full = slice(2 * _HALF * _FACTOR, joined.shape[1] * _FACTOR)
        return float(np.abs(fine[:, full]).max())


def true_peak_db(samples: Float) -> float:
    """Give the true peak of sound, (n_channel, n_sample) or (n_sample,), in dBTP."""
    piece = np.atleast_2d(samples)
    meter = TruePeakMeter(piece.shape[0])
    meter.add(piece)
    return float(to_level_db(meter.peak() ** 2))
