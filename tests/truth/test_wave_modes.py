"""Resonances of rigid rooms on the wave solver's grid against closed forms.

Truth: modes of a box, of a right-angled prism and of a cylinder (tests/reference). In a
room, a mode's pitch is read from a few steps of the solver; for slanted walls, from the
eigenvalues of the very coefficients that the solver steps with, and one test holds the
solver's step against those coefficients. The bound of 0.2 per cent is what the spacing is
chosen for (equation in `wave_room.PER_WAVELENGTH`), 0.3 per cent is asked of slanted walls,
order 1.8 of a scheme of second order.
"""

import itertools

import numpy as np
import pytest
from reference import cylinder_modes, prism_modes
from rooms import polygon_scene
from scipy import sparse
from scipy.sparse.linalg import eigsh
from waves import C, box_mesh

from raysim.absorbers.admittance import RIGID
from raysim.geometry.build import build_room
from raysim.geometry.grid import cut_grid
from raysim.propagation import wave
from raysim.propagation.wave_pulse import grid_frequency

HIGH_HZ = 700.0
LEG_M, RADIUS_M = 1.0, 0.55


def rigid(mesh, spacing_m, **more):
    return wave.wave_room(mesh, [RIGID] * len(mesh.surfaces), spacing_m, C, **more)


def on_air(room, omega_on_grid):
    """Give the frequency in air that has a given one on the grid, by bisection."""
    spacing_m = np.sqrt((room.grid.spacing_m**2).mean())
    low, high = np.zeros(omega_on_grid.shape), 1.2 * omega_on_grid
    for _ in range(60):
        middle = 0.5 * (low + high)
        short = grid_frequency(middle, spacing_m, room.step_s, C)[0] < omega_on_grid
        low, high = np.where(short, middle, low), np.where(short, high, middle)
    return 0.5 * (low + high) / (2.0 * np.pi)


def worst_box_mode(corrected=True, sides_m=(1.3, 1.0, 0.8)):
    """Give the worst share of pitch missed over all modes of a box up to 700 Hz."""
    room = rigid(box_mesh(sides_m), wave.default_spacing_m(HIGH_HZ, C))
    inner = [n - 2 for n in room.grid.n]
    axes = [np.pi * (np.arange(n) + 0.5) / n for n in inner]
    worst, count = 0.0, 0
    for q in itertools.product(*(range(int(2 * HIGH_HZ * s / C) + 1) for s in sides_m)):
        exact = 0.5 * C * np.sqrt(sum((m / s) ** 2 for m, s in zip(q, sides_m, strict=True)))
        if not 0.0 < exact <= HIGH_HZ:
            continue
        x, y, z = (np.cos(m * a) for m, a in zip(q, axes, strict=True))
        shape = np.zeros(room.grid.n[::-1])
        shape[1:-1, 1:-1, 1:-1] = z[:, None, None] * y[:, None] * x
        stepper = wave.Stepper(room, np.full(3, 0.4), np.full((1, 3), 0.5), np.zeros(1), 8)
        stepper.p[:] = shape.ravel()
        heard = []
        for _ in range(8):
            heard.append(float(stepper.p[stepper.n % 2] @ shape.ravel()))
            stepper.advance(1)
        h = np.array(heard)
        # three terms of a cosine: 2 cos(omega dt) is what the neighbours of one sum to
        cosine = (h[1:-1] @ (h[2:] + h[:-2])) / (2.0 * (h[1:-1] @ h[1:-1]))
        omega = np.array([np.arccos(cosine) / room.step_s])
        got = on_air(room, omega)[0] if corrected else omega[0] / (2.0 * np.pi)
        worst, count = max(worst, abs(got / exact - 1.0)), count + 1
    assert count > 30
    return worst


def test_every_mode_of_a_box_is_in_tune():
    """Truth: closed form. Tolerance: 0.2 per cent, what the spacing is chosen for."""
    assert worst_box_mode() < 0.002


def test_box_test_can_fail():
    """Planted fault: the grid's own pitch, too low, is not corrected."""
    assert worst_box_mode(corrected=False) > 0.002


def coefficients(room):
    """Give the solver's step as a matrix: p+ - 2 p + p- = -K p / volume; and its cells."""
    air = np.flatnonzero(room.volume > 0.0)
    number = np.full(room.volume.size, -1)
    number[air] = np.arange(air.size)
    parts = []
    for axis, stride in enumerate(room.grid.stride):
        up = np.flatnonzero(room.opening[axis] > 0.0)
        a, b = number[up], number[up - stride]
        w = room.courant[axis] ** 2 * room.opening[axis, up]
        parts.append((np.r_[w, w, -w, -w], (np.r_[a, b, a, b], np.r_[a, b, b, a])))
    shape = (air.size, air.size)
    return sum(sparse.coo_matrix(p, shape=shape).tocsr() for p in parts), air


def modes_hz(room, count):
    """Give the lowest resonances above zero of a room on its grid."""
    stiff, air = coefficients(room)
    scale = sparse.diags(1.0 / np.sqrt(room.volume[air]))
    found = eigsh(scale @ stiff @ scale, k=count + 1, sigma=-1e-4, return_eigenvectors=False)
    lowest = np.sort(np.abs(found))[1:]
    return on_air(room, 2.0 * np.arcsin(0.5 * np.sqrt(lowest)) / room.step_s)


def prism(height_m):
    return build_room(polygon_scene([[0, 0], [LEG_M, 0], [0, LEG_M]], height_m))


def cylinder(height_m, n_side=128):
    """Give a cylinder's mesh, a polygon of the same area: pitch is off by less than 1e-4."""
    turn = 2.0 * np.pi * np.arange(n_side) / n_side
    r = RADIUS_M * np.sqrt(2.0 * np.pi / n_side / np.sin(2.0 * np.pi / n_side))
    plan = np.stack([r * np.cos(turn), r * np.sin(turn)], axis=1).round(9)
    return build_room(polygon_scene(plan.tolist(), height_m))


def staircase(room):
    """Give the planted fault: cells and openings are whole or not there."""
    grid = room.grid
    volume, opening = np.round(grid.volume), grid.opening.copy()
    for axis, stride in enumerate(grid.stride):
        opening[axis] = 0.0
        opening[axis, stride:] = (volume[stride:] > 0) & (volume[:-stride] > 0)
    for name, array in (("volume", volume), ("opening", opening)):
        object.__setattr__(room, name, array)
    return room


ROOMS = {
    "prism": (prism, lambda high: prism_modes.frequencies_hz(LEG_M, 0.01, C, high), LEG_M),
    "cylinder": (
        cylinder,
        lambda high: cylinder_modes.frequencies_hz(RADIUS_M, 0.01, C, high),
        2.0 * RADIUS_M,
    ),
}


@pytest.mark.parametrize("name", ROOMS)
def test_slanted_walls_are_in_tune(name):
    """Truth: closed forms. Tolerance: 0.3 per cent to 700 Hz at the grid for 700 Hz."""
    spacing_m = wave.default_spacing_m(HIGH_HZ, C)
    build, truth, _ = ROOMS[name]
    exact = np.array(truth(HIGH_HZ))
    flat = rigid(build(2.0 * spacing_m), spacing_m)
    assert exact.size >= 8
    assert np.abs(modes_hz(flat, exact.size) / exact - 1.0).max() < 0.003


def order(name, fault=lambda room: room):
    """Give the order in the spacing of the errors of the first six modes."""
    build, truth, wide_m = ROOMS[name]
    count = np.array([8, 12, 16, 24, 32])
    exact = np.array(truth(HIGH_HZ))[:6]
    errors = []
    for n in count:
        room = fault(rigid(build(2.0 * wide_m / n), wide_m / (n - 0.01)))
        errors.append(np.sqrt(np.mean((modes_hz(room, 6) / exact - 1.0) ** 2)))
    return -np.polyfit(np.log(count), np.log(errors), 1)[0]


@pytest.mark.parametrize("name", ROOMS)
def test_slanted_walls_converge(name):
    """Truth: closed forms. Tolerance: order 1.8 of a scheme of second order."""
    assert order(name) > 1.8


@pytest.mark.parametrize("name", ROOMS)
def test_order_test_can_fail(name):
    """Planted fault: stairs for walls."""
    assert order(name, staircase) < 1.5


def step_error(name, slip=0.0):
    """Give how far a step of the solver is from its coefficients, re the largest value."""
    room = rigid(ROOMS[name][0](0.2), 0.06)
    stiff, air = coefficients(room)
    stepper = wave.Stepper(room, np.full(3, 0.1), np.full((1, 3), 0.1), np.zeros(1), 1)
    rng = np.random.default_rng(3)
    stepper.p[:, air] = rng.normal(size=(2, air.size))
    now, before = stepper.p[0, air].astype(float), stepper.p[1, air].astype(float)
    stepper.advance(1)
    want = 2.0 * now - before - (stiff @ now) * (1.0 + slip) / room.volume[air]
    return np.abs(stepper.p[1, air] - want).max()


@pytest.mark.parametrize("name", ROOMS)
def test_the_step_is_that_of_the_coefficients(name):
    """Truth: the same sum in double precision. Tolerance: ten roundings of values of 4."""
    assert step_error(name) < 10 * 4 * 2.0**-23


def test_step_test_can_fail():
    """Planted fault: a Courant number off by a thousandth."""
    assert step_error("prism", slip=1e-3) > 100 * 2.0**-23


def volume_and_area_missed(mesh, spacing_m, grid_of=cut_grid):
    """Give how far air and walls of a grid are from those of the mesh, as shares."""
    grid = grid_of(mesh, spacing_m)
    return max(
        abs(grid.air_volume_m3 / mesh.air_volume_m3 - 1.0),
        abs(grid.wall_area_m2.sum() / mesh.area_m2 - 1.0),
    )


@pytest.mark.parametrize("name", ROOMS)
def test_grid_holds_all_air_and_all_walls(name):
    """Truth: volume and area of the mesh. Tolerance: what a share may be rounded by."""
    assert volume_and_area_missed(ROOMS[name][0](0.5), 0.07) < 1e-7


def test_grid_test_can_fail():
    """Planted fault: a grid of whole cells."""

    def stairs(mesh, spacing_m):
        grid = cut_grid(mesh, spacing_m)
        object.__setattr__(grid, "volume", np.round(grid.volume))
        return grid

    assert volume_and_area_missed(prism(0.5), 0.07, stairs) > 1e-3
