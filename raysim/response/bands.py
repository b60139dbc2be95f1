"""A filter bank whose bands' power responses add up to one at every frequency.

Bands meet half way in a raised cosine over the logarithm of frequency, so no filter
reaches further than its neighbour's flat part. For synthesis the lowest band is open
downwards and the highest upwards; for analysis both are closed.

A filter smears a response in time by about 1 / bandwidth. These filters have no phase,
so they smear forwards and backwards alike, and what arrives when stays true. Late decay
is read with Butterworth filters in reversed time instead: they smear backwards only, so
that a shorter decay can be seen. `TIME_BANDWIDTH` is the least product of bandwidth and
decay time that can.
"""

import functools
from typing import Final

import numpy as np
import scipy
from scipy import fft

from raysim.scene.model import Bands
from raysim.units import Float, band_edges_hz

#: Width of the meeting of two bands, as a share of a band's width on the log axis.
OVERLAP: Final = 0.5

#: Least B T for decay in reversed time (common practice; value from memory).
TIME_BANDWIDTH: Final = 4.0
#: The same for early decay through the filters without phase: as for filters forwards.
TIME_BANDWIDTH_EVEN: Final = 16.0

#: Half the order of the Butterworth band passes: 26 dB down at the next octave's centre.
#: In reversed time their own decay has a B T of 1.5, forwards of 7.8.
_BUTTERWORTH: Final = 4

#: Silence added before filtering, over the narrowest bandwidth, so that nothing that
#: a filter spreads wraps round.
_PADDING: Final = 10.0

#: A minimum phase needs a finite logarithm: -100 dB stands for nothing.
_FLOOR: Final = 1e-5


def bandwidth_hz(bands: Bands) -> Float:
    """Give the width of each band between its half-power points, (n_band,) Hz."""
    edges = band_edges_hz(bands.centre_hz, bands.fraction)
    return np.asarray(edges[:, 1] - edges[:, 0])


def power_response(freq_hz: Float, bands: Bands, closed: bool = False) -> Float:
    """Give the power response of every band, (n_band, n_freq), 0 to 1  (S2).

    Parameters
    ----------
    freq_hz : (n_freq,) float64
        Not negative.
    bands : Bands
    closed : bool
        Whether the outermost bands end at their own edges; else they go on to zero
        and infinity, and the bands add up to one everywhere.

    Examples
    --------
    >>> power_response(np.array([20.0, 700.0, 1e4]), Bands()).sum(axis=0)
    array([1., 1., 1.])
    """
    with np.errstate(divide="ignore"):
        octave = np.log(np.asarray(freq_hz, dtype=np.float64)) / (0.3 * np.log(10.0))
    centre = np.log(bands.centre_hz) / (0.3 * np.log(10.0))
    place = (octave[None, :] - centre[:, None]) * bands.fraction  # edges at -1/2 and 1/2

    def rise(x: Float) -> Float:
        return np.asarray(np.sin(0.5 * np.pi * np.clip(x / OVERLAP + 0.5, 0.0, 1.0)) ** 2)

    lower, upper = rise(place + 0.5), 1.0 - rise(place - 0.5)
    if not closed:
        lower[0] = 1.0
        upper[-1] = 1.0
    return np.asarray(lower * upper)


def minimum_phase(magnitude: Float, n_sample: int) -> Float:
    """Give the spectrum of minimum phase that has a magnitude  (S3).

    Parameters
    ----------
    magnitude : (..., n_sample // 2 + 1) float64
        At the frequencies of a real transform of even length ``n_sample``; below
        -100 dB re its greatest it counts as that.

    Returns
    -------
    (..., n_sample // 2 + 1) complex128

    References
    ----------
    A. V. Oppenheim and R. W. Schafer, Discrete-Time Signal Processing: the real
    cepstrum folded onto positive time.
    """
    greatest = magnitude.max(axis=-1, keepdims=True)
    cepstrum = fft.irfft(np.log(np.maximum(magnitude, _FLOOR * greatest)), n_sample)
    cepstrum[..., 1 : n_sample // 2] *= 2.0
    cepstrum[..., n_sample // 2 + 1 :] = 0.0
    return np.asarray(np.exp(fft.rfft(cepstrum)))


def split_bands(samples: Float, sample_rate_hz: int, bands: Bands, lead: int = 0) -> Float:
    """Filter a signal into closed bands without phase.

    Parameters
    ----------
    samples : (n_sample,) float64
    sample_rate_hz : int
    bands : Bands
    lead : int
        How many samples of what the filters spread to before the signal to give too.

    Returns
    -------
    (n_band, lead + n_sample) float64
    """
    padding = int(_PADDING / bandwidth_hz(bands).min() * sample_rate_hz)
    n = fft.next_fast_len(samples.size + lead + padding, real=True)
    spectrum = fft.rfft(samples, n)
    gains = np.sqrt(power_response(fft.rfftfreq(n, 1.0 / sample_rate_hz), bands, closed=True))
    filtered = np.zeros((bands.n_band, lead + samples.size))
    for out, gain in zip(filtered, gains, strict=True):
        whole = fft.irfft(spectrum * gain, n)
        out[:lead] = whole[n - lead :]
        out[lead:] = whole[: samples.size]
    return filtered


def split_bands_reversed(
    samples: Float, sample_rate_hz: int, bands: Bands, lead: int = 0
) -> Float:
    """Filter a signal into bands in reversed time, to read its late decay  (S8).

    Parameters and result are those of `split_bands`. A band beyond half the sample
    rate gives zeros.
    """
    filtered = np.zeros((bands.n_band, lead + samples.size))
    backwards = np.concatenate([samples[::-1], np.zeros(lead)])
    edges = band_edges_hz(bands.centre_hz, bands.fraction)
    for out, (low_hz, high_hz) in zip(filtered, edges, strict=True):
        if high_hz < 0.5 * sample_rate_hz:
            sos = scipy.signal.butter(
                _BUTTERWORTH, (low_hz, high_hz), "bandpass", fs=sample_rate_hz, output="sos"
            )
            out[:] = scipy.signal.sosfilt(sos, backwards)[::-1]
    return filtered


def band_energy(samples: Float, sample_rate_hz: int, bands: Bands) -> Float:
    """Give a response's energy in each closed band re that of a unit impulse, (n_band,).

    This is raysim's energy: 1 for the direct sound in free field at 1 m.
    """
    n = fft.next_fast_len(max(samples.size, sample_rate_hz), real=True)
    spectrum = np.abs(fft.rfft(samples, n)) ** 2
    power = power_response(fft.rfftfreq(n, 1.0 / sample_rate_hz), bands, closed=True)
    return np.asarray(power @ spectrum / power.sum(axis=1))


@functools.cache
def leakage(sample_rate_hz: int, bands: Bands) -> Float:
    """Give which share of a band's energy, as read, each synthesis band brings  (S5).

    Returns
    -------
    (n_band, n_band) float64
        Row: the closed band that is read; column: the open band of unit energy that
        is played.
    """
    freq = fft.rfftfreq(4 * sample_rate_hz, 1.0 / sample_rate_hz)
    read = power_response(freq, bands, closed=True)
    share = np.asarray(read @ power_response(freq, bands).T / read.sum(axis=1)[:, None])
    share.setflags(write=False)  # one array serves all callers
    return share


def played_energy(energy: Float, unmix: Float) -> Float:
    """Give the band energies to play so that these are read back, (..., n_band).

    Where a neighbour's leak alone is more than a band's energy, nothing can be taken
    away: then a tenth of it is played.
    """
    return np.asarray(np.maximum(energy @ unmix.T, 0.1 * energy))
