"""A measured response put on the scale of simulated ones: when and how strong it arrives."""

import numpy as np
import pytest

from raysim.errors import AudioError
from raysim.listening.measured import measured_response
from raysim.response.wav import write_wav

RATE_HZ = 48_000
SPEED_M_S = 343.2


def misses(tmp_path, begins, gain, claimed_m, true_m=2.0):
    """Give by how many samples and dB direct sound is off: truth is d / c and 1 / d."""
    room = np.zeros(RATE_HZ)
    room[begins] = 1.0
    room[begins + 400 :: 97] = 0.05
    write_wav(tmp_path / "r.wav", gain * room, RATE_HZ)
    got = measured_response(tmp_path / "r.wav", "box", "chair", claimed_m)
    assert got.samples.shape[0] == len(got.channels) == 1
    at = int(np.abs(got.samples[0]).argmax())
    strength = abs(float(got.samples[0, at]))
    return abs(at - true_m / SPEED_M_S * RATE_HZ), abs(20.0 * np.log10(strength * true_m))


@pytest.mark.parametrize("begins", [0, 100, 5000])
@pytest.mark.parametrize("gain", [0.01, 3.0])
def test_direct_sound_comes_as_from_its_distance(tmp_path, begins, gain):
    """Tolerance: half a sample, and the rounding of 32-bit floats."""
    samples, level_db = misses(tmp_path, begins, gain, 2.0)
    assert samples <= 0.5
    assert level_db < 1e-5


def test_that_can_fail(tmp_path):
    """Planted fault: a distance that is 1 % wrong."""
    samples, level_db = misses(tmp_path, 100, 1.0, 2.02)
    assert samples > 0.5
    assert level_db > 0.05


@pytest.mark.parametrize("distance_m", [0.0, -1.0, float("nan"), 200.0])
def test_impossible_distances(tmp_path, distance_m):
    write_wav(tmp_path / "r.wav", np.eye(1, 4800)[0], RATE_HZ)
    with pytest.raises(AudioError) as caught:
        measured_response(tmp_path / "r.wav", "box", "chair", distance_m)
    assert caught.value.complaints[0].code == "RS-C11"
