"""A replay with other coefficients is unbiased: it agrees with tracing the other room.

Truth: rays traced anew, of another seed, in the room that has the coefficients; each test
is of its own recording, its own change and its own seed. Tolerance: the sum of squared
differences over their errors is a chi-square; 1 % outside, half on each side, errors of 32
batches each.
"""

from dataclasses import replace
from functools import cache

import numpy as np
from rooms import box_scene, sheet_thing
from scipy.stats import chi2
from traced import SHEET_M, mean_and_error, prepared, ray_energy, ray_run

from raysim.propagation.rays import N_BATCH
from raysim.propagation.replay import record, replay

N_CHANGE = 24
N_RAY = 3200
DURATION_S = 0.4
ORDERS = (2, 10)
#: Early, late, and so late that roulette has been at work in both rooms, by 2 ms bins.
WINDOWS = (slice(0, 25), slice(25, 100), slice(140, 200))


@cache
def bare():
    """Give a room with a sheet in it; its first 60 dB end after about a quarter second."""
    scene = box_scene(
        alpha=0.3,
        scattering={"floor": np.linspace(0.2, 0.5, 8), "cloth": 0.4, "felt": 0.3, "south": 0.2},
        sources=((1.9, 1.6, 1.3),),
        receivers=((1.8, 3.3, 1.2),),
        things=(sheet_thing("curtain", SHEET_M, "cloth", "felt"),),
        other=("cloth", "felt"),
    )
    return prepared(scene), scene


def changed(rng, sides):
    """Give coefficients for half the sides: more and less absorbing, and scattering."""
    pick = rng.permutation(len(sides.names))[: len(sides.names) // 2]
    alpha, scattering = sides.alpha.copy(), sides.scattering.copy()
    alpha[pick] = rng.uniform(0.15, 0.8, (len(pick), 8))
    old = scattering[pick]
    scattering[pick] = np.clip(old + rng.uniform(-0.6, 0.9, (len(pick), 1)) * old, 0.02, 0.9)
    return alpha, scattering


@cache
def both():
    """Give replayed and traced energy, (n_change, n_batch), a window and band each."""
    room, scene = bare()
    replayed, traced = [], []
    for i in range(N_CHANGE):
        rng = np.random.default_rng(100 + i)
        alpha, scattering = changed(rng, room.sides)
        recording = record(
            room, scene.sources[0], list(scene.receivers), seed=1000 + i, n_ray=N_RAY,
            duration_s=DURATION_S, bin_s=0.002, image_order=ORDERS[0], pair_order=ORDERS[1],
        )  # fmt: skip
        other = replace(room, sides=replace(room.sides, alpha=alpha, scattering=scattering))
        run = ray_run(other, scene, N_RAY, seed=2000 + i, duration_s=DURATION_S, orders=ORDERS)
        window, band = WINDOWS[i % 3], i % 8
        energies = replay(recording, alpha, scattering, "energy")[0].energy, ray_energy(run)
        for found, energy in zip((replayed, traced), energies, strict=True):
            found.append(energy[:, band, window].sum(axis=1))
    return np.array(replayed), np.array(traced)


def chi_square(replayed, traced):
    """Give the sum of squared differences in units of their errors."""
    (a, a_error), (b, b_error) = mean_and_error(replayed.T), mean_and_error(traced.T)
    return float(((a - b) ** 2 / (a_error**2 + b_error**2)).sum())


#: The square of a difference over an error from 2 x 32 batches is a little over 1.
_FREE = 2 * (N_BATCH - 1)
LOW, HIGH = chi2.ppf([0.005, 0.995], N_CHANGE) * _FREE / (_FREE - 2)


def test_replays_agree_with_traces():
    assert LOW < chi_square(*both()) < HIGH


def test_agreement_test_notices_a_decibel():
    """Planted fault: replays 1 dB too loud."""
    replayed, traced = both()
    assert chi_square(10.0**0.1 * replayed, traced) > HIGH


def test_agreement_test_notices_a_forgotten_change():
    """Planted fault: the coefficients as they were."""
    room, scene = bare()
    old = room.sides
    recording = record(
        room, scene.sources[0], list(scene.receivers), seed=7, n_ray=N_RAY,
        duration_s=DURATION_S, bin_s=0.002, image_order=ORDERS[0], pair_order=ORDERS[1],
    )  # fmt: skip
    energy = replay(recording, old.alpha, old.scattering, "energy")[0].energy
    forgotten = np.array(
        [energy[:, i % 8, WINDOWS[i % 3]].sum(axis=1) for i in range(N_CHANGE)]
    )
    assert chi_square(forgotten, both()[1]) > 10.0 * HIGH


def rougher():
    """Give a smooth room recorded, and the coefficients of the same with a rough floor."""
    scene = box_scene(alpha=0.2, scattering=0.05, receivers=((3.5, 2.5, 1.2),))
    room = prepared(scene)
    recording = record(
        room, scene.sources[0], list(scene.receivers), seed=5, n_ray=32_000,
        duration_s=0.2, bin_s=0.002, image_order=2, pair_order=0,
    )  # fmt: skip
    floor = room.sides.names.index("floor")
    scattering = room.sides.scattering.copy()
    scattering[floor] = 0.5
    energy = replay(recording, room.sides.alpha, scattering, "energy")[0].energy
    other = replace(room, sides=replace(room.sides, scattering=scattering))
    run = ray_run(other, scene, 32_000, seed=6, duration_s=0.2, orders=(2, 0))
    return energy, ray_energy(run)


def test_a_wall_ten_times_as_rough_is_replayed():
    """Truth: rays traced anew. Tolerance: 4 sigma, early and late; planted fault: 1 dB."""

    def sigmas(factor):
        found = []
        for window in (slice(10, 25), slice(25, 100)):
            (a, a_error), (b, b_error) = (
                mean_and_error(e[:, 3, window].sum(axis=1)) for e in (factor * own, traced)
            )
            found.append(abs(a - b) / np.hypot(a_error, b_error))
        return np.array(found)

    own, traced = rougher()
    assert sigmas(1.0).max() < 4.0
    assert sigmas(10.0**0.1).max() > 4.0
