"""Whether a response sounds as a room's can: what comes before it, its join, its density.

A failed check is a fault of the making, not of the room: it is told, never mended here.
Theory: DEVELOPERS.md, H10.
"""

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
import scipy
from scipy import special

from raysim.response.heard import HeardResponse
from raysim.units import Float, to_level_db

#: Before the first arrival, less this, there must be next to nothing: filters reach so far.
_AHEAD_S: Final = 0.001
#: Energy before it re all, dB; mean re root mean square of the second half, dB; step that
#: the end leaves re the greatest sample, dB.
EARLY_DB, OFFSET_DB, END_DB = -35.0, -10.0, -60.0
#: Where wave part and paths meet: most that they may disagree by, and most that the level
#: half an octave below may differ from that above beyond it, dB.
JOIN_DB: Final = 6.0
#: Least and greatest density of echoes late on, re noise; and when it is late.
DENSITY: Final = (0.7, 1.3)
_LATE_S: Final = 0.1
_WINDOW_S: Final = 0.02
_DENSE_HZ: Final = 1000.0
#: Share of noise beyond its standard deviation.
_BEYOND: Final = float(special.erfc(1.0 / math.sqrt(2.0)))


@dataclass(frozen=True, slots=True)
class Quality:
    """What was found; NaN where it could not be asked."""

    early_db: float  # energy before the first arrival re all
    offset_db: float  # mean of the second half re its root mean square
    end_db: float  # last millisecond's greatest sample re the greatest of all
    join_db: float  # wave part re paths where they meet
    mixed_s: float  # when the density of echoes first is that of noise
    density: float  # of echoes after 0.1 s, 1 for noise

    @property
    def faults(self) -> tuple[str, ...]:
        """Say what is not as it should be."""
        found = []
        if self.early_db > EARLY_DB:
            found.append(f"{self.early_db:.0f} dB of its energy come before the first arrival")
        if self.offset_db > OFFSET_DB:
            found.append(f"its second half has an offset, {self.offset_db:.0f} dB re its size")
        if self.end_db > END_DB:
            found.append(f"it ends in a step, {self.end_db:.0f} dB re its greatest sample")
        if abs(self.join_db) > JOIN_DB:
            found.append(f"where they meet, waves are {self.join_db:+.1f} dB re paths")
        if not math.isnan(self.density) and not DENSITY[0] <= self.density <= DENSITY[1]:
            found.append(
                f"its late echoes are {self.density:.2f} times as dense as noise, and "
                f"{DENSITY[0]:g} to {DENSITY[1]:g} is a room's: the tail may sound unlike one"
            )
        return tuple(found)


def quality(heard: HeardResponse) -> Quality:
    """Check a response  (H10).

    Parameters
    ----------
    heard : HeardResponse

    Returns
    -------
    Quality
        Of the channel that fares worst in each respect; the time of mixing of the first.
    """
    rate = heard.sample_rate_hz
    samples = heard.samples
    power = samples**2
    total = power.sum(axis=1)
    early = math.nan
    if not math.isnan(heard.first_s):
        n = max(0, int((heard.first_s - _AHEAD_S) * rate))
        early = _worst(power[:, :n].sum(axis=1), total)
    half = samples[:, samples.shape[1] // 2 :]
    offset = _worst(half.mean(axis=1) ** 2, (half**2).mean(axis=1))
    end = _worst(
        power[:, -max(1, rate // 1000) :].max(axis=1, initial=0.0),
        power.max(axis=1, initial=0.0),
    )
    dense = [echo_density(one, rate) for one in samples]
    late = [float(d[t > heard_from].mean()) if (t > heard_from).any() else math.nan
            for t, d in dense for heard_from in [_LATE_S]]  # fmt: skip
    time, density = dense[0]
    mixed = np.flatnonzero(density >= 1.0)
    return Quality(
        early, offset, end, heard.mismatch_db,
        float(time[mixed[0]]) if mixed.size else math.nan,
        max(late, key=lambda d: abs(d - 1.0)) if late else math.nan,
    )  # fmt: skip


def _worst(part: Float, whole: Float) -> float:
    ratio = np.divide(part, whole, out=np.zeros_like(part), where=whole > 0.0)
    return float(to_level_db(ratio.max(initial=0.0)))


def echo_density(samples: Float, sample_rate_hz: int) -> tuple[Float, Float]:
    """Give how dense echoes are over time, 1 as in noise  (H10).

    The share of samples beyond a window's own standard deviation over that of noise, in
    windows of 20 ms, above 1 kHz, since single tones of the bass are no noise; as far as the
    response stands above a thousand-millionth of its greatest energy.

    Returns
    -------
    time_s, density : (n,) float64
    """
    half = int(0.5 * _WINDOW_S * sample_rate_hz)
    window = np.hanning(2 * half + 3)[1:-1]
    window /= window.sum()
    step = half // 2
    above = scipy.signal.butter(4, _DENSE_HZ, "high", fs=sample_rate_hz, output="sos")
    power = scipy.signal.sosfilt(above, samples) ** 2
    centre = np.arange(half, max(half, samples.size - half), step)
    spread = np.array([window @ power[i - half : i + half + 1] for i in centre])
    beyond = np.array([
        window @ (power[i - half : i + half + 1] > s)
        for i, s in zip(centre, spread, strict=True)
    ])  # fmt: skip
    kept = spread > 1e-9 * spread.max(initial=0.0)
    return centre[kept] / sample_rate_hz, beyond[kept] / _BEYOND
