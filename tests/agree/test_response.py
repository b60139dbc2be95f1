"""Impulse responses against the stored energies and paths they are made from."""

import numpy as np
import pytest
from decays import AHEAD, isotropic, late, nothing, paths

from raysim.measures.pair import measure_pair
from raysim.measures.recorded import measure_recorded
from raysim.response.bands import band_energy, bandwidth_hz, power_response, split_bands
from raysim.response.impulse import impulse_response
from raysim.response.late import late_arrivals
from raysim.response.wav import read_wav, write_wav
from raysim.scene.model import Bands
from raysim.units import to_level_db

RATES_HZ = (44_100, 48_000, 96_000)

#: What the late part, and any single path, may miss the stored energy of a band by.
STATED_DB = 0.1


def silent(n_band=8):
    return late(0.3, total=0.0, n_band=n_band)


def off_db(response, rate_hz, bands, energy) -> np.ndarray:
    """Give by how much the bands of a response differ from energies, dB."""
    return to_level_db(band_energy(response, rate_hz, bands) / energy)


@pytest.mark.parametrize("fraction", [1, 3])
def test_powers_of_the_bands_add_up_to_one(fraction):
    """Truth: definition of the bank. Tolerance: rounding. No band reaches past its
    neighbour, and between half-power points lies the nominal width."""
    bands = Bands(fraction)
    freq_hz = np.linspace(0.0, 24_000.0, 20_001)
    power = power_response(freq_hz, bands)
    assert power.sum(axis=0) == pytest.approx(1.0, abs=1e-12)
    assert np.all((power > 0.0).sum(axis=0) <= 2)
    edge = bands.centre_hz[4] * 10.0 ** (0.15 / fraction)
    assert power_response(np.array([edge]), bands)[4, 0] == pytest.approx(0.5, abs=1e-9)


def test_bank_test_can_fail():
    """Planted fault: closed bands leave out what lies below and above them."""
    power = power_response(np.linspace(0.0, 24_000.0, 20_001), Bands(), closed=True)
    assert power.sum(axis=0) != pytest.approx(1.0, abs=1e-12)


def test_filters_keep_energy_and_time():
    """Truth: filters without phase put an impulse's energy evenly about its time, and all
    of it, but for the lead's end, by Parseval."""
    impulse = np.zeros(96_000)
    impulse[48_000] = 1.0
    out = split_bands(impulse, 48_000, Bands())
    energy = (out**2).sum(axis=1)
    expected = bandwidth_hz(Bands()) / 24_000.0
    # The raised cosine in log frequency is a little wider than its half-power points.
    assert energy == pytest.approx(expected, rel=0.02)
    centre = (out**2 @ np.arange(96_000.0)) / energy
    assert centre == pytest.approx(48_000.0, abs=1e-3)


@pytest.mark.parametrize("rate_hz", RATES_HZ)
@pytest.mark.parametrize("delay_s", [0.01, 0.0087349, 0.0104167])
def test_a_flat_path_is_a_pulse_at_its_time(rate_hz, delay_s):
    """Truth: pressure sqrt(e) at the stored time. Tolerance: the peak within half a sample,
    its centre, by the phase of the spectrum, within a thousandth; level 0.1 dB."""
    response = impulse_response(
        paths([delay_s], np.full(8, 1 / 9)), silent(), Bands(), rate_hz, AHEAD
    )
    assert abs(np.argmax(response) - delay_s * rate_hz) <= 0.5 + 1e-6
    freq_hz = np.array([200.0, 1000.0, 4000.0])
    n = np.arange(response.size)
    wave = np.exp(-2j * np.pi * freq_hz[:, np.newaxis] * n / rate_hz) @ response
    straight = np.exp(-2j * np.pi * freq_hz * delay_s) / 3.0
    assert np.angle(wave / straight) / (2 * np.pi * freq_hz / rate_hz) == pytest.approx(
        0.0, abs=1e-3
    )
    assert np.all(np.abs(off_db(response, rate_hz, Bands(), 1 / 9)) < STATED_DB)


def test_unit_impulse_at_one_metre():
    """Truth: the scale. A path of energy 1 at a whole sample is the unit impulse."""
    response = impulse_response(
        paths([480 / 48_000], np.ones(8)), silent(), Bands(), 48_000, AHEAD
    )
    assert response[480] == pytest.approx(1.0, abs=1e-6)
    rest = np.delete(response, 480)
    assert np.abs(rest).max() < 1e-6


#: Energies of a path after walls of wood, wool and glass, and a steep one.
COLOURED = {
    "falling": np.array([0.9, 0.8, 0.6, 0.4, 0.25, 0.2, 0.15, 0.1]),
    "rising": np.array([0.1, 0.12, 0.2, 0.4, 0.6, 0.7, 0.7, 0.8]),
    "steep": np.array([0.9, 0.5, 0.1, 0.02, 0.01, 0.02, 0.1, 0.5]),
}


@pytest.mark.parametrize("name", COLOURED)
@pytest.mark.parametrize("rate_hz", RATES_HZ)
def test_a_coloured_path_has_its_energies(name, rate_hz):
    """Truth: stored energy of every octave. Tolerance: the stated 0.1 dB. It begins at its
    time: not even the steep one has 1e-4 of its energy a millisecond before."""
    energy = COLOURED[name]
    response = impulse_response(paths([0.02], energy), silent(), Bands(), rate_hz, AHEAD)
    assert np.all(np.abs(off_db(response, rate_hz, Bands(), energy)) < STATED_DB)
    before = int(0.019 * rate_hz)
    assert np.sum(response[:before] ** 2) < 1e-4 * np.sum(response**2)


def test_coloured_path_test_can_fail():
    """Planted fault: two neighbouring octaves exchanged."""
    energy = COLOURED["falling"]
    swapped = energy[[0, 1, 3, 2, 4, 5, 6, 7]]
    response = impulse_response(paths([0.02], swapped), silent(), Bands(), 48_000, AHEAD)
    assert not np.all(np.abs(off_db(response, 48_000, Bands(), energy)) < STATED_DB)


@pytest.mark.parametrize(
    ("fraction", "seed", "rate_hz"),
    [(1, 1, 48_000), (1, 2, 44_100), (1, 3, 96_000), (3, 1, 48_000)],
)
def test_late_part_has_the_energy_of_every_band(fraction, seed, rate_hz):
    """Truth: stored energy of every band. Tolerance: the stated 0.1 dB."""
    bands = Bands(fraction)
    n = bands.n_band
    histogram = late(np.linspace(0.5, 0.25, n), 0.3, start_s=0.009, n_band=n)
    response = impulse_response(nothing(n), histogram, bands, rate_hz, AHEAD, seed=seed)
    assert np.all(np.abs(off_db(response, rate_hz, bands, 0.3)) < STATED_DB)


@pytest.mark.parametrize("slope_db", [-8.0, -3.0, 3.0, 8.0])
def test_late_part_of_sloping_spectrum(slope_db):
    """Truth: stored energy, 8 dB from octave to octave. Tolerance: the stated 0.1 dB."""
    energy = 10.0 ** (slope_db / 10.0 * np.arange(8))
    exact = late(0.3, 1.0, start_s=0.009).energy
    histogram = isotropic(exact * energy[:, np.newaxis])
    response = impulse_response(nothing(), histogram, Bands(), 48_000, AHEAD)
    assert np.all(np.abs(off_db(response, 48_000, Bands(), energy)) < STATED_DB)


def slots_off_sigma(start_s):
    """Give by how much octaves from 1 kHz miss a decay that starts at 9 ms in slots of 20 ms,
    over the chance of noise that nobody levelled: 1 / sqrt(B 20 ms)."""
    response = impulse_response(nothing(), late(0.4, start_s=start_s), Bands(), 48_000, AHEAD)
    split = split_bands(response, 48_000, Bands())[4:, :11_520] ** 2
    stored = late(0.4, start_s=0.009).energy.mean(axis=0)[4:, :240]
    got = split.reshape(4, 12, -1).sum(axis=2) / band_energy_of_one()[4:, np.newaxis]
    off = got / stored.reshape(4, 12, -1).sum(axis=2) - 1.0
    return np.abs(off) * np.sqrt(0.02 * bandwidth_hz(Bands())[4:, np.newaxis])


def band_energy_of_one():
    """Give the sum of squares that a unit impulse leaves in each band."""
    impulse = np.zeros(48_000)
    impulse[24_000] = 1.0
    return (split_bands(impulse, 48_000, Bands()) ** 2).sum(axis=1)


def test_late_part_keeps_time():
    """Truth: stored energy of every 20 ms, 36 dB down. Tolerance: two sigma of plain noise,
    which 48 values of plain noise would not all keep."""
    assert np.all(slots_off_sigma(0.009) < 2.0)


def test_time_test_can_fail():
    """Planted fault: late sound 10 ms late, at 60 dB in 0.4 s."""
    assert not np.all(slots_off_sigma(0.019) < 2.0)


def test_whole_response_has_the_energy_in_the_mean():
    """Truth: direct and late sound do not know each other: over seeds the energy is the sum.
    Tolerance: four standard errors of 24 seeds, and the stated 0.1 dB."""
    arrivals, histogram = paths([0.00875], np.full(8, 0.11)), late(0.3, 0.2, start_s=0.009)
    responses = [
        impulse_response(arrivals, histogram, Bands(), 44_100, AHEAD, seed=s) for s in range(24)
    ]
    got = np.array([band_energy(r, 44_100, Bands()) for r in responses])
    error = got.std(axis=0, ddof=1) / np.sqrt(24)
    assert np.all(np.abs(got.mean(axis=0) - 0.31) < 4.0 * error + 0.31 * 0.023)
    # What a single response misses it by, as its docstring says.
    spread_db = to_level_db(1.0 + got.std(axis=0, ddof=1) / 0.31)
    assert np.all(spread_db[3:] < 0.6)


def test_mean_energy_test_can_fail():
    """Planted fault: one noise for all seeds, and its overlap with the direct sound stays."""
    arrivals, histogram = paths([0.00875], np.full(8, 0.11)), late(0.3, 0.2, start_s=0.009)
    one = impulse_response(arrivals, histogram, Bands(), 44_100, AHEAD, seed=1)
    assert np.any(np.abs(band_energy(one, 44_100, Bands()) - 0.31) > 0.31 * 0.023)


@pytest.mark.parametrize(("apart_s", "level_db"), [(0.0, 3.0103), (0.5, 0.0)])
def test_paths_that_arrive_together_add_as_pressures(apart_s, level_db):
    """Truth: two equal paths at one time are one of twice the pressure, 3 dB above the sum
    of their energies; far apart they are the sum. Tolerance: the stated 0.1 dB."""
    arrivals = paths([0.01, 0.01 + apart_s], np.full((2, 8), 0.1))
    response = impulse_response(arrivals, silent(), Bands(), 48_000, AHEAD)
    assert np.all(np.abs(off_db(response, 48_000, Bands(), 0.2) - level_db) < STATED_DB)


def test_noise_is_the_same_in_every_layout():
    """Truth: it depends on seed, source and receiver alone. A longer draw begins with the
    shorter one; halving the late energy halves the response and changes nothing else."""
    short = late_arrivals(10_000, 48_000, 3, (1, 0, 0))
    longer = late_arrivals(30_000, 48_000, 3, (1, 0, 0))
    assert np.array_equal(short, longer[:, :10_000])
    assert not np.array_equal(short, late_arrivals(10_000, 48_000, 3, (1, 0, 1)))
    histogram = late(0.3, start_s=0.01)
    one = impulse_response(nothing(), histogram, Bands(), 48_000, AHEAD)
    half = impulse_response(
        nothing(), isotropic(0.25 * histogram.energy), Bands(), 48_000, AHEAD
    )
    assert half == pytest.approx(0.5 * one, abs=1e-12)
    again = impulse_response(nothing(), histogram, Bands(), 48_000, AHEAD)
    assert np.array_equal(one, again)


def test_arrivals_grow_dense():
    """Truth: energy 1 per sample at all times in the mean; two in a millisecond at first, one
    in two samples late (Schroeder's 4 pi c^3 t^2 / V in between)."""
    noise = late_arrivals(48_000, 48_000, 8, (1, 0, 0))
    there = (noise[0] != 0.0).reshape(-1, 480).sum(axis=1)
    assert there[0] == pytest.approx(20, abs=1)
    assert there[10:] == pytest.approx(240, abs=30)  # two in one sample count once
    assert np.all(np.abs(noise[:, :480]).sum(axis=1) > 0.0)
    energy = (noise**2).reshape(8, 10, -1).mean(axis=(0, 2))
    assert energy == pytest.approx(1.0, abs=4.0 / np.sqrt(8 * 2400))


def test_tail_ends_without_a_step():
    """Truth: a decay cut at -30 dB fades: its last sample is below 1e-3 of the level 30 ms
    earlier, and nothing comes before the sound."""
    histogram = late(0.4, start_s=0.02, end_s=0.2)
    response = impulse_response(nothing(), histogram, Bands(), 48_000, AHEAD)
    level = np.sqrt(np.mean(response[-1920:-1440] ** 2))
    assert np.abs(response[-4:]).max() < 1e-2 * level
    # Low bands set in over their own smear, 34 ms at 63 Hz; from 1 kHz on, within 1.1 ms.
    before = split_bands(response, 48_000, Bands())[4:, : int(0.019 * 48_000)]
    assert np.all(
        (before**2).sum(axis=1)
        < 1e-3 * (split_bands(response, 48_000, Bands())[4:] ** 2).sum(axis=1)
    )
    assert not response[: int(0.003 * 48_000)].any()


def test_microphone_turns_the_sign():
    """Truth: a figure-of-eight hears from behind with the other sign, and not from the side."""
    for direction, peak in (([1, 0, 0], 1.0), ([-1, 0, 0], -1.0), ([0, 1, 0], 0.0)):
        one = paths([0.01], np.ones(8), direction=[direction])
        response = impulse_response(one, silent(), Bands(), 48_000, AHEAD, pattern=0.0)
        assert response[480] == pytest.approx(peak, abs=1e-6)
    cardioid = impulse_response(nothing(), late(0.3), Bands(), 48_000, AHEAD, pattern=0.5)
    assert np.all(np.abs(off_db(cardioid, 48_000, Bands(), 1 / 3)) < STATED_DB)


def test_measures_of_the_file_are_those_of_the_histogram(tmp_path):
    """Truth: the pair's own measures. Tolerance: four times the chance of one response, ISO
    3382-2:2008 clause 7 for T; for D50, of B x 50 ms independent values, four in a hundred."""
    t60_s = np.linspace(0.6, 0.35, 8)
    arrivals, histogram = (
        paths([0.005], np.full(8, 0.02)),
        late(t60_s, start_s=0.005, end_s=1.2),
    )
    pair = measure_pair(arrivals, histogram, Bands(), AHEAD)
    write_wav(
        tmp_path / "a.wav",
        impulse_response(arrivals, histogram, Bands(), 48_000, AHEAD),
        48_000,
    )
    sound = read_wav(tmp_path / "a.wav")
    got = measure_recorded(sound.samples, sound.sample_rate_hz)
    assert np.all(np.abs(got.t20_s - pair.t20_s) < 4.0 * got.error["t20_s"])
    assert np.all(np.abs(got.t30_s - pair.t30_s) < 4.0 * got.error["t30_s"])
    assert got.t30_s[4:] == pytest.approx(pair.t30_s[4:], rel=0.05)
    assert got.d50[4:] == pytest.approx(pair.d50[4:], abs=0.04)
    assert got.sti == pytest.approx(pair.sti, abs=0.02)


def test_measures_of_the_file_can_fail():
    """Planted fault: a response of a room with a fifth more decay time."""
    histogram = late(0.4, start_s=0.005, end_s=1.2)
    pair = measure_pair(nothing(), histogram, Bands(), AHEAD)
    other = impulse_response(
        nothing(), late(0.48, start_s=0.005, end_s=1.2), Bands(), 48_000, AHEAD
    )
    got = measure_recorded(other, 48_000)
    assert not np.all(np.abs(got.t30_s - pair.t30_s) < 4.0 * got.error["t30_s"])


def test_scale_is_in_the_file(tmp_path):
    """Truth: what is written is what is read, to float32, and the comment states the scale."""
    response = impulse_response(
        paths([0.01], np.full(8, 4.0)), silent(), Bands(), 48_000, AHEAD
    )
    write_wav(tmp_path / "a.wav", response, 48_000, "Layout: as it is.")
    sound = read_wav(tmp_path / "a.wav")
    assert sound.sample_rate_hz == 48_000
    assert sound.samples == pytest.approx(response, abs=2.0 * 2.0**-24)
    assert sound.samples.max() > 1.9  # above full scale of an integer file
    assert "1.0 is the peak pressure" in sound.comment
    assert sound.comment.endswith("Layout: as it is.")
    assert [p.name for p in tmp_path.iterdir()] == ["a.wav"]
