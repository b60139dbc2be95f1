"""How often layouts that are alike are told apart, and ones that differ are not.

Truth: at most 5 % of comparisons of alike layouts may tell any two apart (Bonferroni, Student);
a planted difference must be found. Seeds are fixed. Of 200 comparisons at 5 % more than 20
come up once in a thousand (binomial law).
"""

import numpy as np
import pytest
from quick import write_quick

from raysim.compare.figures import Quantity, Readings, readings
from raysim.compare.groups import differences, groups
from raysim.compare.jnd import JNDS
from raysim.report.facts import LayoutFacts, gather
from raysim.store.file import open_results
from raysim.study import prepare, run, with_settings

N_SEED, ALLOWED = 200, 20
N_LAYOUT, N_BATCH = 4, 32


def synthetic(seed, planted_db=0.0, noise_db=2.0):
    """Give layouts that are alike in 13 levels but for what is planted in the last layout."""
    rng = np.random.default_rng(seed)
    quantities = tuple(Quantity("g_db", "mid", "voice", f"m{i}", False) for i in range(13))
    batches = noise_db * rng.standard_normal((N_LAYOUT, N_BATCH, 13))
    batches[-1, :, 4] += planted_db
    without = (batches.sum(axis=1, keepdims=True) - batches) / (N_BATCH - 1)
    value = batches.mean(axis=1)
    names = tuple("abcd"[:N_LAYOUT])
    return Readings(names, quantities, value, tuple(without), (), np.zeros((4, 0, 8)))


def told_by_chance(factor=None):
    """Count comparisons of alike layouts that find any difference to be more than chance."""
    count = 0
    for seed in range(N_SEED):
        found = differences(synthetic(seed))
        k = found.factor if factor is None else factor
        count += bool((np.abs(found.steps) > k * found.steps_error).any())
    return count


def test_alike_layouts_are_seldom_told_apart():
    assert told_by_chance() <= ALLOWED
    # the twin: two standard errors for every one of 78 differences
    assert told_by_chance(2.0) > 5 * ALLOWED


def test_alike_layouts_are_one_group():
    """In 95 % of runs, though chance here exceeds what is noticed (0.5 dB of error)."""
    groupings = [groups(differences(synthetic(seed))) for seed in range(N_SEED)]
    assert sum(len(g) > 1 for g in groupings) <= 0.05 * N_SEED


def test_a_planted_decibel_is_found():
    """1 dB, known to 0.18 dB: more than chance in 95 % of runs, and only where planted."""
    certain = 0
    for seed in range(N_SEED):
        d = differences(synthetic(seed, planted_db=1.0, noise_db=0.7)).between("a", "d")
        certain += d[4].is_certain
    assert certain >= 0.95 * N_SEED


def test_more_than_a_decibel_is_heard():
    heard = [
        [d.quantity.receiver for d in differences(found).distinguishable("a", "d")] == ["m4"]
        for found in (synthetic(seed, 1.7, 0.7) for seed in range(N_SEED))
    ]
    assert sum(heard) >= 0.95 * N_SEED
    assert JNDS["g_db"].size == 1.0


@pytest.fixture(scope="module")
def real_runs(tmp_path_factory):
    """Trace one small room with ten seeds, and once with softer walls."""
    folder = tmp_path_factory.mktemp("seeds")
    plain = write_quick(folder / "plain")
    soft = write_quick(folder / "soft", ("alpha = 0.4", "alpha = 0.5"))
    asked = [(plain, seed) for seed in range(1, 11)] + [(soft, 11)]
    facts = []
    for scene, seed in asked:
        into = folder / f"out {scene.name} {seed}"
        path = run([with_settings(prepare(scene), seed=seed)], into).results
        with open_results(path) as results:
            facts.append((gather(results), results.bands))
    return facts


def of_runs(facts, chosen):
    """Give the runs as layouts of one room."""

    class Room:
        layouts: tuple[LayoutFacts, ...]

    room = Room()
    layouts = [facts[i][0].layouts[0] for i in chosen]
    room.layouts = tuple(_named(layout, f"run {i}") for i, layout in enumerate(layouts))
    return readings(room, facts[0][1])


def _named(layout, name):
    from dataclasses import replace

    return replace(layout, name=name)


def test_runs_of_one_real_room_are_not_told_apart(real_runs):
    """Truth: the same room; all 45 pairs of ten seeds are looked at together."""
    assert len(groups(differences(of_runs(real_runs, range(10))))) == 1


def test_a_real_room_with_softer_walls_is(real_runs):
    """Twin: Eyring, ln 0.5 / ln 0.6 = 1.36 or six just-noticeable steps of decay."""
    assert len(groups(differences(of_runs(real_runs, (0, 10))))) == 2
