"""Every layout of the scenes that come along can be built, in every state that concerns it.

Truth: volume is conserved, so the air that layouts take is what their bodies take up; and
distances that anyone can check on the plans of the rooms by hand.
"""

from dataclasses import replace
from functools import cache
from pathlib import Path

import numpy as np
import pytest

from raysim.geometry.build import collect_room
from raysim.geometry.furnish import furnish, placed_items
from raysim.scene.plan import Layout
from raysim.scene.read import read_scene

SCENES = Path(__file__).parents[2] / "scenes"
FOLDERS = ("tide-tables", "ferry-slip-trio", "weir-bulletin", "weir-bulletin-editing")


@cache
def scene_in(folder):
    return read_scene(SCENES / folder)


def concerned(state, layout):
    """Say whether a state does anything to a layout's own items."""
    names = {item.name for item in layout.items}
    return bool(names & {*state.drawn_aside, *state.without})


CASES = [
    (folder, layout.name, state and state.name)
    for folder in FOLDERS
    for layout in scene_in(folder).layouts
    for state in (None, *(s for s in scene_in(folder).states if concerned(s, layout)))
]


def named(records, name):
    return next((r for r in records if r.name == name), None)


def volume_m3(scene, complaints):
    mesh = collect_room(scene, complaints, [])
    return None if mesh is None else mesh.air_volume_m3


def faults(scene, layout, state):
    """List what keeps a layout from being built as its items say: empty if all is well."""
    complaints = []
    placed = placed_items(scene, layout, complaints)
    after_m3 = volume_m3(furnish(scene, layout, state, complaints, []), complaints)
    bare = replace(layout, items=())
    known = replace(state, drawn_aside=(), without=()) if state else None
    before_m3 = volume_m3(furnish(scene, bare, known, complaints, []), complaints)
    out = sum(p.volume_m3 for p in placed)
    if complaints:
        return [str(c) for c in complaints]
    people = [t.name for t in scene.things if state and t.name in state.without]
    if not people and after_m3 != pytest.approx(before_m3 - out, rel=1e-9):
        return [f"volume {after_m3:.6f}, not {before_m3:.6f} less {out:.6f}"]
    return []


@pytest.mark.parametrize(("folder", "layout", "state"), CASES)
def test_layout_is_built_and_takes_its_volume(folder, layout, state):
    scene = scene_in(folder)
    assert faults(scene, named(scene.layouts, layout), named(scene.states, state)) == []


def test_check_of_layouts_can_fail():
    """Planted faults: a panel beyond its wall, and one that enters another."""
    scene = scene_in("tide-tables")
    layout = named(scene.layouts, "A2")
    w1, w2, *others = layout.items
    far = replace(w1, from_m=(("south gable", 4.5), ("west knee wall", 0.5)))
    assert faults(scene, replace(layout, items=(far, w2, *others)), None) != []
    near = replace(w2, from_m=(("south gable", 2.0), ("west knee wall", 0.5)))
    assert faults(scene, replace(layout, items=(w1, near, *others)), None) != []


def box_m(folder, layout, item):
    """Give least and greatest coordinates of an item."""
    scene = scene_in(folder)
    (placed,) = [
        p for p in placed_items(scene, named(scene.layouts, layout), []) if p.item.name == item
    ]
    return placed.box_m


#: Boxes by hand from the plans: what is put up, and where it must come to be.
BOXES = {
    # 0.3 m deep on the knee wall x = 4, 2.4 m long from y = 0.2: 0.36 m from the heater
    ("tide-tables", "A3", "K2"): [(3.7, 0.2, 0.0), (4.0, 2.6, 0.9)],
    # 1.2 m along y; 0.5 to 1.1 m up a slope of 45 degrees that starts at x = 0, z = 1
    ("tide-tables", "A2", "W1"): [
        (0.5 * 0.5**0.5, 1.2, 1 + 0.5 * 0.5**0.5 - 0.1 * 0.5**0.5),
        (1.1 * 0.5**0.5 + 0.1 * 0.5**0.5, 2.4, 1 + 1.1 * 0.5**0.5),
    ],
    # across the mouth of the bay, before the freezer at y = 3.5
    ("ferry-slip-trio", "B4", "K1"): [(0.0, 2.88, 0.0), (2.6, 3.48, 2.43)],
    # below the ceiling at 2.45 m by 100 mm, where the big door moves
    ("ferry-slip-trio", "B3", "C3"): [(4.3, 0.6, 2.25), (5.5, 1.2, 2.35)],
    # on legs above the radiator's top at 0.65 m
    ("weir-bulletin", "C3", "K1"): [(0.0, 0.01, 0.76), (0.2, 2.04, 2.69)],
    # off the glass wall y = 2.05 by 30 mm, on a rail that stands
    ("weir-bulletin", "C2", "G1"): [(0.2, 1.92, 0.9), (1.4, 2.02, 1.5)],
}


@pytest.mark.parametrize("where", BOXES)
def test_items_are_where_a_tape_measure_puts_them(where):
    assert np.abs(box_m(*where) - np.array(BOXES[where])).max() < 1e-9


def test_layouts_are_told_apart_by_name():
    for folder in FOLDERS:
        layouts = scene_in(folder).layouts
        assert all(isinstance(layout, Layout) and layout.about for layout in layouts)
        assert len({layout.name for layout in layouts}) == len(layouts)
