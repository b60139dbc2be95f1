"""Counting spheres that grow with the path, and count what is in sight alone."""

import numpy as np
import pytest
from rooms import box_scene
from traced import furnished_attic, mean_and_error, prepared, ray_energy, ray_run

from raysim.propagation import rays
from raysim.propagation.rays import counting_spheres

#: Below the middle of a wall, beside the sheet, and where nothing is near.
NEAR_M = ((0.08, 2.5, 0.6), (1.7, 2.6, 1.4), (2.0, 4.0, 1.4))
FROM_S, DURATION_S, BIN_S = 0.2, 0.4, 0.01


def seen_m3(at_m):
    """Give the largest radius (m) and the volume in sight of it in an empty box."""
    scene = box_scene(receivers=(at_m,))
    row = counting_spheres(prepared(scene), list(scene.receivers))[0]
    return row[-2], row[-1]


def cap_m3(radius, height):
    """Give the volume that a plane at a distance from its middle cuts off a sphere."""
    return np.pi * (radius - height) ** 2 * (2.0 * radius + height) / 3.0


@pytest.mark.parametrize(("at_m", "walls_m"), [
    ((2.5, 2.0, 1.5), ()), ((0.2, 2.0, 1.5), (0.2,)), ((2.5, 3.6, 1.5), (0.4,)),
    ((0.3, 2.0, 2.55), (0.3, 0.45)),
])  # fmt: skip
def test_volume_in_sight_is_a_sphere_less_its_caps(at_m, walls_m):
    """Truth: caps of a sphere, apart from each other. Tolerance: 32 768 even directions.

    A cap's rim runs between directions; a thousandth is ten times what is seen.
    """
    radius, volume = seen_m3(at_m)
    whole = 4.0 / 3.0 * np.pi * radius**3
    left = whole - sum(cap_m3(radius, h) for h in walls_m)
    if len(walls_m) == 2:  # caps of walls at right angles meet where h1^2 + h2^2 < r^2
        assert walls_m[0] ** 2 + walls_m[1] ** 2 > radius**2
    assert volume == pytest.approx(left, rel=1e-3)


def test_volume_test_notices_a_wall():
    """Planted fault: the wall is left out."""
    radius, volume = seen_m3((0.2, 2.0, 1.5))
    assert volume < 0.9 * 4.0 / 3.0 * np.pi * radius**3


def sigmas_from_even_energy(receiver):
    """Give how far late energy lies from that of sound spread evenly, in standard errors.

    Nothing takes energy, so all of it, 4 pi c per second, is in the room's air.
    """
    scene = furnished_attic(
        alpha=0.0, scattering=0.4, sources=((1.0, 1.5, 1.0),), receivers=(NEAR_M[receiver],)
    )
    room = prepared(scene, air=False)
    run = ray_run(room, scene, 64_000, duration_s=DURATION_S, bin_s=BIN_S)
    late = ray_energy(run)[:, 3, round(FROM_S / BIN_S) :].mean(axis=1)
    even = 4.0 * np.pi * room.speed_m_s * BIN_S / room.mesh.air_volume_m3
    mean, error = mean_and_error(late)
    return (mean - even) / error


@pytest.mark.parametrize("receiver", range(3))
def test_energy_without_losses_is_the_same_everywhere(receiver):
    """Truth: conservation, and walls that mix. Tolerance: four sigma, fixed seed.

    By connection and by spheres together, beside a wall, beside a sheet, in the open.
    """
    assert abs(sigmas_from_even_energy(receiver)) < 4.0


@pytest.mark.parametrize("receiver", [0, 1])
def test_even_energy_notices_what_is_out_of_sight(receiver, monkeypatch):
    """Planted fault: what lies behind a wall or a sheet counts as volume."""
    whole = counting_spheres

    def too_large(room, receivers):
        row = whole(room, receivers)
        row[:, 5::2] = 4.0 / 3.0 * np.pi * row[:, 4::2] ** 3
        return row

    monkeypatch.setattr(rays, "counting_spheres", too_large)
    assert sigmas_from_even_energy(receiver) < -6.0
