"""Exponential sweeps: the signal, and the response and distortion in what was recorded.

A sweep rises by equal ratios in equal times. Dividing the spectrum of a recording by that
of the sweep leaves the response; what a loudspeaker adds at n times the frequency comes out
as a response of its own, before the linear one, and is cut off and told. Time in lags:
samples of the recording against the sweep. Theory: DEVELOPERS.md, Q1 to Q4. Source: ISO
18233:2006 Annex B; A. Farina, 108th Convention of the Audio Engineering Society (2000),
preprint 5093 (both seen second-hand).
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from scipy.fft import irfft, next_fast_len, rfft, rfftfreq

from raysim.units import Float, to_energy

#: Orders of distortion that are told apart.
ORDERS: Final = (2, 3, 4, 5)
#: Octaves over which a sweep fades in and out, over which the division fades, and so what
#: lies inside is flat; of the first and the last frequency.
_FADE_OCTAVES: Final = (0.25, 1.0 / 24.0)
_EDGE_OCTAVES: Final = (0.5, 0.25)
#: Before the strongest sound of a response so much is kept, seconds.
_LEAD_S: Final = 0.05
#: Orders between which there is nothing but noise.
_NOISE_ORDERS: Final = (6.0, 8.0)


@dataclass(frozen=True, slots=True)
class Sweep:
    """An exponential sweep, repeated, with silence before and after each."""

    seconds: float = 10.0
    from_hz: float = 20.0
    to_hz: float = 20_000.0
    sample_rate_hz: int = 48_000
    times: int = 1
    silence_s: float = 3.0  # after each sweep: the room must have died away
    lead_s: float = 0.5  # before the first
    level_db: float = -6.0  # of the peak, re full scale

    @property
    def rate_s(self) -> float:
        """The time L in which the frequency rises by a factor e  (Q1)."""
        return self.seconds / math.log(self.to_hz / self.from_hz)

    @property
    def passband_hz(self) -> tuple[float, float]:
        """Between these a response is as it was."""
        low, high = _EDGE_OCTAVES
        return self.from_hz * 2.0**low, self.to_hz * 2.0**-high

    @property
    def n_sweep(self) -> int:
        """Samples of one sweep."""
        return round(self.seconds * self.sample_rate_hz)

    @property
    def period(self) -> int:
        """Samples from the start of one sweep to that of the next."""
        return self.n_sweep + round(self.silence_s * self.sample_rate_hz)

    def ahead_s(self, order: float) -> float:
        """Give how long before the linear response that of an order comes  (Q3).

        Examples
        --------
        >>> f"{Sweep(10.0, 20.0, 20_000.0).ahead_s(2):.5f}"
        '1.00343'
        """
        return self.rate_s * math.log(order)


def one_sweep(sweep: Sweep) -> Float:
    """Give one sweep, faded, at its level: (n_sweep,)  (Q1)."""
    time_s = np.arange(sweep.n_sweep) / sweep.sample_rate_hz
    rate_s = sweep.rate_s
    phase = 2.0 * math.pi * sweep.from_hz * rate_s * np.expm1(time_s / rate_s)
    fade_in_s, fade_out_s = (octaves * math.log(2.0) * rate_s for octaves in _FADE_OCTAVES)
    left_s = time_s[-1] - time_s
    fade = _rise(time_s / fade_in_s) * _rise(left_s / fade_out_s)
    return np.asarray(math.sqrt(to_energy(sweep.level_db)) * fade * np.sin(phase))


def sweep_signal(sweep: Sweep) -> Float:
    """Give all that is to be played: silence, sweeps, silences."""
    one = np.concatenate([one_sweep(sweep), np.zeros(sweep.period - sweep.n_sweep)])
    lead = np.zeros(round(sweep.lead_s * sweep.sample_rate_hz))
    return np.concatenate([lead, *[one] * sweep.times])


def _rise(x: Float) -> Float:
    """Give half a cosine from 0 at 0 to 1 at 1 and beyond."""
    return np.asarray(0.5 - 0.5 * np.cos(np.pi * np.clip(x, 0.0, 1.0)))


def deconvolve(samples: Float, sweep: Sweep) -> Float:
    """Divide the spectrum of a recording by that of the sweep  (Q2).

    Parameters
    ----------
    samples : (n_sample,) float64
        Recorded at the sweep's rate.
    sweep : Sweep

    Returns
    -------
    (n_sweep + n_sample,) float64
        From lag -n_sweep on: what leaves the loudspeaker as the sweep does comes out at its
        delay, unscaled inside `Sweep.passband_hz`.
    """
    n = next_fast_len(samples.size + sweep.n_sweep, real=True)
    reference = rfft(one_sweep(sweep), n)
    freq_hz = rfftfreq(n, 1.0 / sweep.sample_rate_hz)
    with np.errstate(divide="ignore"):
        above = np.log2(freq_hz / sweep.from_hz)
        below = np.log2(sweep.to_hz / np.maximum(freq_hz, 1e-9))
    # nothing is divided where the sweep has faded
    kept = np.ones(freq_hz.size)
    for octaves, fade, edge in zip((above, below), _FADE_OCTAVES, _EDGE_OCTAVES, strict=True):
        kept *= _rise((octaves - fade) / (edge - fade))
    inside = kept > 0.0
    ratio = np.zeros(freq_hz.size, dtype=np.complex128)
    np.divide(rfft(samples, n) * kept, reference, out=ratio, where=inside)
    whole = irfft(ratio, n)
    return np.concatenate([whole[n - sweep.n_sweep :], whole[: samples.size]])


@dataclass(frozen=True, slots=True)
class Distortion:
    """What a chain adds at a multiple of the frequency, by octave of what was played.

    ``share`` is the amplitude re the fundamental's, NaN where the multiple is not in the
    passband. Where it is not ``clear`` it is of noise, and distortion is no more.
    """

    order: int
    centre_hz: Float  # (n_octave,)
    share: Float  # (n_octave,)
    clear: tuple[bool, ...]


@dataclass(frozen=True, slots=True)
class Separated:
    """A response without what distortion put before it."""

    response: Float  # (n_sample,)
    peak: int  # index of the strongest sound
    distortion: tuple[Distortion, ...]


def separate(lags: Float, peak: int, n_tail: int, sweep: Sweep) -> Separated:
    """Cut the linear response out and weigh the others  (Q3).

    Parameters
    ----------
    lags : (n,) float64
        Of `deconvolve`.
    peak : int
        Index of the strongest sound in it.
    n_tail : int
        Samples to keep from there on.
    sweep : Sweep

    Returns
    -------
    Separated
    """
    rate = sweep.sample_rate_hz
    n_lead = min(round(min(_LEAD_S, 0.25 * sweep.ahead_s(2)) * rate), peak)
    response = lags[peak - n_lead : peak + n_tail].copy()
    n_fade = n_lead // 2
    response[:n_fade] *= _rise(np.arange(n_fade) / max(n_fade, 1))

    def part(order: float, before: float) -> Float:
        """Give what lies from a little ahead of an order to ahead of the one before it."""
        gap_s = sweep.ahead_s(order + 1.0) - sweep.ahead_s(order)
        first = round((sweep.ahead_s(order) + 0.1 * gap_s) * rate)
        last = max(round((sweep.ahead_s(before) + 0.1 * gap_s) * rate), 2 * n_lead)
        cut = lags[max(peak - first, 0) : max(peak - last, 0)]
        # the band's edges ring on both sides of a response: ends of a cut must be soft
        x = np.arange(cut.size)
        soft = max(round(0.08 * gap_s * rate), 1), max(cut.size // 4, 1)
        return np.asarray(cut * _rise(x / soft[0]) * _rise((cut.size - 1 - x) / soft[1]))

    low, high = _NOISE_ORDERS
    noise = part(high, low)
    centres = np.asarray(1000.0 * 2.0 ** np.arange(-5.0, 5.0))
    told = []
    for order in ORDERS:
        cut = part(order, order - 1.0)
        share, clear = [], []
        for centre in centres:
            band = centre / math.sqrt(2.0), centre * math.sqrt(2.0)
            raised = order * band[0], order * band[1]
            inside = band[0] >= sweep.passband_hz[0] and raised[1] <= sweep.passband_hz[1]
            if not inside or cut.size < 2:
                share.append(math.nan)
                clear.append(False)
                continue
            found = _energy(cut, raised, rate) / order
            quiet = _energy(noise, raised, rate) / order * cut.size / max(noise.size, 1)
            share.append(math.sqrt(found / max(_energy(response, band, rate), 1e-300)))
            clear.append(found > 2.0 * quiet)
        told.append(Distortion(order, centres, np.array(share), tuple(clear)))
    return Separated(response, n_lead, tuple(told))


def _energy(samples: Float, band_hz: tuple[float, float], sample_rate_hz: int) -> float:
    """Integrate a squared spectrum over a band."""
    if samples.size == 0:
        return 0.0
    n = next_fast_len(max(samples.size, sample_rate_hz), real=True)
    freq_hz = rfftfreq(n, 1.0 / sample_rate_hz)
    inside = (freq_hz >= band_hz[0]) & (freq_hz < band_hz[1])
    return float((np.abs(rfft(samples, n)[inside]) ** 2).sum() / n)


def average(lags: Float, peaks: Sequence[int], n_ahead: int, n_tail: int) -> Float:
    """Average what several sweeps left, each from ``n_ahead`` before its strongest sound.

    The first may lack some of the beginning, which is taken as nothing.
    """
    total = np.zeros(n_ahead + n_tail)
    for peak in peaks:
        start = max(peak - n_ahead, 0)
        piece = lags[start : peak + n_tail]
        at = n_ahead - (peak - start)
        total[at : at + piece.size] += piece
    return total / len(peaks)


def drift_s(lags: Float, peak: int, sweep: Sweep) -> tuple[float, float]:
    """Tell how much later treble comes than bass, and the drift of a clock that does that.

    Returns
    -------
    late_s : float
        From an octave in the lower part of the passband to one in the upper.
    ppm : float
        By how much too fast the recorder's clock ran, were that all there is to it  (Q4).
    """
    rate = sweep.sample_rate_hz
    low, high = sweep.passband_hz
    ratio = high / low
    at_hz = low * ratio**0.45, low * ratio**0.85
    half = min(rate, peak)
    near = lags[peak - half : peak + rate]
    n = next_fast_len(near.size, real=True)
    spectrum, freq_hz = rfft(near, n), rfftfreq(n, 1.0 / rate)
    arrival_s = []
    for centre in at_hz:
        with np.errstate(divide="ignore"):
            octaves = np.abs(np.log2(freq_hz / centre))
        one_sided = np.zeros(n, dtype=np.complex128)
        one_sided[: freq_hz.size] = spectrum * _rise(1.0 - octaves)
        envelope = np.abs(np.fft.ifft(one_sided))
        arrival_s.append(float(np.argmax(envelope >= 0.5 * envelope.max())) / rate)
    late_s = arrival_s[1] - arrival_s[0]
    return late_s, 1e6 * late_s / (sweep.rate_s * math.log(at_hz[1] / at_hz[0]))
