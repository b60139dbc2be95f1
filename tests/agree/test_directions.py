"""Where sound comes from and goes to: rays' moments against images, and aimed sources."""

from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from reference.chi2 import least_chance
from rooms import box_scene, frozen, l_scene
from scipy.stats import t as student
from traced import mean_and_error, prepared, ray_energy, ray_run

from raysim.propagation.images import arrivals, directivity_gain
from raysim.propagation.rays import N_BATCH
from raysim.records import MOMENTS
from raysim.scene.directivity import first_order
from raysim.scene.model import Bands

BAND = 3


def powers(direction):
    """Give each moment's factor for unit directions (..., 3), with one for energy first."""
    x, y, z = np.moveaxis(direction, -1, 0)
    factor = {"x": x, "y": y, "z": z}
    factor |= {a + b: factor[a] * factor[b] for a, b in ("xx", "yy", "xy", "xz", "yz")}
    return np.stack([np.ones_like(x), *(factor[m] for m in MOMENTS)], axis=-1)


def moments_by_batch(run):
    """Give energy and moments of each batch, one band, (batch, 1 + moment, time)."""
    for group, sums in zip(run._groups, run._sums, strict=True):
        if group.start <= BAND < group.stop:
            found = sums[:, 0, :, :, BAND - group.start] / run._n_ray
            return np.moveaxis(found, 1, 2)
    raise AssertionError


# A specular room: rays alone and images alone see the same directions.

FROM_M, TO_M = (1.0, 1.5, 1.2), (3.7, 2.2, 1.4)
DURATION_S = 0.05
ALPHA = {"east": 0.05, "north": 0.7, "south": 0.2, "floor": 0.4, "ceiling": 0.3, "west": 0.5}


@cache
def specular():
    """Give moments of rays alone by batch, and images with their moments."""
    scene = box_scene(alpha=ALPHA, scattering=0.0, sources=(FROM_M,), receivers=(TO_M,))
    room = prepared(scene, air=False)
    run = ray_run(room, scene, 128_000, duration_s=DURATION_S, bin_s=0.001)
    far = DURATION_S * room.speed_m_s
    images = arrivals(room, scene.sources[0], list(scene.receivers), 10, 0, far)[0]
    return moments_by_batch(run), images


#: The counting sphere, 0.25 m wide each way, blurs where the direct sound comes from by a
#: mean square of R^2 / 5 d^2 across each of two axes; its energy grows by as much.
BLUR = 0.25**2 / 5.0 / np.sum((np.array(FROM_M) - TO_M) ** 2)


def sigmas_from(images, by_batch, direction=None):
    """Give deviations of the rays' summed moments from the images', in tolerances."""
    direction = images.direction if direction is None else direction
    truth = (images.energy[:, BAND, None] * powers(direction)).sum(axis=0)
    mean, error = mean_and_error(by_batch.sum(axis=2))
    return np.abs(mean - truth) / (4.0 * error + 2.0 * BLUR * truth[0])


def test_moments_of_rays_are_those_of_images():
    """Truth: directions of all images, exact. Four sigma and the sphere's own size."""
    by_batch, images = specular()
    assert len(images.delay_s) > 300
    assert sigmas_from(images, by_batch).max() < 1.0


@pytest.mark.parametrize("axis", range(3))
def test_moment_test_notices_a_turned_axis(axis):
    """Planted fault: where sound goes instead of where it comes from, along one axis."""
    by_batch, images = specular()
    turned = images.direction * np.where(np.arange(3) == axis, -1.0, 1.0)
    assert sigmas_from(images, by_batch, turned).max() > 1.0


@pytest.mark.parametrize("pair", [(0, 1), (1, 2), (0, 2)])
def test_moment_test_notices_swapped_axes(pair):
    """Planted fault: two axes in each other's place."""
    by_batch, images = specular()
    order = list(range(3))
    order[pair[0]], order[pair[1]] = pair[1], pair[0]
    assert sigmas_from(images, by_batch, images.direction[:, order]).max() > 1.0


def lateral_of_images(images, axis):
    """Give energy of a figure-of-eight, 5 ms after the direct sound on, over all."""
    after_s = images.delay_s - images.delay_s[0]
    lateral = images.energy[:, BAND] * images.direction[:, axis] ** 2
    return lateral[after_s >= 0.005].sum() / images.energy[:, BAND].sum()


def lateral_of_rays(by_batch, axis, direct_s):
    """Give the same from moments, by batch; bins are 1 ms."""
    energy, xx, yy = by_batch[:, 0], by_batch[:, 4], by_batch[:, 5]
    square = (xx, yy, energy - xx - yy)[axis]
    first = round((direct_s + 0.005) / 0.001)
    # of the sum over batches, with the error of a ratio by leaving each batch out
    above, below = square[:, first:].sum(axis=1), energy.sum(axis=1)
    n = len(above)
    without = (above.sum() - above) / (below.sum() - below)
    error = np.sqrt((n - 1) / n * ((without - without.mean()) ** 2).sum())
    return above.sum() / below.sum(), error


def lateral_off(axis, of_images_axis):
    by_batch, images = specular()
    truth = lateral_of_images(images, of_images_axis)
    got, error = lateral_of_rays(by_batch, axis, images.delay_s[0])
    return abs(got - truth) / (4.0 * error + 2.0 * BLUR)


@pytest.mark.parametrize("axis", range(3))
def test_lateral_share_of_rays_is_that_of_images(axis):
    """Truth: the sum of ISO 3382-1, equation (A.14), over exact images."""
    assert lateral_off(axis, axis) < 1.0


def test_lateral_test_notices_another_axis():
    """Planted fault: the figure-of-eight lies along another axis."""
    assert min(lateral_off(0, 1), lateral_off(1, 2), lateral_off(2, 0)) > 1.0


# A diffuse field: all directions alike.


def late_moments(alpha, scattering, **more):
    scene = box_scene(alpha=alpha, scattering=scattering, **more)
    run = ray_run(
        prepared(scene, air=False), scene, 48_000, duration_s=0.4, bin_s=0.02, orders=(3, 20)
    )
    late = moments_by_batch(run)[:, :, 12:].sum(axis=2)
    mean = late[:, 0].mean()
    isotropic = np.array([1.0, 0.0, 0.0, 0.0, 1 / 3, 1 / 3, 0.0, 0.0, 0.0])
    off, error = mean_and_error(late / mean - isotropic * late[:, :1] / mean)
    return (np.abs(off) / np.where(error > 0.0, error, np.inf))[1:]


ALLOWED = student.isf(least_chance(8) / 2.0, N_BATCH - 1)


def test_a_lossless_room_sounds_alike_from_all_sides():
    """Truth: isotropy, so cosines average 0 and their squares 1/3. Tolerance: 1 % in all."""
    assert late_moments(0.0, 0.5).max() < ALLOWED


def test_isotropy_test_notices_one_soft_wall():
    """Planted fault: an east wall that absorbs, so that less comes from there."""
    off = late_moments({**dict.fromkeys(ALPHA, 0.0), "east": 0.3}, 0.5)
    assert off[0] > ALLOWED


def test_moments_are_those_of_directions():
    """Truth: squares of cosines lie between 0 and 1, products between -1/2 and 1/2.

    Every bin, whatever its energy: the x y matrix of moments must be positive.
    """
    scene = l_scene(scattering=0.3, sources=((1.2, 4.6, 1.1),), receivers=((5.2, 1.0, 1.6),))
    histogram = ray_run(prepared(scene), scene, 3200).histograms()[0]
    energy = histogram.energy.mean(axis=0)
    x, y, z, xx, yy, xy, xz, yz = histogram.moments
    zz = energy - xx - yy
    matrix = np.array([[xx, xy, xz], [xy, yy, yz], [xz, yz, zz]])
    least = np.linalg.eigvalsh(np.moveaxis(matrix, (0, 1), (2, 3)))[..., 0]
    assert (least >= -1e-12 * energy).all()
    assert (x**2 + y**2 + z**2 <= energy**2 * (1 + 1e-12)).all()
    # the twin: moments of another bin do not fit this one's energy
    assert not (x**2 + y**2 + z**2 <= np.roll(energy, 1, axis=1) ** 2).all()


# Aimed sources.

CARDIOID = first_order("cardioid", 0.5, Bands())
#: Degrees off the axis, and the energy of (1 + cos) / 2.
ROUND = {0.0: 1.0, 60.0: 0.5625, 90.0: 0.25, 120.0: 0.0625, 180.0: 0.0}
#: Between steps of one degree: h^2 / 8 times the greatest curvature, which is 1; and the
#: floor of the table, -100 dB.
TABLE_ERROR = (np.pi / 180.0) ** 2 / 8.0 + 1e-10
AIM = np.array([0.6, 0.0, 0.8])
MIDDLE_M = np.array([2.5, 2.0, 1.5])


def aimed(pattern=CARDIOID, distance_m=1.1):
    """Give a box with a source in its middle and a seat at each angle of `ROUND`."""
    side = np.array([0.0, 1.0, 0.0])
    around = [
        MIDDLE_M + distance_m * (np.cos(np.radians(a)) * AIM + np.sin(np.radians(a)) * side)
        for a in ROUND
    ]
    scene = box_scene(alpha=1.0, sources=(MIDDLE_M,), receivers=around)
    source = replace(scene.sources[0], aim=frozen(AIM), directivity=pattern)
    return replace(scene, sources=(source,))


def direct_of_images(pattern=CARDIOID):
    scene = aimed(pattern)
    room = prepared(scene, air=False)
    found = arrivals(room, scene.sources[0], list(scene.receivers), 0)
    return np.array([f.energy[0, BAND] * 1.1**2 for f in found])


def test_direct_sound_of_a_cardioid():
    """Truth: closed form, ((1 + cos) / 2)^2. Tolerance: straight lines in the table."""
    truth = list(ROUND.values())
    assert direct_of_images() == pytest.approx(truth, abs=TABLE_ERROR)
    eight = direct_of_images(first_order("figure-of-eight", 0.0, Bands()))
    assert np.abs(eight - truth).max() > TABLE_ERROR  # the twin


@cache
def direct_of_rays():
    scene = aimed()
    run = ray_run(prepared(scene, air=False), scene, 64_000, duration_s=0.01)
    batch = [ray_energy(run, r)[:, BAND].sum(axis=1) * 1.1**2 for r in range(len(ROUND))]
    return mean_and_error(np.stack(batch, axis=1))


def rays_off(truth):
    # a sphere of 0.25 m blurs the angle, by a mean square as above across each of two
    # axes, where the pattern's curvature is 1 at most; and it raises 1 / d^2 by as much
    blur = 0.25**2 / 5.0 / 1.1**2
    mean, error = direct_of_rays()
    return np.abs(mean - truth) / (4.0 * error + blur * (np.array(truth) + 1.0))


def test_rays_carry_the_directivity_that_images_have():
    """Truth: closed form, walls that absorb all. Four sigma and the sphere's own size."""
    assert rays_off(list(ROUND.values())).max() < 1.0


def test_ray_test_notices_a_source_turned_round():
    """Planted fault: the source faces away, or the table is read as pressure."""
    assert rays_off(list(ROUND.values())[::-1]).max() > 1.0
    assert rays_off(list(np.sqrt(list(ROUND.values())))).max() > 1.0


def test_front_and_rear_of_a_cardioid_in_a_room():
    """Truth: reflections leave with the gain of their own departure, checked one by one."""
    scene = box_scene(alpha=0.2, scattering=0.0)
    source = replace(scene.sources[0], aim=frozen(AIM), directivity=CARDIOID)
    room = prepared(scene)
    every, plain = (
        arrivals(room, s, list(scene.receivers), 3)[0] for s in (source, scene.sources[0])
    )
    cosine = every.departure @ AIM
    ratio = every.energy[:, BAND] / plain.energy[:, BAND]
    assert ratio == pytest.approx((0.5 * (1.0 + cosine)) ** 2, abs=TABLE_ERROR)
    assert ratio.max() > 0.9
    assert ratio.min() < 0.1
    assert ratio == pytest.approx(directivity_gain(source, every.departure)[:, BAND], rel=1e-12)
    # the twin: the direction of arrival is not that of departure
    assert np.abs(ratio - (0.5 * (1.0 + every.direction @ AIM)) ** 2).max() > TABLE_ERROR
