"""What guessing gives: counts of right answers against tables and sums by hand.

Truth: the binomial law, summed here with whole numbers; the table of a handbook summary of
blind tests (value computed from the law there, seen second-hand), as printed; closed forms.
"""

import itertools
from fractions import Fraction
from math import comb

import numpy as np
import pytest

from raysim.listening import chance

#: Hits, trials, p as printed.
PRINTED = [(9, 10, 0.011), (12, 16, 0.038), (11, 16, 0.105), (15, 20, 0.021), (18, 24, 0.011)]
#: With 16 trials: hit rate, power as printed.
POWERS = [(0.7, 0.45), (0.8, 0.80), (0.9, 0.98)]


def exact_p(n_hit, n_trial):
    return Fraction(sum(comb(n_trial, k) for k in range(n_hit, n_trial + 1)), 2**n_trial)


def misses_table(p_of):
    """Give rows of the printed table that a law of p misses by half its last digit."""
    return [row for row in PRINTED if abs(p_of(row[0], row[1]) - row[2]) > 0.0005]


def test_p_agrees_with_printed_table():
    assert misses_table(chance.guessing_p) == []


def test_table_test_can_fail():
    """Planted faults: strictly more hits, and two-sided."""
    assert len(misses_table(lambda k, n: chance.guessing_p(k + 1, n))) == len(PRINTED)
    assert misses_table(lambda k, n: 2.0 * chance.guessing_p(k, n)) == PRINTED


@pytest.mark.parametrize("n_trial", [1, 10, 16, 24])
def test_p_is_the_sum_of_the_law(n_trial):
    """Truth: whole numbers. Tolerance: rounding of float64."""
    for n_hit in range(n_trial + 1):
        assert chance.guessing_p(n_hit, n_trial) == pytest.approx(
            float(exact_p(n_hit, n_trial)), rel=1e-12
        )


@pytest.mark.parametrize(("rate", "printed"), POWERS)
def test_power_agrees_with_printed_figures(rate, printed):
    """Tolerance: half the last printed digit. The twin needs one hit more."""
    assert chance.power(16, rate) == pytest.approx(printed, abs=0.005)
    more = sum(comb(16, k) * rate**k * (1 - rate) ** (16 - k) for k in range(13, 17))
    assert more != pytest.approx(printed, abs=0.005)


@pytest.mark.parametrize(("n_trial", "needed"), [(4, 5), (5, 5), (10, 9), (16, 12), (24, 17)])
def test_needed_hits_are_the_fewest(n_trial, needed):
    """Truth: whole numbers; 5 is out of reach with four trials."""
    assert chance.needed_hits(n_trial) == needed
    assert exact_p(needed, n_trial) <= Fraction(1, 20) < exact_p(needed - 1, n_trial)


def wrong_coverage(interval_of, n_trial=16):
    """Give hit rates that the interval holds in less than 95 % of sittings."""
    spans = [interval_of(k, n_trial) for k in range(n_trial + 1)]
    found = []
    for q in np.linspace(0.01, 0.99, 99):
        held = sum(
            comb(n_trial, k) * q**k * (1 - q) ** (n_trial - k)
            for k, (low, high) in enumerate(spans)
            if low <= q <= high
        )
        if held < 0.95 - 1e-12:
            found.append(q)
    return found


def test_interval_holds_every_hit_rate_often_enough():
    """Truth: the binomial law, summed over all outcomes. No tolerance but rounding."""
    assert wrong_coverage(chance.rate_interval) == []


def test_interval_test_can_fail():
    """Planted fault: the interval of the normal law, as in school."""

    def school(k, n):
        q = k / n
        half = 1.96 * np.sqrt(q * (1 - q) / n)
        return q - half, q + half

    assert len(wrong_coverage(school)) > 10


@pytest.mark.parametrize("n_trial", [5, 10, 16])
def test_interval_of_no_hit_is_the_closed_form(n_trial):
    """Truth: (1 - q)^n = 0.025. Tolerance: rounding."""
    low, high = chance.rate_interval(0, n_trial)
    assert low == 0.0
    assert high == pytest.approx(1.0 - 0.025 ** (1.0 / n_trial), rel=1e-9)
    assert chance.rate_interval(n_trial, n_trial)[0] == pytest.approx(1.0 - high, rel=1e-9)


def false_success(raise_p, n_test=3, n_trial=16):
    """Give the chance of one success or more in tests that are all guessed, exactly."""
    law = [comb(n_trial, k) / 2**n_trial for k in range(n_trial + 1)]
    p = [chance.guessing_p(k, n_trial) for k in range(n_trial + 1)]
    return sum(
        np.prod([law[k] for k in hits])
        for hits in itertools.product(range(n_trial + 1), repeat=n_test)
        if min(raise_p([p[k] for k in hits])) <= chance.LEVEL
    )


def test_raised_p_keeps_false_success_rare():
    """Truth: every outcome of three guessed sittings, weighed by its chance."""
    assert false_success(chance.holm) <= chance.LEVEL
    assert false_success(list) > chance.LEVEL  # planted fault: nothing is raised


def test_holm_by_hand():
    """Truth: 0.01 x 3, 0.03 x 2, then 0.04 x 1 not below the one before."""
    assert chance.holm([0.04, 0.01, 0.03]) == pytest.approx([0.06, 0.03, 0.06])
    assert chance.holm([0.9, 0.8]) == [1.0, 1.0]


def held_share(interval_of, n, n_draw=4000):
    """Give how often the interval of n draws holds the median of a lopsided law."""
    draws = np.random.default_rng(7).exponential(size=(n_draw, n))
    spans = [interval_of(row) for row in draws]
    return np.mean([low <= np.log(2.0) <= high for low, high in spans])


@pytest.mark.parametrize("n", [6, 11, 20])
def test_median_interval_holds_the_median(n):
    """Truth: median ln 2 of the exponential law. Four sigma of 4000 draws: 1.4 %."""
    assert held_share(chance.median_interval, n) > 0.95 - 0.014


def test_median_interval_test_can_fail():
    """Planted fault: the inner fifth of the values."""
    assert held_share(lambda v: tuple(np.quantile(v, (0.4, 0.6))), 20) < 0.9


def test_five_values_have_no_interval():
    """Truth: 1 - 2/32 = 93.75 % for five, 1 - 2/64 = 96.9 % for six."""
    assert chance.median_interval([1, 2, 3, 4, 5]) is None
    assert chance.median_interval([6, 1, 2, 3, 4, 5]) == (1.0, 6.0)


@pytest.mark.parametrize("n_trial", [16, 24])
def test_sentences_say_no_more_than_statistics_allow(n_trial):
    """Every outcome says its count; none claims equality; few hits are no success."""
    told = chance.outcomes(n_trial)
    assert [o.n_hit for o in told] == list(range(n_trial + 1))
    for o in told:
        assert o.sentence.startswith(f"{o.n_hit} of {n_trial} right.")
        assert o.is_heard == (o.n_hit >= chance.needed_hits(n_trial))
        assert ("was heard" in o.sentence) == o.is_heard
        if not o.is_heard:
            assert "not proof of equality" in o.sentence or "names swapped" in o.sentence
