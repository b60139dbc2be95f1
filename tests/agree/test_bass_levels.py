"""Images and the wave solver in a hard box, joined: one absolute level, no gain fitted.

Truth: image sources of a box, a closed form. Both run for the same short time.
"""

from itertools import product

import numpy as np
import pytest
from records import arrivals as many_arrivals
from waves import C, box_mesh

from raysim.absorbers.admittance import RIGID
from raysim.propagation import wave
from raysim.records import Arrivals, BassResponse
from raysim.response.join import BassEar, join
from raysim.scene.model import Bands

SIDES_M = np.array([3.4, 2.7, 2.3])
SOURCE_M = np.array([0.83, 0.72, 1.11])
EARS_M = np.array([[2.61, 1.93, 1.27], [1.52, 2.11, 0.64], [2.87, 0.58, 1.73]])
DURATION_S, HIGH_HZ, SPLIT_HZ = 0.06, 450.0, 360.0
LOW_RATE_HZ, RATE_HZ = 2000, 48_000


def images(ear_m):
    """Give delays and sizes of all images that are heard in time."""
    reach = np.ceil(0.5 * C * DURATION_S / SIDES_M).astype(int) + 1
    cells = np.array(list(product(*(range(-n, n + 1) for n in reach))))
    signs = np.array(list(product((1, -1), repeat=3)))
    at_m = 2 * cells[:, None] * SIDES_M + signs * SOURCE_M
    away_m = np.linalg.norm(at_m.reshape(-1, 3) - ear_m, axis=1)
    away_m = away_m[away_m < C * DURATION_S]
    return away_m / C, 1.0 / away_m


@pytest.fixture(scope="module")
def both():
    """Give the wave part of each ear, and its images as an impulse response."""
    room = wave.wave_room(box_mesh(tuple(SIDES_M)), [RIGID] * 6, 0.0448, C)
    got = wave.run(
        room, SOURCE_M, EARS_M, DURATION_S, HIGH_HZ, sample_rate_hz=float(LOW_RATE_HZ)
    )
    freq_hz = np.fft.rfftfreq(RATE_HZ, 1.0 / RATE_HZ)
    sides = []
    for p, ear_m in zip(got.p, EARS_M, strict=True):
        delay_s, size = images(ear_m)
        line = np.exp(-2j * np.pi * freq_hz[:, None] * delay_s) @ size
        early = np.fft.irfft(line * (freq_hz < 20e3), RATE_HZ)[: int(DURATION_S * RATE_HZ)]
        around = np.full((6, p.size), np.nan)
        part = BassResponse(
            "s", "r", float(LOW_RATE_HZ), got.low_hz, HIGH_HZ, SPLIT_HZ, p, around
        )
        sides.append((part, early))
    return sides


def mismatch_db(both, wave_gain=1.0):
    """Give what the two sides disagree by in the octave below the wave part's end."""
    every = many_arrivals(np.random.default_rng(1))
    none = Arrivals(**{n: getattr(every, n)[:0] for n in Arrivals.__dataclass_fields__})
    ear = BassEar(none, Bands(), np.full(8, wave_gain), C, np.array([1.0, 0.0, 0.0]))
    return np.array(
        [join(part, ear, early, np.zeros(1), RATE_HZ).mismatch_db for part, early in both]
    )


#: Both are cut off at 60 ms, the wave part by a fade over its last tenth: of what arrives
#: by then, evenly over time in a hard room, a sixteenth is lost, 0.27 dB; level itself is
#: good to 0.06 dB.
BOUND_DB = 0.27 + 0.06


def test_levels_meet_in_the_overlap(both):
    assert np.abs(mismatch_db(both)).max() < BOUND_DB


@pytest.mark.parametrize("gain_db", [-0.7, 0.7])
def test_another_level_is_noticed(both, gain_db):
    """Planted fault: one side is louder."""
    assert np.abs(mismatch_db(both, 10.0 ** (gain_db / 10.0))).min() > BOUND_DB


def test_what_it_is_worth():
    """A hard box fills evenly: as many images in the second half, times their energy."""
    delay_s, size = images(EARS_M[0])
    late = delay_s > 0.5 * DURATION_S
    assert (size[late] ** 2).sum() == pytest.approx((size[~late] ** 2).sum(), rel=0.25)
