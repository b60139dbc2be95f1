"""Layouts in several states of the room: grouped within each, each layout against itself.

Truth: by hand; steps of 5 % of a decay time (ISO 3382-1:2009, Table A.1, seen second-hand).
"""

import numpy as np
import pytest
from comparing import flat, reading

from raysim.compare.figures import readings as read_of
from raysim.compare.front import Price, front
from raysim.compare.groups import differences, groups
from raysim.compare.states import (
    Condition,
    by_state,
    in_usual_state,
    looked_at,
    state_costs,
    usual_of,
)
from raysim.compare.targets import aim_for, reached
from raysim.scene.model import Bands

#: Two layouts with a window covered and open; the last was only run open.
CONDITIONS = {
    "A": Condition("A", ""),
    "A, open": Condition("A", "open"),
    "B": Condition("B", ""),
    "B, open": Condition("B", "open"),
    "C, open": Condition("C", "open"),
}
NAMES = tuple(CONDITIONS)
EDGE_S = 0.275  # of the aim for voice: 0.25 s within 10 % (read)


def steps_beyond(*steps, **more):
    """Give readings of layouts that last so many steps beyond the aim, all octaves alike."""
    return reading(flat(*(EDGE_S * 1.05**n for n in steps)), NAMES, **more)


def test_what_belongs_beside_what():
    assert by_state(CONDITIONS) == {"": ("A", "B"), "open": ("A, open", "B, open", "C, open")}
    assert usual_of(CONDITIONS) == {"A, open": "A", "B, open": "B"}
    assert in_usual_state(CONDITIONS) == ("A", "B", "C, open")
    beside = looked_at(CONDITIONS)
    assert (beside == beside.T).all()
    apart = {frozenset((NAMES[i], NAMES[j])) for i, j in np.argwhere(~beside)}
    assert apart == {
        frozenset(pair)
        for pair in (("A", "B, open"), ("A", "C, open"), ("B", "A, open"), ("B", "C, open"))
    }


def test_what_a_state_costs():
    """Truth by hand: opening costs A three steps and B nothing."""
    read = steps_beyond(0, 3, 1, 1, 5)
    found = differences(read, looked_at(CONDITIONS))
    a, b = state_costs(found, reached(read, aim_for("voice", 40.0)), CONDITIONS)
    assert (a.layout, a.state, a.usual, a.name) == ("A", "open", "A", "A, open")
    assert (a.lost_steps, a.is_heard) == (pytest.approx(3.0), True)
    assert a.told_by == ("t30_s",)
    assert (b.lost_steps, b.is_heard, b.told_by) == (pytest.approx(0.0), False, ())
    # the twin: were the states exchanged, A would gain
    turned = {
        n: Condition(c.layout, {"": "open", "open": ""}[c.state]) for n, c in CONDITIONS.items()
    }
    costs = state_costs(found, reached(read, aim_for("voice", 40.0)), turned)
    assert [c.lost_steps for c in costs] == pytest.approx([-3.0, 0.0])


def test_groups_stay_within_a_state():
    """A and B cannot be told apart, and open they can; A is no group with its open self."""
    read = steps_beyond(0, 0, 0, 3, 0)
    found = differences(read, looked_at(CONDITIONS))
    each = [groups(found, None, of) for of in by_state(CONDITIONS).values()]
    assert each == [(("A", "B"),), (("A, open", "C, open"), ("B, open",))]
    # the twin: all together
    assert groups(found) == (("A", "A, open", "B", "C, open"), ("B, open",))


def test_prices_are_held_against_layouts_of_the_same_state():
    """B is worth its price with the window open, where A is three steps further."""
    near = reached(steps_beyond(0, 6, 0, 0, 6), aim_for("voice", 40.0))
    prices = {n: Price(0.0, p, 0.0) for n, p in zip(NAMES, (10, 10, 20, 20, 30), strict=True)}
    states = {n: c.state for n, c in CONDITIONS.items()}
    assert [line.layout for line in front(near, prices, states).best] == [
        "A", "A, open", "B, open",
    ]  # fmt: skip
    # the twin: across states, A covered makes all others useless
    assert [line.layout for line in front(near, prices).best] == ["A"]


def test_fewer_looks_ask_for_less():
    """Bonferroni: of ten pairs of layouts four are never looked at."""
    read = steps_beyond(0, 1, 2, 3, 4, noise=0.01)
    few, all_of_them = differences(read, looked_at(CONDITIONS)), differences(read)
    assert (few.n_comparison, all_of_them.n_comparison) == (6 * 8, 10 * 8)
    assert few.factor < all_of_them.factor


def test_waves_are_not_compared_with_rays():
    """An octave that one layout has from waves, another from rays, tells nothing."""
    from test_compare import pair_of, room_of

    t30_s = np.linspace(0.3, 1.0, 8)
    room = room_of((pair_of("m", t30_s),), (pair_of("m", 2.0 * t30_s),), transition_hz=80.0)
    low = np.arange(8) < 2
    mixed = read_of(room, Bands(), {"a": low, "b": ~low & False})
    alike = read_of(room, Bands(), {"a": low, "b": low})
    assert np.isnan([mixed.t30_s(n, "125") for n in "ab"]).all()
    assert mixed.t30_s("b", "250") == pytest.approx(2.0 * t30_s[2])
    assert alike.t30_s("b", "125") == pytest.approx(2.0 * t30_s[1])
    # of one response at one place each: shown, not judged
    hints = [
        [q.band for q in r.quantities if q.is_hint] for r in (alike, read_of(room, Bands()))
    ]
    assert hints == [["63", "125"], ["63"]]
