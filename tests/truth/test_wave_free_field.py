"""A source far from walls gives 1/r in every direction, at once and in the right phase.

Truth: free field. Tolerance: 0.1 dB, less than can be heard or measured in a room.
"""

import itertools

import numpy as np
import pytest
from waves import C, box_mesh

from raysim.absorbers.admittance import Admittance
from raysim.propagation import wave
from raysim.propagation.wave_points import point_weights
from raysim.propagation.wave_pulse import band_filter
from raysim.units import to_level_db

HIGH_HZ, LOW_HZ, RATE_HZ, SIDE_M = 700.0, 100.0, 16_000.0, 2.6
SOURCE_M = np.array([1.297, 1.309, 1.283])
AWAY_M = (0.4, 0.55, 0.7)
WAYS = [w for w in itertools.product((-1, 0, 1), repeat=3) if any(w) and w > (0, 0, 0)]
#: Main lobe of the band's own response to either side: what is heard before walls answer.
LOBE_S = 1.2e-3


def ideal(away_m, n_sample):
    """Give the band's response at a distance in free field, to the same sample rate."""
    n = 8 * n_sample
    freq_hz = np.fft.rfftfreq(n, 1.0 / RATE_HZ)
    shift = np.exp(-2j * np.pi * freq_hz * away_m / C) / away_m
    return np.fft.irfft(band_filter(freq_hz, LOW_HZ, HIGH_HZ) * shift, n)[:n_sample]


def levels_off_db():
    """Give the level of the direct sound re 1/r in 13 directions and at 3 distances."""
    walls = [Admittance.of(1.0)] * 6
    room = wave.wave_room(box_mesh((SIDE_M,) * 3), walls, wave.default_spacing_m(HIGH_HZ, C), C)
    ears, far = [], []
    for i, way in enumerate(WAYS):
        far.append(AWAY_M[i % 3])
        ears.append(SOURCE_M + far[-1] * np.array(way) / np.linalg.norm(way))
    heard = wave.run(room, SOURCE_M, np.array(ears), 0.012, HIGH_HZ, LOW_HZ, RATE_HZ).p
    off = []
    for p, away_m in zip(heard, far, strict=True):
        end = int((away_m / C + LOBE_S) * RATE_HZ)
        want = ideal(away_m, heard.shape[1])[:end]
        off.append(2.0 * to_level_db(p[:end] @ want / (want @ want)))
    return np.abs(off)


def test_direct_sound_is_one_over_r():
    """Truth: 1/r, and the delay r/c, since other delays lower the product of the two."""
    assert levels_off_db().max() < 0.1


def test_free_field_test_can_fail(monkeypatch):
    """Planted fault: sources and receivers in the middle of the nearest cell."""

    def nearest(grid, volume, opening, at_m, name):
        cell, weight = point_weights(grid, volume, opening, at_m, name)
        return cell[[weight.argmax()]], np.ones(1)

    monkeypatch.setattr(wave, "point_weights", nearest)
    assert levels_off_db().max() > 0.2


@pytest.mark.parametrize("away_m", AWAY_M)
def test_walls_answer_after_the_lobe(away_m):
    """The window ends before the first sound by way of a wall comes."""
    by_wall_m = np.hypot(SIDE_M - 0.05, away_m)
    assert by_wall_m / C > away_m / C + LOBE_S
