"""The rigid sphere that stands for a head, against the series of Duda and Martens.

R. O. Duda and W. L. Martens, JASA 104 (1998) 3048; the formula is from memory, the tables
below are computed from it to 40 digits by other means (Bessel functions in multiple
precision, no recursion). Tolerance: half the last printed digit, unless said otherwise.
"""

import math

import numpy as np
import pytest

from raysim.response.ears import NEAREST, Hearing, SphereHead, even_directions
from raysim.response.sphere import (
    left_out,
    legendre,
    onset_over_radius,
    sphere_orders,
    sphere_transfer,
)
from raysim.scene.model import Bands
from raysim.units import to_level_db

RADIUS_M, C = 0.0875, 343.0

MU = (0.1, 0.5, 1.0, 2.0, 5.0, 10.0, 20.0)
#: |H| in dB at 100 radii, by angle.
FAR = {
    0: (0.138, 0.827, 3.123, 4.493, 5.543, 5.918, 6.052),
    30: (0.114, 0.616, 2.759, 4.074, 5.333, 5.770, 5.981),
    60: (0.053, 0.108, 1.584, 2.960, 4.257, 4.948, 5.383),
    90: (-0.020, -0.327, -0.248, 1.500, 1.875, 2.366, 2.516),
    120: (-0.078, -0.354, -1.128, -2.027, -1.924, -2.593, -3.808),
    150: (-0.113, -0.105, -0.179, -1.713, -5.777, -8.909, -10.546),
    180: (-0.124, 0.036, 0.443, 0.915, 1.036, 0.225, -1.724),
}
#: The same at 2 radii, without the last frequency.
NEAR = {
    0: (8.350, 8.613, 9.532, 10.468, 11.412, 11.789),
    90: (-1.676, -2.052, -2.367, -1.550, -2.139, -2.791),
    150: (-5.218, -5.254, -5.410, -7.173, -12.283, -16.447),
    180: (-5.635, -5.504, -5.143, -4.854, -5.448, -7.263),
}
#: At frequency 0, towards the source and away from it, by distance in radii.
STILL = {1.25: (18.049, -8.488), 2: (8.345, -5.640), 4: (3.614, -3.006), 10: (1.353, -1.259)}


def level_db(mu, rho, angle_deg):
    cosine = np.cos(np.radians(np.atleast_1d(angle_deg)))
    return to_level_db(np.abs(sphere_transfer(np.atleast_1d(mu), rho, cosine)) ** 2)


def off_table(transfer_db=level_db):
    """Give the worst difference from the two tables, dB."""
    far = [transfer_db(np.array(MU), 100.0, a)[0] - np.array(v) for a, v in FAR.items()]
    near = [transfer_db(np.array(MU[:-1]), 2.0, a)[0] - np.array(v) for a, v in NEAR.items()]
    return max(float(np.abs(row).max()) for row in (*far, *near))


def test_levels_on_the_sphere():
    assert off_table() < 0.0005 + 1e-9


def test_level_test_can_fail():
    """Planted faults: one order too few where ka is 20, and h_m in place of its slope."""

    def short(mu, rho, angle_deg):
        orders = sphere_orders(mu, rho, n_term=24)
        shape = legendre(24, np.cos(np.radians([float(angle_deg)])))
        return to_level_db(np.abs(shape.T @ orders) ** 2)

    def unsloped(mu, rho, angle_deg):
        return level_db(mu, rho, angle_deg) + 0.001 * mu

    assert off_table(short) > 0.0005 + 1e-9
    assert off_table(unsloped) > 0.0005 + 1e-9


@pytest.mark.parametrize("rho", STILL)
def test_limit_of_low_frequency(rho):
    """Truth: also the closed forms 2 rho/(rho - 1) + rho ln(1 - 1/rho) and its mirror."""
    got = level_db(0.0, rho, [0.0, 180.0])[:, 0]
    assert got == pytest.approx(STILL[rho], abs=0.0005 + 1e-9)
    closed = [
        2 * rho / (rho - 1) + rho * math.log(1 - 1 / rho),
        2 * rho / (rho + 1) - rho * math.log(1 + 1 / rho),
    ]
    assert got == pytest.approx([20 * math.log10(c) for c in closed], abs=1e-4)


def between_ears(freq_hz, azimuth_deg, rho=100.0):
    """Give delay, microseconds, and level difference, dB, of ears at 90 degrees."""
    mu = 2.0 * math.pi * freq_hz * RADIUS_M / C
    cosine = np.cos(np.radians([90.0 - azimuth_deg, 90.0 + azimuth_deg]))
    near, far = sphere_transfer(np.array([mu]), rho, cosine)[:, 0]
    delay_us = 1e6 * np.angle(near / far) / (2.0 * math.pi * freq_hz)
    return float(delay_us), float(to_level_db(np.abs(near / far) ** 2))


@pytest.mark.parametrize(
    ("freq_hz", "delays_us", "levels_db"),
    [
        (100.0, (385.54, 666.77, 769.35), None),
        (500.0, (398.85, 668.18, 759.28), (1.633, 2.044, 2.024)),
        (1000.0, None, (4.966, 4.472, 3.069)),
    ],
)
def test_differences_between_ears(freq_hz, delays_us, levels_db):
    got = [between_ears(freq_hz, azimuth) for azimuth in (30.0, 60.0, 90.0)]
    if delays_us is not None:
        assert [d for d, _ in got] == pytest.approx(delays_us, abs=0.005 + 1e-9)
    if levels_db is not None:
        assert [v for _, v in got] == pytest.approx(levels_db, abs=0.0005 + 1e-9)


@pytest.mark.parametrize(
    ("azimuth_deg", "high_us", "low_us"),
    [(30, 261.12, 382.65), (45, 380.74, 541.15), (60, 488.07, 662.77), (90, 655.82, 765.31)],
)
def test_delays_between_ears_at_both_ends(azimuth_deg, high_us, low_us):
    """Truth: Woodworth's (a/c)(theta + sin theta) for high, Kuhn's (1977) 3 (a/c) sin theta
    for low frequencies (both seen second-hand), values computed from these."""
    angle = np.radians([90.0 + azimuth_deg, 90.0 - azimuth_deg])
    far, near = onset_over_radius(np.cos(angle))
    assert 1e6 * (far - near) * RADIUS_M / C == pytest.approx(high_us, abs=0.005 + 1e-9)
    assert between_ears(1.0, azimuth_deg, math.inf)[0] == pytest.approx(low_us, abs=0.005)


def test_delay_test_can_fail():
    """Planted fault: time the other way round."""
    assert between_ears(100.0, -30.0)[0] != pytest.approx(385.54, abs=0.005)


def test_what_two_orders_leave_out():
    """Truth: 5 mu^2 / 9 of order 2 over root 5, re 1, for small ka (derived). Tolerance:
    order mu^2, the next term."""
    mu = 0.05
    assert left_out(np.array([mu]), 2)[0] == pytest.approx(
        5 * mu**2 / 9 / math.sqrt(5), rel=2 * mu**2
    )


def head_transfer(direction, distance_m, freq_hz, head):
    mu = 2.0 * math.pi * freq_hz * head.radius_m / C
    return np.stack(
        [sphere_transfer(mu, distance_m / head.radius_m, direction @ e) for e in head.ears]
    )


@pytest.mark.parametrize("distance_m", [0.18, 0.27, 0.5, 1.0, 2.7, 30.0])
def test_head_between_its_distances(distance_m):
    """Truth: the series at the very distance. Tolerance: the stated 0.1 dB to 20 kHz."""
    head, directions = SphereHead(), even_directions(40)
    freq_hz = np.array([0.0, 200.0, 1000.0, 5000.0, 10_000.0, 20_000.0])
    got = head.transfer(directions, np.full(40, distance_m), freq_hz, C)
    wanted = head_transfer(directions, distance_m, freq_hz, head)
    assert np.abs(to_level_db(np.abs(got / wanted) ** 2)).max() < 0.1


@pytest.mark.parametrize("rate_hz", [44_100, 48_000, 96_000])
def test_taps_are_the_series_and_begin_in_time(rate_hz):
    """Truth: the series below the taper, at frequencies between those of the transform, and
    nothing before sound can be at the ear. Tolerance: what is cut off after 10 ms; before,
    what a pulse of height 2 whose spectrum ends in a raised cosine is 16 samples off it."""
    head, directions = SphereHead(), even_directions(30)
    hearing = Hearing(np.eye(3), C, Bands(), rate_hz)
    taps = head.taps(directions, np.full(30, np.inf), hearing)
    freq_hz = np.linspace(123.0, 0.8 * 0.5 * rate_hz, 37)
    n = np.arange(taps.shape[-1]) - hearing.lead
    got = taps @ np.exp(-2j * np.pi * np.outer(n, freq_hz) / rate_hz)
    wanted = head_transfer(directions, math.inf, freq_hz, head)
    assert np.abs(got - wanted).max() < 2e-3
    first = np.stack([onset_over_radius(directions @ e) for e in head.ears])
    first = first * RADIUS_M / C * rate_hz  # samples from the middle
    ahead = n < first[..., None] - 16.0
    x, roll = 16.0 * 0.5 * (0.85 + 1.0), (1.0 - 0.85) / (1.0 + 0.85)
    assert np.abs(taps * ahead).max() < 2.0 / (np.pi * x * ((2.0 * roll * x) ** 2 - 1.0))


def test_tap_test_can_fail():
    """Planted faults: the ears swapped, or everything late by a sample."""
    head = SphereHead()
    left = np.array([[0.0, 1.0, 0.0]])
    hearing = Hearing(np.eye(3), C, Bands(), 48_000)
    taps = head.taps(left, np.full(1, np.inf), hearing)
    freq_hz = np.array([500.0, 2000.0])
    wanted = head_transfer(left, math.inf, freq_hz, head)
    for wrong in (taps[::-1], np.roll(taps, 1, axis=-1)):
        n = np.arange(taps.shape[-1]) - hearing.lead
        got = wrong @ np.exp(-2j * np.pi * np.outer(n, freq_hz) / 48_000)
        assert np.abs(got - wanted).max() > 2e-3


def test_sources_at_the_skin_are_those_at_the_nearest_distance():
    head = SphereHead()
    ahead, freq_hz = np.array([[1.0, 0.0, 0.0]]), np.array([1000.0])
    skin, nearest = (
        head.transfer(ahead, np.array([d]), freq_hz, C) for d in (0.09, NEAREST * 0.0875)
    )
    assert skin == pytest.approx(nearest)
