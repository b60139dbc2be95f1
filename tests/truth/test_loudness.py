"""Loudness and true peak against the statements of the standards and closed forms.

Cases of EBU Tech 3341 (minimum requirements of loudness meters) are from memory, with its
tolerances: 0.1 LU, and +0.2/-0.4 dB for true peak.
"""

import math

import numpy as np
import pytest
from scipy import signal

from raysim.listening import loudness, true_peak
from raysim.listening.loudness import LoudnessMeter, k_weighting, loudness_lufs
from raysim.listening.true_peak import TruePeakMeter, true_peak_db

RATE = 48_000
MATCH_LU = 0.1


def tones(parts, freq_hz=1000.0, n_channel=2, rate=RATE):
    """Give a sine in every channel alike, by parts of (seconds, dBFS of its peak)."""
    level = np.concatenate([np.full(round(s * rate), 10.0 ** (db / 20.0)) for s, db in parts])
    one = level * np.sin(2.0 * np.pi * freq_hz * np.arange(level.size) / rate)
    return np.repeat(one[np.newaxis], n_channel, axis=0)


@pytest.mark.parametrize("rate", [44_100, 48_000, 96_000])
def test_full_scale_sine_in_one_channel(rate):
    """BS.1770: 0 dBFS at 997 Hz in left, right or centre is -3.01 LKFS (from memory).

    Half the last digit, and what the filter's other rate costs, 0.005 dB (computed).
    """
    one = tones([(5.0, 0.0)], 997.0, 1, rate)
    assert loudness_lufs(one[0], rate) == pytest.approx(-3.01, abs=0.01)
    assert loudness_lufs(np.vstack([one, 0.0 * one]), rate) == pytest.approx(-3.01, abs=0.01)


def test_weighting_is_noticed(monkeypatch):
    """Planted fault: without the weighting the sine reads 0.69 LU less."""
    flat = np.array([[1.0, 0.0, 0.0, 1.0, 0.0, 0.0]] * 2)
    monkeypatch.setattr(loudness, "k_weighting", lambda _rate: flat)
    assert loudness_lufs(tones([(5.0, 0.0)], 997.0, 1), RATE) < -3.6


#: Number in Tech 3341, parts, loudness.
CASES = [
    (1, [(20, -23)], -23.0),
    (2, [(20, -33)], -33.0),
    (3, [(10, -36), (60, -23), (10, -36)], -23.0),
    (4, [(10, -72), (10, -36), (60, -23), (10, -36), (10, -72)], -23.0),
    (5, [(20, -26), (20.1, -20), (20, -26)], -23.0),
]


@pytest.mark.parametrize(("number", "parts", "expected"), CASES)
def test_stereo_cases(number, parts, expected):
    assert loudness_lufs(tones(parts), RATE) == pytest.approx(expected, abs=MATCH_LU)


def test_five_channels():
    """Case 6 of Tech 3341: left, right -28, centre -24, surrounds -30 dBFS."""
    sine = tones([(24, 0)], n_channel=1)
    levels = np.array([-28.0, -28.0, -24.0, -30.0, -30.0])
    samples = 10.0 ** (levels[:, np.newaxis] / 20.0) * sine
    meter = LoudnessMeter(RATE, 5, (1.0, 1.0, 1.0, 1.41, 1.41))
    meter.add(samples)
    assert meter.loudness_lufs() == pytest.approx(-23.0, abs=MATCH_LU)
    plain = LoudnessMeter(RATE, 5)  # planted fault: surrounds weighted as the others
    plain.add(samples)
    assert abs(plain.loudness_lufs() + 23.0) > MATCH_LU


def test_relative_gate_is_noticed(monkeypatch):
    """Planted fault: without it case 3 reads -24.2: the soft parts count as time."""
    monkeypatch.setattr(loudness, "RELATIVE_GATE_LU", -1000.0)
    got = loudness_lufs(tones(CASES[2][1]), RATE)
    assert got == pytest.approx(
        -23.0 + 10.0 * math.log10(60.0 / 80.0 + 2 / 8 * 10**-1.3), abs=0.1
    )
    assert abs(got + 23.0) > MATCH_LU


def test_absolute_gate(monkeypatch):
    """Derived here: silence must not count, else the relative gate sinks and lets -54 in."""
    samples = tones([(10, -40), (10, -54), (60, -90)])
    assert loudness_lufs(samples, RATE) == pytest.approx(-40.0, abs=MATCH_LU)
    monkeypatch.setattr(loudness, "ABSOLUTE_GATE_LUFS", -1000.0)
    assert abs(loudness_lufs(samples, RATE) + 40.0) > MATCH_LU


def test_printed_filter_at_48_khz():
    """BS.1770's own coefficients (from memory) come back unchanged at their own rate."""
    assert k_weighting(48_000)[0, 4] == pytest.approx(-1.69065929318241, abs=1e-14)
    assert k_weighting(48_000)[1, 5] == pytest.approx(0.99007225036621, abs=1e-14)


def test_other_rates_converge():
    """Order of the scheme: the bilinear transform's error falls with the rate squared."""

    def gain_db(rate):
        _, h = signal.sosfreqz(k_weighting(rate), [3500.0], fs=rate)
        return 20.0 * math.log10(abs(h[0]))

    steps = np.diff([gain_db(48_000 * 2**k) for k in range(4)])
    assert steps[:-1] / steps[1:] == pytest.approx(4.0, rel=0.05)


def test_shelf_moved_without_its_corner_is_noticed(monkeypatch):
    """Planted fault: the 48 kHz filter used as it is at 96 kHz."""
    wrong = k_weighting(48_000)
    monkeypatch.setattr(loudness, "k_weighting", lambda _rate: wrong)
    sine = tones([(5.0, 0.0)], 997.0, 1, 96_000)
    assert abs(loudness_lufs(sine, 96_000) + 3.01) > 0.1


@pytest.mark.parametrize("rate", [44_100, 11_025])
def test_pieces_do_not_matter(rate):
    sound = np.random.default_rng(5).normal(size=(2, 3 * rate))
    meter = LoudnessMeter(rate, 2)
    for piece in np.array_split(sound, [1, 2, 700, 700, 5000, 40_000], axis=1):
        meter.add(piece)
    assert meter.loudness_lufs() == pytest.approx(loudness_lufs(sound, rate), abs=1e-9)


def test_gain_is_the_same_as_louder_sound():
    """Closed form: but for the absolute gate, a gain adds itself; the gate too is exact."""
    sound = tones([(3, -30), (3, -66)])
    meter = LoudnessMeter(RATE, 2)
    meter.add(sound)
    for gain_db in (6.0, -20.0, -41.0):
        louder = loudness_lufs(sound * 10.0 ** (gain_db / 20.0), RATE)
        assert meter.loudness_lufs(gain_db) == pytest.approx(louder, abs=1e-9)
    assert meter.loudness_lufs(-60.0) == -math.inf


def test_too_short_or_silent_has_none():
    assert loudness_lufs(tones([(0.39, 0)]), RATE) == -math.inf
    assert loudness_lufs(np.zeros((1, RATE)), RATE) == -math.inf
    assert LoudnessMeter(RATE).loudness_lufs() == -math.inf
    with pytest.raises(ValueError, match="2 weights for 1"):
        LoudnessMeter(RATE, 1, (1.0, 1.0))


#: Divisor of the rate, phase in degrees, amplitude, dBTP: cases 15 to 19 of Tech 3341.
PEAKS = [
    (4, 0.0, 0.5, -6.0),
    (4, 45.0, 0.5, -6.0),
    (6, 60.0, 0.5, -6.0),
    (8, 67.5, 0.5, -6.0),
    (4, 45.0, 1.41, 3.0),
]


def faded_sine(divisor, phase_deg, amplitude, rate=RATE):
    """Give a sine that sets in softly: a hard begin has a higher peak of its own."""
    n = np.arange(rate // 2)
    fade = np.clip(np.minimum(n, n[::-1]) / (0.05 * rate), 0.0, 1.0)
    sine = np.sin(2.0 * np.pi * n / divisor + np.radians(phase_deg))
    return amplitude * np.sin(0.5 * np.pi * fade) ** 2 * sine


@pytest.mark.parametrize("rate", [44_100, 48_000, 96_000])
@pytest.mark.parametrize(("divisor", "phase", "amplitude", "expected"), PEAKS)
def test_true_peak_cases(divisor, phase, amplitude, expected, rate):
    got = true_peak_db(faded_sine(divisor, phase, amplitude, rate))
    assert expected - 0.4 <= got <= expected + 0.2


def test_sample_peak_is_noticed(monkeypatch):
    """Planted fault: looking at the samples alone misses 3 dB of case 16."""
    monkeypatch.setattr(true_peak, "_FACTOR", 1)
    assert true_peak_db(faded_sine(4, 45.0, 0.5)) < -6.4


def test_true_peak_sees_what_lies_over_a_seam():
    sound = faded_sine(4, 45.0, 0.9)
    whole = true_peak_db(sound)
    for n in (1, 7, 100, 8191):
        meter = TruePeakMeter()
        for piece in (
            np.split(sound, range(n, sound.size, n)) if n > 5 else [sound[:n], sound[n:]]
        ):
            meter.add(piece)
        assert 20.0 * math.log10(meter.peak()) == pytest.approx(whole, abs=1e-9)


def test_true_peak_is_never_less_than_a_sample():
    noise = np.random.default_rng(6).normal(size=5000)
    noise[-1] = 9.0  # the last sample counts too
    assert true_peak_db(noise) >= 20.0 * math.log10(9.0) - 1e-9
