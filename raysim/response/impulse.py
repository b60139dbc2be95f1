"""From stored paths and energies to an impulse response at absolute scale.

A path of energy e arrives as pressure sqrt(e): the direct sound in free field at 1 m on
axis is a unit impulse. Specular paths come at their exact time, each with the smooth
minimum-phase response that has its energy in every band. Walls without layers count as
hard, so their sign is plus; walls with layers turn the phase as they do. Late sound is
noise of random sign, first sparse and then dense as reflections are, that follows the
histogram in every band. The noise depends on the seed and the numbers of source and
receiver alone: in another layout of the room it is the same, so that what differs to the
ear is the room.
"""

from typing import Final

import numpy as np
from scipy import fft

from raysim.absorbers.media import Complex
from raysim.errors import Complaint, SettingsError
from raysim.records import Arrivals, EnergyHistogram
from raysim.response.bands import (
    bandwidth_hz,
    leakage,
    minimum_phase,
    power_response,
)
from raysim.response.microphone import arrival_gain, histogram_share
from raysim.response.walls import PathWalls
from raysim.scene.model import Bands
from raysim.units import Float, band_edges_hz

#: Length of an arrival's response and of its fractional delay, in samples. 8192 at
#: 48 kHz resolve 6 Hz: the bend between two of the lowest third-octaves.
_N_FILTER: Final = 8192
_N_SINC: Final = 64
_KAISER_BETA: Final = 8.0
_CHUNK: Final = 128  # arrivals worked on at once, to bound memory
_ROUNDS: Final = 6  # of settling what layered walls' bands leak

#: Density of late arrivals per s: 4 pi c^3 t^2 / V for 50 m3, never below two per
#: millisecond, so that every bin of early scattered sound has something to scale.
_DENSITY_PER_S3: Final = 1.0e7
_DENSITY_LEAST_PER_S: Final = 2000.0
_FADE_S: Final = 0.02
_SET_IN: Final = 1.5  # over bandwidth: the time in which late sound sets in


def impulse_response(
    arrivals: Arrivals,
    histogram: EnergyHistogram,
    bands: Bands,
    sample_rate_hz: int,
    receiver_aim: Float,
    pattern: float = 1.0,
    seed: int = 1,
    source_index: int = 0,
    receiver_index: int = 0,
    walls: PathWalls | None = None,
) -> Float:
    """Give the pressure at the receiver's microphone after an impulse at the source.

    Parameters
    ----------
    arrivals, histogram
        Of the pair, from the store.
    bands : Bands
    sample_rate_hz : int
    receiver_aim : (3,) float64
        Unit vector of the microphone's axis.
    pattern : float
        The microphone's first-order pattern p, 1 omnidirectional.
    seed, source_index, receiver_index : int
        All that the late noise depends on.
    walls : PathWalls, optional
        Layers of the walls that paths meet; else all walls count as hard.

    Returns
    -------
    (n_sample,) float64
        Sample 0 is the emission; 1.0 is the peak of the direct sound at 1 m. In every
        band the energy of a single path, and of the late part as a whole, is the stored
        one to 0.1 dB, unless both neighbours are far stronger: their leak into a band
        cannot be taken away where they stand 9 dB above it, at 125 Hz from 3 dB. Paths
        add as pressures with plus sign: where several arrive together, as on a room's
        line of symmetry, the response is up to 2 dB louder than the stored energy in any
        band, whatever the seed; below 500 Hz a single band may miss it by up to 5 dB.
        Where decay times of neighbouring octaves differ by a factor of two, the slow one
        leaks into what octave filters read off the other.

    Raises
    ------
    SettingsError
        RS-W10: the sample rate is too low for the highest band.
    """
    early, late = early_and_late(
        arrivals, histogram, bands, sample_rate_hz, receiver_aim, pattern, seed, source_index,
        receiver_index, walls,
    )  # fmt: skip
    response = np.zeros(max(early.size, late.size))
    response[: early.size] += early
    response[: late.size] += late
    return response


def early_and_late(
    arrivals: Arrivals,
    histogram: EnergyHistogram,
    bands: Bands,
    sample_rate_hz: int,
    receiver_aim: Float,
    pattern: float = 1.0,
    seed: int = 1,
    source_index: int = 0,
    receiver_index: int = 0,
    walls: PathWalls | None = None,
) -> tuple[Float, Float]:
    """Give what arrives on exact paths, and the noise that stands for all the rest.

    Parameters, scale and errors are those of `impulse_response`, which adds the two up.
    """
    _check_rate(sample_rate_hz, bands)
    aim = np.asarray(receiver_aim, dtype=np.float64)
    gain = arrival_gain(arrivals.direction, aim, pattern)
    energy = histogram.energy.mean(axis=0) * histogram_share(histogram, aim, pattern)
    unmix = np.asarray(np.linalg.inv(leakage(sample_rate_hz, bands)), dtype=np.float64)
    early = specular_part(arrivals, gain, bands, sample_rate_hz, unmix, walls)
    late = late_part(
        energy,
        histogram.bin_s,
        bands,
        sample_rate_hz,
        unmix,
        (seed, source_index, receiver_index),
        start_s=float(arrivals.delay_s.min()) if arrivals.delay_s.size else 0.0,
    )
    return early, late


def _check_rate(sample_rate_hz: int, bands: Bands) -> None:
    top_hz = float(band_edges_hz(bands.centre_hz, bands.fraction)[-1, 1])
    if sample_rate_hz < 2.5 * top_hz:
        raise SettingsError(
            Complaint(
                where="sample_rate_hz",
                wrong=f"{sample_rate_hz:g} Hz is too low for bands up to {top_hz:.0f} Hz.",
                fix="Use 44100, 48000 or 96000.",
                code="RS-W10",
            )
        )


def specular_part(
    arrivals: Arrivals,
    gain: Float,
    bands: Bands,
    sample_rate_hz: int,
    unmix: Float,
    walls: PathWalls | None = None,
) -> Float:
    """Give the response of the specular paths alone  (S4), (S10).

    Parameters
    ----------
    arrivals : Arrivals
    gain : (n_arrival,) float64
        Signed pressure gain of the microphone for each.
    bands : Bands
    sample_rate_hz : int
    unmix : (n_band, n_band) float64
        Energies to be read back to energies to be played.
    walls : PathWalls, optional

    Returns
    -------
    (n_sample,) float64
    """
    if not arrivals.delay_s.size:
        return np.zeros(0)
    half = _N_SINC // 2
    last = int(arrivals.delay_s.max() * sample_rate_hz)
    # A lead of half a delay filter, cut off in the end: sound cannot precede emission.
    out = np.zeros(half + last + _N_FILTER + _N_SINC)
    freq_hz = fft.rfftfreq(_N_FILTER, 1.0 / sample_rate_hz)
    power = power_response(freq_hz, bands)
    leak = None if walls is None else _leak(freq_hz, power, bands)
    fade = np.ones(_N_FILTER)
    fade[_N_FILTER // 2 :] = 0.5 + 0.5 * np.cos(np.linspace(0.0, np.pi, _N_FILTER // 2))
    tap = np.arange(-half + 1, half + 1)
    for first in range(0, arrivals.delay_s.size, _CHUNK):
        part = slice(first, first + _CHUNK)
        place = arrivals.delay_s[part] * sample_rate_hz
        whole = np.floor(place).astype(np.int64)
        away = tap[None, :] - (place - whole)[:, None]
        window = np.i0(_KAISER_BETA * np.sqrt(np.clip(1.0 - (away / half) ** 2, 0.0, 1.0)))
        sinc = np.sinc(away) * window / np.i0(_KAISER_BETA)
        played = played_energy(arrivals.energy[part], unmix)
        turns = None
        if walls is not None:
            cosine = None if arrivals.cosine is None else arrivals.cosine[part]
            turns = walls.turns(arrivals.surfaces[part], cosine, freq_hz)
        if turns is not None and leak is not None:
            played = _before_walls(played, arrivals.energy[part], turns, leak)
        magnitude = np.sqrt(played @ power)
        heard = magnitude.max(axis=1) > 0.0
        magnitude[~heard] = 1.0
        spectrum: Complex = minimum_phase(magnitude, _N_FILTER).astype(np.complex128)
        if turns is not None:
            spectrum *= turns
        shape = fft.irfft(spectrum, _N_FILTER) * fade
        n = 2 * _N_FILTER
        pulse = fft.irfft(fft.rfft(shape, n) * fft.rfft(sinc, n), n)
        pulse *= (gain[part] * heard)[:, None]
        length = _N_FILTER + _N_SINC - 1
        for one, at in zip(pulse, whole, strict=True):
            out[at + 1 : at + 1 + length] += one[:length]
    return out[half:]


def _leak(freq_hz: Float, power: Float, bands: Bands) -> Float:
    """Give how each frequency of a band that is played counts in one that is read  (S5).

    (n_band read, n_band played, n_freq).
    """
    read = power_response(freq_hz, bands, closed=True)
    read /= read.sum(axis=1, keepdims=True)
    return np.asarray(read[:, np.newaxis] * power)


def _before_walls(played: Float, energy: Float, turns: Complex, leak: Float) -> Float:
    """Give what to play into layered walls so that what comes out has the stored energies.

    The walls' own size is in the stored energy already. A few rounds settle what bands
    leak; as elsewhere, a band drowned in its neighbours' leak is not driven to nothing.
    Paths whose walls have no layers are left as they are.
    """
    turned = np.flatnonzero((turns != 1.0).any(axis=1))
    n_band, wanted = len(leak), energy[turned]
    matrix = np.abs(turns[turned]) ** 2 @ leak.reshape(n_band**2, -1).T
    matrix = matrix.reshape(-1, n_band, n_band)  # of each path: read from played
    alone = np.maximum(np.einsum("nbb->nb", matrix), 1e-12)
    least, now = 0.1 * wanted / alone, played[turned] / alone
    for _ in range(_ROUNDS):
        got = np.einsum("nbc,nc->nb", matrix, now)
        ratio = np.divide(wanted, got, out=np.ones_like(got), where=got > 0.0)
        now = np.maximum(now * ratio, least)
    out = played.copy()
    out[turned] = now
    return out


def played_energy(energy: Float, unmix: Float) -> Float:
    """Give the band energies to play so that these are read back, (..., n_band).

    Where a neighbour's leak alone is more than a band's energy, nothing can be taken
    away: then a tenth of it is played.
    """
    return np.asarray(np.maximum(energy @ unmix.T, 0.1 * energy))


def late_arrivals(
    n_sample: int, sample_rate_hz: int, n_band: int, key: tuple[int, int, int]
) -> Float:
    """Give noise of arrivals with random sign and even energy, (n_band, n_sample)  (S6).

    One arrival falls at random into each interval of the inverse density: its energy
    is that of the interval, 1 per sample. Bands share times but not signs, so that
    where two meet their powers add. A longer draw begins with the shorter one.
    """
    # Time over which the density, least * max(1, (t / t1)^2) up to the cap, adds up to k.
    cap = 0.5 * sample_rate_hz
    t1, t2 = (np.sqrt(d / _DENSITY_PER_S3) for d in (_DENSITY_LEAST_PER_S, cap))
    k1 = _DENSITY_LEAST_PER_S * t1
    k2 = k1 + _DENSITY_PER_S3 / 3.0 * (t2**3 - t1**3)
    end_s = n_sample / sample_rate_hz
    k = np.arange(int(k2 + max(0.0, end_s - t2) * cap) + 2)
    jitter = _draws((*key, 0)).random(k.size)
    count = k + jitter
    grown = np.cbrt(t1**3 + 3.0 / _DENSITY_PER_S3 * np.clip(count - k1, 0.0, k2 - k1))
    time = np.select(
        [count < k1, count < k2], [count / _DENSITY_LEAST_PER_S, grown], t2 + (count - k2) / cap
    )
    density = np.clip(_DENSITY_PER_S3 * time**2, _DENSITY_LEAST_PER_S, cap)
    at = (time * sample_rate_hz).astype(np.int64)
    inside = at < n_sample
    noise = np.zeros((n_band, n_sample))
    for i_band in range(n_band):
        sign = np.where(_draws((*key, 1 + i_band)).random(k.size) < 0.5, -1.0, 1.0)
        strength = sign * np.sqrt(sample_rate_hz / density)
        np.add.at(noise[i_band], at[inside], strength[inside])
    return noise


def _draws(key: tuple[int, ...]) -> np.random.Generator:
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

    Returns
    -------
    (n_sample,) float64
    """
    if not energy.any():
        return np.zeros(0)
    filled = np.flatnonzero(energy.any(axis=0))
    first, n_time = int(filled[0]), int(filled[-1]) + 1
    n_sample = int(np.ceil(n_time * bin_s * sample_rate_hz))
    wide = bandwidth_hz(bands)
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
        band = fft.irfft(fft.rfft(noise[i_band], n) * gain[i_band], n)[:n_sample]
        band /= _local_strength(band, sample_rate_hz, wide[i_band])
        envelope = _smooth(played[i_band] / bin_s, 1.0 / wide[i_band] / bin_s)
        at_sample = np.interp(time, middle, envelope)
        # Power density 1 is energy 1 per sample, as of a unit impulse every sample.
        share = np.mean(gain[i_band] ** 2)
        gate = _set_in(time, start, _SET_IN / wide[i_band])
        parts[i_band] = band * np.sqrt(at_sample / sample_rate_hz * share) * gate * fade_out
    return _trimmed(parts, energy.sum(axis=1), bands, sample_rate_hz)


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
