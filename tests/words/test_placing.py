"""Items that cannot be where they are said to be: one plain complaint each."""

import re
from dataclasses import replace

import pytest
from rooms import attic_scene, box_scene, box_thing, l_scene, mesh_scene

from raysim.absorbers.layers import Porous, Stack
from raysim.geometry.build import collect_room
from raysim.geometry.furnish import furnish
from raysim.scene.plan import Item, Layout, State, Treatment


def item(family, on, from_m, size_m=(1.2, 0.6), depth_m=0.1, name="W1", **more):
    made = Treatment(
        family, family, "", Stack((Porous(depth_m or 0.01, 10_000.0),)), None, None, depth_m,
        two_sided=False, goods=(), fixings=("screwed",), leaves="", cautions=(),
        resists_fire=True,
    )  # fmt: skip
    return Item(name, made, on, tuple(from_m.items()), size_m, depth_m=depth_m, **more)


def said(scene, *items, state=None, without=()):
    """Give all that is complained of when items are put into a scene."""
    complaints = []
    layout = Layout("test", "", items, without)
    collect_room(furnish(scene, layout, state, complaints, []), complaints, [])
    return [str(c) for c in complaints]


AT = {"west": 1.0, "floor": 1.0}
GOOD = item("panel", "south", AT)
HEATER = box_thing("heater", (1.5, 0.0, 0.9), (2.5, 0.12, 1.5))

WRONG = [
    # names
    (box_scene, [item("panel", "soth", AT)], "RS-T20", 'Did you mean "south"'),
    (box_scene, [item("panel", "south", {"wset": 1, "floor": 1})], "RS-T20", "west"),
    (
        box_scene,
        [item("corner panel", "south", {"floor": 0}, corner="wst")],
        "RS-T20",
        'Did you mean "west"',
    ),
    # surfaces that do not meet
    (
        box_scene,
        [item("panel", "south", {"north": 1, "floor": 1})],
        "RS-T21",
        '"north" does not touch',
    ),
    (
        attic_scene,
        [item("panel", "W slope", {"floor": 1, "S gable": 1})],
        "RS-T21",
        "S gable, N gable, W knee, collar",
    ),
    (
        attic_scene,
        [item("panel", "dormer front", {"E knee": 0, "dormer cheeks": 0})],
        "RS-T21",
        '"E knee" does not',
    ),
    (
        l_scene,
        [item("corner panel", "wall 3", {"floor": 0}, corner="wall 4")],
        "RS-T21",
        "jut into the room",
    ),
    (
        box_scene,
        [item("corner panel", "south", {"floor": 0}, corner="north")],
        "RS-T21",
        '"north" does not',
    ),
    # distances that do not say where
    (box_scene, [item("panel", "south", {"west": 1, "east": 1})], "RS-T22", "parallel"),
    (box_scene, [item("panel", "south", {"west": 1})], "RS-T22", "two surfaces"),
    (
        box_scene,
        [item("panel", "south", {"west": 1, "floor": 1, "ceiling": 1})],
        "RS-T22",
        "two surfaces",
    ),
    (
        box_scene,
        [item("corner panel", "south", {"floor": 0, "ceiling": 0}, corner="west")],
        "RS-T22",
        "one end",
    ),
    (
        box_scene,
        [item("corner panel", "south", {"west": 0}, corner="west")],
        "RS-T22",
        "one end",
    ),
    (box_scene, [item("panel", "south", {"west": -0.01, "floor": 1})], "RS-T22", "-0.01"),
    (box_scene, [item("panel", "south", AT, (0.0, 1.0))], "RS-T22", "no number"),
    (box_scene, [item("panel", "south", AT, gap_m=-0.05)], "RS-T22", "-0.05"),
    (box_scene, [item("panel", "south", {"west": float("nan"), "floor": 1})], "RS-T22", "nan"),
    # beyond the surface, by how much and where
    (
        box_scene,
        [item("panel", "south", {"west": 4.0, "floor": 1})],
        "RS-T23",
        'reaches 0.2 m beyond "south", where "east" is',
    ),
    (
        box_scene,
        [item("panel", "south", {"west": 1, "floor": 2.45})],
        "RS-T23",
        'reaches 50 mm beyond "south", where "ceiling" is',
    ),
    (
        attic_scene,
        [item("panel", "E slope", {"E knee": 0.2, "N gable": 1.3})],
        "RS-T23",
        'reaches 0.5 m beyond "E slope", where "dormer cheeks" is',
    ),
    (
        attic_scene,
        [item("panel", "E knee", {"floor": 0.7, "S gable": 2.0}, (1.2, 0.6))],
        "RS-T23",
        'reaches 0.3 m beyond "E knee", where "dormer front" is',
    ),
    (
        attic_scene,
        [item("panel", "S gable", {"W slope": 0.1, "E slope": 0.3}, (0.6, 1.2))],
        "RS-T23",
        '17.2 mm beyond "S gable", where "collar" is',
    ),
    (
        box_scene,
        [item("corner panel", "south", {"floor": 1}, (0.6, 2.4), corner="west")],
        "RS-T23",
        '0.4 m beyond "south", where "ceiling" is',
    ),
    (
        attic_scene,
        [item("corner panel", "W slope", {"S gable": 0}, (1.2, 2.6), corner="collar")],
        "RS-T23",
        'beyond "collar", where "E slope" is',
    ),
    # too deep: the floor reaches under the slope, the piece does not fit below it
    (
        attic_scene,
        [item("block", "floor", {"W knee": 0.1, "S gable": 1}, (0.5, 1.3), 0.3)],
        "RS-T24",
        'goes through "W slope"',
    ),
    (box_scene, [item("panel", "south", AT, depth_m=4.1)], "RS-T24", 'goes through "north"'),
    (
        box_scene,
        [item("screen", "floor", {"west": 1, "south": 1}, (0.6, 3.2))],
        "RS-T24",
        'goes through "ceiling"',
    ),
    # in each other's way
    (
        box_scene,
        [item("cover", "south", AT, depth_m=0.012), item("panel", "south", AT, name="W2")],
        "RS-T25",
        'item "W2" and item "W1"',
    ),
    (
        box_scene,
        [item("rug", "floor", {"west": 1, "south": y}, (2, 1), 0.0, f"K{y}") for y in (1, 1.9)],
        "RS-T25",
        'item "K1.9" and item "K1"',
    ),
    (
        box_scene,
        [GOOD, item("panel", "south", {"west": 2.1, "floor": 1.5}, name="W2")],
        "RS-G32",
        'thing "W2" enters thing "W1"',
    ),
    (
        lambda: box_scene(things=(HEATER,)),
        [GOOD],
        "RS-G32",
        'thing "W1" enters thing "heater"',
    ),
    (
        lambda: box_scene(sources=((1.6, 0.05, 1.3),)),
        [GOOD],
        "RS-G41",
        'lies inside thing "W1"',
    ),
    # one name, two planes
    (
        attic_scene,
        [item("cloud", "dormer ceiling", {"dormer front": 0, "dormer cheeks": 0}, (0.4, 1))],
        "RS-T26",
        "2 places",
    ),
    # not what the family is for
    (box_scene, [item("rug", "south", AT, depth_m=0.0)], "RS-T27", "level floor"),
    (box_scene, [item("screen", "south", AT)], "RS-T27", "level floor"),
    (box_scene, [item("cloud", "south", AT)], "RS-T27", "below a ceiling"),
    (box_scene, [item("cloud", "floor", {"west": 1, "south": 1})], "RS-T27", "below a ceil"),
    (box_scene, [item("block", "ceiling", {"west": 1, "south": 1})], "RS-T27", "a wall"),
    (box_scene, [item("panel", "south", AT, turn_deg=10.0)], "RS-T27", "cannot be turned"),
    (box_scene, [item("corner panel", "south", {"floor": 0})], "RS-T27", "two surfaces"),
    (
        attic_scene,
        [item("corner stack", "W knee", {"S gable": 0}, (1, 0.5), 0.3, corner="W slope")],
        "RS-T27",
        "a triangle that wide is 0.104 m deep",
    ),
    (
        box_scene,
        [item("curved screen", "floor", {"west": 1, "south": 1}, (0.6, 0.4), 0.3)],
        "RS-T27",
        "outside to outside",
    ),
    # a body too thin to have two faces
    (box_scene, [item("panel", "south", AT, depth_m=0.002)], "RS-G30", "2 mm behind"),
]  # fmt: skip


@pytest.mark.parametrize(("room", "items", "code", "words"), WRONG)
def test_what_cannot_be_placed_is_said_once(room, items, code, words):
    found = said(room(), *items)
    assert len(found) == 1, found
    assert found[0].endswith(f"[{code}]")
    assert words in found[0]


def test_placing_test_can_fail():
    """Planted fault the other way round: what fits is not complained of."""
    assert said(box_scene(), GOOD) == []
    assert said(box_scene(things=(replace(HEATER, z_m=(0.1, 0.9)),)), GOOD) == []


def test_each_wrong_item_of_a_layout_is_said():
    bad = [item("panel", "soth", AT, name="A"), item("cloud", "south", AT, name="B")]
    found = said(box_scene(), GOOD, *bad)
    assert [re.findall(r"RS-T\d\d", f) for f in found] == [["RS-T20"], ["RS-T27"]]


@pytest.mark.parametrize(
    ("without", "state", "code", "words"),
    [
        (("hetaer",), None, "RS-T28", 'Did you mean "heater"'),
        ((), State("out", "", without=("W2",)), "RS-T28", 'state "out"'),
        ((), State("s", "", material=(("sout", "thing"),)), "RS-T28", 'Did you mean "south"'),
        ((), State("s", "", material=(("south", "thin"),)), "RS-T29", 'Did you mean "thing"'),
    ],
)
def test_names_that_a_layout_or_state_gets_wrong(without, state, code, words):
    clear = replace(HEATER, z_m=(0.1, 0.9))
    (found,) = said(box_scene(things=(clear,)), GOOD, state=state, without=without)
    assert found.endswith(f"[{code}]")
    assert words in found


def test_a_room_that_cannot_be_built_is_said_once(tmp_path):
    """The layout is not the mistake."""
    found = said(mesh_scene(tmp_path / "none.obj"), GOOD)
    assert len(found) == 1
    assert "W1" not in found[0]
