"""How loud a programme is to the ear: K-weighted, gated level of ITU-R BS.1770.

Samples are (n_channel, n_sample) or, of one channel, (n_sample,); full scale is 1.
Loudness is in LUFS (the standard writes LKFS), differences in LU, one LU is one dB. A sine
of full scale in one channel of two is -3.01 LUFS; one channel alone counts as that channel,
so that it is 3.01 LU below the same sound in both.

Theory: DEVELOPERS.md, K1 and K2. Source: Recommendation ITU-R BS.1770, coefficients and
gates from memory, confirmed by the statement of a full-scale sine at 997 Hz.
"""

import math
from typing import Final

import numpy as np
from scipy import signal

from raysim.units import Float, to_energy, to_level_db

#: Rate for which the standard prints its filters.
_TABLE_RATE_HZ: Final = 48_000.0
#: Numerator and denominator of the two stages: the head's shelf, and the high pass.
_SHELF: Final = (
    (1.53512485958697, -2.69169618940638, 1.19839281085285),
    (1.0, -1.69065929318241, 0.73248077421585),
)
_HIGH_PASS: Final = ((1.0, -2.0, 1.0), (1.0, -1.99004745483398, 0.99007225036621))
#: Makes a sine of 997 Hz read its own level: the weighting there is +0.691 dB.
_OFFSET_DB: Final = -0.691

#: Blocks of 0.4 s that begin every 0.1 s.
BLOCK_S: Final = 0.4
_STEP_S: Final = 0.1
_STEPS: Final = 4
ABSOLUTE_GATE_LUFS: Final = -70.0
RELATIVE_GATE_LU: Final = -10.0


def k_weighting(sample_rate_hz: float) -> Float:
    """Give the weighting as second-order sections for any sample rate  (K1).

    The printed filters are taken back to analogue ones by the inverse bilinear transform
    and brought to the rate with each stage's corner kept in place.

    Returns
    -------
    (2, 6) float64
        For `scipy.signal.sosfilt`; at 48 kHz the printed numbers themselves.
    """
    return np.array([_at_rate(*stage, sample_rate_hz) for stage in (_SHELF, _HIGH_PASS)])


def _at_rate(
    top: tuple[float, float, float], bottom: tuple[float, float, float], sample_rate_hz: float
) -> Float:
    """Give one section at another rate: b0, b1, b2, 1, a1, a2."""
    b, a = _changed(np.array(top)), _changed(np.array(bottom))
    corner = math.sqrt(a[0] / a[2])  # tan(pi f / rate) of the stage's corner
    ratio = math.tan(math.atan(corner) * _TABLE_RATE_HZ / sample_rate_hz) / corner
    scale = ratio ** np.array([0.0, -1.0, -2.0])
    b, a = _changed(b * scale), _changed(a * scale)
    return np.asarray(np.concatenate([b, a]) / a[0])


def _changed(c: Float) -> Float:
    """Give the polynomial in v = (z - 1)/(z + 1) of one in 1/z, rising powers, or back.

    Both ways are the same sum, up to a factor that the ratio of two does not have.
    """
    return np.array([c[0] + c[1] + c[2], 2.0 * (c[0] - c[2]), c[0] - c[1] + c[2]])


class LoudnessMeter:
    """Measures a programme that comes in pieces of any length; use `add`, then ask.

    Keeps one number per tenth of a second, so an hour takes 0.3 MB.

    Parameters
    ----------
    sample_rate_hz : int
    n_channel : int
    weights : sequence of float, optional
        Of the channels' powers; 1 each if not given, as for left, right and centre. The
        standard gives surround channels 1.41.

    Examples
    --------
    >>> time_s = np.arange(96_000) / 48_000
    >>> meter = LoudnessMeter(48_000)
    >>> meter.add(np.sin(2 * np.pi * 997 * time_s))
    >>> round(meter.loudness_lufs(), 2)
    -3.01
    """

    def __init__(
        self, sample_rate_hz: int, n_channel: int = 1, weights: tuple[float, ...] | None = None
    ) -> None:
        self._rate = sample_rate_hz
        self._weights = np.array(weights if weights is not None else (1.0,) * n_channel)
        if self._weights.shape != (n_channel,):
            raise ValueError(f"{self._weights.size} weights for {n_channel} channels")
        self._sections = k_weighting(sample_rate_hz)
        self._state = np.zeros((2, n_channel, 2))
        self._sums: list[float] = []  # weighted power sums of whole steps
        self._open = 0.0  # of the step that is not full yet
        self._n_sample = 0

    def add(self, samples: Float) -> None:
        """Take the next piece, (n_channel, n_sample) or (n_sample,)."""
        piece = np.atleast_2d(np.asarray(samples, dtype=np.float64))
        if not piece.shape[1]:
            return
        weighted, self._state = signal.sosfilt(self._sections, piece, axis=1, zi=self._state)
        power = self._weights @ weighted**2
        first, last = self._n_sample, self._n_sample + power.size
        self._n_sample = last
        # Steps end on the nearest sample: 0.1 s is no whole number of them at 11 025 Hz.
        ends = np.arange(len(self._sums) + 1, int(last / (_STEP_S * self._rate)) + 2)
        ends = np.round(ends * _STEP_S * self._rate).astype(np.int64)
        ends = ends[ends <= last] - first
        if not ends.size:
            self._open += float(power.sum())
            return
        whole = np.add.reduceat(power, [0, *ends[:-1]])
        whole[-1] = power[ends[-2] if ends.size > 1 else 0 : ends[-1]].sum()
        whole[0] += self._open
        self._sums.extend(whole.tolist())
        self._open = float(power[ends[-1] :].sum())

    def loudness_lufs(self, gain_db: float = 0.0) -> float:
        """Give the loudness of all that came in, played with a gain  (K2).

        The gain moves the loudness by itself, except that the gate at -70 LUFS stands
        still. -inf if nothing passes it, or for less than one block of 0.4 s.
        """
        steps = np.asarray(self._sums) / (_STEPS * _STEP_S * self._rate)
        steps *= to_energy(gain_db)
        if steps.size < _STEPS:
            return -math.inf
        power = np.convolve(steps, np.ones(_STEPS), mode="valid")
        power = np.maximum(power, 0.0)
        for gate_lufs in (ABSOLUTE_GATE_LUFS, None):
            mean = power.mean() if power.size else 0.0
            level = gate_lufs if gate_lufs is not None else _lufs(mean) + RELATIVE_GATE_LU
            power = power[_OFFSET_DB + to_level_db(power) > level]
        return _lufs(float(power.mean())) if power.size else -math.inf


def _lufs(power: float) -> float:
    return _OFFSET_DB + float(to_level_db(power))


def loudness_lufs(samples: Float, sample_rate_hz: int) -> float:
    """Give the loudness of a programme, (n_channel, n_sample) or (n_sample,), in LUFS."""
    piece = np.atleast_2d(samples)
    meter = LoudnessMeter(sample_rate_hz, piece.shape[0])
    meter.add(piece)
    return meter.loudness_lufs()
