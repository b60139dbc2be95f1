"""Paths and late sound in every channel of an ear that tells directions apart.

Specular paths come from exactly where they come from. Late sound is the noise that a plain
microphone gets, each of its arrivals from a direction drawn about the mean direction that
the histogram has at that time; then every channel gets, band by band, the energy that the
moments give it. Theory: DEVELOPERS.md, H5 to H8.
"""

import math
from collections.abc import Iterator
from typing import Final

import numpy as np
from scipy import fft

from raysim.records import MOMENTS, Arrivals, EnergyHistogram
from raysim.response.ears import Ear, Hearing, even_directions
from raysim.response.impulse import check_rate, specular_channels, unmixing
from raysim.response.late import draws, late_events, late_length, late_part
from raysim.response.walls import PathWalls
from raysim.units import Float, Int

#: Directions that late arrivals of an ear with taps are gathered in.
_N_LATE: Final = 64
#: Draws of direction; above the numbers of bands, which draw signs.
_DIRECTIONS: Final = 1000
#: Bins over which the mean direction of late sound is taken, to either side.
_STEADY: Final = 4
#: How gathered directions are, from not at all to one: for `_gathered`.
_KAPPA: Final = np.geomspace(1e-4, 1e4, 400)


def early_and_late_channels(
    arrivals: Arrivals,
    histogram: EnergyHistogram,
    ear: Ear,
    hearing: Hearing,
    key: tuple[int, int, int],
    walls: PathWalls | None = None,
) -> tuple[Float, Float]:
    """Give what arrives on exact paths, and the noise that stands for all the rest.

    Parameters
    ----------
    arrivals, histogram
        Of the pair, from the store.
    ear : Ear
    hearing : Hearing
    key : tuple of three int
        Seed, source, receiver: all that the noise depends on.
    walls : PathWalls, optional
        Layers of the walls that paths meet; else all walls count as hard.

    Returns
    -------
    two (n_channel, n_sample) float64
        Scale and time are those of `raysim.response.impulse.impulse_response`.

    Raises
    ------
    SettingsError
        RS-W10: the sample rate is too low for the highest band.
    """
    rate, bands = hearing.sample_rate_hz, hearing.bands
    check_rate(rate, bands)
    unmix = unmixing(rate, bands)
    direction = arrivals.direction @ hearing.axes.T

    def taps(part: slice) -> Float:
        return ear.taps(direction[part], arrivals.distance_m[part], hearing)

    early = specular_channels(
        arrivals, len(ear.channels), taps, bands, rate, unmix, walls,
        0 if ear.is_instant else hearing.lead,
    )  # fmt: skip
    energy = ear.late_energy(histogram, hearing)
    n_sample = late_length(energy, histogram.bin_s, rate)
    at, strength = late_events(n_sample, rate, bands.n_band, key)
    towards = _directions(histogram, at, hearing, key)
    noise = _noise(ear, hearing, at, strength, towards, n_sample)
    start_s = float(arrivals.delay_s.min()) if arrivals.delay_s.size else 0.0
    late = np.zeros((len(energy), n_sample))
    for out, taken, heard in zip(late, energy, noise, strict=True):
        part = late_part(taken, histogram.bin_s, bands, rate, unmix, key, start_s, heard)
        out[: part.size] = part
    return early, late


def _directions(
    histogram: EnergyHistogram, at: Int, hearing: Hearing, key: tuple[int, int, int]
) -> Float:
    """Draw where each late arrival comes from, in the listener's axes, (n, 3)  (H7)."""
    energy = histogram.energy.mean(axis=0).sum(axis=0)
    moment = dict(zip(MOMENTS, histogram.moments.sum(axis=1), strict=True))
    window = np.ones(2 * _STEADY + 1)
    along = np.stack([np.convolve(moment[axis], window, "same") for axis in "xyz"])
    total = np.convolve(energy, window, "same")
    mean = np.divide(along, total, out=np.zeros_like(along), where=total > 0.0)
    column = np.minimum(
        (at / hearing.sample_rate_hz / histogram.bin_s).astype(np.int64), total.size - 1
    )
    towards = mean[:, column].T @ hearing.axes.T
    chance = draws((*key, _DIRECTIONS)).random((at.size, 2))
    return _gathered(towards, chance)


def _gathered(mean: Float, chance: Float) -> Float:
    """Give unit vectors of these means, each (n, 3), from two even draws each  (H7)."""
    size = np.linalg.norm(mean, axis=1)
    kappa = np.interp(size, 1.0 / np.tanh(_KAPPA) - 1.0 / _KAPPA, _KAPPA)
    spread = -np.expm1(-2.0 * kappa)
    cosine = np.clip(1.0 + np.log1p(-chance[:, 0] * spread) / kappa, -1.0, 1.0)
    turn = 2.0 * math.pi * chance[:, 1]
    axis = np.divide(mean, size[:, None], out=np.zeros_like(mean), where=size[:, None] > 0.0)
    axis[size == 0.0] = (1.0, 0.0, 0.0)
    # any two vectors across the axis
    least = np.eye(3)[np.argmin(np.abs(axis), axis=1)]
    across = np.cross(axis, least)
    across /= np.linalg.norm(across, axis=1, keepdims=True)
    other = np.cross(axis, across)
    sine = np.sqrt(1.0 - cosine**2)
    return np.asarray(
        cosine[:, None] * axis
        + (sine * np.cos(turn))[:, None] * across
        + (sine * np.sin(turn))[:, None] * other
    )


def _noise(
    ear: Ear, hearing: Hearing, at: Int, strength: Float, direction: Float, n_sample: int
) -> Iterator[Float]:
    """Give what the ear makes of late arrivals, for each channel (n_band, n_sample)."""
    if ear.is_instant:
        for gain in ear.taps(direction, np.full(at.size, np.inf), hearing)[..., 0]:
            noise = np.zeros((len(strength), n_sample))
            for band, signed in zip(noise, strength, strict=True):
                np.add.at(band, at, signed * gain)
            yield noise
        return
    even = even_directions(_N_LATE)
    nearest = np.argmax(direction @ even.T, axis=1)
    taps = ear.taps(even, np.full(_N_LATE, np.inf), hearing)
    n = fft.next_fast_len(n_sample + taps.shape[-1], real=True)
    heard = fft.rfft(taps, n)
    every = np.zeros((len(taps), len(strength), n_sample))
    for i_band, signed in enumerate(strength):
        spectrum = np.zeros((len(taps), n // 2 + 1), np.complex128)
        for i in range(_N_LATE):
            one = np.zeros(n)
            np.add.at(one, at[nearest == i], signed[nearest == i])
            spectrum += fft.rfft(one) * heard[:, i]
        whole = fft.irfft(spectrum, n)
        every[:, i_band] = whole[:, hearing.lead : hearing.lead + n_sample]
    yield from every
