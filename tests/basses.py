"""Bass made up for tests: rooms of one wall, of a few modes, and a page's worth of it.

Import it from any test file: ``from basses import one_wall``.
"""

import numpy as np

from raysim.records import AROUND_M, Arrivals, Bass, BassResponse, Modes, SeatMap
from raysim.units import LN_60_DB

C = 343.2
RATE_HZ, N_SAMPLE = 2000.0, 4000
SOURCE, RECEIVER = np.array([1.0, 2.0, 1.2]), np.array([3.0, 2.0, 1.2])


def ears():
    """Give the receiver and the places around it, (7, 3)."""
    return RECEIVER + np.concatenate([np.zeros((1, 3)), np.array(AROUND_M)])


def from_spectra(spectra, source="amp", receiver="mic"):
    """Give the response whose spectra (7, n) are these, up to half the sample rate."""
    p = np.fft.irfft(spectra, N_SAMPLE)
    return BassResponse(source, receiver, RATE_HZ, 20.0, 500.0, 400.0, p[0], p[1:])


def one_wall(mirror, strength=0.9):
    """Give response and arrivals over one wall; a ceiling is listed, but far and faint."""
    freq = np.fft.rfftfreq(N_SAMPLE, 1.0 / RATE_HZ)
    k = 2.0 * np.pi * freq / C
    spectra = np.zeros((7, freq.size), dtype=complex)
    for at, factor in ((SOURCE, 1.0), (mirror, strength)):
        d = np.linalg.norm(ears() - at, axis=1)[:, None]
        spectra += factor / d * np.exp(-1j * k * d)
    faint = SOURCE + np.array([0.0, 0.0, 2.4])
    places = np.stack([SOURCE, mirror, faint])
    away = places - RECEIVER
    d = np.linalg.norm(away, axis=1)
    gains = np.array([1.0, strength, 0.2])
    arrivals = Arrivals(
        d / C, d, np.array([0, 1, 1]), away / d[:, None], -away / d[:, None],
        np.array([[-1], [0], [1]]), np.repeat(((gains / d) ** 2)[:, None], 8, axis=1),
    )  # fmt: skip
    return from_spectra(spectra), arrivals


def no_modes():
    """Give a room in which no mode was found."""
    none = np.zeros(0)
    return Modes(none, none, np.zeros((0, 3)), (), (), np.zeros((0, 1)), np.zeros((0, 1)))


def modes_of(freq_hz, decay_s, at_source, at_receiver):
    """Give modes between west and east."""
    n = len(freq_hz)
    return Modes(
        np.array(freq_hz, dtype=float), np.array(decay_s, dtype=float),
        np.tile([1.0, 0.0, 0.0], (n, 1)), ("axial, along the length",) * n,
        (("west", "east"),) * n, np.array(at_source, dtype=float).reshape(n, -1),
        np.array(at_receiver, dtype=float).reshape(n, -1),
    )  # fmt: skip


def ringing(modes, at_receiver, volume_m3):
    """Give the response of a sum of modes: 4 pi c^2 / V times damped sines over omega."""
    t = np.arange(N_SAMPLE) / RATE_HZ
    p = np.zeros(N_SAMPLE)
    for f, time_s, s, r in zip(
        modes.freq_hz, modes.decay_s, modes.at_source[:, 0], at_receiver, strict=True
    ):
        omega, rate = 2.0 * np.pi * f, 0.5 * LN_60_DB / time_s
        p += s * r * np.exp(-rate * t) * np.sin(omega * t) / omega
    p *= 4.0 * np.pi * C**2 / volume_m3 / RATE_HZ
    return BassResponse("amp", "mic", RATE_HZ, 20.0, 500.0, 400.0, p, np.tile(p, (6, 1)))


def cosine_map(length_m=5.0, width_m=4.0, freq_hz=34.3):
    """Give a map at which one frequency has the first mode along x, the others are even."""
    x, y = np.arange(0.35, length_m - 0.3, 0.1), np.arange(0.35, width_m - 0.3, 0.1)
    freq = np.array([freq_hz, 50.0, 70.0, 100.0])
    level = np.zeros((4, y.size, x.size))
    wave = np.abs(np.cos(np.pi * x / length_m))
    level[0] = 20.0 * np.log(np.maximum(wave, 1e-3)) / np.log(10.0)
    level[:, :3, :3] = np.nan
    return SeatMap("amp", 1.2, x, y, freq, level)


def made_up(pairs, n_source, n_receiver, height_m=1.2):
    """Give bass of a layout for a page: a wall behind the first source, and three modes."""
    mirror = SOURCE * np.array([-1.0, 1.0, 1.0])
    response, _ = one_wall(mirror)
    rng = np.random.default_rng(3)
    modes = modes_of(
        [43.0, 57.0, 86.0], [0.9, 0.5, 0.3],
        rng.uniform(-1.4, 1.4, (3, n_source)), rng.uniform(-1.4, 1.4, (3, n_receiver)),
    )  # fmt: skip
    responses = tuple(
        BassResponse(s, r, RATE_HZ, 20.0, 500.0, 400.0, response.pressure, response.around)
        for s, r in pairs
    )
    seats = cosine_map(4.0, 3.0, 43.0)
    maps = tuple(
        SeatMap(s, height_m, seats.x_m, seats.y_m, seats.freq_hz, seats.level_db)
        for s in dict.fromkeys(s for s, _ in pairs)
    )
    return Bass(responses, modes, maps, 0.05, 1e-6)
