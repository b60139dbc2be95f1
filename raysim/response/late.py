"""Late sound: noise of arrivals that follows the stored energy in every band.

First sparse and then dense, as reflections are. The noise depends on the seed and the numbers
of source and receiver alone: in another layout of the room it is the same, so that what
differs to the ear is the room. Theory: DEVELOPERS.md, S6 and S7.
"""

from typing import Final

import numpy as np
from scipy import fft

from raysim.response.bands import bandwidth_hz, played_energy, power_response
from raysim.scene.model import Bands
from raysim.units import Float, Int

#: Density of late arrivals per s: 4 pi c^3 t^2 / V for 50 m3, never below two per
#: millisecond, so that every bin of early scattered sound has something to scale.
_DENSITY_PER_S3: Final = 1.0e7
_DENSITY_LEAST_PER_S: Final = 2000.0
_FADE_S: Final = 0.02
_SET_IN: Final = 1.5  # over bandwidth: the time in which late sound sets in


def late_arrivals(
    n_sample: int, sample_rate_hz: int, n_band: int, key: tuple[int, int, int]
) -> Float:
    """Give noise of arrivals with random sign and even energy, (n_band, n_sample)  (S6).

    One arrival falls at random into each interval of the inverse density: its energy
    is that of the interval, 1 per sample. Bands share times but not signs, so that
    where two meet their powers add. A longer draw begins with the shorter one.
    """
    at, strength = late_events(n_sample, sample_rate_hz, n_band, key)
    noise = np.zeros((n_band, n_sample))
    for band, of in zip(noise, strength, strict=True):
        np.add.at(band, at, of)
    return noise


def late_events(
    n_sample: int, sample_rate_hz: int, n_band: int, key: tuple[int, int, int]
) -> tuple[Int, Float]:
    """Give the arrivals of `late_arrivals` one by one: (n,) sample, (n_band, n) strength."""
    # Time over which the density, least * max(1, (t / t1)^2) up to the cap, adds up to k.
    cap = 0.5 * sample_rate_hz
    t1, t2 = (np.sqrt(d / _DENSITY_PER_S3) for d in (_DENSITY_LEAST_PER_S, cap))
    k1 = _DENSITY_LEAST_PER_S * t1
    k2 = k1 + _DENSITY_PER_S3 / 3.0 * (t2**3 - t1**3)
    end_s = n_sample / sample_rate_hz
    k = np.arange(int(k2 + max(0.0, end_s - t2) * cap) + 2)
    jitter = draws((*key, 0)).random(k.size)
    count = k + jitter
    grown = np.cbrt(t1**3 + 3.0 / _DENSITY_PER_S3 * np.clip(count - k1, 0.0, k2 - k1))
    time = np.select(
        [count < k1, count < k2], [count / _DENSITY_LEAST_PER_S, grown], t2 + (count - k2) / cap
    )
    density = np.clip(_DENSITY_PER_S3 * time**2, _DENSITY_LEAST_PER_S, cap)
    at = (time * sample_rate_hz).astype(np.int64)
    inside = at < n_sample
    sign = [
        np.where(draws((*key, 1 + i_band)).random(k.size) < 0.5, -1.0, 1.0)
        for i_band in range(n_band)
    ]
    strength = np.stack(sign) * np.sqrt(sample_rate_hz / density)
    return at[inside], strength[:, inside]


def draws(key: tuple[int, ...]) -> np.random.Generator:
    """Give a stream that is a function of its key alone: the cipher counts from zero."""
    return np.random.Generator(np.random.Philox(np.random.SeedSequence(key)))


def late_part(
    energy: Float,
    bin_s: float,
    bands: Bands,
    sample_rate_hz: int,
    unmix: Float,
    key: tuple[int, int, int],
    start_s: float = 0.0,
    noise: Float | None = None,
) -> Float:
    """Give the response of the late sound alone  (S7).

    Parameters
    ----------
    energy : (n_band, n_time) float64
        What the microphone takes in each bin.
    bin_s : float
    bands : Bands
    sample_rate_hz : int
    unmix : (n_band, n_band) float64
        Energies to be read back to energies to be played.
    key : tuple of three int
        Seed, source, receiver.
    start_s : float
        Before this there is nothing.
    noise : (n_band, n) float64, optional
        To shape in place of `late_arrivals`; as long as `late_length` says, or longer.

    Returns
    -------
    (n_sample,) float64
    """
    if not energy.any():
        return np.zeros(0)
    filled = np.flatnonzero(energy.any(axis=0))
    first, n_time = int(filled[0]), int(filled[-1]) + 1
    n_sample = late_length(energy, bin_s, sample_rate_hz)
    wide = bandwidth_hz(bands)
    if noise is None:
        noise = late_arrivals(n_sample, sample_rate_hz, bands.n_band, key)
    played = played_energy(energy[:, first:n_time].T, unmix).T
    # Longer than the noise by what the lowest filters smear, so that nothing wraps round.
    n = fft.next_fast_len(n_sample + sample_rate_hz // 4, real=True)
    gain = np.sqrt(power_response(fft.rfftfreq(n, 1.0 / sample_rate_hz), bands))
    time = (np.arange(n_sample) + 0.5) / sample_rate_hz
    middle = (np.arange(first, n_time) + 0.5) * bin_s
    start = max(start_s, first * bin_s)
    fade_out = _end_fade(n_sample, sample_rate_hz)
    parts = np.zeros((bands.n_band, n_sample))
    for i_band in range(bands.n_band):
        band = fft.irfft(fft.rfft(noise[i_band, :n_sample], n) * gain[i_band], n)[:n_sample]
        band /= _local_strength(band, sample_rate_hz, wide[i_band])
        envelope = _smooth(played[i_band] / bin_s, 1.0 / wide[i_band] / bin_s)
        at_sample = np.interp(time, middle, envelope)
        # Power density 1 is energy 1 per sample, as of a unit impulse every sample.
        share = np.mean(gain[i_band] ** 2)
        gate = _set_in(time, start, _SET_IN / wide[i_band])
        parts[i_band] = band * np.sqrt(at_sample / sample_rate_hz * share) * gate * fade_out
    return _trimmed(parts, energy.sum(axis=1), bands, sample_rate_hz)


def late_length(energy: Float, bin_s: float, sample_rate_hz: int) -> int:
    """Give how many samples the late sound of a histogram's energy (..., n_time) has."""
    filled = np.flatnonzero(energy.reshape(-1, energy.shape[-1]).any(axis=0))
    n_time = int(filled[-1]) + 1 if filled.size else 0
    return int(np.ceil(n_time * bin_s * sample_rate_hz))


def _set_in(time_s: Float, start_s: float, width_s: float) -> Float:
    """Give a rise from 0 to 1 about the start, but not from before the emission.

    It takes a time of the order of what any filter of the band smears: a harder start
    of low sound would ring in the bands above.
    """
    first_s = max(0.0, start_s - 0.5 * width_s)
    return np.asarray(
        np.sin(0.5 * np.pi * np.clip((time_s - first_s) / width_s, 0.0, 1.0)) ** 2
    )


def _end_fade(n_sample: int, sample_rate_hz: int) -> Float:
    """Give ones that fall to zero in a half cosine over the last 20 ms or half."""
    n = min(int(_FADE_S * sample_rate_hz), n_sample // 2)
    fade = np.ones(n_sample)
    fade[n_sample - n :] = 0.5 + 0.5 * np.cos(np.pi * (np.arange(n) + 0.5) / n)
    return fade


def _smooth(values: Float, width: float) -> Float:
    """Average over a Hann window of a width in samples; ends count what is there."""
    half = int(width)
    if half < 1:
        return values
    window = np.hanning(2 * half + 1 + 2)[1:-1]
    size = values.size + 2 * half
    n = fft.next_fast_len(size, real=True)
    spectrum = fft.rfft(window, n)
    there = fft.irfft(fft.rfft(np.ones(values.size), n) * spectrum, n)
    mean = fft.irfft(fft.rfft(values, n) * spectrum, n)
    part = slice(half, half + values.size)
    return np.asarray(np.maximum(mean[part], 0.0) / there[part])


def _local_strength(band: Float, sample_rate_hz: int, wide_hz: float) -> Float:
    """Give the running strength of filtered noise, to level out its slow chance swings.

    Over a window of at least four independent values of the band and 20 ms, and never
    taken as less than a third of the mean.
    """
    power = _smooth(band**2, max(4.0 / wide_hz, 0.02) * sample_rate_hz)
    return np.asarray(np.sqrt(np.maximum(power, 0.1 * power.mean())))


def _trimmed(parts: Float, energy: Float, bands: Bands, sample_rate_hz: int) -> Float:
    """Add the bands up, with gains that make each one's energy the wanted one.

    What neighbours share by their overlap is chance; a few rounds settle it, and forty
    are for neighbours that differ greatly.
    """
    n = fft.next_fast_len(max(parts.shape[1], sample_rate_hz), real=True)
    spectrum = fft.rfft(parts, n)
    power = power_response(fft.rfftfreq(n, 1.0 / sample_rate_hz), bands, closed=True)
    power /= power.sum(axis=1, keepdims=True)
    gain = np.ones(bands.n_band)
    for _ in range(40):
        read = power @ np.abs(gain @ spectrum) ** 2
        wanted = np.divide(energy, read, out=np.ones_like(read), where=read > 0.0)
        # A band drowned in its neighbour's leak must not be driven to nothing.
        changed = np.clip(gain * np.clip(np.sqrt(wanted), 0.5, 2.0), 0.2, 5.0)
        settled = np.allclose(changed, gain, rtol=1e-4)
        gain = changed
        if settled:
            break
    return np.asarray(gain @ parts)
