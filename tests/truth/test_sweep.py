"""Exponential sweeps: when harmonics come, what a loop gives back, planted distortion."""

import math

import numpy as np
import pytest
from scipy.fft import rfft, rfftfreq
from scipy.signal import fftconvolve, hilbert, lfilter

from raysim.response.sweep import (
    Sweep,
    deconvolve,
    drift_s,
    one_sweep,
    separate,
    sweep_signal,
)
from raysim.response.sweep_file import swept_response
from raysim.response.wav import Recording
from raysim.units import to_level_db

RATE_HZ = 48_000
SHORT = Sweep(2.0, 50.0, 20_000.0, RATE_HZ, silence_s=1.0)

#: L and the leads of orders 2 to 5, s: Farina, AES 108 (2000), L seen second-hand; the lead
#: L ln n from memory; the numbers computed from them.
PRINTED = {
    (10.0, 20.0, 20e3): (1.447648, 1.00343, 1.59040, 2.00687, 2.32990),
    (5.0, 50.0, 16e3): (0.866803, 0.60082, 0.95228, 1.20164, 1.39507),
    (3.0, 20.0, 20e3): (0.434294, 0.30103, 0.47712, 0.60206, 0.69897),
}


@pytest.mark.parametrize("span", PRINTED)
def test_leads_of_harmonics(span):
    """Tolerance: half the last printed digit."""
    sweep = Sweep(*span)
    got = (sweep.rate_s, *(sweep.ahead_s(n) for n in (2, 3, 4, 5)))
    for value, printed, digits in zip(got, PRINTED[span], (6, 5, 5, 5, 5), strict=True):
        assert abs(value - printed) <= 0.5 * 10.0**-digits


def found_lead_s(order, power):
    """Give when a harmonic really comes before the linear response of a bent loop."""
    sweep = Sweep(4.0, 20.0, 20e3, RATE_HZ)
    x = sweep_signal(sweep)
    lags = deconvolve(x + 0.5 * x**power, sweep)
    peak = int(np.abs(lags).argmax())
    at = peak - round(sweep.ahead_s(order) * RATE_HZ)
    window = slice(at - 2000, at + 2000)
    return (peak - (at - 2000 + int(np.abs(lags[window]).argmax()))) / RATE_HZ


@pytest.mark.parametrize(("order", "power", "found_s"), [(2, 2, 0.40140), (3, 3, 0.63615)])
def test_harmonics_come_when_they_should(order, power, found_s):
    """Truth: an independent computation found these (computed). Tolerance: one sample."""
    assert found_lead_s(order, power) == pytest.approx(found_s, abs=1.01 / RATE_HZ)


def loop_db(samples, sweep, reference=1.0):
    """Give the spectrum of what a loop gives back, dB, inside the stated passband."""
    lags = deconvolve(samples, sweep)
    freq_hz = rfftfreq(lags.size, 1.0 / sweep.sample_rate_hz)
    low, high = sweep.passband_hz
    inside = (freq_hz >= low) & (freq_hz <= high)
    return freq_hz[inside], to_level_db(np.abs(rfft(lags)[inside] / reference) ** 2)


@pytest.mark.parametrize("sweep", [SHORT, Sweep(10.0), Sweep(3.0, 20.0, 20e3, 44_100)])
def test_round_trip(sweep):
    """Truth: a loop through nothing, late by a time that nobody told, is 0 dB. Bound: 0.001."""
    x = np.concatenate([np.zeros(12_345), 0.3 * sweep_signal(sweep)])
    assert np.abs(loop_db(x, sweep, 0.3)[1]).max() < 0.001


def test_round_trip_can_fail():
    """Planted fault: a sweep of 0.1 % more time."""
    other = Sweep(2.002, 50.0, 20_000.0, RATE_HZ, silence_s=1.0)
    assert np.abs(loop_db(sweep_signal(other), SHORT)[1]).max() > 0.001


def test_inverse_filter_agrees():
    """Truth: the sweep reversed times exp(-t/L), scaled by 4 f2 / (L fs^2) (ISO 18233 Annex B
    as Farina has it, seen second-hand; the factor computed, within 0.001 dB from 0.5 to
    10 kHz), of a sweep without fades; the linear peak comes at sample N - 1."""
    sweep = Sweep(10.0)
    n, rate_s = sweep.n_sweep, sweep.rate_s
    t = np.arange(n) / RATE_HZ
    x = np.sin(2.0 * np.pi * 20.0 * rate_s * np.expm1(t / rate_s))
    inverse = x[::-1] * np.exp(-t / rate_s) * 4.0 * 20e3 / (rate_s * RATE_HZ**2)
    room = np.zeros(400)
    room[[0, 37, 222]] = 1.0, -0.5, 0.25
    played = fftconvolve(x, room)
    theirs = fftconvolve(played, inverse)
    assert abs(int(np.abs(theirs).argmax()) - (n - 1)) <= 1
    ours = deconvolve(np.pad(fftconvolve(one_sweep(sweep), room), (0, 4000)), sweep)
    freq = np.geomspace(500.0, 10_000.0, 40)
    levels = []
    for one, at in ((theirs, n - 1), (ours, sweep.n_sweep)):
        near = one[at - 24_000 : at + 24_000]
        spectrum = rfft(near)
        levels.append(np.interp(freq, rfftfreq(near.size, 1 / RATE_HZ), np.abs(spectrum)))
    off = to_level_db((levels[0] / levels[1]) ** 2)
    assert np.abs(off).max() < 0.02  # a window of the inverse filter's long ripple is left


def shares(y, sweep):
    lags = deconvolve(y, sweep)
    peak = int(np.abs(lags).argmax())
    parts = separate(lags, peak, RATE_HZ // 2, sweep)
    return {one.order: one for one in parts.distortion}


BEND = {2: 0.02, 3: 0.04}


def bent_misses(told):
    """Give how far, in dB, the distortion told is from that of x + a x^2 + b x^3.

    Truth: sin^2 = (1 - cos 2x) / 2 and sin^3 = (3 sin x - sin 3x) / 4, peak amplitude A: the
    second harmonic has a A / 2 and the third b A^2 / 4 of the first, itself 1 + 3 b A^2 / 4.
    """
    amplitude = 10.0 ** (SHORT.level_db / 20.0)
    first = 1.0 + 0.75 * BEND[3] * amplitude**2
    true = {2: BEND[2] * amplitude / 2.0 / first, 3: BEND[3] * amplitude**2 / 4.0 / first}
    worst = 0.0
    for order, share in true.items():
        clear = np.array(told[order].clear)
        assert clear.sum() >= 4
        off = to_level_db((told[order].share[clear] / share) ** 2)
        worst = max(worst, float(np.abs(off).max()))
    return worst


def bent(second=BEND[2]):
    """Bend a sweep; the steady part of its square, which no microphone gives, is left out."""
    x = sweep_signal(SHORT)
    square = x**2 - 0.5 * np.abs(hilbert(x)) ** 2
    return x + second * square + BEND[3] * x**3


def test_planted_distortion_is_told():
    """Tolerance: a tenth of a decibel, 1 % of a distortion."""
    assert bent_misses(shares(bent(), SHORT)) < 0.1


def test_distortion_test_can_fail():
    """Planted fault: 3 % more of the square."""
    assert bent_misses(shares(bent(1.03 * BEND[2]), SHORT)) > 0.1


def test_linear_chain_has_no_distortion():
    """Truth: an echo is linear; what is told is rounding."""
    y = lfilter([1.0, 0.0, 0.0, -0.4], [1.0], sweep_signal(SHORT))
    for one in shares(y, SHORT).values():
        assert np.nanmax(one.share) < 1e-4


def room(seed=1, t60_s=0.4):
    rng = np.random.default_rng(seed)
    time_s = np.arange(int(0.6 * RATE_HZ)) / RATE_HZ
    tail = 0.05 * rng.standard_normal(time_s.size) * np.exp(-6.9 * time_s / t60_s)
    tail[0] = 1.0
    return tail


def recorded(sweep, noise=0.0, before=7001, stretch=1.0, response=None):
    y = fftconvolve(sweep_signal(sweep), room() if response is None else response)
    if stretch != 1.0:
        y = np.interp(np.arange(int(y.size / stretch)) * stretch, np.arange(y.size), y)
    y = np.concatenate([np.zeros(before), 0.2 * y])
    return y + noise * np.random.default_rng(3).standard_normal(y.size)


def read(samples, sweep):
    return swept_response(Recording(samples, RATE_HZ, "", ()), sweep, "test")


def test_unknown_latency():
    """Truth: the silence that was put before. Tolerance: one sample."""
    for before in (0, 7001, 50_000):
        got = read(recorded(SHORT, before=before), SHORT)
        peak = int(np.abs(got.response).argmax()) / RATE_HZ
        lead_s = (before + SHORT.lead_s * RATE_HZ) / RATE_HZ
        assert got.begins_s + peak == pytest.approx(lead_s, abs=1.01 / RATE_HZ)


def noise_of(times):
    """Give the noise in the end of a response, mean square."""
    sweep = Sweep(1.0, 50.0, 20_000.0, RATE_HZ, times=times, silence_s=1.0)
    got = read(recorded(sweep, noise=0.01), sweep)
    assert got.n_sweep == times
    return float((got.response[-RATE_HZ // 4 :] ** 2).mean())


def test_averaging_takes_noise():
    """Truth: independent noise adds as power, so four take 6 dB. Tolerance: 1 dB, three sigma
    of two mean squares over some hundred independent values."""
    assert 10.0 * math.log10(noise_of(1) / noise_of(4)) == pytest.approx(6.02, abs=1.0)


def test_drift_of_clocks_is_told_from_repetitions():
    """Truth: 200 parts per million put in. Tolerance: two samples over one period."""
    sweep = Sweep(2.0, 50.0, 20_000.0, RATE_HZ, times=2, silence_s=1.0)
    got = read(recorded(sweep, stretch=1.0 - 200e-6), sweep)
    assert got.drift_ppm == pytest.approx(200.0, abs=2e6 / sweep.period)
    assert [c.code for c in got.cautions] == ["RS-W28"]
    assert read(recorded(sweep), sweep).cautions == ()


def test_drift_of_clocks_is_told_from_one_sweep():
    """Truth: 1 % put in, of the treble's delay L ln(f2/f1) for it. Tolerance: a tenth."""
    lone = np.eye(1, 4800)[0]
    lags = deconvolve(recorded(SHORT, stretch=0.99, response=lone), SHORT)
    late_s, ppm = drift_s(lags, int(np.abs(lags).argmax()), SHORT)
    assert late_s > 0.0
    assert ppm == pytest.approx(1e4, rel=0.1)
