"""Layouts beside each other: thresholds, groups, aims, fronts, worths, held rankings.

Truths: ISO 3382-1:2009, Table A.1 (seen second-hand); closed forms; brute force. Tolerances:
rounding of float64 unless a test says otherwise.
"""

import itertools
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from comparing import flat, reading

from raysim.compare.figures import readings
from raysim.compare.front import Price, front, is_nearer
from raysim.compare.groups import differences, groups, linked
from raysim.compare.jnd import JNDS, LEAST_FACTOR, audibility, least_factor
from raysim.compare.leave_one_out import reduced, runs_without, worth
from raysim.compare.robust import between, held, held_by_materials, near_receivers
from raysim.compare.targets import Reached, aim_for, beyond_steps, reached
from raysim.errors import SettingsError
from raysim.scene.model import Bands, Receiver
from raysim.scene.plan import Layout
from raysim.units import octave_centres_hz

#: ISO 3382-1:2009, Table A.1, seen second-hand: size, whether a share, typical range.
PRINTED = {
    "edt_s": (0.05, True, (1.0, 3.0)),
    "g_db": (1.0, False, (-2.0, 10.0)),
    "c80_db": (1.0, False, (-5.0, 5.0)),
    "d50": (0.05, False, (0.3, 0.7)),
    "ts_s": (0.010, False, (0.060, 0.260)),
    "j_lf": (0.05, False, (0.05, 0.35)),
}


def wrong_rows(jnds):
    return [
        name
        for name, row in PRINTED.items()
        if (jnds[name].size, jnds[name].is_relative, jnds[name].typical) != row
    ]


def test_just_noticeable_differences_are_the_printed_ones():
    assert wrong_rows(JNDS) == []
    # the twin
    assert wrong_rows(JNDS | {"g_db": replace(JNDS["g_db"], size=0.5)}) == ["g_db"]


def test_what_the_table_lacks_says_so():
    for name in set(JNDS) - set(PRINTED):
        assert "no row" in JNDS[name].source or JNDS[name].certainty == "value from memory"
    assert JNDS["sti"].size == 0.03  # value from memory


@pytest.mark.parametrize(
    ("steps", "error", "heard"),
    [
        (0.99, 0.0, False),  # exact, but less than is noticed
        (1.0, 0.0, True),
        (1.5, 0.70, True),
        (1.5, 0.76, False),  # within two standard errors
        (-3.0, 1.4, True),
        (9.0, np.nan, False),  # error not known
        (np.nan, 0.1, False),
        (0.0, 0.0, False),
    ],
)
def test_audible_needs_both(steps, error, heard):
    assert (audibility(np.array([steps]), np.array([error]))[0] >= 1.0) is np.bool_(heard)


def test_least_factor():
    """Truth: Student's t, 97.5 % two-sided tables: 2.262 (9), 2.045 (29 degrees of freedom)."""
    assert least_factor(1, 10) == pytest.approx(2.262, abs=5e-4)
    assert least_factor(1, 30) == pytest.approx(2.045, abs=5e-4)
    assert least_factor(5, 10) == pytest.approx(3.250, abs=5e-4)  # 99.5 % one-sided, 9
    assert least_factor(1, 10**6) == LEAST_FACTOR  # 1.960 would be less
    assert least_factor(1, 1) == np.inf


def brute_linked(names, apart):
    """Join the two groups whose furthest members are nearest, while nearer than 1."""
    held_in = [[i] for i in range(len(names))]
    while len(held_in) > 1:
        (far, a, b) = min(
            (max(apart[i, j] for i in held_in[a] for j in held_in[b]), a, b)
            for a, b in itertools.combinations(range(len(held_in)), 2)
        )
        if far >= 1.0:
            break
        held_in[a] = sorted(held_in[a] + held_in.pop(b))
    return {tuple(names[i] for i in group) for group in held_in}


@pytest.mark.parametrize("seed", range(40))
def test_groups_are_those_of_brute_force(seed):
    rng = np.random.default_rng(seed)
    n = int(rng.integers(2, 8))
    half = np.triu(rng.uniform(0.0, 2.0, (n, n)), 1)
    apart = half + half.T
    names = list("abcdefgh"[:n])
    found = linked(names, apart)
    assert set(found) == brute_linked(names, apart)
    assert sorted(itertools.chain(*found)) == names
    assert all(apart[names.index(a), names.index(b)] < 1 for g in found for a in g for b in g)


def test_chains_are_not_groups():
    """a and b, b and c cannot be told apart, a and c can: never all three together."""
    apart = np.array([[0.0, 0.5, 1.5], [0.5, 0.0, 0.6], [1.5, 0.6, 0.0]])
    assert linked("abc", apart) == (("a", "b"), ("c",))
    # the twin, which only asks for the nearest member
    assert min(apart[0, 2], apart[1, 2]) < 1.0


def test_differences_by_hand():
    """Truth: ln(0.42/0.4)/ln(1.05) = 1 step; the error that of a mean of batches."""
    found = differences(reading(flat(0.4, 0.42)))
    d = found.between("a", "b")[3]
    assert (d.value, d.steps) == (pytest.approx(0.02), pytest.approx(1.0))
    noisy = reading(flat(0.4, 0.4), noise=0.1)
    each = [w.sum(axis=0) - 31 * w for w in noisy.without]  # the batches again
    error = (each[1] - each[0]).std(axis=0, ddof=1) / np.sqrt(32)
    assert differences(noisy).error[0, 1] == pytest.approx(error)
    assert differences(noisy).error[0, 1] != pytest.approx(0.7 * error)


def test_what_tells_layouts_apart():
    t30_s = flat(0.4, 0.4, 0.4)
    t30_s[1, 3] = 0.46  # three steps at 500 Hz
    t30_s[2, 1] = 0.80  # fourteen at 125 Hz, which is a hint
    found = differences(reading(t30_s, hint=("63", "125")))
    assert [d.quantity.band for d in found.distinguishable("a", "b")] == ["500"]
    assert found.distinguishable("a", "c") == ()
    assert groups(found) == (("a", "c"), ("b",))
    assert groups(found, "t30_s") == groups(found)
    assert groups(found, "sti") == (("a", "b", "c"),)
    # the twin: were it no hint, it would tell
    assert groups(differences(reading(t30_s))) == (("a",), ("b",), ("c",))


@pytest.mark.parametrize(
    ("use", "volume_m3", "band", "low_s", "high_s"),
    [
        ("listening", 100.0, "500", 0.20, 0.30),  # EBU Tech 3276, 2nd ed., seen second-hand
        ("listening", 25.0, "1k", 0.15, 0.25),  # the formula leaves its range: 0.2 s
        ("listening", 100.0, "8k", 0.15, 0.35),  # value from memory
        ("listening", 100.0, "63", 0.20, 0.55),  # value from memory
        ("voice", 40.0, "1k", 0.225, 0.275),  # a textbook, read: 0.25 s within 10 %
        ("voice", 40.0, "63", 0.0, 0.73),  # BBC RD 1970/10, read
        ("voice", 40.0, "125", 0.0, 0.33),  # 20 % more, seen second-hand
        ("ensemble", 65.0, "1k", 0.6, 1.2),  # school guidance, seen second-hand
    ],
)
def test_aims(use, volume_m3, band, low_s, high_s):
    (found,) = [b for b in aim_for(use, volume_m3).bands if b.band == band]
    # half of the last digit that the sources print
    assert (found.low_s, found.high_s) == pytest.approx((low_s, high_s), abs=0.005)
    assert found.certainty in ("read", "seen second-hand", "value from memory")
    assert (found.certainty == "value from memory") is (
        use == "listening" and band in ("8k", "63")
    )


def test_bass_of_listening_rooms_rises_with_log_frequency():
    """Truth: a straight line over log f, halfway between 200 and 63 Hz half of the rise."""
    high = {b.band: b.high_s for b in aim_for("listening", 100.0).bands}
    f = octave_centres_hz()[1]
    share = np.log(200.0 / f) / np.log(200.0 / 63.0)
    assert high["125"] == pytest.approx(0.30 + share * 0.25)
    assert high["125"] != pytest.approx(0.30 + 0.25 * (200.0 - f) / 137.0, rel=0.01)


def test_distance_from_an_aim():
    aim = aim_for("voice", 40.0)
    n = len(aim.counted)
    t30_s = np.array([0.275 * 1.05**k for k in range(n)])
    assert beyond_steps(t30_s, aim) == pytest.approx(np.arange(n))
    near = reached(reading(flat(0.25, 0.275 * 1.05**3, 0.225 / 1.05**2)), aim)
    assert near.steps == pytest.approx([0.0, 3.0, 2.0])
    assert near.less("a", "b") == (pytest.approx(3.0), 0.0)


def test_hints_do_not_count_towards_an_aim():
    """Truth by hand: ten steps at 250 Hz, a hint, are none; each of the five octaves is 1 step
    for b. The twin: were it no hint, a would be 2 steps off, and further than b."""
    t30_s = flat(0.275, 0.275 * 1.05)
    t30_s[0, 2] = 0.275 * 1.05**10
    aim, changes = aim_for("voice", 40.0), {n: np.ones((4, 8)) for n in "ab"}
    for hint, steps, share in ((("63", "125", "250"), 0.0, 1.0), (("63", "125"), 2.0, 0.0)):
        read = reading(t30_s, hint=hint)
        near = reached(read, aim)
        assert near.steps == pytest.approx([steps, 1.0])
        assert ("250" in near.octaves) == (steps > 0.0)
        (drawn,) = held_by_materials(changes, read, [aim])
        assert drawn.of("a", "b") == share


def held_against(steps, noise=0.0, seed=1, n_batch=32):
    """Give distances with independent noise per layout."""
    rng = np.random.default_rng(seed)
    names = tuple(f"L{i}" for i in range(len(steps)))
    batches = np.asarray(steps)[:, None] + noise * rng.standard_normal((len(steps), n_batch))
    without = (batches.sum(axis=1, keepdims=True) - batches) / (n_batch - 1)
    mean = batches.mean(axis=1)
    return Reached(aim_for("voice", 40.0), names, mean[:, None], mean, tuple(without), ())


def money(*likely):
    return {f"L{i}": Price(0.8 * p, p, 1.2 * p) for i, p in enumerate(likely)}


def test_front():
    """Truth by hand: L1 costs more than L0 for nothing, L3 is dearer than L2 and further."""
    found = front(held_against([10.0, 9.5, 4.0, 8.0, 0.0]), money(0, 100, 200, 300, 400))
    assert [line.layout for line in found.best] == ["L0", "L2", "L4"]
    lines = {line.layout: line for line in found.lines}
    assert (lines["L1"].instead, lines["L1"].is_worse) == ("L0", False)
    assert (lines["L3"].instead, lines["L3"].is_worse) == ("L2", True)


def test_small_gains_do_not_hide_a_large_one():
    """Truth: of three layouts 0.6 steps apart the dearest is nearer than the cheapest."""
    found = front(held_against([1.2, 0.6, 0.0]), money(0, 100, 200))
    assert [line.layout for line in found.best] == ["L0", "L2"]


@pytest.mark.parametrize("seed", range(30))
def test_front_keeps_its_promises(seed):
    rng = np.random.default_rng(seed)
    n = int(rng.integers(2, 9))
    near = held_against(rng.uniform(0.0, 6.0, n), noise=1.0, seed=seed)
    prices = money(*rng.integers(0, 5, n).astype(float))
    found = front(near, prices)
    best = [line.layout for line in found.best]
    for line in found.lines:
        cheaper = [k for k in best if prices[k].likely < line.price.likely]
        nearer = [is_nearer(near, line.layout, k, found.factor) for k in cheaper]
        if line.is_on_front:
            assert all(nearer)
        else:
            assert line.instead in best
            assert prices[line.instead].likely <= line.price.likely
            assert not is_nearer(near, line.layout, line.instead, found.factor)


def test_a_layout_without_a_price_is_left_out():
    found = front(held_against([3.0, 0.0]), money(10))
    assert [line.layout for line in found.lines] == ["L0"]


def test_what_to_drop_first():
    """Truth by hand: 4 steps at 100 is 0.04 per unit, 6 at 50 is 0.12; C makes it worse."""
    whole = 0.275
    times = flat(whole, *(whole * 1.05**k for k in (4, 6, 0)))
    times[3] = whole  # D: nothing
    names = ["X", "X without A", "X without B", "X without D"]
    read = reading(times, names)
    prices = {name: Price(0, p, 0) for name, p in zip(names, (300, 200, 250, 290), strict=True)}
    runs = {"A": names[1], "B": names[2], "D": names[3]}
    aim = reached(read, aim_for("voice", 40.0))
    order = worth(differences(read), aim, "X", runs, prices)
    assert [w.item for w in order] == ["D", "A", "B"]
    assert order[1].steps_per_money == pytest.approx(0.04)
    assert order[2].steps_per_money == pytest.approx(0.12)
    assert (order[0].missed_by, order[1].missed_by) == ((), ("t30_s",))
    # without prices, by what is lost; a third that harms goes first
    harm = reading(flat(whole * 1.05**8, whole, whole * 1.05**12), ["X", "C", "A"])
    harmed = reached(harm, aim_for("voice", 40.0))
    order = worth(differences(harm), harmed, "X", {"A": "A", "C": "C"})
    assert [(w.item, w.is_heard) for w in order] == [("C", True), ("A", True)]
    assert order[0].lost_steps < 0.0


def test_runs_to_make():
    items = tuple(SimpleNamespace(name=n) for n in "PQR")
    made = reduced(Layout("C2", "about", items, without=("shelf",)))
    assert [m.name for m in made] == ["C2 without P", "C2 without Q", "C2 without R"]
    assert [[i.name for i in m.items] for m in made] == [["Q", "R"], ["P", "R"], ["P", "Q"]]
    assert all(m.without == ("shelf",) for m in made)
    stored = {"C2": ("C2", ""), "C2, open": ("C2", "open"), "as described": ("", "")}
    stored |= {"C2 without P": ("C2 without P", ""), "o": ("C2 without Q", "open")}
    assert runs_without(stored) == {"C2": {"P": "C2 without P"}, "C2, open": {"Q": "o"}}


def test_held_shares():
    """Truth: a is before b by 1 sd of their difference: 84.1 % (normal law); 4 sigma."""
    rng = np.random.default_rng(3)
    drawn = rng.standard_normal((4000, 2)) + np.array([0.0, np.sqrt(2.0)])
    found = held("materials", "ab", drawn)
    assert abs(found.of("a", "b") - 0.8413) < 4.0 * found.error[0, 1]
    assert found.of("a", "b") + found.of("b", "a") == pytest.approx(1.0)
    # the twin: equal layouts
    assert abs(held("x", "ab", drawn - [0, np.sqrt(2)]).of("a", "b") - 0.8413) > 0.2


def test_drawn_coefficients():
    """Truth: mean (a + b + c)/3 and variance of the triangular law; 4 sigma of 20 000."""
    low, likely, high = 0.1, 0.29, 0.6
    chance = np.random.default_rng(5).random(20_000)
    drawn = between(np.array(low), np.array(likely), np.array(high), chance)
    mean = (low + likely + high) / 3.0
    variance = (low**2 + likely**2 + high**2 - low * likely - low * high - likely * high) / 18
    assert abs(drawn.mean() - mean) < 4.0 * np.sqrt(variance / 20_000)
    assert drawn.var() == pytest.approx(variance, rel=0.05)
    assert between(np.array(0.3), np.array(0.3), np.array(0.3), 0.4) == pytest.approx(0.3)
    even = low + chance * (high - low)  # the twin: no value likelier than another
    assert abs(even.mean() - mean) > 4.0 * np.sqrt(variance / 20_000)


def test_neighbours():
    def at(name, x):
        return Receiver(name, np.array([x, 0.0, 1.2]), np.array([1.0, 0.0, 0.0]))

    near = near_receivers([at("a", 0.0), at("a+", 0.1), at("far", 1.0)])
    assert near == {"a": ("a", "a+"), "a+": ("a", "a+"), "far": ("far",)}


def pair_of(name, t30_s, is_close=False, n_batch=8, rays_t30_s=None):
    def batched(value):
        return np.repeat(np.atleast_1d(value)[None], n_batch, axis=0)

    values = {
        "edt_s": t30_s, "c50_db": 10.0 * t30_s, "c80_db": 12.0 * t30_s, "g_db": 0.0 * t30_s,
    }  # fmt: skip
    without = {k: batched(v) for k, v in values.items()} | {"sti": np.full(n_batch, 0.7)}
    return SimpleNamespace(
        source="voice",
        receiver=name,
        is_close=is_close,
        room_decay=SimpleNamespace(
            t30_s=t30_s, without_s=batched(t30_s), rays_t30_s=rays_t30_s
        ),
        measures=SimpleNamespace(**values, sti=0.7, without=without),
    )


def room_of(*layouts, transition_hz=150.0):
    return SimpleNamespace(
        layouts=tuple(
            SimpleNamespace(name=n, pairs=p, transition_hz=transition_hz)
            for n, p in zip("abc", layouts, strict=False)
        )
    )


def test_readings_compare_like_with_like():
    """Truth by hand: a pair that one lacks, and a band that one does not know, do not count."""
    one, other = np.linspace(0.3, 1.0, 8), np.linspace(0.4, 1.1, 8)
    other_500 = other.copy()
    other_500[3] = np.nan
    room = room_of(
        (pair_of("near", one, is_close=True), pair_of("far", one), pair_of("more", 9.0 * one)),
        (pair_of("far", other_500), pair_of("near", other)),
    )
    read = readings(room, Bands())
    assert read.pairs == (("voice", "near"), ("voice", "far"))
    assert read.t30_s("a", "1k") == pytest.approx(one[4])
    assert read.t30_s("b", "500") == pytest.approx(other[3])  # of the pair that both know
    edt = {q.receiver: i for i, q in enumerate(read.quantities) if q.measure == "edt_s"}
    assert np.isnan(read.value[:, edt["near"]]).all()  # too close to say
    assert read.value[0, edt["far"]] == pytest.approx(one[4])  # 1 kHz alone
    assert [q.band for q in read.quantities if q.is_hint] == ["63", "125"]
    with pytest.raises(SettingsError, match="RS-T50"):
        readings(room_of((pair_of("a", one),), (pair_of("b", one),)), Bands())


def test_what_hangs_on_one_batch_is_not_compared():
    """Truth by hand: one batch less and 500 Hz cannot be read of the near pair any more."""
    near, far = np.full(8, 0.4), np.full(8, 0.6)
    lost = pair_of("near", near)
    lost.room_decay.without_s[2, 3] = np.nan
    room = room_of((lost, pair_of("far", far)), (pair_of("near", near), pair_of("far", far)))
    read = readings(room, Bands())
    assert [read.t30_s(n, "500") for n in "ab"] == pytest.approx([0.6, 0.6])
    assert [read.t30_s(n, "1k") for n in "ab"] == pytest.approx([0.5, 0.5])
    assert np.isfinite(read.without[0][:, :8]).all()


def test_thirds_make_octaves():
    """Truth: the octave is the mean of its three thirds."""
    t30_s = np.arange(24) / 10.0 + 0.1
    read = readings(room_of((pair_of("m", t30_s),), (pair_of("m", t30_s),)), Bands(3))
    assert read.t30_s("a", "1k") == pytest.approx(t30_s[12:15].mean())
