"""Sound pressure from the wave solver below a crossover, paths and rays above it.

Both sides are pressure re the same source at 1 m in free field, so they meet without a
fitted gain, and what they disagree by is told. The wave part is that of a source and a
microphone that favour no direction; here it gets what the source sends on the mean of
all directions, the direct sound what it sends that way, and the microphone its pattern.
Theory: DEVELOPERS.md, W45 to W48.
"""

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
import scipy
from numpy.typing import NDArray
from scipy import fft

from raysim.records import AROUND_M, Arrivals, BassResponse, PairResult
from raysim.response.ears import Ear, Hearing
from raysim.response.microphone import arrival_gain
from raysim.scene.air import speed_m_s
from raysim.scene.directivity import mean_gain
from raysim.scene.model import Air, Bands, Receiver, Source
from raysim.units import Float, to_level_db

Complex = NDArray[np.complex128]

#: The crossover takes from a quarter of an octave below to a quarter above.
_HALF_OCTAVES: Final = 0.25
#: The wave part begins at its lowest frequency as a filter of this order does, 3 dB down.
#: Above its highest frequency it falls as a cosine to nothing at this times it.
_ORDER: Final = 4
_END: Final = 1.25
#: The end of a wave response is faded out over this share of it.
_FADE: Final = 0.1
#: Silence after everything, s, so that what filters spread does not wrap round.
_SILENCE_S: Final = 0.5


@dataclass(frozen=True, slots=True)
class Joined:
    """A broadband response, and what its two sides disagree by.

    ``mismatch_db`` is the energy of the wave part over that of paths and rays in the
    octave that ends where the wave part does.
    """

    impulse: Float  # (n_sample,) pressure re 1 m in free field, sample 0 is the emission
    mismatch_db: float


@dataclass(frozen=True, slots=True)
class BassEar:
    """What turns the pressure at a point into what a source sends and a microphone takes."""

    arrivals: Arrivals  # of the pair, for the direct sound
    bands: Bands
    mean_gain: Float  # (n_band,) the source's energy, mean of directions, re its axis
    speed_m_s: float
    aim: Float  # (3,) unit vector of the microphone's axis
    pattern: float = 1.0  # p of p + (1 - p) cos


def ear_of(
    pair: PairResult, source: Source, receiver: Receiver, bands: Bands, air: Air
) -> BassEar:
    """Give what turns the wave solver's pressure into what this pair sends and takes."""
    return BassEar(
        pair.arrivals, bands, mean_gain(source.directivity), speed_m_s(air), receiver.aim,
        receiver.pattern,
    )  # fmt: skip


def lower_share(freq_hz: Float, crossover_hz: float) -> Float:
    """Give the amplitude share of the lower side, 1 below the crossover, 0 above  (W45)."""
    with np.errstate(divide="ignore"):
        octaves = np.log2(np.asarray(freq_hz, dtype=np.float64) / crossover_hz)
    rise = np.clip(0.5 + 0.5 * octaves / _HALF_OCTAVES, 0.0, 1.0)
    return np.asarray(0.5 + 0.5 * np.cos(math.pi * rise))


def bass_spectrum(wave: BassResponse, ear: BassEar, freq_hz: Float, n_sample: int) -> Complex:
    """Give what the microphone takes of the bass, at the frequencies of a transform  (W46).

    Parameters
    ----------
    wave : BassResponse
    ear : BassEar
    freq_hz : (n_freq,) float64
        Those of a real transform of ``n_sample`` samples at the rate of ``wave``, from 0
        on, as far as wanted.
    n_sample : int
        Even, at least as many as the response has.

    Returns
    -------
    (n_freq,) complex128
        Pressure re 1 m; 3 dB down at ``wave.low_hz``, complete up to ``wave.high_hz``.
    """
    faded = _faded(np.concatenate([wave.pressure[None], wave.around]))
    heard = fft.rfft(faded, n_sample)[:, : freq_hz.size]
    omega = 2.0 * math.pi * freq_hz
    direct, played = _direct(ear, wave, omega)
    # A response begins with the emission: what the band spreads to before that is not in it.
    whole = np.zeros((len(direct), n_sample // 2 + 1), np.complex128)
    whole[:, : freq_hz.size] = direct
    begun = fft.irfft(whole, n_sample)[:, : wave.pressure.size]
    room = heard - fft.rfft(_faded(begun), n_sample)[:, : freq_hz.size]
    rest = room[0]
    if ear.pattern < 1.0:
        rest = ear.pattern * room[0] + (1.0 - ear.pattern) * _velocity(
            room, ear, omega, wave.low_hz
        )
    sent = np.sqrt(_at(freq_hz, ear.bands.centre_hz, ear.mean_gain))
    return np.asarray(sent * rest + played)


def ear_spectra(
    wave: BassResponse, ear: Ear, hearing: Hearing, of: BassEar, freq_hz: Float, n_sample: int
) -> Complex:
    """Give what every channel of an ear takes of the bass, (n_channel, n_freq)  (H9).

    Parameters are those of `bass_spectrum`; ``of`` says what the source sends, and its aim
    and pattern do not count.
    """
    field = [bass_spectrum(wave, replace(of, pattern=1.0), freq_hz, n_sample)]
    for axis in hearing.axes:
        one = replace(of, aim=axis, pattern=0.0)
        field.append(bass_spectrum(wave, one, freq_hz, n_sample))
    weights = ear.bass_weights(freq_hz, hearing)
    heard = np.einsum("ckf,kf->cf", weights, np.stack(field))
    _, played = _direct(replace(of, pattern=1.0), wave, 2.0 * math.pi * freq_hz)
    if played.any():  # the direct sound's direction is known: all orders of it, not two
        direction = hearing.axes @ of.arrivals.direction[0]
        exact = ear.bass_direct(direction, float(of.arrivals.distance_m[0]), freq_hz, hearing)
        taken = weights[:, 0] + np.einsum("ckf,k->cf", weights[:, 1:], direction)
        heard = heard + (exact - taken) * played
    return np.asarray(heard)


def _faded(p: Float) -> Float:
    n = int(_FADE * p.shape[-1])
    fade = np.ones(p.shape[-1])
    fade[-n:] = 0.5 + 0.5 * np.cos(math.pi * (np.arange(n) + 0.5) / n)
    return np.asarray(p * fade)


def _at(freq_hz: Float, centre_hz: Float, values: Float) -> Float:
    """Give values by band at any frequency, on straight lines over its logarithm."""
    return np.interp(np.log(np.maximum(freq_hz, 1e-3)), np.log(centre_hz), values)


def _direct(ear: BassEar, wave: BassResponse, omega: Float) -> tuple[Complex, Complex]:
    """Give the direct sound at the seven points of an omnidirectional source, and as heard."""
    paths = ear.arrivals
    if not paths.order.size or paths.order[0] != 0:
        return np.zeros((7, omega.size), np.complex128), np.zeros(omega.size, np.complex128)
    way = paths.distance_m[0] * paths.direction[0]
    away_m = np.linalg.norm(
        way - np.concatenate([np.zeros((1, 3)), np.array(AROUND_M)]), axis=1
    )
    away_m = np.maximum(away_m, 1e-3)  # a neighbour may be where the source is
    band = _band(omega, wave)
    direct = band * np.exp(-1j * omega * away_m[:, None] / ear.speed_m_s) / away_m[:, None]
    gain = arrival_gain(paths.direction[:1], ear.aim, ear.pattern)[0]
    freq_hz = omega / (2.0 * math.pi)
    size = np.sqrt(_at(freq_hz, ear.bands.centre_hz, paths.energy[0])) * gain
    return direct, band * size * np.exp(-1j * omega * paths.delay_s[0])


def _band(omega: Float, wave: BassResponse) -> Complex:
    """Give the band of the wave part: causal and maximally flat at its lower end."""
    corner = scipy.signal.butter(_ORDER, 2.0 * math.pi * wave.low_hz, "high", analog=True)
    up = np.asarray(scipy.signal.freqs(*corner, worN=omega)[1], dtype=np.complex128)
    high = 2.0 * math.pi * wave.high_hz
    fall = np.clip((omega / high - 1.0) / (_END - 1.0), 0.0, 1.0)
    return np.asarray(up * (0.5 + 0.5 * np.cos(math.pi * fall)))


def _velocity(room: Complex, ear: BassEar, omega: Float, low_hz: float) -> Complex:
    """Give pressure times the cosine of arrival to the axis, from the gradient  (W47)."""
    k = np.maximum(omega, 1.0) / ear.speed_m_s
    total = np.zeros(omega.size, np.complex128)
    for axis in range(3):
        low, high = room[1 + 2 * axis], room[2 + 2 * axis]
        step_m = 2.0 * AROUND_M[1 + 2 * axis][axis]
        if np.isnan(low[0]):  # no air on this side
            low, step_m = room[0], 0.5 * step_m
        if np.isnan(high[0]):
            high, step_m = room[0], 0.5 * step_m
        if np.isnan(low[0]) or np.isnan(high[0]) or step_m < 0.1 - 1e-9:
            continue
        total += ear.aim[axis] * (high - low) / (step_m * np.sinc(k * step_m / (2.0 * math.pi)))
    # what is left of the gradient far below the lowest frequency would grow to a drift
    fourth = (omega / (math.pi * low_hz)) ** 4
    return np.asarray(total / (1j * k) * fourth / (1.0 + fourth))


def bass_part(wave: BassResponse, ear: BassEar) -> Float:
    """Give what the microphone takes below the crossover, at the rate of ``wave``  (W46).

    Returns
    -------
    (n_sample,) float64
        Up to ``wave.high_hz``, without the crossover.
    """
    n = _padded(wave, 0.0)
    freq_hz = fft.rfftfreq(n, 1.0 / wave.sample_rate_hz)
    spectrum = bass_spectrum(wave, ear, freq_hz, n)
    return np.asarray(fft.irfft(spectrum, n)[: wave.pressure.size])


def _padded(wave: BassResponse, least_s: float) -> int:
    """Give a length in samples of whole seconds, so that any rate has the same bins."""
    whole_s = math.ceil(max(wave.pressure.size / wave.sample_rate_hz, least_s) + _SILENCE_S)
    return int(whole_s * wave.sample_rate_hz)


def join(
    wave: BassResponse, ear: BassEar, early: Float, late: Float, sample_rate_hz: int
) -> Joined:
    """Join the wave part below its crossover with paths and late noise above  (W45).

    Parameters
    ----------
    wave : BassResponse
    ear : BassEar
    early, late : (n,) float64
        Of `raysim.response.impulse.early_and_late`, with the same microphone.
    sample_rate_hz : int
        Of both, and of the result; a whole number of hertz.

    Returns
    -------
    Joined
    """
    (whole,), mismatch_db = join_channels(
        wave,
        lambda freq_hz, n: bass_spectrum(wave, ear, freq_hz, n)[None],
        early[None],
        late[None],
        sample_rate_hz,
    )
    return Joined(np.asarray(whole), mismatch_db)


def join_channels(
    wave: BassResponse,
    bass: Callable[[Float, int], Complex],
    early: Float,
    late: Float,
    sample_rate_hz: int,
) -> tuple[Float, float]:
    """Join every channel of an ear; parameters as for `join`, but  (W45).

    Parameters
    ----------
    wave : BassResponse
    bass : callable
        Gives the channels' bass, (n_channel, n_freq), as `bass_spectrum` does one.
    early, late : (n_channel, n) float64
    sample_rate_hz : int

    Returns
    -------
    response : (n_channel, n_sample) float64
    mismatch_db : float
        Of the energies of all channels together.
    """
    n_early, n_late = early.shape[1], late.shape[1]
    n_kept = max(
        n_early, n_late, int(wave.pressure.size * sample_rate_hz / wave.sample_rate_hz)
    )
    n_low = _padded(wave, n_kept / sample_rate_hz)
    n = int(n_low / wave.sample_rate_hz * sample_rate_hz)
    freq_hz = fft.rfftfreq(n, 1.0 / sample_rate_hz)
    used = freq_hz <= 0.5 * wave.sample_rate_hz
    lows = bass(freq_hz[used], n_low)
    share = lower_share(freq_hz, wave.crossover_hz)
    both = (freq_hz > 0.5 * wave.high_hz) & (freq_hz < wave.high_hz)
    energies, joined = np.zeros(2), np.zeros((len(early), n_kept))
    for out, bottom, *rest in zip(joined, lows, early, late, strict=True):
        paths, noise = (fft.rfft(x, n) for x in rest)
        low = np.zeros(freq_hz.size, np.complex128)
        low[used] = bottom
        whole = share * low + (1.0 - share) * paths + np.sqrt(1.0 - share**2) * noise
        energies += [(np.abs(x[both]) ** 2).sum() for x in (low, paths + noise)]
        out[:] = fft.irfft(whole, n)[:n_kept]
    known = energies[1] > 0.0
    mismatch_db = float(to_level_db(energies[0] / energies[1])) if known else math.nan
    return joined, mismatch_db
