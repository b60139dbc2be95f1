"""Known faults: what low-pass and boxy anchors do to noise, tones and pulses.

Truth: ITU-R BS.1534-3 for the low-pass ones (from memory): flat to 0.1 dB, 25 dB down at
4 kHz and 50 dB at 4.5 kHz for 3.5 kHz; the same shape is asked of 7 kHz. The boxy one is
our own: its stated rise and decay.
"""

import numpy as np
import pytest

from raysim.listening.anchors import (
    BOX_BAND_HZ,
    BOX_DECAY_S,
    BOX_RAISE_DB,
    LOW_HZ,
    MIDDLE_HZ,
    box_response,
    boxed,
    low_passed,
)
from raysim.units import to_level_db

RATES = (44_100, 48_000, 96_000)


def pulse(rate, n=2**15):
    samples = np.zeros((1, n))
    samples[0, n // 2] = 1.0
    return samples


def levels(samples, rate):
    freq_hz = np.fft.rfftfreq(samples.shape[1], 1.0 / rate)
    return freq_hz, to_level_db(np.abs(np.fft.rfft(samples[0])) ** 2)


def faults(samples, rate, pass_hz):
    """List what a low-passed pulse misses."""
    freq_hz, level_db = levels(samples, rate)
    found = []
    if np.abs(level_db[freq_hz <= pass_hz]).max() > 0.1:
        found.append("not flat")
    if level_db[freq_hz >= pass_hz * 4.0 / 3.5].max() > -25.0:
        found.append("4 kHz")
    if level_db[freq_hz >= pass_hz * 4.5 / 3.5].max() > -50.0:
        found.append("4.5 kHz")
    if np.argmax(np.abs(samples[0])) != samples.shape[1] // 2:
        found.append("late")
    return found


@pytest.mark.parametrize("pass_hz", [LOW_HZ, MIDDLE_HZ])
@pytest.mark.parametrize("rate", RATES)
def test_low_pass_keeps_the_standards_limits(rate, pass_hz):
    assert faults(low_passed(pulse(rate), rate, pass_hz), rate, pass_hz) == []


def test_low_pass_test_can_fail():
    """Planted faults: a wrong corner, no filter, and a sample of delay."""
    rate = 48_000
    assert faults(low_passed(pulse(rate), rate, 0.95 * LOW_HZ), rate, LOW_HZ) == ["not flat"]
    assert "4 kHz" in faults(low_passed(pulse(rate), rate, 1.2 * LOW_HZ), rate, LOW_HZ)
    assert faults(pulse(rate), rate, LOW_HZ) == ["4 kHz", "4.5 kHz"]
    late = np.roll(low_passed(pulse(rate), rate, LOW_HZ), 1, axis=1)
    assert faults(late, rate, LOW_HZ) == ["late"]


def rise_db(response, rate, low_hz, high_hz):
    """Give the mean rise of energy in a band, by a transform of another length."""
    freq_hz, level_db = levels(np.pad(response, (0, 7 * response.size))[np.newaxis], rate)
    inside = (freq_hz >= low_hz) & (freq_hz <= high_hz)
    return float(to_level_db(np.mean(10.0 ** (level_db[inside] / 10.0))))


@pytest.mark.parametrize("rate", RATES)
def test_box_raises_its_band_and_leaves_the_rest(rate):
    """Tolerance: 0.05 dB for the means of two grids; far from the band 0.5 dB."""
    response = box_response(rate)
    assert rise_db(response, rate, *BOX_BAND_HZ) == pytest.approx(BOX_RAISE_DB, abs=0.05)
    assert abs(rise_db(response, rate, 2000.0, 20_000.0)) < 0.5
    plain = np.zeros(100)
    plain[0] = 1.0
    assert rise_db(plain, rate, *BOX_BAND_HZ) == pytest.approx(0.0, abs=0.05)  # planted fault


def decay_s(tail, rate):
    """Give T from the slope of the backward integral between -5 and -25 dB."""
    level_db = to_level_db(np.cumsum(tail[::-1] ** 2)[::-1])
    level_db -= level_db[0]
    i = np.flatnonzero((level_db < -5.0) & (level_db > -25.0))
    return -60.0 / np.polyfit(i / rate, level_db[i], 1)[0]


def test_box_rings_as_long_as_stated():
    """Tolerance: noise of 300 Hz bandwidth over 0.17 s, four sigma about 20 %."""
    response = box_response(48_000)
    assert decay_s(response[1:], 48_000) == pytest.approx(BOX_DECAY_S, rel=0.2)
    shorter = response[1:] * np.exp(-np.arange(response.size - 1) / 48_000 / 0.1)
    assert decay_s(shorter, 48_000) != pytest.approx(BOX_DECAY_S, rel=0.2)  # planted fault


def test_box_keeps_length_and_begin():
    """Truth: the pulse comes first and unchanged; nothing is before it."""
    samples = pulse(48_000)
    out = boxed(np.vstack([samples, 2.0 * samples]), 48_000)
    n = samples.shape[1] // 2
    assert out.shape == (2, samples.shape[1])
    assert np.abs(out[:, :n]).max() < 1e-12
    np.testing.assert_allclose(out[1], 2.0 * out[0], atol=1e-12)
