"""The search among layouts against brute force over all of them.

Truth: every subset that the bounds allow, judged one by one. Prices, gains and conflicts are
drawn with a fixed seed; nothing of them is tuned.
"""

import itertools
import math

import numpy as np
import pytest

from raysim.planning.search import Bounds, differing, search

#: Sums of a dozen floats of size 10 in another order.
ROUNDING = 1e-9


def everything(bounds):
    """List all layouts that bounds allow, by elementary means."""
    found = []
    n = len(bounds.price)
    for size in range(n + 1):
        for some in itertools.combinations(range(n), size):
            spots = [bounds.spot[i] for i in some]
            clash = any(pair in bounds.conflicts for pair in itertools.combinations(some, 2))
            price = math.fsum(bounds.price[i] for i in some)
            if len(set(spots)) == len(spots) and not clash and price <= bounds.budget:
                found.append(frozenset(some))
    return found


def drawn(seed, n=12):
    """Give bounds and a judge whose gains fade the more there is, as absorption's do."""
    rng = np.random.default_rng(seed)
    price = tuple(rng.uniform(10.0, 60.0, n).round(0).tolist())
    gain = rng.uniform(0.2, 3.0, n)
    pairs = [p for p in itertools.combinations(range(n), 2) if rng.random() < 0.1]
    bounds = Bounds(price, tuple(i // 2 for i in range(n)), frozenset(pairs), 120.0)

    def judging(choices):
        return [20.0 * math.exp(-0.2 * sum(gain[i] for i in sorted(c))) for c in choices]

    return bounds, judging


def run(bounds, judging, most):
    judged = []

    def counted(choices):
        judged.extend(choices)
        return judging(choices)

    found = search(bounds, counted, lambda best: [best], most, lambda *_: None)
    assert len(judged) == len(set(judged)) == len(found) <= most
    return found


@pytest.mark.parametrize("seed", range(8))
def test_few_layouts_are_all_judged(seed):
    bounds, judging = drawn(seed)
    every = everything(bounds)
    found = run(bounds, judging, len(every))
    assert set(found) == set(every)


def best_of(bounds, judging, most):
    found = run(bounds, judging, most)
    return min(found.values()), min(judging(everything(bounds)))


@pytest.mark.parametrize("seed", range(20))
def test_search_finds_the_best_of_all(seed):
    """With leave for one less than all, so that pieces are put up and exchanged."""
    bounds, judging = drawn(seed)
    got, best = best_of(bounds, judging, len(everything(bounds)) - 1)
    assert got == pytest.approx(best, abs=ROUNDING)


def test_a_wrong_sign_is_noticed():
    """Planted fault: what makes a layout worse counts as making it better."""
    misses = 0
    for seed in range(8):
        bounds, judging = drawn(seed)

        def wrong(choices, judging=judging):
            return [-value for value in judging(choices)]

        found = run(bounds, wrong, len(everything(bounds)) // 2)
        chosen = min(found, key=found.__getitem__)
        misses += judging([chosen])[0] > min(judging(everything(bounds))) + ROUNDING
    assert misses == 8


@pytest.mark.parametrize("seed", range(8))
def test_bounds_are_kept(seed):
    bounds, judging = drawn(seed)
    allowed = set(everything(bounds))
    assert set(run(bounds, judging, 60)) <= allowed


def test_bounds_test_can_fail():
    """Planted fault: a budget that is not looked at."""
    bounds, judging = drawn(1)
    free = Bounds(bounds.price, bounds.spot, bounds.conflicts, math.inf)
    assert not set(run(free, judging, 60)) <= set(everything(bounds))


def test_what_differs_spends_its_money_elsewhere():
    bounds, judging = drawn(2)
    found = run(bounds, judging, 200)
    best = min(found, key=found.__getitem__)
    others = list(differing(found, bounds, [best], 0.5))
    assert others
    for other in others:
        alike = sum(bounds.price[i] for i in other & best)
        assert alike < 0.5 * sum(bounds.price[i] for i in other)
    assert best not in others


def test_same_search_twice_is_the_same():
    """Nothing in it is random."""
    bounds, judging = drawn(3)
    assert list(run(bounds, judging, 80)) == list(run(bounds, judging, 80))
