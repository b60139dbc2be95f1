"""The demo scenes: read without complaint, and with the dimensions their texts print."""

from pathlib import Path

import numpy as np
import pytest

from raysim.geometry.between import surfaces_between
from raysim.geometry.build import build_room, collect_room
from raysim.scene.model import DrawnRoom, MeshRoom
from raysim.scene.read import read_scene
from raysim.units import to_level_db

SCENES = Path(__file__).parents[2] / "scenes"

#: Volume in m3, surface in m2: sums of prisms by hand, to the last printed digit.
PRINTED_ROOM = {
    "tide-tables": (40.45, 75.29),
    "ferry-slip-trio": (65.76, 111.99),
    "weir-bulletin": (25.46, 54.77),
    "weir-bulletin-editing": (25.46, 54.77),
}

SLOPE = np.sqrt(0.5)
#: A plane as a unit normal n and n.x, by what it is called in the arrival lists.
PLANES = {
    "tide-tables": {
        "floor": ((0, 0, 1), 0.0),
        "collar": ((0, 0, 1), 2.4),
        "west slope": ((-SLOPE, 0, SLOPE), SLOPE),
        "east slope": ((SLOPE, 0, SLOPE), 5 * SLOPE),
        "dormer front": ((1, 0, 0), 4.0),
        "south gable": ((0, 1, 0), 0.0),
    },
    "ferry-slip-trio": {
        "floor": ((0, 0, 1), 0.0),
        "ceiling": ((0, 0, 1), 2.45),
        "north wall": ((0, 1, 0), 0.0),
        "inner wall": ((0, 1, 0), 3.3),
    },
    "weir-bulletin": {
        "floor": ((0, 0, 1), 0.0),
        "plain long wall": ((0, 1, 0), 0.0),
        "glass long wall": ((0, 1, 0), 2.05),
    },
    "weir-bulletin-editing": {
        "floor": ((0, 0, 1), 0.0),
        "plain long wall": ((0, 1, 0), 0.0),
        "radiator end": ((1, 0, 0), 0.0),
    },
}

#: The round figure that the printed lists were made with; it fits all 26 of them.
SPEED_M_S = 343.0

EDITING = "weir-bulletin-editing"

#: First-order arrivals of the empty rooms as printed: scene, source, receiver, surface,
#: ms after the direct sound, dB below it by spreading alone. Closed form, mirror images.
ARRIVALS = [
    ("tide-tables", "P1 on the ridge line", "P1 microphone", "floor", "6.5", "-22.5"),
    ("tide-tables", "P1 on the ridge line", "P1 microphone", "collar", "6.5", "-22.5"),
    ("tide-tables", "P1 on the ridge line", "P1 microphone", "west slope", "6.9", "-23.0"),
    ("tide-tables", "P1 on the ridge line", "P1 microphone", "dormer front", "11.1", "-26.9"),
    ("tide-tables", "P1 on the ridge line", "P1 lazy microphone", "floor", "", "-14.7"),
    ("tide-tables", "P1 on the ridge line", "P1 lazy microphone", "west slope", "", "-15.2"),
    ("tide-tables", "P2 off the ridge", "P2 microphone", "west slope", "5.6", "-21.5"),
    ("tide-tables", "P2 off the ridge", "P2 microphone", "floor", "6.5", "-22.7"),
    ("tide-tables", "P2 off the ridge", "P2 microphone", "east slope", "8.2", "-24.6"),
    ("tide-tables", "P2 off the ridge", "P2 microphone", "south gable", "10.0", "-26.2"),
    ("tide-tables", "P3 facing the dormer", "P3 microphone", "floor", "6.5", "-22.5"),
    ("tide-tables", "P3 facing the dormer", "P3 microphone", "dormer front", "7.1", "-23.3"),
    ("ferry-slip-trio", "violin", "main microphones", "ceiling", "0.9", "-0.7"),
    ("ferry-slip-trio", "violin", "main microphones", "north wall", "2.2", "-1.7"),
    ("ferry-slip-trio", "violin", "main microphones", "floor", "3.9", "-2.8"),
    ("ferry-slip-trio", "cello", "violinist's ear", "floor", "2.4", "-3.1"),
    ("ferry-slip-trio", "cello", "violinist's ear", "ceiling", "3.6", "-4.3"),
    ("ferry-slip-trio", "cello", "violinist's ear", "inner wall", "4.2", "-4.9"),
    ("weir-bulletin", "H1", "H1 microphone", "plain long wall", "5.2", "-21"),
    ("weir-bulletin", "H1", "H1 microphone", "glass long wall", "5.8", "-22"),
    ("weir-bulletin", "H2", "H1 microphone", "plain long wall", "2.8", "-4.3"),
    ("weir-bulletin", "H2", "H1 microphone", "glass long wall", "3.3", "-4.9"),
    ("weir-bulletin", "H2", "H1 microphone", "floor", "3.6", "-5.2"),
    (EDITING, "loudspeaker right", "edit ear", "plain long wall", "2.1", "-4.6"),
    (EDITING, "loudspeaker right", "edit ear", "radiator end", "3.0", "-6.0"),
    (EDITING, "loudspeaker right", "edit ear", "floor", "4.3", "-7.7"),
]


@pytest.fixture(scope="module")
def scenes():
    return {name: read_scene(SCENES / name) for name in PRINTED_ROOM}


def half_last_digit(printed):
    return 0.5 * 10.0 ** -len(printed.partition(".")[2])


def agrees(scene, plane, source, receiver, late_ms, level_db):
    """Say whether the mirror image in a plane arrives as printed."""
    (start,) = (s.position_m for s in scene.sources if s.name == source)
    (end,) = (r.position_m for r in scene.receivers if r.name == receiver)
    normal, offset = np.array(plane[0]), plane[1]
    image = start - 2.0 * (start @ normal - offset) * normal
    direct_m, path_m = np.linalg.norm(end - start), np.linalg.norm(end - image)
    level = float(to_level_db((direct_m / path_m) ** 2))
    late = 1000.0 * (path_m - direct_m) / SPEED_M_S
    in_time = not late_ms or abs(late - float(late_ms)) <= half_last_digit(late_ms)
    return bool(in_time and abs(level - float(level_db)) <= half_last_digit(level_db))


@pytest.mark.parametrize("name", PRINTED_ROOM)
def test_scene_is_whole(scenes, name):
    """Nothing outside the room, in a thing, overlapping or leaking."""
    scene = scenes[name]
    complaints, notes = [], []
    room = collect_room(scene, complaints, notes)
    assert complaints == []
    assert notes == []
    printed = PRINTED_ROOM[name]
    assert room.envelope_volume_m3 == pytest.approx(printed[0], abs=0.005)
    assert room.envelope_area_m2 == pytest.approx(printed[1], abs=0.005)
    solids = [t for t in scene.things if t.z_m is not None]
    taken_m3 = sum(np.prod(np.ptp(t.corners_m, axis=0)) * np.ptp(t.z_m) for t in solids)
    assert room.air_volume_m3 == pytest.approx(room.envelope_volume_m3 - taken_m3, rel=1e-9)


@pytest.mark.parametrize("name", PRINTED_ROOM)
def test_every_pair_is_wanted(scenes, name):
    scene = scenes[name]
    heard = {r for s in scene.sources for r in s.receivers}
    assert heard == {r.name for r in scene.receivers}
    assert scene.about
    assert scene.ignored
    text = (SCENES / name / "README.md").read_text(encoding="utf-8")
    assert all(f"{number:.2f}" in text for number in PRINTED_ROOM[name])


def test_one_is_a_mesh_and_the_others_are_drawn(scenes):
    kinds = {name: type(scene.room) for name, scene in scenes.items()}
    assert kinds == {
        "tide-tables": DrawnRoom,
        "ferry-slip-trio": MeshRoom,
        "weir-bulletin": DrawnRoom,
        "weir-bulletin-editing": DrawnRoom,
    }


@pytest.mark.parametrize("name", PRINTED_ROOM)
def test_every_pair_is_in_sight(scenes, name):
    """No thing stands between a source and a receiver that hears it."""
    scene, room = scenes[name], build_room(scenes[name])
    ends = {r.name: r.position_m for r in scene.receivers}
    for source in scene.sources:
        for receiver in source.receivers:
            assert surfaces_between(room, source.position_m, ends[receiver]) == ()


def test_sight_test_can_fail(scenes):
    """Planted fault: a line at the height of host 1's chest."""
    room = build_room(scenes["weir-bulletin"])
    ends = np.array([[0.55, 0.5, 0.95], [1.45, 1.025, 0.95]])
    assert surfaces_between(room, *ends) == ("host 1 side",)


def test_editing_is_done_in_the_same_room(scenes):
    talking, editing = scenes["weir-bulletin"], scenes[EDITING]
    assert np.array_equal(talking.room.plan_m, editing.room.plan_m)
    assert talking.room.height_m == editing.room.height_m
    assert [(f.surface, f.material) for f in talking.finishes] == [
        (f.surface, f.material) for f in editing.finishes
    ]
    people = {"host 1", "host 2", "guest"}
    assert {t.name for t in talking.things} - {t.name for t in editing.things} == people


@pytest.mark.parametrize(("name", "source", "receiver", "surface", "ms", "db"), ARRIVALS)
def test_positions_give_the_printed_arrivals(scenes, name, source, receiver, surface, ms, db):
    """Truth: the printed list. Tolerance: half its last digit."""
    assert agrees(scenes[name], PLANES[name][surface], source, receiver, ms, db)


@pytest.mark.parametrize(("name", "source", "receiver", "surface", "ms", "db"), ARRIVALS)
def test_arrival_test_can_fail(scenes, name, source, receiver, surface, ms, db):
    """Planted fault: the surface is 20 cm further away."""
    normal, offset = PLANES[name][surface]
    moved = (normal, offset + (0.2 if offset > 0.0 else -0.2))
    assert not agrees(scenes[name], moved, source, receiver, ms, db)
