"""Recorded responses: decays of known time in noise of known level."""

import numpy as np
import pytest
from decays import exponential, recording

from raysim.errors import AudioError
from raysim.measures.clarity import clarity_db
from raysim.measures.decay import decay_curve_db, fit_line
from raysim.measures.echogram import Echogram
from raysim.measures.recorded import find_knee, find_onset, measure_recorded
from raysim.response.bands import bandwidth_hz, split_bands_reversed
from raysim.scene.model import Bands

RATE_HZ = 48_000
TIMES = ("edt_s", "t20_s", "t30_s")


@pytest.fixture(scope="module")
def measured():
    """Give measures of 16 recordings for each decay time and noise level, made once."""
    done = {}

    def give(t60_s, noise_db):
        if (t60_s, noise_db) not in done:
            sounds = (recording(t60_s, noise_db, seed) for seed in range(16))
            done[t60_s, noise_db] = [measure_recorded(s, RATE_HZ) for s in sounds]
        return done[t60_s, noise_db]

    return give


def stack(runs, name) -> np.ndarray:
    return np.array([getattr(r, name) for r in runs])


def misses_sigma(runs, t60_s, name) -> np.ndarray:
    """Give by how many standard errors the mean of the runs misses, bands of B T > 8.

    The error is that of one response by ISO 3382-2:2008 clause 7 (values from memory).
    """
    bands = bandwidth_hz(Bands()) * t60_s > 8.0
    factor = {"t20_s": 0.88 * np.sqrt(1.19), "t30_s": 0.55 * np.sqrt(1.152)}[name]
    one = factor * t60_s / np.sqrt(bandwidth_hz(Bands()) * t60_s)
    return ((stack(runs, name).mean(axis=0) - t60_s) / one * np.sqrt(len(runs)))[bands]


@pytest.mark.parametrize("noise_db", [-50.0, -60.0, -90.0])
@pytest.mark.parametrize("t60_s", [0.2, 0.4, 1.0])
def test_decay_times(measured, t60_s, noise_db):
    """Truth: the decay's own time. Tolerance: four standard errors of the mean of 16; T20
    and T30 are given in every run from 500 Hz on, where noise and decay are well known."""
    runs = measured(t60_s, noise_db)
    assert np.all(np.isfinite(stack(runs, "t20_s")[:, 3:]))
    assert np.all(np.isfinite(stack(runs, "t30_s")[:, 3:]))
    for name in ("t20_s", "t30_s"):
        given = np.isfinite(stack(runs, name)).all(axis=0)
        bands = bandwidth_hz(Bands()) * t60_s > 8.0
        off = misses_sigma(runs, t60_s, name)[given[bands]]
        assert np.all(np.abs(off) < 4.0)


def test_decay_times_can_fail(measured):
    """Planted fault: the same recordings held against a time 5 % longer."""
    runs = measured(0.4, -60.0)
    assert not np.all(np.abs(misses_sigma(runs, 0.42, "t30_s")) < 4.0)


def naive_t30_s(sound) -> np.ndarray:
    """Integrate the whole recording backwards, noise and all, as one must not."""
    onset = find_onset(sound)
    power = split_bands_reversed(sound[onset:], RATE_HZ, Bands()) ** 2
    edge_s = np.arange(power.shape[1] + 1) / RATE_HZ
    curve = decay_curve_db(Echogram(np.zeros(0), np.zeros((8, 0)), edge_s, power))
    return fit_line(*curve, -5.0, -35.0)[0]


def test_noise_must_be_dealt_with(measured):
    """Planted fault: without truncation and compensation 50 dB of range lengthen T30."""
    runs = np.array([naive_t30_s(recording(0.4, -50.0, seed)) for seed in range(16)])
    assert np.all(runs.mean(axis=0)[3:] > 1.05 * 0.4)
    assert stack(measured(0.4, -50.0), "t30_s").mean(axis=0)[3:] == pytest.approx(0.4, rel=0.03)


@pytest.mark.parametrize("name", ["t20_s", "t30_s"])
def test_stated_errors(measured, name):
    """Truth: the spread of 16 runs, in octaves of B T > 40. Tolerance: four sigma of the mean
    logarithm of 5 ratios of 15 degrees of freedom, and a tenth for what the formula lacks."""
    runs = measured(0.4, -90.0)
    spread = stack(runs, name).std(axis=0, ddof=1)[3:]
    stated = np.mean([r.error[name] for r in runs], axis=0)[3:]
    assert abs(np.log(stated / spread).mean()) < 4.0 / np.sqrt(2 * 15 * 5) + 0.1


@pytest.mark.parametrize(
    ("noise_db", "given"),
    [(-28.0, "edt_s"), (-40.0, "edt_s t20_s"), (-50.0, "edt_s t20_s t30_s")],
)
def test_too_much_noise_is_refused(measured, noise_db, given):
    """Truth: ISO 3382-2: 35 dB from start to noise for T20, 45 dB for T30; by construction
    the start is ``noise_db`` above the noise. From 500 Hz on, in every run, with a reason."""
    runs = measured(0.4, noise_db)
    # The energy of one start is right to 1 dB at 1 kHz, of 16 to a quarter of that; and the
    # noise is taken for up to 0.7 dB higher than it was read.
    assert stack(runs, "range_db").mean(axis=0)[4:] == pytest.approx(-noise_db, abs=1.0)
    for run in runs:
        for name in TIMES:
            value, why = getattr(run, name)[3:], run.why[name][3:]
            assert np.all(np.isfinite(value) == (name in given.split()))
            assert all((w == "") == (name in given.split()) for w in why)


def test_ratios(measured):
    """Truth: closed form. Tolerance: four sigma of 16 runs, early energy being B x Ts / 2
    and more independent values: 4.34 dB sqrt(1 / (16 x 7)) at 500 Hz and less above."""
    runs = measured(0.4, -60.0)
    for name, early_s in (("c50_db", 0.05), ("c80_db", 0.08)):
        expected = clarity_db(exponential(0.4), early_s)[0]
        assert stack(runs, name).mean(axis=0)[4:] == pytest.approx(expected, abs=0.5)
    assert stack(runs, "d50").mean(axis=0)[4:] == pytest.approx(0.82217, abs=0.02)
    assert stack(runs, "ts_s").mean(axis=0)[4:] == pytest.approx(0.028953, rel=0.05)
    assert stack(runs, "sti").mean() == pytest.approx(0.7779, abs=0.01)


def test_clarity_beyond_the_noise_is_refused(measured):
    """Truth: at T = 0.2 s C80 is 24 dB; with the noise 26 dB down only C50 can be told."""
    runs = measured(0.2, -26.0)
    assert all(np.all(np.isnan(r.c80_db[4:])) for r in runs)
    assert all("lost in noise" in r.why["c80_db"][5] for r in runs)
    assert all(np.all(np.isfinite(r.c50_db[4:])) for r in runs)


def test_short_decay_in_a_narrow_band_is_refused():
    """Truth: B T of at least 4 (common practice; value from memory): a third of 50 Hz is
    11.6 Hz wide, so 0.2 s is 2.3. At 8 kHz there is no question."""
    runs = [measure_recorded(recording(0.2, -90.0, s), RATE_HZ, Bands(3)) for s in range(4)]
    for got in runs:
        assert np.isnan(got.t30_s[0])
        assert got.why["t30_s"][0]
        assert got.t30_s[-3:] == pytest.approx(0.2, rel=0.1)
    assert any("bandwidth times decay time" in got.why["t30_s"][0] for got in runs)


def test_knee():
    """Truth: a smooth exponential meets steady noise where they are equal, and what an
    exponential still brings is noise x tau. Tolerance: 1 ms, and 2 %: the smooth sum of
    both bends before."""
    time_s = np.arange(RATE_HZ) / RATE_HZ
    tau_s = 0.4 / 13.8155
    power = np.exp(-time_s / tau_s) + 1e-5
    knee = find_knee(power, RATE_HZ, 1000.0)
    assert knee.index / RATE_HZ == pytest.approx(tau_s * np.log(1e5), rel=0.02)
    assert knee.noise == pytest.approx(1e-5, rel=0.01)
    assert knee.rest == pytest.approx(knee.noise * tau_s * RATE_HZ, rel=0.03)
    clean = find_knee(np.exp(-time_s[:9600] / tau_s), RATE_HZ, 1000.0)
    assert clean.index > 0.9 * 9600


def test_onset():
    """Truth: ISO 3382-1: the first sample within 20 dB of the greatest."""
    sound = np.zeros(1000)
    sound[[300, 400, 500]] = 0.099, -0.11, 1.0
    assert find_onset(sound) == 400
    assert measure_recorded(recording(0.4, -60.0, 1), RATE_HZ).onset_s == pytest.approx(
        0.05, abs=0.001
    )


@pytest.mark.parametrize("seed", range(8))
def test_onset_in_loud_noise(seed):
    """Truth: the decay begins at 50 ms. With the noise 20 dB down, single values of noise
    reach within 20 dB of the peak long before; they must not count. Tolerance: 1 ms."""
    sound = recording(0.4, -20.0, seed)
    early = sound[: int(0.049 * RATE_HZ)] ** 2
    assert np.any(early >= 0.01 * np.max(sound**2))  # 20 dB alone would be fooled
    assert find_onset(sound) / RATE_HZ == pytest.approx(0.05, abs=0.001)


def test_low_sample_rate_gives_what_it_can():
    """Truth: 8 kHz needs more than 22.4 kHz of samples; the bands below do not."""
    got = measure_recorded(recording(0.4, -60.0, 1, sample_rate_hz=16_000), 16_000)
    assert np.isnan(got.t30_s[7])
    assert got.why["t30_s"][7] == "the sample rate is too low for this band"
    assert np.all(np.isfinite(got.t30_s[3:7]))
    assert np.isnan(got.sti)


def test_recording_that_stops_at_once_is_refused():
    sound = np.zeros(48_000)
    sound[-100] = 1.0
    with pytest.raises(AudioError) as caught:
        measure_recorded(sound, RATE_HZ)
    (complaint,) = caught.value.complaints
    assert complaint.code == "RS-W11"
    assert "2 ms" in complaint.wrong


def test_steady_noise_has_no_decay():
    """Truth: there is none. Everything is refused in words."""
    sound = np.random.default_rng(1).standard_normal(48_000)
    got = measure_recorded(sound, RATE_HZ)
    for name in (*TIMES, "c50_db", "d50"):
        assert np.all(np.isnan(getattr(got, name))), name
        assert all(got.why[name]), name
