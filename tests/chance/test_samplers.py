"""Directions: each sampler against its own density, and what a source puts into rays."""

from itertools import product

import numpy as np
import pytest
from reference.chi2 import chance_of, least_chance

from raysim.core import wall
from raysim.core.emission import set_out
from raysim.core.rng import draws
from raysim.core.wall import lambert, lambert_pdf, mirror, sphere, turned

N = 60_000
AXES = ((0.0, 0.0, 1.0), (0.0, -1.0, 0.0), (0.6, -0.48, 0.64), (-0.36, 0.48, -0.8))
N_COSINE, N_AZIMUTH = 16, 12
UP = np.array([0.0, 0.0, 1.0])


def frame(axis):
    """Give three unit vectors at right angles, the last along ``axis``."""
    z = np.array(axis) / np.linalg.norm(axis)
    x = np.cross(z, np.eye(3)[np.argmin(np.abs(z))])
    x /= np.linalg.norm(x)
    return np.stack([x, np.cross(z, x), z])


def cells(direction, axis=UP):
    """Count directions (n, 3) in cells of cosine and azimuth about an axis."""
    x, y, z = frame(axis) @ direction.T
    return np.histogram2d(
        z, np.arctan2(y, x), (N_COSINE, N_AZIMUTH), ((-1.0, 1.0), (-np.pi, np.pi))
    )[0]


def expected(density):
    """Give the share of each cell from a density of the cosine, by the midpoint rule."""
    n = 400
    cosine = -1.0 + (np.arange(N_COSINE * n) + 0.5) * 2.0 / (N_COSINE * n)
    at = np.array([density(c) for c in cosine]).reshape(N_COSINE, n).mean(axis=1)
    solid_angle = (2.0 / N_COSINE) * (2.0 * np.pi / N_AZIMUTH)
    return np.tile((at * solid_angle)[:, None], (1, N_AZIMUTH))


def uniforms(n=N, seed=3):
    return np.array([draws(np.uint64(seed), 0, i, 1)[:2] for i in range(n)])


def from_wall(axis, n=N):
    return np.array([lambert(*axis, u, v) for u, v in uniforms(n)])


def even(_):
    return 1.0 / (4.0 * np.pi)


@pytest.mark.parametrize("density", [lambert_pdf, even])
def test_densities_integrate_to_one(density):
    """Truth: definition. Tolerance: the midpoint rule's, which is exact for straight lines."""
    assert expected(density).sum() == pytest.approx(1.0, abs=1e-9)


#: From one end to the other, quarters and eighths, where the series changes, among them.
TURNS = np.concatenate([uniforms(2000).ravel(), np.arange(1, 8) / 8.0, [1e-10, 1.0 - 1e-10]])


def test_cosine_and_sine_are_the_librarys():
    """Truth: numpy. Tolerance: the next term, (pi/4)^16/16! = 1e-15, and rounding as large."""
    own = np.array([turned(u) for u in TURNS])
    np.testing.assert_allclose(own[:, 0], np.cos(2.0 * np.pi * TURNS), rtol=0.0, atol=2e-15)
    np.testing.assert_allclose(own[:, 1], np.sin(2.0 * np.pi * TURNS), rtol=0.0, atol=2e-15)


def test_cosine_test_notices_a_shorter_series(monkeypatch):
    """Planted fault: the last term of each is left out."""
    monkeypatch.setattr(wall, "_C14", 0.0)
    monkeypatch.setattr(wall, "_S15", 0.0)
    own = np.array([turned.py_func(u) for u in TURNS])
    assert np.abs(own[:, 0] - np.cos(2.0 * np.pi * TURNS)).max() > 1e-13


@pytest.mark.parametrize("axis", AXES)
def test_lambert_follows_its_density(axis):
    """Truth: Lambert's law. Tolerance: 1 % chance of a false alarm in all."""
    assert chance_of(cells(from_wall(axis), axis), expected(lambert_pdf)) > least_chance(4)


@pytest.mark.parametrize("axis", AXES)
def test_inverse_of_lambert_is_uniform(axis):
    """Truth: closed form, the share within an angle is sin^2, so cos^2 is uniform."""
    square = (from_wall(axis) @ np.array(axis)) ** 2
    count = np.histogram(square, bins=100, range=(0.0, 1.0))[0]
    assert chance_of(count, np.ones(100)) > least_chance(4)


@pytest.mark.parametrize(
    ("name", "density"),
    [
        ("uniform over the half space", lambda c: float(c > 0) / (2.0 * np.pi)),
        ("a little too narrow", lambda c: max(0.0, c) ** 1.1 * 2.1 / (2.0 * np.pi)),
        ("into the wall", lambda c: max(0.0, -c) / np.pi),
    ],
)
def test_lambert_test_notices_another_density(name, density):
    """Planted fault: the density of another law."""
    assert expected(density).sum() == pytest.approx(1.0, abs=1e-4)
    assert chance_of(cells(from_wall(AXES[2]), AXES[2]), expected(density)) < least_chance(4)


@pytest.mark.parametrize("axis", AXES)
def test_lambert_leaves_the_wall(axis):
    """Truth: a scattered ray goes into the room, whatever the two draws are."""
    ends = (2.0**-33, 1e-6, 0.25, 0.5, 0.75, 1.0 - 1e-6, 1.0 - 2.0**-33)
    tiny = [lambert(*axis, u, v) for u, v in product(ends, ends)]
    # the draws that put the sphere's point just beside -n
    x, y, z = -np.array(axis)
    u, v = 0.5 * (1.0 - z), np.arctan2(y, x) / (2.0 * np.pi) % 1.0
    tiny += [lambert(*axis, u + e, v + f) for e, f in product((0.0, 1e-13, 1e-9), repeat=2)]
    direction = np.array(tiny)
    assert (direction @ np.array(axis) > 0.99e-6).all()
    # pushing off the wall by 1e-6 makes a direction longer by half its square at most
    assert np.linalg.norm(direction, axis=1) == pytest.approx(1.0, abs=2e-6)


def test_sphere_is_even():
    """Truth: uniform over directions. Tolerance: 1 % chance of a false alarm."""
    direction = np.array([sphere(u, v) for u, v in uniforms()])
    assert np.linalg.norm(direction, axis=1) == pytest.approx(1.0, abs=1e-12)
    for axis in AXES:
        assert chance_of(cells(direction, axis), expected(even)) > least_chance(4)


def test_sphere_test_notices_crowded_poles():
    """Planted fault: even in the angle from the axis, hence crowded at the poles."""
    polar = np.array([sphere(0.5 * (1.0 - np.cos(np.pi * u)), v) for u, v in uniforms()])
    assert chance_of(cells(polar), expected(even)) < least_chance(4)


def test_mirror_keeps_the_tangent_and_turns_the_normal():
    """Truth: the law of reflection. Tolerance: rounding."""
    for axis in AXES:
        incoming = np.array([sphere(u, v) for u, v in uniforms(200)])
        out = np.array([mirror(*d, *axis) for d in incoming])
        n = np.array(axis)
        assert out @ n == pytest.approx(-(incoming @ n), abs=1e-14)
        tangent = np.eye(3) - np.outer(n, n)
        assert out @ tangent == pytest.approx(incoming @ tangent, abs=1e-14)


FLAT = np.ones((1, 2))


def emitted(i_batch, i_ray, gain=FLAT, axis=UP, seed=5):
    energy = np.zeros(len(gain))
    direction = set_out(np.uint64(seed), i_batch, i_ray, axis, gain, energy)
    return direction, energy


@pytest.mark.parametrize("i_ray", [0, 1, 999])
def test_any_ray_sets_out_evenly_over_batches(i_ray):
    """Truth: one ray of many batches is a fair sample of directions: batches differ."""
    direction = np.array([emitted(b, i_ray)[0] for b in range(N // 2)])
    assert chance_of(cells(direction), expected(even)) > least_chance(3)


def test_batches_share_no_shift():
    """Truth: independent shifts make neighbouring batches' first rays independent."""
    z = np.array([emitted(b, 0)[0][2] for b in range(N // 2)])
    count = np.histogram2d(z[:-1], z[1:], 12, ((-1, 1), (-1, 1)))[0]
    assert chance_of(count, np.ones_like(count)) > least_chance(1)
    count = np.histogram2d(z, z, 12, ((-1, 1), (-1, 1)))[0]  # planted fault: one shift
    assert chance_of(count, np.ones_like(count)) < least_chance(1)


def uneven(direction):
    """Give the mean square deviation of cell counts, in units of that of random rays."""
    count = cells(direction)
    return ((count - count.mean()) ** 2).mean() / count.mean()


def test_rays_of_one_batch_are_spread_more_evenly_than_chance():
    """Truth: random rays have 1 by Poisson's law, +- sqrt(2 / 192); a lattice far less."""
    one_batch = np.array([emitted(0, i)[0] for i in range(4000)])
    random = np.array([sphere(u, v) for u, v in uniforms(4000)])
    spread = np.sqrt(2.0 / (N_COSINE * N_AZIMUTH))
    assert uneven(one_batch) < 0.3
    assert abs(uneven(random) - 1.0) < 4.0 * spread  # the twin: random rays must not pass


#: First-order patterns p + (1 - p) cos: the mean energy gain over the sphere is
#: p^2 + (1 - p)^2 / 3 (closed form).
FIRST_ORDER = (1.0, 0.7, 0.5, 0.25, 0.0)
ANGLE = np.linspace(0.0, np.pi, 181)
#: Straight lines between one-degree steps: h^2 / 8 times the greatest curvature, which
#: for these patterns' energy is below 4.
TABLE_ERROR = (np.pi / 180.0) ** 2 / 8.0 * 4.0


def mean_and_error(gain, axis, n_batch=32, n_ray=256):
    """Give the mean energy per ray and band, and its standard error over batches."""
    batch = np.array(
        [
            np.mean([emitted(b, i, gain, axis)[1] for i in range(n_ray)], axis=0)
            for b in range(n_batch)
        ]
    )
    return batch.mean(axis=0), batch.std(axis=0, ddof=1) / np.sqrt(n_batch)


def off_by(gain, power, axis=AXES[3]):
    """Give by how much emitted energy misses ``power``, in tolerances, per band."""
    mean, error = mean_and_error(gain, np.array(axis))
    return np.abs(mean - power) / (4.0 * error + 4.0 * np.pi * TABLE_ERROR)


def patterns(exponent):
    return np.array([np.abs(p + (1.0 - p) * np.cos(ANGLE)) ** exponent for p in FIRST_ORDER])


def test_sources_emit_their_power():
    """Truth: 4 pi times the mean gain, closed form. Tolerance: four sigma and the table."""
    power = [4.0 * np.pi * (p * p + (1.0 - p) ** 2 / 3.0) for p in FIRST_ORDER]
    assert off_by(patterns(2), power).max() < 1.0


def test_power_test_notices_pressure_for_energy():
    """Planted fault: the gain of pressure where energy's belongs."""
    power = [4.0 * np.pi * (p * p + (1.0 - p) ** 2 / 3.0) for p in FIRST_ORDER]
    assert off_by(patterns(1), power)[1:].min() > 1.0


def test_rays_on_the_axis_carry_the_gain_of_the_axis():
    """Truth: the table where it is straight. A linear gain must come back exactly."""
    gain = np.array([np.linspace(3.0, 1.0, 7)])
    axis = np.array(AXES[2])
    for i_ray in range(200):
        direction, energy = emitted(0, i_ray, gain, axis)
        angle = np.arccos(np.clip(np.dot(direction, axis), -1.0, 1.0))
        assert energy[0] == pytest.approx(4 * np.pi * (3.0 - 2.0 * angle / np.pi), rel=1e-12)
