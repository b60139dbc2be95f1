"""Wave part and paths joined at the crossover, and what source and microphone make of it.

Truths are known responses, plane waves and image sources in a hard box: closed forms.
"""

from dataclasses import replace
from itertools import product

import numpy as np
import pytest
from records import arrivals as many_arrivals
from waves import C, box_mesh

from raysim.absorbers.admittance import RIGID
from raysim.propagation import wave
from raysim.propagation.near_source import near_error
from raysim.propagation.wave_pulse import band_filter, pulse, spectrum_at
from raysim.records import AROUND_M, Arrivals, BassResponse
from raysim.response.join import BassEar, bass_part, join, lower_share
from raysim.scene.model import Bands
from raysim.units import to_level_db

LOW_HZ, HIGH_HZ, SPLIT_HZ = 10.0, 450.0, 360.0
LOW_RATE_HZ, RATE_HZ, N = 2000, 48_000, 1600
AX = np.array([1.0, 0.0, 0.0])


def only_direct(distance_m, direction=AX, gain=1.0):
    """Give the direct sound alone, of a source that sends ``gain`` of its axis' energy here."""
    one = np.array([[*direction]], dtype=np.float64)
    energy = np.full((1, 8), gain / distance_m**2)
    return Arrivals(
        np.array([distance_m / C]), np.array([distance_m]), np.array([0]), one, -one,
        np.full((1, 1), -1), energy, np.full((1, 1), np.nan),
    )  # fmt: skip


def no_direct():
    """Give paths without any direct sound."""
    every = many_arrivals(np.random.default_rng(1))
    names = Arrivals.__dataclass_fields__
    return Arrivals(**{n: getattr(every, n)[:0] for n in names})


def ear(paths, mean_gain=1.0, aim=AX, pattern=1.0):
    return BassEar(paths, Bands(), np.full(8, mean_gain), C, aim, pattern)


def spectrum(times_s, sizes, freq_hz):
    return np.exp(-2j * np.pi * freq_hz[:, None] * np.asarray(times_s)) @ np.asarray(sizes)


def low_part(times_s, sizes):
    """Give pulses as the wave solver gives them: its band, its rate."""
    n = 4 * N
    freq_hz = np.fft.rfftfreq(n, 1.0 / LOW_RATE_HZ)
    kept = band_filter(freq_hz, LOW_HZ, HIGH_HZ) * spectrum(times_s, sizes, freq_hz)
    return np.fft.irfft(kept, n)[:N]


def response(p, around=None):
    around = np.full((6, N), np.nan) if around is None else around
    return BassResponse("s", "r", LOW_RATE_HZ, LOW_HZ, HIGH_HZ, SPLIT_HZ, p, around)


#: Direct sound at 0.2 m and five reflections.
TIMES_S = np.array([0.2 / C, 0.03, 0.0331, 0.0422, 0.06, 0.081])
SIZES = np.array([1.0 / 0.2, 0.5, 0.4, -0.3, 0.25, 0.2])


def joined_error(low_sizes, low_times=TIMES_S, paths=None):
    """Join both sides of the pulses; give the worst error of the spectrum from 40 Hz on."""
    n = RATE_HZ
    freq_hz = np.fft.rfftfreq(n, 1.0 / RATE_HZ)
    # band-limited pulses between samples, far below half the rate
    early = np.fft.irfft(spectrum(TIMES_S, SIZES, freq_hz) * (freq_hz < 20e3), n)
    both = join(
        response(low_part(low_times, low_sizes)),
        ear(only_direct(0.2) if paths is None else paths),
        early, np.zeros(1), RATE_HZ,
    )  # fmt: skip
    got = np.fft.rfft(both.impulse, n)
    used = (freq_hz > 40.0) & (freq_hz < 2000.0)
    filtered = band_filter(freq_hz, LOW_HZ, 1e5)
    share = lower_share(freq_hz, SPLIT_HZ)
    wanted = spectrum(TIMES_S, SIZES, freq_hz) * (share * filtered + 1.0 - share)
    return float(np.abs(got - wanted)[used].max()), both.mismatch_db


class TestTwoHalves:
    #: The lower end of the wave part turns the phase by 2.61 low/split where the sides meet.
    #: Half of what that leaves lies before the emission and is cut off, of a pulse that comes
    #: at once.
    BOUND = 0.5 * 2.61 * LOW_HZ / SPLIT_HZ * SIZES.max()

    def test_give_the_whole_back(self):
        """Amplitudes of the two sides add to one, so a known response comes back."""
        error, mismatch_db = joined_error(SIZES)
        assert error < self.BOUND
        assert abs(mismatch_db) < 0.02

    def test_what_the_band_spreads_to_before_emission_must_be_seen_to(self):
        """Planted fault: the direct sound is not told, and its spread is cut off."""
        assert joined_error(SIZES, paths=no_direct())[0] > self.BOUND

    def test_a_wrong_level_or_delay_is_noticed(self):
        """Planted faults: the wave part 0.5 dB too loud, or late by 0.1 ms."""
        error, mismatch_db = joined_error(1.06 * SIZES)
        assert error > self.BOUND
        assert mismatch_db == pytest.approx(20.0 * np.log10(1.06), abs=0.1)
        assert joined_error(SIZES, TIMES_S + 1e-4)[0] > self.BOUND

    def test_noise_keeps_its_energy(self):
        """Noise on both sides that has nothing in common: energies add to one.

        3 sigma of 60 degrees of freedom in the crossover's half octave over 0.6 s.
        """
        rng = np.random.default_rng(3)
        n = 2 * RATE_HZ
        freq_hz = np.fft.rfftfreq(n, 1.0 / RATE_HZ)
        white = rng.standard_normal((2, int(0.6 * RATE_HZ)))
        wave_hz = np.fft.rfftfreq(4 * N, 1.0 / LOW_RATE_HZ)
        low = np.fft.rfft(white[0], 4 * N * RATE_HZ // LOW_RATE_HZ)[: wave_hz.size]
        low *= band_filter(wave_hz, LOW_HZ, HIGH_HZ)
        p = np.fft.irfft(low, 4 * N)[:N]
        both = join(response(p), ear(no_direct()), np.zeros(1), white[1], RATE_HZ).impulse
        power = np.abs(np.fft.rfft(both, n)) ** 2
        meets = (freq_hz > SPLIT_HZ * 2**-0.15) & (freq_hz < SPLIT_HZ * 2**0.15)
        above = (freq_hz > 600.0) & (freq_hz < 1200.0)
        level_db = float(to_level_db(power[meets].mean() / power[above].mean()))
        spread_db = 3.0 * 4.34 / np.sqrt(0.6 * SPLIT_HZ * 0.21)
        assert abs(level_db) < spread_db


class TestSource:
    def test_room_gets_the_mean_of_directions_and_direct_its_own(self):
        """A source of mean gain 1/4 that sends 0.81 this way: each part as told."""
        p = low_part(TIMES_S, SIZES)
        got = bass_part(response(p), ear(only_direct(0.2, gain=0.81), mean_gain=0.25))
        wanted = low_part(TIMES_S, np.concatenate([[0.9], np.full(5, 0.5)]) * SIZES)
        assert np.abs(got - wanted)[: int(0.8 * N)].max() < 2e-3 * np.abs(p).max()

    def test_a_hidden_source_has_only_the_mean(self):
        p = low_part(TIMES_S, SIZES)
        got = bass_part(response(p), ear(no_direct(), mean_gain=0.25))
        assert np.abs(got - 0.5 * p)[: int(0.8 * N)].max() < 1e-6


def plane_wave(direction, at_s=0.05):
    """Give the seven responses to a plane wave from a direction."""
    points = np.array([(0.0, 0.0, 0.0), *AROUND_M])
    p = np.stack([low_part([at_s - point @ direction / C], [1.0]) for point in points])
    return response(p[0], p[1:])


def pattern_errors(pattern, missing=(), turned=1.0):
    """Give the worst error of a first-order microphone for plane waves, per direction."""
    aim = np.array([0.6, 0.0, 0.8])
    freq_hz = np.fft.rfftfreq(4 * N, 1.0 / LOW_RATE_HZ)
    used = (freq_hz > 30.0) & (freq_hz < SPLIT_HZ)
    errors = []
    for direction in (aim, -aim, AX, np.array([0.0, 1.0, 0.0]), np.array([0.6, 0.64, 0.48])):
        heard = plane_wave(direction)
        heard.around[list(missing)] = np.nan
        taken = bass_part(heard, ear(no_direct(), aim=turned * aim, pattern=pattern))
        ratio = np.fft.rfft(taken, 4 * N)[used] / np.fft.rfft(heard.pressure, 4 * N)[used]
        errors.append(np.abs(ratio - (pattern + (1.0 - pattern) * direction @ aim)).max())
    return np.array(errors)


class TestMicrophone:
    #: A difference over 20 cm is exact along the axes and off by 1 - sinc of 0.1 k across:
    #: 0.07 at the crossover for a figure-of-eight.
    BOUND = 0.075

    @pytest.mark.parametrize("pattern", [0.0, 0.5, 0.75])
    def test_pattern_from_the_gradient(self, pattern):
        assert pattern_errors(pattern).max() < (1.0 - pattern) * self.BOUND + 0.005

    def test_turned_about_is_noticed(self):
        """Planted fault: the axis points the other way."""
        assert pattern_errors(0.5, turned=-1.0).max() > 0.5

    def test_one_side_without_air(self):
        """One difference of 10 cm is half a step aside: off by 0.05 k, 0.33 at most."""
        assert pattern_errors(0.5, missing=(0,)).max() < 0.2


class TestNearSource:
    """A hard box, heard at 6 to 30 cm before much comes back: image sources."""

    SIDES_M = np.array([3.03, 2.81, 2.42])
    SOURCE_M = np.array([1.3131, 1.2043, 1.1221])
    DURATION_S = 0.06

    @pytest.fixture(scope="class")
    @classmethod
    def errors(cls):
        self = cls()
        room = wave.wave_room(box_mesh(tuple(self.SIDES_M)), [RIGID] * 6, 0.056, C)
        rng = np.random.default_rng(1)
        way = rng.standard_normal((5, 3))
        away_m = np.array([0.06, 0.1, 0.15, 0.2, 0.3])
        points = self.SOURCE_M + away_m[:, None] * way / np.linalg.norm(way, axis=1)[:, None]
        got = wave.run(
            room, self.SOURCE_M, points, self.DURATION_S, HIGH_HZ, sample_rate_hz=LOW_RATE_HZ
        )
        n = got.p.shape[1]
        off = near_error(room, self.SOURCE_M, points, (got.low_hz, HIGH_HZ), LOW_RATE_HZ, n)
        wanted = self.images(points, n, room.step_s)
        scale = np.abs(wanted).max(axis=1)
        early = slice(0, n // 2)
        raw, right = (
            np.abs(p - wanted)[:, early].max(axis=1) / scale for p in (got.p, got.p - off)
        )
        return raw, right

    def images(self, points, n, step_s):
        """Give the responses of image sources in the band of the solver, cut off as its are."""
        peak_hz = 0.6 * HIGH_HZ
        drive = pulse(peak_hz, step_s)
        middle_s = 0.5 * (drive.size - 1) * step_s
        n_step = int(np.ceil(self.DURATION_S / step_s)) + drive.size // 2
        time_s = step_s * (1.0 + np.arange(n_step)) - middle_s
        heard = np.zeros((len(points), time_s.size))
        for cell in product(range(-7, 8), repeat=3):
            for sign in product((1, -1), repeat=3):
                image = 2 * np.array(cell) * self.SIDES_M + np.array(sign) * self.SOURCE_M
                for i, d in enumerate(np.linalg.norm(points - image, axis=1)):
                    if d < 1.5 * self.DURATION_S * C:
                        a = (np.pi * peak_hz * (time_s - d / C)) ** 2
                        heard[i] += (1.0 - 2.0 * a) * np.exp(-a) / d
        padded = 2 * int(np.ceil(0.625 * n))  # as its are: what wraps round is the same
        freq_hz = np.fft.rfftfreq(padded, 1.0 / LOW_RATE_HZ)
        used = (freq_hz > 0.0) & (freq_hz < 1.25 * HIGH_HZ)
        omega = 2.0 * np.pi * freq_hz[used]
        whole = np.zeros((len(points), freq_hz.size), complex)
        got = spectrum_at(heard, omega, step_s, step_s - middle_s)
        sent = spectrum_at(drive, omega, step_s, -middle_s)
        whole[:, used] = got / sent * band_filter(freq_hz[used], LOW_HZ, HIGH_HZ)
        return np.fft.irfft(whole, padded)[:, :n]

    def test_levels_are_those_of_image_sources(self, errors):
        """Reflections, up to a third of the direct sound here, may be late by 0.2 % of 20 ms.

        At 450 Hz that turns them by 0.11.
        """
        assert errors[1].max() < 0.04

    def test_the_grid_alone_is_off(self, errors):
        """Planted fault: nothing is put right, and a hand's breadth away it shows."""
        assert errors[0].max() > 0.08


def test_without_a_wave_part_nothing_is_heard_below():
    """The lower side takes nothing from paths a quarter of an octave below the crossover."""
    share = lower_share(np.array([0.0, 100.0, 302.0, 360.0, 429.0, 1000.0]), 360.0)
    assert share == pytest.approx([1.0, 1.0, 1.0, 0.5, 0.0, 0.0], abs=1e-3)
    other = replace(response(np.zeros(N)), crossover_hz=200.0)
    early = np.zeros(RATE_HZ)
    early[4800] = 1.0
    got = np.fft.rfft(join(other, ear(no_direct()), early, np.zeros(1), RATE_HZ).impulse)
    # what is cut of the ringing at both ends: (1 / quarter octave / 0.1 s) ** 3 or so
    assert np.abs(got[:160]).max() < 1e-3
    assert np.abs(got[300:2000]) == pytest.approx(1.0, abs=1e-3)
