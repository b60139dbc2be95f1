"""From stored paths and energies to an impulse response at absolute scale.

A path of energy e arrives as pressure sqrt(e): the direct sound in free field at 1 m on
axis is a unit impulse. Specular paths come at their exact time, each with the smooth
minimum-phase response that has its energy in every band. Walls without layers count as
hard, so their sign is plus; walls with layers turn the phase as they do. Late sound is
noise that follows the histogram in every band: `late.py`.
"""

from collections.abc import Callable
from typing import Final

import numpy as np
from scipy import fft

from raysim.absorbers.media import Complex
from raysim.errors import Complaint, SettingsError
from raysim.records import Arrivals, EnergyHistogram
from raysim.response.bands import leakage, minimum_phase, played_energy, power_response
from raysim.response.late import late_part
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
    check_rate(sample_rate_hz, bands)
    aim = np.asarray(receiver_aim, dtype=np.float64)
    gain = arrival_gain(arrivals.direction, aim, pattern)
    energy = histogram.energy.mean(axis=0) * histogram_share(histogram, aim, pattern)
    unmix = unmixing(sample_rate_hz, bands)
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


def unmixing(sample_rate_hz: int, bands: Bands) -> Float:
    """Give what turns energies to be read back into energies to be played  (S5)."""
    return np.asarray(np.linalg.inv(leakage(sample_rate_hz, bands)), dtype=np.float64)


def check_rate(sample_rate_hz: int, bands: Bands) -> None:
    """Complain, RS-W10, of a sample rate that is too low for the highest band."""
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
    (heard,) = specular_channels(
        arrivals, 1, lambda part: gain[None, part, None], bands, sample_rate_hz, unmix, walls
    )
    return np.asarray(heard)


def specular_channels(
    arrivals: Arrivals,
    n_channel: int,
    taps: Callable[[slice], Float],
    bands: Bands,
    sample_rate_hz: int,
    unmix: Float,
    walls: PathWalls | None = None,
    lead: int = 0,
) -> Float:
    """Give the same in every channel of an ear that tells directions apart.

    Parameters
    ----------
    arrivals, bands, sample_rate_hz, unmix, walls
        As for `specular_part`.
    n_channel : int
    taps : callable
        Gives (n_channel, n, n_tap) for a slice of the arrivals: what the ear makes of an
        impulse from there.
    lead : int
        How many samples the taps begin before the arrival.

    Returns
    -------
    (n_channel, n_sample) float64
        What precedes the emission is cut off.
    """
    if not arrivals.delay_s.size:
        return np.zeros((n_channel, 0))
    half = _N_SINC // 2
    last = int(arrivals.delay_s.max() * sample_rate_hz)
    n_tap = taps(slice(0, 1)).shape[-1]
    length = _N_FILTER + _N_SINC + n_tap - 2
    n = 2 * _N_FILTER if n_tap == 1 else fft.next_fast_len(length, real=True)
    # A lead of half a delay filter, cut off in the end: sound cannot precede emission.
    out = np.zeros((n_channel, half + last + length + 1))
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
        pulse = fft.rfft(shape, n) * fft.rfft(sinc, n)
        plain = fft.irfft(pulse, n) if n_tap == 1 else None
        for channel, ear in zip(out, taps(part), strict=True):
            if plain is None:
                sounds = fft.irfft(pulse * fft.rfft(ear, n), n) * heard[:, None]
            else:
                sounds = plain * (ear[:, 0] * heard)[:, None]
            for one, at in zip(sounds, whole, strict=True):
                channel[at + 1 : at + 1 + length] += one[:length]
    return np.asarray(out[:, half + lead :])


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
