"""Late walls look for receivers by chance, which changes how certain energies are, no more."""

import numpy as np
import pytest
from reference.chi2 import chance_of
from rooms import box_scene
from traced import furnished_attic, mean_and_error, prepared, ray_energy, ray_run

from raysim.core.emission import LOOK_BOUNCE, LOOK_TOGETHER, look_from
from raysim.propagation import rays
from raysim.propagation.rays import looking_chance

DURATION_S, BIN_S = 0.3, 0.01
#: Where walls look by chance from the second on, and the same rays where all look.
ORDERS = (1, 0)


def always(scattering):
    return np.ones(len(scattering))


def never_from_the_first(scattering):
    chance = looking_chance(scattering)
    chance[0] = 0.0
    return chance


def attic():
    return furnished_attic(
        alpha=0.15,
        scattering={"floor": np.linspace(0.1, 0.4, 8), "W slope": 0.3, "thing": 0.6},
        sources=((1.0, 1.5, 1.0),),
        receivers=((3.0, 2.0, 1.2),),
    )


def sigmas_apart(monkeypatch, chance):
    """Give how far energies lie from those of walls that always look, by band and window.

    Both follow the same rays, so the error is that of the difference, batch by batch.
    """
    scene = attic()
    room = prepared(scene)
    found = []
    for how in (always, chance):
        monkeypatch.setattr(rays, "looking_chance", how)
        run = ray_run(room, scene, 32_000, duration_s=DURATION_S, bin_s=BIN_S, orders=ORDERS)
        found.append(ray_energy(run).reshape(32, 8, 3, -1).sum(axis=3))
    mean, error = mean_and_error(found[1] - found[0])
    return mean / error


def test_energy_does_not_depend_on_the_chance(monkeypatch):
    """Truth: the same rays, connected at every wall. Tolerance: 24 times 4 sigma."""
    assert np.abs(sigmas_apart(monkeypatch, looking_chance)).max() < 4.0


def test_energy_test_notices_a_wall_that_never_looks(monkeypatch):
    """Planted fault: the first side scatters, and is never looked at."""
    assert sigmas_apart(monkeypatch, never_from_the_first).min() < -8.0


def test_first_walls_always_look(monkeypatch):
    """Truth: with every wall among the first, chances that are 0 change nothing."""
    scene = box_scene(
        alpha=0.2, scattering=0.3, sources=((1.0, 1.0, 1.5),), receivers=((3.1, 2.2, 1.2),)
    )
    room = prepared(scene)

    def energy(order, how):
        monkeypatch.setattr(rays, "looking_chance", how)
        return ray_energy(ray_run(room, scene, 640, duration_s=0.02, orders=(order, 0)))

    def never(scattering):
        return np.zeros(len(scattering))

    assert (energy(30, never) == energy(30, always)).all()
    assert (energy(0, never) != energy(0, always)).any()


def test_chance_is_half_of_scattered_over_mirrored():
    """Truth: its definition (R6), of the band that scatters most; certain from 2/3 on."""
    s = np.array([[0.0, 0.0], [0.1, 0.2], [0.5, 0.1], [0.7, 0.1], [1.0, 1.0]])
    assert looking_chance(s) == pytest.approx([0.0, 0.125, 0.5, 1.0, 1.0])


def numbers(i_batch, bounce, n_group=1000):
    """Give what decides whether groups of rays look, (n_group,)."""
    first = [look_from(np.uint64(1), i_batch, LOOK_TOGETHER * g) for g in range(n_group)]
    return (np.array(first) + bounce * LOOK_BOUNCE) % 1.0


@pytest.mark.parametrize("bounce", [0, 4, 150])
def test_looks_are_spread_evenly(bounce):
    """Truth: a thousand even numbers; a step of the golden section is off by 3 of them at most.

    So much was seen; the twin, numbers drawn at random, is off by some thirty.
    """

    def off(u):
        return np.abs(np.sort(u) - (np.arange(1000) + 0.5) / 1000).max() * 1000

    assert off(numbers(0, bounce)) < 3.0
    assert off(np.random.default_rng(bounce).random(1000)) > 3.0


def test_batches_look_apart():
    """Truth: shifts are drawn (R1): 64 of them fill the line; tolerance: chi-square, 1 %."""
    first = np.array([numbers(i, 0, 1)[0] for i in range(64)])
    assert chance_of(np.histogram(first, 8, (0.0, 1.0))[0], np.ones(8)) > 0.01
    alike = np.full(64, first[0])
    assert chance_of(np.histogram(alike, 8, (0.0, 1.0))[0], np.ones(8)) < 0.01


def certainty(monkeypatch, chance):
    """Give the variance of late energy, mean over bands, relative."""
    scene = attic()
    room = prepared(scene)
    monkeypatch.setattr(rays, "looking_chance", chance)
    run = ray_run(room, scene, 64_000, duration_s=DURATION_S, bin_s=BIN_S, orders=ORDERS)
    late = ray_energy(run)[:, :, 10:].sum(axis=2)
    return float((late.var(axis=0) / late.mean(axis=0) ** 2).mean())


def test_what_the_chance_costs_in_certainty(monkeypatch):
    """Truth: walls that always look. Tolerance: a tenth, as R6 says.

    Both follow the same rays, so their variances differ by what chance adds, not by luck of
    the draw. Planted fault: a fiftieth of the chance, so that a few connections weigh much.
    """
    usual = certainty(monkeypatch, always)
    assert certainty(monkeypatch, looking_chance) < 1.1 * usual
    assert certainty(monkeypatch, lambda s: 0.02 * looking_chance(s)) > 1.1 * usual
