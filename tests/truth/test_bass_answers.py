"""What is said of the bass, against rooms in which the answer is known beforehand."""

import math

import numpy as np
import pytest
from basses import (
    RECEIVER,
    SOURCE,
    C,
    cosine_map,
    modes_of,
    no_modes,
    one_wall,
    ringing,
)
from waves import box_mesh, spectrum_at, wave_room

from raysim.absorbers.admittance import Admittance
from raysim.measures.bass import (
    ByMode,
    ByReflection,
    extremes,
    mode_levels_db,
    mode_pressures,
    moved_hz,
    nearest_louder,
    ringing_band_s,
    seat_levels,
    seat_quality,
)
from raysim.propagation import wave
from raysim.propagation.modes import room_modes
from raysim.records import BassResponse
from raysim.units import octave_centres_hz

#: One metre behind the source, on the line from receiver to source.
MIRROR = SOURCE - np.array([2.0, 0.0, 0.0])
#: Half of a forty-eighth of an octave.
HALF_STEP = 2.0 ** (0.5 / 48.0) - 1.0
VOLUME_M3 = 60.0


def named(pair, arrivals, modes, surfaces=("rear wall", "ceiling")):
    """Give dips and peaks."""
    return extremes(
        seat_levels(pair), pair, arrivals, surfaces, (SOURCE, RECEIVER), modes, (0, 0),
        VOLUME_M3, C, octave_centres_hz(),
    )  # fmt: skip


class TestLevels:
    def test_free_field(self):
        """Truth: 1/r, -6.02 dB at 2 m at any frequency; a whole number of samples away, so
        that nothing but rounding is left. The last band reaches beyond no edge."""
        p = np.zeros((7, 4000))
        p[:, 12] = 0.5
        levels = seat_levels(
            BassResponse("amp", "mic", 2000.0, 20.0, 500.0, 400.0, p[0], p[1:])
        )
        assert levels.level_db == pytest.approx(-6.0206, abs=1e-4)
        assert levels.range_db < 1e-6

    def test_a_wall_makes_it_uneven(self):
        """Planted fault: a reflection nobody told of."""
        assert seat_levels(one_wall(MIRROR)[0]).range_db > 5.0


class TestOneWall:
    """A wall 1 m behind the source: c/4d = 85.8 Hz, and three times that (c/4d for one
    boundary on axis is common practice; here it follows from the two paths)."""

    def dips(self, **more):
        pair, arrivals = one_wall(MIRROR)
        return [e for e in named(pair, arrivals, no_modes(), **more) if e.is_dip]

    def test_dips_are_at_quarter_waves(self):
        """Truth: 2d is half a wavelength. Tolerance: half a step, and what the mean over a
        twelfth of an octave shifts a lopsided dip, a tenth of that width."""
        dips = self.dips()
        expected = np.array([1.0, 3.0]) * C / 4.0
        assert len(dips) == 2
        found = np.array([e.freq_hz for e in dips])
        assert found == pytest.approx(expected, rel=HALF_STEP + 0.006)
        wrong = np.array([1.0, 3.0]) * C / 4.4  # planted fault: 10 cm further off
        assert found != pytest.approx(wrong, rel=HALF_STEP + 0.006)

    def test_it_is_that_wall(self):
        for dip in self.dips():
            assert isinstance(dip.cause, ByReflection)
            assert dip.cause.surface == "rear wall"
            assert dip.cause.later_m == pytest.approx(2.0, abs=1e-9)
            assert dip.cause.source_off_m == pytest.approx(1.0, abs=1e-9)
            assert dip.cause.receiver_off_m == pytest.approx(3.0, abs=1e-9)

    def test_names_exchanged_are_noticed(self):
        """Planted fault: the table of surfaces is turned round."""
        dips = self.dips(surfaces=("ceiling", "rear wall"))
        assert {e.cause.surface for e in dips} == {"ceiling"}

    def test_depth_alone(self):
        """Truth: 1 - 0.9 * 2/4 of the direct sound, to the step at which it is read."""
        dip = self.dips()[0]
        exact = -20.0 * math.log(1.0 - 0.45) / math.log(10.0)
        assert dip.cause.alone_db == pytest.approx(exact, abs=0.01)

    @pytest.mark.parametrize(("by_m", "is_source"), [(0.2, True), (-0.2, True)])
    def test_moving_the_source(self, by_m, is_source):
        """Truth: c/4d of the new distance, exact on axis."""
        dip = self.dips()[0]
        moved = moved_hz(dip.cause, C / 4.0, SOURCE, RECEIVER, by_m, is_source)
        assert moved == pytest.approx(C / (4.0 * (1.0 + by_m)), rel=1e-9)
        assert moved != pytest.approx(C / (4.0 * (1.0 - by_m)), rel=1e-2)  # planted fault

    def test_moving_along_the_line_changes_nothing(self):
        """Truth: on axis the receiver's move lengthens both ways alike."""
        dip = self.dips()[0]
        assert moved_hz(dip.cause, 85.8, SOURCE, RECEIVER, 0.2, False) == pytest.approx(85.8)

    def test_what_moves_against_the_wall_is_not_the_wall(self):
        """Planted fault: the same response, said to come by way of a wall at 2 m."""
        pair, _ = one_wall(MIRROR)
        _, arrivals = one_wall(SOURCE - np.array([4.0, 0.0, 0.0]))
        dips = [e for e in named(pair, arrivals, no_modes()) if e.is_dip]
        assert dips[0].cause is None


class TestMode:
    FREQ, DECAY = (50.0, 60.0, 70.0), (0.8, 0.8, 0.8)

    def room(self, middle):
        modes = modes_of(self.FREQ, self.DECAY, [1.0, 1.0, 1.0], [1.2, middle, 1.2])
        pair = ringing(modes, modes.at_receiver[:, 0], VOLUME_M3)
        _, arrivals = one_wall(MIRROR)
        return named(pair, arrivals, modes)

    def test_null_at_the_receiver(self):
        """Truth: between two modes of one sign is a null where the third is missing."""
        dips = [e for e in self.room(0.05) if e.is_dip]
        assert len(dips) == 1
        cause = dips[0].cause
        assert isinstance(cause, ByMode)
        assert cause.index == 1
        assert cause.missing_at == ("receiver",)
        assert dips[0].freq_hz == pytest.approx(60.0, rel=0.06)

    def test_a_mode_that_is_there_is_no_null(self):
        """Planted fault: the middle mode is as strong as its neighbours."""
        assert not any(
            e.is_dip and isinstance(e.cause, ByMode) and e.cause.index == 1
            for e in self.room(1.2)
        )

    def test_peaks_are_modes(self):
        peaks = [e for e in self.room(0.05) if not e.is_dip]
        assert {e.cause.index for e in peaks} <= {0, 2}
        assert peaks

    def test_joined(self):
        """Truth: definition, 20 lg of the product."""
        modes = modes_of(self.FREQ, self.DECAY, [1.0, 0.5, 1.0], [1.0, 0.2, 2.0])
        assert mode_levels_db(modes, (0, 0)) == pytest.approx([0.0, -20.0, 6.0206], abs=1e-4)


class TestAbsolute:
    """One mode alone at its own frequency, against the wave solver."""

    SIDES_M = (3.0, 2.4, 2.0)
    WALL = Admittance.of(0.02)
    AT = np.array([[0.4, 0.5, 0.3], [2.5, 0.6, 1.6]])

    def missed_db(self, factor=1.0):
        mesh = box_mesh(self.SIDES_M)
        sides = [self.WALL] * 6
        modes = room_modes(mesh, sides, (), self.AT[:1], self.AT[1:], C, up_to_hz=150.0)
        freq = modes.freq_hz[:1]
        room = wave_room(mesh, {s.name: self.WALL for s in mesh.surfaces}, 0.1)
        got = wave.run(room, self.AT[0], self.AT[1:], 1.2, 150.0, sample_rate_hz=1000.0)
        heard = spectrum_at(got.p, 2.0 * math.pi * freq, 1e-3)[0, 0]
        places = modes.at_source[:, 0], modes.at_receiver[:, 0]
        said = factor * mode_pressures(modes, places, float(freq[0]), 14.4, C)[0]
        return abs(20.0 * math.log(abs(said) / abs(heard)) / math.log(10.0))

    def test_level_at_a_resonance(self):
        """Tolerance 1.5 dB: all other modes together are 18 dB weaker there."""
        assert self.missed_db() < 1.5

    def test_another_scale_is_noticed(self):
        """Planted fault: pressure re a unit source, without 4 pi."""
        assert self.missed_db(1.0 / (4.0 * math.pi)) > 1.5


class TestRinging:
    def test_published_points(self):
        """As published, both seen second-hand: 0.85 s at 32 Hz and 0.2 s at 100 Hz; 2 s at
        50 Hz and 0.4 s at 100 Hz. The band is never upside down."""
        low, high = ringing_band_s(np.array([32.0, 50.0, 100.0, 200.0]))
        assert low[[0, 2, 3]] == pytest.approx([0.85, 0.2, 0.2], rel=1e-12)
        assert high[1:] == pytest.approx([2.0, 0.4, 0.4], rel=1e-12)
        low, high = ringing_band_s(np.geomspace(20.0, 300.0, 200))
        assert (low < high).all()
        assert not (high < low).any()


class TestMap:
    def test_null_of_the_first_mode_is_at_half_length(self):
        """Truth: cos(pi x/L). The least even column is the middle one, not the quarter."""
        seats = cosine_map()
        worst = int(np.nanmean(seat_quality(seats).range_db[5:], axis=0).argmax())
        assert abs(seats.x_m[worst] - 2.5) < 0.1
        assert abs(seats.x_m[worst] - 1.25) > 0.1
        assert seat_quality(seats).dip_hz[10, worst] == pytest.approx(34.3)

    def test_nearest_louder_place(self):
        """Truth: from x at cos = 0.1 to 0.2, 6 dB, along x alone; step of the map."""
        seats = cosine_map()
        at = np.array([5.0 / math.pi * math.acos(0.1), 2.0, 1.2])
        move = nearest_louder(seats, at, 34.3)
        needed = at[0] - 5.0 / math.pi * math.acos(0.2)
        assert move.gain_db >= 6.0
        assert -move.x_m == pytest.approx(needed, abs=0.11)
        assert abs(move.y_m) < 0.06

    def test_no_louder_place_is_said(self):
        """Planted fault: a map that is even has none; nor has one of another pitch."""
        seats = cosine_map()
        assert nearest_louder(seats, RECEIVER, 70.0) is None
        assert nearest_louder(seats, RECEIVER, 60.0) is None
