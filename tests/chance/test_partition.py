"""Each path is counted once: by images, by a counting sphere, or by a connection.

What images take from the rays they must give back: the total may not depend on how far
images go, nor on whether chains between parallel walls are followed.
"""

from functools import cache
from itertools import product

import numpy as np
import pytest
from reference.chi2 import least_chance
from rooms import box_scene, sheet_thing
from scipy.stats import t as student
from traced import (
    SHEET_M,
    chains,
    furnished_attic,
    image_energy,
    mean_and_error,
    prepared,
    ray_energy,
    ray_run,
)

from raysim.propagation.images import arrivals
from raysim.propagation.rays import N_BATCH

DURATION_S = 0.15
ORDERS = (-1, 0, 1, 3, 5)
SEATS = ((3.1, 2.2, 1.2), (1.7, 3.2, 1.6))
#: Two bands with little and with much scattering: the first and the last.
BANDS = [0, 7]
MIXED = np.linspace(0.1, 0.5, 8)

ROOMS = {
    "box": lambda: box_scene(
        alpha=0.15, scattering=0.3, sources=((1.0, 1.0, 1.5),), receivers=SEATS
    ),
    "flutter": lambda: box_scene(
        ly=2.2,
        alpha={"floor": 0.6, "east": 0.5, "west": 0.5, "south": 0.02, "north": 0.02},
        scattering={"floor": 0.5, "ceiling": 0.3, "south": 0.02, "north": 0.02},
        sources=((2.2, 0.6, 1.5),),
        receivers=((3.9, 1.5, 1.3), (4.4, 1.0, 1.5)),
    ),
    "sheet": lambda: box_scene(
        alpha={"felt": 0.6, "cloth": 0.05},
        scattering={"felt": 0.1, "cloth": 0.6, "floor": MIXED},
        sources=((1.9, 1.6, 1.3),),
        receivers=((1.8, 3.3, 1.2), (3.6, 1.2, 1.2)),
        things=(sheet_thing("curtain", SHEET_M, "cloth", "felt"),),
        other=("cloth", "felt"),
    ),
    "attic": lambda: furnished_attic(
        alpha={"cloth": 0.3, "felt": 0.6, "floor": 0.25},
        scattering={"floor": MIXED, "W slope": 0.4, "thing": 0.3, "cloth": 0.2},
        sources=((2.0, 1.6, 1.3),),
        receivers=((1.8, 3.2, 1.1), (3.0, 2.6, 1.2)),
    ),
}


@cache
def room_and_scene(name):
    scene = ROOMS[name]()
    return prepared(scene), scene


@cache
def parts(name, order, with_chains, n_ray=12_800):
    """Give energy of images (receiver, band) and of rays (batch, receiver, band)."""
    room, scene = room_and_scene(name)
    chain = chains(room, DURATION_S) if with_chains else 0
    run = ray_run(room, scene, n_ray, duration_s=DURATION_S, orders=(order, chain))
    rays = np.stack([ray_energy(run, r)[:, BANDS].sum(axis=2) for r in (0, 1)], axis=1)
    found = [image_energy(room, scene, order, chain, r, DURATION_S)[BANDS] for r in (0, 1)]
    return np.array(found), rays


def sigmas_apart(a, b):
    """Give by how many sigmas two totals differ, per receiver and band.

    Both follow the same rays, so that only what changes hands between rays and images
    is uncertain: the error is that of the difference, batch by batch.
    """
    (images_a, rays_a), (images_b, rays_b) = a, b
    mean, error = mean_and_error((images_a + rays_a) - (images_b + rays_b))
    return np.abs(mean) / error


SPLITS = [s for s in product(ORDERS, (False, True)) if s != (3, True)]
#: 1 % chance of a false alarm in all rooms, splits, seats and bands; errors from 32 batches.
ALLOWED = student.isf(least_chance(len(ROOMS) * len(SPLITS) * 4) / 2.0, N_BATCH - 1)


@pytest.mark.parametrize("name", ROOMS)
@pytest.mark.parametrize("split", SPLITS)
def test_total_does_not_depend_on_the_split(name, split):
    """Truth: the total that the default split gives. Tolerance: see `ALLOWED`."""
    assert sigmas_apart(parts(name, *split), parts(name, 3, True)).max() < ALLOWED


@pytest.mark.parametrize("name", ROOMS)
def test_split_test_notices_a_path_counted_twice(name):
    """Planted fault: images add the first reflections twice."""
    room, scene = room_and_scene(name)
    images, rays = parts(name, 3, True)
    first = [
        found.energy[found.order == 1][:, BANDS].sum(axis=0)
        for found in arrivals(room, scene.sources[0], list(scene.receivers), 1)
    ]
    twice = (images + np.array(first), rays)
    assert sigmas_apart(twice, parts(name, 1, False)).max() > ALLOWED


def test_split_test_notices_chains_counted_twice():
    """Planted fault: rays keep the chains between two walls that images also have."""
    images, right = parts("flutter", 3, True, 51_200)
    _, rays = parts("flutter", 3, False, 51_200)
    assert sigmas_apart((images, rays), (images, right)).max() > ALLOWED


def test_chains_and_orders_change_the_parts():
    """The splits above must differ, or they compare a thing with itself."""
    share = []
    for order, with_chains in ((-1, False), (0, False), (1, False), (3, False), (3, True)):
        images, rays = parts("flutter", order, with_chains)
        share.append((images / (images + rays.mean(axis=0))).min())
    assert share[0] == 0.0
    assert (np.diff(share) > 0.01).all()


# A specular box: images alone are exact.

SIZE_M, FROM_M, TO_M = (5.0, 4.0, 3.0), (1.0, 1.5, 1.2), (3.7, 2.2, 1.4)
SHORT_S = 0.06


def mirror_images(alpha, duration_s, speed_m_s):
    """Give the energy of all images of a box within a time, in closed form.

    Allen and Berkley, J. Acoust. Soc. Am. 65 (1979) 943 (form from memory): images at
    (1 - 2q) x + 2 n L meet the two walls |n - q| and |n| times.
    """
    n = np.arange(-6, 7)
    axes = []
    for length, s, r in zip(SIZE_M, FROM_M, TO_M, strict=True):
        away = np.stack([(1 - 2 * q) * s + 2 * n * length - r for q in (0, 1)])
        axes.append((away, np.stack([np.abs(n - q) + np.abs(n) for q in (0, 1)])))
    (x, i), (y, j), (z, k) = ((a.ravel(), b.ravel()) for a, b in axes)
    distance = np.sqrt(x[:, None, None] ** 2 + y[:, None] ** 2 + z**2)
    energy = (1.0 - alpha) ** (i[:, None, None] + j[:, None] + k) / distance**2
    return energy[distance < duration_s * speed_m_s].sum()


def specular_box():
    scene = box_scene(alpha=0.3, scattering=0.0, sources=(FROM_M,), receivers=(TO_M,))
    return prepared(scene, air=False), scene


def rays_alone(order):
    room, scene = specular_box()
    run = ray_run(room, scene, 160_000, duration_s=SHORT_S, orders=(order, 0))
    return mean_and_error(ray_energy(run)[:, 0].sum(axis=1))


#: A sphere of radius R averages 1/d^2 over its inside: R^2 / 5 d^2 too much, for the
#: direct sound, and less for all later sound.
SPHERE = 0.25**2 / 5.0 / np.sum((np.array(FROM_M) - TO_M) ** 2)


def test_specular_rays_alone_are_images_alone():
    """Truth: all images of a box, closed form. Four sigma and the sphere's own size."""
    room, scene = specular_box()
    truth = mirror_images(0.3, SHORT_S, room.speed_m_s)
    images = image_energy(room, scene, 14, 0, 0, SHORT_S)[0]
    assert images == pytest.approx(truth, rel=1e-9)
    mean, error = rays_alone(-1)
    assert abs(mean - truth) < 4.0 * error + SPHERE * truth
    assert error < 0.01 * truth
    # the twins: rays without the direct sound, images without the last wall pair
    mean, error = rays_alone(0)
    assert abs(mean - truth) > 4.0 * error + SPHERE * truth
    assert image_energy(room, scene, 4, 0, 0, SHORT_S)[0] != pytest.approx(truth, rel=1e-3)


def test_specular_rays_leave_nothing_to_images_of_every_order():
    """Truth: with every mirror path an image's, rays of a specular room leave nothing."""
    room, scene = specular_box()
    run = ray_run(room, scene, 3200, duration_s=SHORT_S, orders=(14, 0))
    assert ray_energy(run).max() == 0.0
    run = ray_run(room, scene, 3200, duration_s=SHORT_S, orders=(4, 0))
    assert ray_energy(run).max() > 0.0
