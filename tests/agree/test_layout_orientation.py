"""Layouts of the demo rooms against the sums by hand that came with them.

Truth: `reference.layout_sums`, numbers that others computed before there was an engine, by
Eyring's formula from tables that they do not name. They are no measurement, and where the
tables differ the sums must: so what is held to is order and change, and absolute times are
not. Here the same sum is made from the catalogue.

Tolerances: two layouts count as ranked if the printed times differ by more than 15 %,
three just-noticeable differences of reverberation time (5 %, ISO 3382-1:2009, Table A.1).
A change from the untreated room must lie within what the public tables for the same
surfaces leave open, low and high of the catalogue in every combination, and half a last
printed digit on both printed numbers. The layers that the sums tell of are not varied, and
people are not. `KNOWN` lists where that is missed.
"""

from functools import cache
from pathlib import Path

import numpy as np
import pytest
from reference.layout_sums import PRINTED_S, LayoutSum, ratio_bounds

from raysim.scene.read import read_scene

SCENES = Path(__file__).parents[2] / "scenes"
FOLDERS = {"A": "tide-tables", "B": "ferry-slip-trio", "C": "weir-bulletin"}
APART = 1.15
LAST_S = 0.005  # half a last printed digit
MIDDLE = slice(2, 4)  # 500 Hz and 1 kHz


@cache
def scene_of(letter):
    return read_scene(SCENES / FOLDERS[letter])


@cache
def sum_of(name, **reading):
    scene = scene_of(name[0])
    layout = next((one for one in scene.layouts if one.name == name), None)
    assert (layout is None) == name.endswith("0")
    return LayoutSum(scene, layout, **reading)


def time_s(name, **reading):
    one = sum_of(name, **reading)
    return one.decay_s(one.likely())


def names_of(letter):
    return [name for name in PRINTED_S if name[0] == letter]


def misplaced(ours_s, printed_s):
    """List the pairs of layouts that the printed times rank, and ours the other way."""
    return [
        (one, other)
        for one in printed_s
        for other in printed_s
        if printed_s[one] > APART * printed_s[other] and ours_s[one] <= ours_s[other]
    ]


def mid(times):
    return {name: float(np.mean(value[MIDDLE])) for name, value in times.items()}


@pytest.mark.parametrize("letter", FOLDERS)
def test_layouts_rank_as_by_hand(letter):
    printed = mid({name: np.array(PRINTED_S[name]) for name in names_of(letter)})
    ours = mid({name: time_s(name) for name in names_of(letter)})
    assert misplaced(ours, printed) == []
    # the twin: two layouts that are told apart, exchanged
    last = sorted(printed, key=printed.get)
    swapped = ours | {last[0]: ours[last[-1]], last[-1]: ours[last[0]]}
    assert misplaced(swapped, printed) != []


def outside(name, **reading):
    """List the bands where the printed change is none that any table gives."""
    bare = name[0] + "0"
    _, least, greatest = ratio_bounds(sum_of(name, **reading), sum_of(bare))
    after, before = np.array(PRINTED_S[name]), np.array(PRINTED_S[bare])
    low = (after - LAST_S) / (before + LAST_S)
    high = (after + LAST_S) / (before - LAST_S)
    return [k for k in range(6) if high[k] < least[k] or low[k] > greatest[k]]


#: Printed changes that no table gives, by band: at 250 Hz these two fall 2 to 3 % lower than
#: any. Why is not known; edges are not counted here, and wool of 20 instead of 10 kPa s/m2,
#: .74 for .69 in the sums' own table of layers, would do it.
KNOWN = {"C3": [1], "C4": [1]}


@pytest.mark.parametrize("name", [n for n in PRINTED_S if n[1] != "0"])
def test_change_is_one_that_the_tables_allow(name):
    assert outside(name) == KNOWN.get(name, [])


@pytest.mark.parametrize("name", ["A4", "C4"])
def test_screens_are_where_rooms_of_the_engine_take_less(name):
    """A known difference: open screens counted to the middle take less of 125 and 250 Hz."""
    bare = name[0] + "0"
    assert {0, 1} <= set(outside(name, to_middle=True))
    gained = time_s(bare) - time_s(name, to_middle=True)
    assert (gained[:2] < np.subtract(PRINTED_S[bare], PRINTED_S[name])[:2]).all()


def test_cover_that_swallows_its_backing_is_seen():
    """Planted fault: felt takes the board's place, and 125 Hz seems to linger longer."""
    assert 0 in outside("C1", keeps_backing=False)
    assert time_s("C1", keeps_backing=False)[0] > time_s("C0")[0] > time_s("C1")[0]
