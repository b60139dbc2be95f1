"""Which layout to take, and which look better than they are: rooms made up so that it is known.

Truths: the aim of rooms for spoken voice (0.225 to 0.275 s; a textbook, read) and 5 % as one
just-noticeable step (ISO 3382-1:2009, table A.1; seen second-hand), so that steps follow by
hand. No tolerance but rounding of float64.
"""

from types import SimpleNamespace

import numpy as np
import pytest
from comparing import flat, reading

from raysim.compare.front import Price, front
from raysim.compare.groups import differences, groups
from raysim.compare.states import Condition
from raysim.compare.targets import aim_for, reached
from raysim.decision import judgement
from raysim.decision.judgement import TRAPS, verdicts
from raysim.decision.spared import Spared, formula_steps
from raysim.decision.words import drops
from raysim.planning.decay import Decay
from raysim.scene.model import Bands

BARE, GOOD, BETTER = 0.8, 0.30, 0.25


def plan(name, forbidden=False, fixing="screwed"):
    items = (SimpleNamespace(fixing=fixing),)
    return SimpleNamespace(
        layout=SimpleNamespace(name=name, items=items), is_forbidden=forbidden
    )


def judged(t30_s, price, plans, noise=1e-3, states=None, **how):
    """Judge layouts a, b, ...; the first is the room as it is."""
    read = reading(t30_s, noise=noise, **how)
    near = reached(read, aim_for("voice", 30.0))
    found = differences(read)
    comparison = SimpleNamespace(
        layouts=read.layouts,
        readings=read,
        found=found,
        groups=groups(found),
        judged=(SimpleNamespace(reached=near, worth={}, held=()),),
        prices={n: Price(p, p, p) for n, p in zip(read.layouts, price, strict=True)},
        conditions=states or {n: Condition("" if n == "a" else n, "") for n in read.layouts},
    )
    return verdicts(comparison, SimpleNamespace(plans=plans))


def kinds(verdict):
    return {t.name: t.kind for t in verdict.traps}


def test_the_cheapest_of_those_that_are_as_near_is_taken():
    """b and c are alike, d is nearer than both, e is nearer still and forbidden."""
    plans = [plan("b"), plan("c"), plan("d"), plan("e", forbidden=True)]
    t30_s = flat(BARE, 0.40, 0.40, GOOD, BETTER)
    (v,) = judged(t30_s, (0, 100, 90, 300, 200), plans)
    assert v.pick.name == "d"
    assert v.front == ("a", "c", "d")
    assert v.nearer_but == ("e",)
    assert [(c.purpose, c.name) for c in v.choices] == [("nearest", "d"), ("first step", "c")]
    # the twin: allowed, e is taken, and d is dearer and no nearer
    (v,) = judged(t30_s, (0, 100, 90, 300, 200), [*plans[:3], plan("e")])
    assert (v.pick.name, v.nearer_but) == ("e", ())
    assert kinds(v)["d"] == "dear"


def test_what_is_worth_its_money_is_as_the_comparison_has_it():
    """Truth: `front`, of the same layouts and so with the same factor."""
    t30_s = flat(BARE, 0.5, 0.5, 0.35, 0.36, 0.27)
    price = (0, 90, 80, 200, 190, 400)
    (v,) = judged(t30_s, price, [plan(n) for n in "bcdef"], noise=0.02)
    prices = {n: Price(p, p, p) for n, p in zip("abcdef", price, strict=True)}
    assert v.front == tuple(x.layout for x in front(v.judged.reached, prices).best)


def test_nothing_is_taken_where_nothing_helps():
    t30_s = flat(0.30, 0.80, 0.31)
    (v,) = judged(t30_s, (0, 10, 20), [plan("b"), plan("c")])
    assert v.pick.layout == ""
    assert kinds(v)["b"] == "worse"
    # the twin: one that helps
    (v,) = judged(flat(0.30, 0.80, 0.26), (0, 10, 20), [plan("b"), plan("c")])
    assert v.pick.name == "c"


def test_what_takes_the_highs_alone_is_a_trap():
    """Lows over highs: 0.56 s over 0.28 s is 2; 1.25 counts as even (a standard, as quoted)."""
    t30_s = flat(BARE, BARE, GOOD)
    t30_s[1] = [0.58, 0.58, 0.56, 0.56, 0.40, 0.28, 0.28, 0.28]
    (v,) = judged(t30_s, (0, 380, 380), [plan("b"), plan("c")])
    (trap,) = (t for t in v.traps if t.name == "b")
    assert trap.kind == "dull"
    assert trap.size == pytest.approx(2.0, rel=2e-3)  # twice the noise of the readings
    # the twin: as dull as before, in a room that is so without it
    t30_s[0] = 1.4 * t30_s[1]
    (v,) = judged(t30_s, (0, 380, 380), [plan("b"), plan("c")])
    assert kinds(v).get("b") != "dull"


@pytest.mark.parametrize(("t30_s", "kind"), [(0.70, "little"), (0.40, None)])
def test_what_hardly_acts_is_a_trap(t30_s, kind):
    """From 0.8 s to 0.275 s are 21.9 steps; 0.70 s gains 2.7 of them, 0.40 s gains 14.2."""
    (v,) = judged(flat(BARE, t30_s, 0.26), (0, 70, 240), [plan("b"), plan("c")])
    assert v.bare.steps == pytest.approx(np.log(0.8 / 0.275) / np.log(1.05), abs=0.05)
    assert kinds(v).get("b") == kind


def test_what_takes_too_much_is_a_trap():
    """Truth: the aim begins at 0.225 s; 0.30 s is 1.8 steps above it and 0.16 s 7 below."""
    (v,) = judged(flat(0.30, 0.16), (0, 10), [plan("b")])
    (trap,) = v.traps
    assert (trap.kind, v.pick.layout) == ("dead", "")
    assert trap.size == pytest.approx(0.16, rel=1e-3)
    assert v.shown.name == "b"  # there is nothing else to draw
    # the twin: the same distance on the other side is worse, but not dead
    (v,) = judged(flat(0.30, 0.40), (0, 10), [plan("b")])
    assert kinds(v) == {"b": "worse"}


def test_chance_is_no_reason_to_pay():
    """Truth: a layout is taken before a cheaper one only if it is nearer for certain."""
    t30_s, price, plans = flat(BARE, 0.40, 0.36), (0, 100, 200), [plan("b"), plan("c")]
    (certain,) = judged(t30_s, price, plans, noise=1e-3)
    (unsure,) = judged(t30_s, price, plans, noise=0.4)
    assert certain.pick.name == "c"
    assert unsure.pick.name == "b"
    assert "c" in unsure.as_near


def test_tenants_get_what_stands():
    plans = [plan("b"), plan("c", fixing="standing")]
    (v,) = judged(flat(BARE, BETTER, GOOD), (0, 300, 200), plans)
    assert v.pick.name == "b"
    assert ("no holes", "c") in [(c.purpose, c.name) for c in v.choices]
    # the twin: screwed as well
    (v,) = judged(flat(BARE, BETTER, GOOD), (0, 300, 200), [plan("b"), plan("c")])
    assert all(c.purpose != "no holes" for c in v.choices)


def test_states_are_judged_each_by_itself():
    states = {
        "a": Condition("", ""), "b": Condition("B", ""),
        "c": Condition("", "open"), "d": Condition("B", "open"),
    }  # fmt: skip
    found = judged(flat(BARE, GOOD, 0.30, 0.60), (0, 10, 0, 10), [plan("B")], states=states)
    assert [(v.state, v.pick.name) for v in found] == [("", "b"), ("open", "c")]


def test_the_most_seductive_trap_comes_first():
    t30_s = flat(BARE, 0.70, BARE, GOOD)
    t30_s[2] = [0.58, 0.58, 0.56, 0.56, 0.40, 0.28, 0.28, 0.28]
    (v,) = judged(t30_s, (0, 50, 60, 70), [plan("b"), plan("c"), plan("d")])
    assert [t.kind for t in v.traps] == ["dull", "little"]
    assert TRAPS.index("dull") < TRAPS.index("little")


def test_a_fault_in_the_rule_is_found(monkeypatch):
    """Planted fault: everything counts as nearer, so that the dearest is taken."""
    t30_s, price, plans = flat(BARE, 0.40, 0.40), (0, 100, 200), [plan("b"), plan("c")]
    (v,) = judged(t30_s, price, plans)
    assert v.pick.name == "b"
    monkeypatch.setattr(judgement, "is_nearer", lambda *_: True)
    (v,) = judged(t30_s, price, plans)
    assert v.pick.name == "c"


def test_steps_by_formula():
    """Truth: two steps above 0.275 s in every octave are two steps."""
    bands = Bands()
    t30_s = np.full(bands.n_band, 0.275 * 1.05**2)
    decay = Decay(t30_s, t30_s, t30_s)
    assert formula_steps(decay, aim_for("voice", 30.0), bands) == pytest.approx(2.0)
    wrong = Decay(1.05 * t30_s, t30_s, t30_s)
    assert formula_steps(wrong, aim_for("voice", 30.0), bands) == pytest.approx(3.0)


@pytest.mark.parametrize(
    ("lost_steps", "said"),
    [
        (0.0, "leaves the room as near the aim as with it:"),
        (-0.3, "takes the room 0.3 steps nearer to the aim:"),
        (0.3, "takes the room 0.3 steps further from the aim, the least for the money:"),
    ],
)
def test_what_is_said_of_leaving_out(lost_steps, said):
    """Truth: figures are told to a tenth, and what loses nothing is not called nearer."""
    verdict = SimpleNamespace(
        candidates=(),
        judged=SimpleNamespace(worth={}),
        of=lambda _: SimpleNamespace(plan=None, layout="b"),
    )
    spared = {"b": (Spared("W1", lost_steps, 10.0, 1.0),)}
    (found,) = drops(verdict, SimpleNamespace(currency="EUR"), spared)
    assert f"saves 10 EUR and {said}" in found.sentence
