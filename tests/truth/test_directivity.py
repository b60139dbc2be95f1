"""Directivities: mean energy and levels against closed forms and a rigid sphere's table."""

import numpy as np
import pytest

from raysim.scene.directivity import (
    FIRST_ORDER,
    KNOWN,
    capped_sphere,
    directivity,
    first_order,
    gain,
    mean_gain,
)
from raysim.scene.model import Bands, Directivity
from raysim.units import to_level_db

#: Mean energy over the sphere of p + (1 - p) cos(theta): p^2 + (1 - p)^2 / 3.
MEAN = {
    "omni": 1.0,
    "cardioid": 1.0 / 3.0,
    "figure-of-eight": 1.0 / 3.0,
    "hypercardioid": 1.0 / 4.0,
    "wide cardioid": 0.49 + 0.03,
    "supercardioid": 2.0 - np.sqrt(3.0),
}

#: Straight lines over one degree miss a curve by at most h^2/8 of its bend, which is at
#: most 2 for the energy of these patterns; the floor of -100 dB adds 1e-10.
STEP_ERROR = np.radians(1.0) ** 2 / 8.0 * 2.0 + 1e-10


@pytest.mark.parametrize("name", MEAN)
def test_mean_gain_of_first_order_patterns(name):
    """Truth: closed form. Tolerance: bend of the energy between the table's angles."""
    got = mean_gain(directivity(name, Bands()))
    assert got == pytest.approx(np.full(8, MEAN[name]), abs=STEP_ERROR)


@pytest.mark.parametrize("name", MEAN)
def test_mean_gain_test_can_fail(name):
    """Planted fault: p is off by one hundredth."""
    p = FIRST_ORDER[name] - 0.01
    assert mean_gain(first_order(name, p, Bands())) != pytest.approx(
        np.full(8, MEAN[name]), abs=STEP_ERROR
    )


def test_supercardioid_has_the_greatest_front_to_back_ratio():
    """Truth: the definition; energy of the front half over that of the back half."""

    def ratio(p):
        q = 1.0 - p
        front, back = (p * p + s * p * q + q * q / 3.0 for s in (1.0, -1.0))
        return front / back

    best = FIRST_ORDER["supercardioid"]
    assert ratio(best) > ratio(best + 1e-4)
    assert ratio(best) > ratio(best - 1e-4)


def test_gain_is_the_pattern_between_the_tables_angles():
    angle = np.array([0.0, 33.3, 90.0, 120.5, 180.0])
    pattern = 0.25 + 0.75 * np.cos(np.radians(angle))
    got = gain(directivity("hypercardioid", Bands(3)), angle)
    assert got == pytest.approx(np.tile(pattern**2, (24, 1)), abs=STEP_ERROR)


def test_mean_gain_is_the_mean_of_gain():
    """Truth: a sum over many directions spread evenly. Tolerance: order of midpoints."""
    level_db = np.array([[0.0, -3.0, -20.0, -7.0]] * 8)
    coarse = Directivity("coarse", level_db, "test")
    cosine = (np.arange(200_000) + 0.5) / 100_000.0 - 1.0
    mean = gain(coarse, np.degrees(np.arccos(cosine))).mean(axis=1)
    assert mean_gain(coarse) == pytest.approx(mean, abs=1e-6)


#: Level in dB on a rigid sphere from a source 100 radii away, by ka and angle: series of
#: Duda and Martens, JASA 104 (1998) 3048, computed with 40 digits. By reciprocity a
#: small source on the sphere sends the same levels far away.
SPHERE_DB = {
    0.5: (0.827, 0.616, 0.108, -0.327, -0.354, -0.105, 0.036),
    1.0: (3.123, 2.759, 1.584, -0.248, -1.128, -0.179, 0.443),
    2.0: (4.493, 4.074, 2.960, 1.500, -2.027, -1.713, 0.915),
    5.0: (5.543, 5.333, 4.257, 1.875, -1.924, -5.777, 1.036),
    10.0: (5.918, 5.770, 4.948, 2.366, -2.593, -8.909, 0.225),
    20.0: (6.052, 5.981, 5.383, 2.516, -3.808, -10.546, -1.724),
}
#: At 100 radii a source is not yet far. Where far away all levels are 0, at low
#: frequency, the same series gives 0.138 dB in front and -0.124 dB behind; and a ray
#: from there grazes the sphere asin(1/100) before a right angle, which turns the shadow.
NEARNESS_DB = 0.138 + 0.124
NEARNESS_DEG = np.degrees(np.arcsin(0.01))


def agrees_with_sphere(ka, sphere_ka):
    def levels_db(turn_deg=0.0):
        angle_deg = np.clip(np.arange(0.0, 181.0, 30.0) + turn_deg, 0.0, 180.0)
        level_db = to_level_db(np.abs(capped_sphere(ka, 1e-3, angle_deg)) ** 2)
        return level_db - level_db[0]

    printed = np.array(SPHERE_DB[sphere_ka])
    error_db = np.abs(levels_db() - (printed - printed[0]))
    turns_db = [np.abs(levels_db(t) - levels_db()) for t in (-NEARNESS_DEG, NEARNESS_DEG)]
    return bool(np.all(error_db < NEARNESS_DB + np.maximum(*turns_db)))


@pytest.mark.parametrize("ka", SPHERE_DB)
def test_small_cap_on_a_sphere_is_reciprocal_to_the_sphere(ka):
    assert agrees_with_sphere(ka, ka)


@pytest.mark.parametrize("ka", [1.0, 2.0, 5.0, 10.0, 20.0])
def test_sphere_test_can_fail(ka):
    """Planted fault: the sphere is a quarter too large."""
    assert not agrees_with_sphere(1.25 * ka, ka)


@pytest.mark.parametrize("name", KNOWN)
@pytest.mark.parametrize("fraction", [1, 3])
def test_tables_are_whole(name, fraction):
    """Finite, 0 dB on the axis, never more energy on average than the axis allows."""
    bands = Bands(fraction)
    table = directivity(name, bands)
    assert table.level_db.shape == (bands.n_band, 181)
    assert np.isfinite(table.level_db).all()
    assert (table.level_db[:, 0] == 0.0).all()
    assert (mean_gain(table) <= 1.0 + 1e-9).all()


@pytest.mark.parametrize("name", ["talker", "small loudspeaker"])
def test_synthetic_tables_are_called_so(name):
    assert directivity(name, Bands()).source.startswith("synthetic")
