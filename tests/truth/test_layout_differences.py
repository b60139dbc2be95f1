"""Differences between layouts: their value, and the error that shared chance leaves.

Truth: for a mean of independent batches the delete-one jackknife is the standard error
of a mean, std/sqrt(n) with n - 1 in the variance (closed form), and of a difference of
two means that of the batches' differences. Tolerance: rounding of float64.
"""

from types import SimpleNamespace

import numpy as np
import pytest

from raysim.report.differences import layout_lines
from raysim.scene.model import Bands

BANDS = Bands()
N_BATCH = 32


def pair_of(batches, receiver="microphone", c50_db=None, is_seen=True, strongest=None):
    """Give what a comparison looks at in a pair; every number is a mean over batches.

    ``batches`` (n_batch, n_band) are the batches' T30, C50 and, in the first band, STI.
    """
    without = (batches.sum(axis=0) - batches) / (len(batches) - 1)
    mean = batches.mean(axis=0)
    return SimpleNamespace(
        source="voice",
        receiver=receiver,
        is_seen=is_seen,
        strongest=strongest,
        room_decay=SimpleNamespace(t30_s=mean, without_s=without),
        measures=SimpleNamespace(
            c50_db=mean if c50_db is None else c50_db,
            sti=mean[0],
            without={"c50_db": without, "sti": without[:, 0]},
        ),
    )


def room_of(*layouts):
    """Give a room whose layouts, "a", "b" and so on, have these pairs."""
    return SimpleNamespace(
        layouts=tuple(
            SimpleNamespace(
                name=name,
                pairs=pairs,
                t30_mid_s=0.5,
                t30_mid_error_s=0.01,
                is_modal=BANDS.centre_hz < 200.0,
            )
            for name, pairs in zip("abcd", layouts, strict=False)
        )
    )


def chance(seed, n_batch=N_BATCH):
    return 1.0 + 0.1 * np.random.default_rng(seed).standard_normal((n_batch, BANDS.n_band))


def mid(batches):
    return batches[:, BANDS.middle].mean(axis=1)


def mean_error(values):
    """Standard error of the mean of independent values."""
    return values.std(ddof=1) / np.sqrt(len(values))


def difference(first, other, name="t30_mid_s"):
    return layout_lines(room_of(first, other), BANDS)[1].differences[name]


def test_error_of_a_difference_is_that_of_its_batches():
    """Half of the chance is shared: the error is that of the half that is not."""
    shared, own = chance(1), chance(2)
    first, other = shared, shared + 0.5 * (own - 1.0) - 0.2
    found = difference((pair_of(first),), (pair_of(other),))
    assert found.value == pytest.approx((mid(other) - mid(first)).mean(), rel=1e-12)
    assert found.error == pytest.approx(mean_error(mid(other) - mid(first)), rel=1e-9)
    # the twin: errors taken as if the layouts did not share their chance
    apart = np.hypot(mean_error(mid(first)), mean_error(mid(other)))
    assert abs(found.error / apart - 1.0) > 0.3


def test_shared_chance_cancels():
    """All of it is shared: what is left is the difference alone."""
    found = difference((pair_of(chance(1)),), (pair_of(chance(1) - 0.125),))
    assert found.value == pytest.approx(-0.125, rel=1e-12)
    assert found.error < 1e-12


def test_pairs_share_chance_too():
    """Truth: the batches' mean over both pairs, for two pairs that differ alike."""
    a, b = chance(1), chance(2)
    first = (pair_of(a), pair_of(a, "other"))
    other = (pair_of(b), pair_of(b, "other"))
    found = difference(first, other)
    assert found.error == pytest.approx(mean_error(mid(b) - mid(a)), rel=1e-9)
    # the twin: taken for independent, they would be known better by the root of two
    assert found.error > 1.3 * mean_error(mid(b) - mid(a)) / np.sqrt(2.0)


def test_batches_of_other_number_are_apart():
    """Truth: variances of independent means add."""
    a, b = chance(1), chance(2, 16)
    found = difference((pair_of(a),), (pair_of(b),))
    apart = np.hypot(mean_error(mid(a)), mean_error(mid(b)))
    assert found.error == pytest.approx(apart, rel=1e-9)


def test_only_pairs_of_both_count():
    """The second layout lacks a pair, whose T30 would change the mean."""
    a, far = chance(1), chance(3) + 5.0
    lines = layout_lines(room_of((pair_of(a), pair_of(far, "far")), (pair_of(a),)), BANDS)
    assert lines[1].differences["t30_mid_s"].value == 0.0
    assert (lines[0].n_pair, lines[1].n_pair, lines[1].n_common) == (2, 1, 1)


def test_only_bands_that_both_have_count():
    """500 Hz of the other is not known: 1 kHz alone is compared."""
    a = chance(1)
    b = a + 0.25
    b[:, BANDS.middle[0]] = np.nan
    found = difference((pair_of(a),), (pair_of(b),))
    assert found.value == pytest.approx(0.25, rel=1e-12)
    nothing = difference((pair_of(a),), (pair_of(np.full_like(a, np.nan)),))
    assert np.isnan(nothing.value)
    assert np.isnan(nothing.error)


def test_lows_over_highs():
    """Truth: the quotient of means by hand; its error to first order, 2 % of it."""
    batches = 1.0 + 0.02 * (chance(5) - 1.0)
    lows = batches[:, [1, 2]].mean(axis=1)  # 125 and 250 Hz
    highs = batches[:, 5]  # 2 kHz
    (line,) = layout_lines(room_of((pair_of(batches),)), BANDS)
    assert line.balance.value == pytest.approx(lows.mean() / highs.mean(), rel=1e-12)
    first_order = mean_error(lows / lows.mean() - highs / highs.mean())
    assert line.balance.error == pytest.approx(first_order, rel=0.02)
    assert line.balance_is_hint  # 125 Hz lies below 200 Hz
    assert line.differences == {}


def test_strongest_reflection_of_all_pairs_in_sight():
    def heard(level_db):
        return SimpleNamespace(level_db=level_db)

    pairs = (
        pair_of(chance(1), "near", strongest=heard(-9.0)),
        pair_of(chance(1), "far", strongest=heard(-4.0)),
        pair_of(chance(1), "hidden", strongest=heard(3.0), is_seen=False),
        pair_of(chance(1), "alone"),
    )
    (line,) = layout_lines(room_of(pairs), BANDS)
    assert (line.strongest.receiver, line.strongest.arrival.level_db) == ("far", -4.0)
    (line,) = layout_lines(room_of(pairs[2:]), BANDS)
    assert line.strongest is None
