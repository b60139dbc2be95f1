"""Decay in rooms whose walls scatter everything by Lambert's law: exact eigenvalues.

Truth: Kuttruff's integral equation. For a sphere it has the closed form
rho 2 (e^x (x - 1) + 1) / x^2 = 1, x = 2 a lambda / c, solved below; for boxes its
leading eigenvalue was computed from exact rectangle view factors (Richardson
extrapolated, +- 2e-4) and confirmed by an independent Monte Carlo of 4e6 paths.
Tolerance: three standard errors of the run, and 0.3 % (sphere) or 0.5 % (box) of the
time, both. Absorption differs from band to band, so one run serves all values.
"""

import dataclasses

import numpy as np
import pytest
import trimesh
from rooms import box_scene, material, omni
from scipy.optimize import brentq

from raysim.geometry.build import build_room
from raysim.geometry.mesh import MeshSurface, RoomMesh
from raysim.propagation.rays import RayRun
from raysim.propagation.room import acoustic_room
from raysim.scene.model import Receiver, Scene, Source
from raysim.units import LN_60_DB, to_level_db

C = 343.0
WALLS = ("west", "east", "south", "north", "floor", "ceiling")  # x0 x1 y0 y1 z0 z1

#: T60 in s of a 5 x 4 x 3 m box, c = 343 m/s: columns are walls in the order of WALLS.
BOX_T60_S = {
    (0.1,) * 6: 0.99750,
    (0.2,) * 6: 0.48131,
    (0.3,) * 6: 0.30784,
    (0.5,) * 6: 0.16609,
    (0.7,) * 6: 0.10135,
    (0.1, 0.1, 0.1, 0.1, 0.6, 0.1): 0.4402,
    (0.5, 0.5, 0.05, 0.05, 0.05, 0.05): 0.5744,
    (0.5, 0.5, 0.1, 0.1, 0.1, 0.1): 0.4666,
}
#: T60 / T60_Eyring of a 4 x 3 x 2.5 m box is 1 / these.
SMALL_BOX = {0.1: 0.97859, 0.2: 0.95768, 0.3: 0.93691, 0.5: 0.89395, 0.7: 0.84414}
SPHERE_ALPHA = (0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.9)


def sphere_t60_s(alpha, radius_m):
    """Solve the sphere's eigenvalue equation."""

    def excess(x):
        return (1.0 - alpha) * 2.0 * (np.exp(x) * (x - 1.0) + 1.0) / x**2 - 1.0

    x = brentq(excess, 1e-4, 30.0, xtol=1e-14)
    return LN_60_DB * 2.0 * radius_m / (C * x)


def decay_s(energy, bin_s, top_db):
    """Fit 30 dB of the decay, from ``top_db`` on."""
    left = np.cumsum(energy[::-1])[::-1]
    level_db = to_level_db(left / left[0])
    fits = (level_db <= top_db) & (level_db >= top_db - 30.0)
    slope, _ = np.polyfit(np.arange(len(left))[fits] * bin_s, level_db[fits], 1)
    return -60.0 / slope


def measured(room, scene, n_ray, duration_s, top_db):
    """Give decay time and standard error per band, of the sum over receivers."""
    room = dataclasses.replace(room, speed_m_s=C, air_per_m=np.full(8, 1e-12))
    run = RayRun(
        room, scene.sources[0], list(scene.receivers), seed=11, duration_s=duration_s,
        bin_s=0.001, image_order=3, pair_order=0,
    )  # fmt: skip
    run.follow(n_ray)
    assert run.count.n_lost <= 1e-6 * run.count.n_segment
    energy = sum(h.energy for h in run.histograms())
    n = len(energy)
    total = energy.sum(axis=0)
    value = np.array([decay_s(e, 0.001, top_db) for e in total])
    without = np.array([[decay_s(e, 0.001, top_db) for e in total - one] for one in energy])
    return value, np.sqrt((n - 1) * without.var(axis=0))


def misses(value, error, truth, most):
    """List the bands that lie outside the tolerance, or whose error is too large to say."""
    off = np.abs(value / truth - 1.0)
    return np.flatnonzero((off > most) | (off > 3.0 * error / truth) | (error > most * truth))


@pytest.fixture(scope="module")
def sphere():
    ball = trimesh.creation.icosphere(3, 3.0)
    ball.invert()
    volume, area = abs(ball.volume), ball.area
    n_face = len(ball.faces)
    return RoomMesh(
        np.array(ball.vertices), np.array(ball.faces), np.zeros(n_face, dtype=np.int64),
        np.arange(n_face), (MeshSurface("wall", "wall"),), volume, area, volume, area,
    )  # fmt: skip


def sphere_result(mesh, scattering):
    wall = material("wall", SPHERE_ALPHA, scattering)
    x = np.array([1.0, 0.0, 0.0])
    places = ((0.0, 0.0, 0.0), (1.5, -1.0, 0.8), (-1.2, 0.2, -1.9))
    scene = Scene(
        "", "", None, "", None, (), {"wall": wall},
        (Source("S", np.array([1.0, 0.5, 0.2]), x, omni()),),
        tuple(Receiver(f"R{i}", np.array(p), x) for i, p in enumerate(places)),
    )  # fmt: skip
    value, error = measured(acoustic_room(scene, mesh), scene, 16_000, 1.9, -15.0)
    # -15 to -45 dB: after the first few walls have been forgotten
    # the polyhedron's mean chord 4V/S is that of a sphere of this radius
    radius = 3.0 * mesh.envelope_volume_m3 / mesh.envelope_area_m2
    return value, error, np.array([sphere_t60_s(a, radius) for a in SPHERE_ALPHA])


def test_sphere_equation_at_half():
    """Truth: at alpha 0.5 the equation has x = 1 exactly."""
    assert sphere_t60_s(0.5, 3.0) == pytest.approx(LN_60_DB * 6.0 / C, rel=1e-12)


def test_sphere_with_lambert_walls_has_the_exact_decay(sphere):
    value, error, truth = sphere_result(sphere, 1.0)
    assert misses(value, error, truth, 0.003).size == 0


def test_sphere_test_can_fail(sphere):
    """Planted fault: walls that mirror a tenth; grazing rays creep along the wall."""
    value, error, truth = sphere_result(sphere, 0.9)
    assert misses(value, error, truth, 0.003).size > 4


def box_result(lx, ly, lz, walls, scattering, duration_s=1.2):
    columns = np.array(walls, dtype=float)  # (n_case, 6)
    columns = np.concatenate([columns, np.repeat(columns[-1:], 8 - len(columns), axis=0)])
    scene = box_scene(
        lx, ly, lz, alpha=dict(zip(WALLS, columns.T, strict=True)),
        scattering=dict.fromkeys(WALLS, scattering), sources=((1.1, 1.2, 0.9),),
        receivers=((0.7 * lx, 0.6 * ly, 0.4 * lz), (0.4 * lx, 0.8 * ly, 0.7 * lz),
                   (0.85 * lx, 0.2 * ly, 0.55 * lz)),
    )  # fmt: skip
    value, error = measured(
        acoustic_room(scene, build_room(scene)), scene, 40_000, duration_s, -5.0
    )
    return value[: len(walls)], error[: len(walls)]


def test_box_with_lambert_walls_has_the_exact_decay():
    value, error = box_result(5.0, 4.0, 3.0, list(BOX_T60_S), 1.0)
    assert misses(value, error, np.array(list(BOX_T60_S.values())), 0.005).size == 0


def small_box_truth():
    volume, area = 30.0, 59.0
    eyring = {a: 4.0 * LN_60_DB * volume / (C * -area * np.log1p(-a)) for a in SMALL_BOX}
    return np.array([eyring[a] / SMALL_BOX[a] for a in SMALL_BOX])


def test_small_box_with_lambert_walls_has_the_exact_decay():
    value, error = box_result(4.0, 3.0, 2.5, [(a,) * 6 for a in SMALL_BOX], 1.0)
    assert misses(value, error, small_box_truth(), 0.005).size == 0


def test_box_test_can_fail():
    """Planted fault: half of the reflected sound is mirrored, as in an ordinary room."""
    value, error = box_result(4.0, 3.0, 2.5, [(a,) * 6 for a in SMALL_BOX], 0.5)
    assert misses(value, error, small_box_truth(), 0.005).size > 2
