"""The plain references of the wave solver, against closed forms and published values."""

import math

import numpy as np
import pytest
from reference import (
    cylinder_modes,
    damped_box,
    finite_elements,
    half_plane,
    impedance_tube,
    prism_modes,
    ringing,
)

C = 343.0


def decibels(ratio):
    return 20.0 * math.log(abs(ratio)) / math.log(10.0)


class TestDampedBox:
    def test_axial_mode_between_two_resistive_walls_is_a_plain_echo(self):
        """Exact: one round trip multiplies pressure by R0 R1, so rate = -c ln(R0 R1)/2L."""
        b0, b1 = 0.2, 0.05
        walls = [lambda _: b0, lambda _: b1] + [lambda _: 0.0] * 4
        freq_hz, rate = damped_box.resonance((3, 0, 0), (5.0, 4.0, 3.0), walls, C)
        round_trip = (1 - b0) * (1 - b1) / ((1 + b0) * (1 + b1))
        assert freq_hz == pytest.approx(3 * C / 10.0, rel=1e-9)
        assert rate == pytest.approx(-C * math.log(round_trip) / 10.0, rel=1e-9)

    @pytest.mark.parametrize("orders", [(1, 0, 0), (1, 1, 0), (2, 1, 1), (0, 3, 1)])
    def test_little_damping_is_a_sum_over_walls(self, orders):
        """rate = c/2 sum over axes of e_n (b0 + b1)/L, e_n 1 for n = 0 and 2 otherwise.

        Kuttruff, Room Acoustics, small admittance (from memory); what is left out goes
        as the square: 1e-5 of walls of 1e-5.
        """
        sides = (5.0, 4.0, 3.0)
        b = 1e-5 * np.array([1.0, 2.0, 3.0, 4.0, 5.0, 6.0])
        _, rate = damped_box.resonance(orders, sides, [lambda _, x=x: x for x in b], C)
        expected = C / 2.0 * sum(
            (2.0 if n else 1.0) * (b[2 * i] + b[2 * i + 1]) / sides[i]
            for i, n in enumerate(orders)
        )  # fmt: skip
        assert rate == pytest.approx(expected, rel=1e-4)

    def test_springy_wall_lowers_a_mode_as_a_longer_room_does(self):
        """A wall of admittance jw d/c is a layer of air of depth d, to second order in k d."""
        depth = 0.01
        walls = [lambda _: 0.0, lambda jw: jw * depth / C] + [lambda _: 0.0] * 4
        freq_hz, rate = damped_box.resonance((1, 0, 0), (5.0, 4.0, 3.0), walls, C)
        assert freq_hz == pytest.approx(C / 2.0 / (5.0 + depth), rel=1e-6)
        assert abs(rate) < 1e-9

    def test_wrong_sign_is_noticed(self):
        """Planted fault: a wall that gives out what it should take."""
        walls = [lambda _: -0.05] * 6
        assert damped_box.resonance((1, 0, 0), (5.0, 4.0, 3.0), walls, C)[1] < 0.0


class TestTube:
    #: Computed from Miki's published formula at c = 343.2 m/s, 125, 250 and 500 Hz, all
    #: with 10 kPa s/m2: (thickness, gap), alpha at normal incidence.
    LAYERS = (
        ((0.05, 0.0), (0.0642, 0.1900, 0.4835)),
        ((0.1, 0.0), (0.2604, 0.6198, 0.9367)),
        ((0.05, 0.1), (0.3307, 0.7528, 0.9971)),
    )

    @pytest.mark.parametrize(("layer", "alphas"), LAYERS)
    def test_layers(self, layer, alphas):
        """To half the last printed digit."""
        freq_hz = np.array([125.0, 250.0, 500.0])
        impedance = impedance_tube.porous_layer(1e4, *layer, freq_hz, 343.2)
        assert impedance_tube.alpha(1.0 / impedance) == pytest.approx(
            np.array(alphas), abs=5e-5
        )

    def test_two_microphones_give_back_a_reflection(self):
        k, factor = 7.0, 0.3 - 0.6j
        far, near = (np.exp(1j * k * s) + factor * np.exp(-1j * k * s) for s in (0.4, 0.25))
        found = impedance_tube.reflection_from_two(far, near, 0.4, 0.25, k)
        assert found == pytest.approx(factor, rel=1e-12)
        swapped = impedance_tube.reflection_from_two(near, far, 0.4, 0.25, k)
        assert abs(swapped - factor) > 0.1  # planted fault: the microphones exchanged

    def test_oblique_incidence_on_a_resistive_plane(self):
        """Exact: all is taken where the cosine equals the admittance."""
        assert impedance_tube.alpha(0.5, 0.5) == 1.0
        assert impedance_tube.alpha(0.5, 1.0) == pytest.approx(8.0 / 9.0, rel=1e-12)


class TestHalfPlane:
    #: f, (r, angle), (r, angle), dz, pressure (time e^(-iwt)) and insertion loss in dB;
    #: computed by an independent solution in time (Biot and Tolstoy; Medwin) to 1e-14.
    SPOTS = (
        (500.0, (1.0, 60.0), (1.5, 300.0), 0.0, 0.000163869 - 0.098521582j, 13.36242),
        (1000.0, (2.0, 70.0), (1.0, 280.0), 0.7, 0.073986688 + 0.039746494j, 11.99554),
        (250.0, (2.0, 60.0), (2.0, 200.0), 0.0, -0.040412674 - 0.259486384j, 0.11271),
        (1000.0, (1.0, 45.0), (1.0, 100.0), 0.3, 0.010372478 - 1.271043477j, -1.82791),
    )

    @pytest.mark.parametrize("spot", SPOTS)
    def test_spots(self, spot):
        """To half the last printed digit."""
        freq_hz, source, receiver, dz_m, pressure, loss_db = spot
        found = half_plane.pressure(freq_hz, source, receiver, dz_m)
        assert found == pytest.approx(pressure, abs=1e-9)
        free = half_plane.free(freq_hz, source, receiver, dz_m)
        assert -decibels(found / free) == pytest.approx(loss_db, abs=5e-6)

    @pytest.mark.parametrize(
        ("fresnel", "loss_db"),
        [
            (0.0, 5.442),
            (0.1, 8.766),
            (0.5, 12.255),
            (1.0, 14.339),
            (3.0, 18.218),
            (10.0, 24.580),
        ],
    )
    def test_screen_by_fresnel_number(self, fresnel, loss_db):
        """1 kHz, 2 m to the edge on either side; values computed elsewhere, same formula."""
        delta = math.degrees(math.acos(1.0 - fresnel * 0.343 / 8.0))
        source, receiver = (2.0, 90.0 - delta), (2.0, 270.0 + delta)
        found = half_plane.pressure(1000.0, source, receiver, 0.0)
        loss = -decibels(found / half_plane.free(1000.0, source, receiver, 0.0))
        assert loss == pytest.approx(loss_db, abs=0.0006)

    def test_both_faces_are_rigid(self):
        """The slope across either face vanishes, and only there (planted fault: in air)."""

        def slope(angle):
            a, b = (half_plane.pressure(400.0, (1.0, 50.0), (1.2, x), 0.2)
                    for x in (angle, angle + 0.01))  # fmt: skip
            return abs(b - a)

        assert slope(0.0) < 1e-3 * slope(20.0)
        assert slope(359.99) < 1e-3 * slope(300.0)


class TestShapes:
    def test_prism_holds_half_the_modes_of_the_square(self):
        """(1,0), (1,1), (2,0) of a square of 4 m; never (0,1) twice."""
        found = prism_modes.frequencies_hz(4.0, 0.5, C, 90.0)
        assert found == pytest.approx([C / 8, C / 8 * math.sqrt(2), C / 4], rel=1e-12)

    def test_prism_count_follows_volume_and_surface(self):
        """Weyl's terms of volume and surface; the edges are worth the few that remain."""
        found = prism_modes.frequencies_hz(5.0, 3.0, C, 600.0)
        volume, surface = 37.5, 25.0 + 3.0 * (10.0 + 5.0 * math.sqrt(2.0))
        ratio = 600.0 / C
        weyl = 4 * math.pi / 3 * volume * ratio**3 + math.pi / 4 * surface * ratio**2
        assert 0.0 < len(found) - weyl < 0.05 * weyl

    def test_cylinder(self):
        """Handbook zeros 1.84118 (twice), 3.05424 (twice), 3.83171 (from memory)."""
        found = cylinder_modes.frequencies_hz(2.0, 0.5, C, 110.0)
        ka = np.array(found) * 2.0 * math.pi / C * 2.0
        expected = [1.84118, 1.84118, 3.05424, 3.05424, 3.83171]
        assert ka[:5] == pytest.approx(expected, abs=5e-6)


class TestFiniteElements:
    @staticmethod
    def box(sides, cuts):
        corners = np.stack(np.meshgrid(*([0.0, s] for s in sides), indexing="ij"), axis=-1)
        return finite_elements.block(corners, cuts)

    def test_box(self):
        """Errors of order h^4: within 2e-4, and near a sixteenth with half the size."""
        sides = (5.0, 4.0, 3.0)
        orders = ((1, 0, 0), (0, 1, 0), (1, 1, 0), (0, 0, 1), (1, 0, 1), (2, 0, 0))
        exact = np.array([C / 2 * math.hypot(*(n / s for n, s in zip(o, sides, strict=True)))
                          for o in orders])  # fmt: skip
        error = [
            finite_elements.frequencies_hz([self.box(sides, cuts)], C, 6) / exact - 1.0
            for cuts in ((3, 3, 2), (6, 6, 4))
        ]
        assert (error[1] > 0.0).all()
        assert error[1].max() < 2e-3
        order = np.log2(error[0] / error[1])
        assert ((order > 3.3) & (order < 4.7)).all()

    def test_prism(self):
        """Half a box is a prism, whose resonances are known in closed form."""
        room = finite_elements.half(self.box((4.0, 4.0, 2.0), (8, 8, 4)))
        found = finite_elements.frequencies_hz([room], C, 8)
        exact = prism_modes.frequencies_hz(4.0, 2.0, C, 200.0)[:8]
        assert found == pytest.approx(exact, rel=2e-3)
        wrong = prism_modes.frequencies_hz(4.1, 2.0, C, 200.0)[:8]
        assert found != pytest.approx(wrong, rel=2e-3)  # planted fault: another room

    def test_blocks_share_their_faces(self):
        """A box in two blocks is the box: an L or an attic is joined no otherwise."""
        left, right = self.box((2.0, 4.0, 3.0), (2, 4, 3)), self.box((3.0, 4.0, 3.0), (3, 4, 3))
        joined = finite_elements.frequencies_hz(
            [left, right.translated((2.0, 0.0, 0.0))], C, 6
        )  # fmt: skip
        whole = finite_elements.frequencies_hz([self.box((5.0, 4.0, 3.0), (5, 4, 3))], C, 6)
        assert joined == pytest.approx(whole, rel=1e-9)
        apart = finite_elements.frequencies_hz([left, right.translated((2.1, 0.0, 0.0))], C, 6)
        assert apart != pytest.approx(whole, rel=1e-2)  # planted fault: a gap between them


class TestRinging:
    #: Hz and 1/s: two of them closer than a spectrum of the half second could part.
    TRUTH = np.array([(34.3, 1.2), (42.9, 4.0), (43.6, 6.0), (80.9, 9.0)])

    @classmethod
    def sound(cls):
        t = np.arange(2000) / 4000.0
        phase = np.array([[0.0, 1.0, 2.0, 0.5], [1.5, 0.2, 0.9, 2.2]])
        turns = 2.0 * math.pi * cls.TRUTH[:, 0, None] * t + phase[..., None]
        return (np.exp(-cls.TRUTH[:, 1, None] * t) * np.cos(turns)).sum(axis=1)

    def test_damped_sines_are_found(self):
        found = ringing.resonances(self.sound(), 4000.0, 100.0, 12)
        for freq_hz, rate in self.TRUTH:
            assert ringing.nearest(found, freq_hz) == pytest.approx([freq_hz, rate], rel=1e-4)

    def test_too_low_a_rank_is_noticed(self):
        """Planted fault: four sines cannot be had from a rank of four."""
        found = ringing.resonances(self.sound(), 4000.0, 100.0, 4)
        assert len(found) < 4
