"""Rooms that cannot be: each mistake gives one complaint, with the right words and code."""

import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import trimesh
from rooms import (
    attic_scene,
    box_scene,
    box_thing,
    frozen,
    l_scene,
    mesh_scene,
    polygon_scene,
    sheet_thing,
)

import raysim
from raysim.errors import SceneError
from raysim.geometry.build import build_room, collect_room
from raysim.scene.model import Dormer, Finish, Patch, RoofPlane, Thing
from raysim.scene.place import Place

CORNERS = "".join(f"v {x} {y} {z}\n" for x in (0, 4) for y in (0, 3) for z in (0, 2.5))
QUADS = "f 1 2 4 3\nf 5 7 8 6\nf 1 5 6 2\nf 3 4 8 7\nf 1 3 7 5\nf 2 6 8 4\n"
BOX = CORNERS + QUADS


def complaints_of(scene):
    """Give the complaints; a room with complaints is never handed on."""
    found = []
    mesh = collect_room(scene, found, [])
    assert (mesh is None) == bool(found)
    return found


def one(scene, code, *words):
    (complaint,) = complaints_of(scene)
    assert complaint.code == code
    for word in words:
        assert word in str(complaint)
    assert complaint.wrong.endswith(".")
    assert complaint.fix[-1] in ".?"
    return complaint


def test_sound_rooms_have_no_complaint(tmp_path):
    (tmp_path / "room.obj").write_text(BOX)
    for scene in (attic_scene(), l_scene(), box_scene(), mesh_scene(tmp_path / "room.obj")):
        assert complaints_of(scene) == []


# --- mesh files -----------------------------------------------------------------------

OBJ = {
    "open edge": (
        BOX.replace("f 2 6 8 4\n", ""),
        "RS-G14",
        ["4 edges", "from (0, 0, 2.5)", "(4, 3, 2.5)"],
    ),
    "turned face": (BOX.replace("f 2 6 8 4", "f 2 4 8 6"), "RS-G15", ["2 faces", "number 6"]),
    "inside out": (
        CORNERS
        + "".join("f " + " ".join(r.split()[:0:-1]) + "\n" for r in QUADS.splitlines()),
        "RS-G16",
        ["inside out"],
    ),
    "face twice": (BOX + "f 1 2 4 3\n", "RS-G13", ["2 faces are there twice", "number 7"]),
    "no area": (BOX + "f 1 2 2\n", "RS-G12", ["number 7"]),
    "two shells": (
        BOX
        + "".join(f"v {x} {y} {z}\n" for x in (1, 2) for y in (1, 2) for z in (1, 2))
        + re.sub(r"\d+", lambda m: str(int(m[0]) + 8), QUADS),
        "RS-G17",
        ["2 separate shells", "12, 12"],
    ),
    "40 km": (re.sub(r"\b4\b(?=.*\n)", "40000", CORNERS) + QUADS, "RS-G04", ["is 40000 m"]),
    "4 mm": (CORNERS.replace("4 ", "0.004 ").replace(" 3 ", " 0.003 ").replace("2.5", "0.0025")
             + QUADS, "RS-G04", ["0.004 m"]),
    "NaN": (BOX.replace("v 4 3 2.5", "v 4 nan 2.5"), "RS-G11", ["room.obj:8", "vertex 8"]),
    "infinite": (BOX.replace("v 4 3 2.5", "v 4 inf 2.5"), "RS-G11", ["vertex 8", "inf"]),
    "no number": (BOX.replace("v 4 3 2.5", "v 4 three 2.5"), "RS-G10", ["room.obj:8", "three"]),
    "vertex that is not there": (BOX.replace("f 2 6 8 4", "f 2 6 9 4"), "RS-G10",
                                 ["room.obj:14", "vertex 9 of 8"]),
    "cut off": (BOX[:-5], "RS-G10", ["room.obj:14", "f 2 6", "cut off"]),
    "no faces": (CORNERS, "RS-G10", ["no faces"]),
    "empty": ("", "RS-G10", ["empty"]),
    "moebius": (
        "".join(
            f"v {(2 + w * np.cos(t / 2)) * np.cos(t)} {(2 + w * np.cos(t / 2)) * np.sin(t)} "
            f"{w * np.sin(t / 2)}\n"
            for t in 2 * np.pi * np.arange(12) / 12
            for w in (-0.5, 0.5)
        )
        + "".join(
            f"f {2 * i + 1} {2 * i + 3} {2 * i + 2}\nf {2 * i + 2} {2 * i + 3} {2 * i + 4}\n"
            for i in range(11)
        )
        + "f 23 2 24\nf 24 2 1\n",
        None,
        [],
    ),
}  # fmt: skip


@pytest.mark.parametrize("name", [k for k, v in OBJ.items() if v[1]])
def test_broken_mesh(tmp_path, name):
    text, code, words = OBJ[name]
    path = tmp_path / "room.obj"
    path.write_text(text)
    complaint = one(mesh_scene(path), code, *words)
    assert str(path) in complaint.where


def test_surface_with_one_side_has_two_mistakes(tmp_path):
    """A twisted strip leaks along its rim and cannot be turned outwards."""
    path = tmp_path / "room.obj"
    path.write_text(OBJ["moebius"][0])
    assert sorted(c.code for c in complaints_of(mesh_scene(path))) == ["RS-G14", "RS-G15"]


def test_all_mistakes_of_a_mesh_are_told_at_once(tmp_path):
    path = tmp_path / "room.obj"
    path.write_text(BOX.replace("f 2 6 8 4\n", "") + "f 1 2 4 3\nf 1 1 2\n")
    codes = sorted(c.code for c in complaints_of(mesh_scene(path)))
    assert codes == ["RS-G12", "RS-G13", "RS-G14"]


@pytest.mark.parametrize("kind", ["stl", "ply", "glb"])
@pytest.mark.parametrize("kept", [0.0, 0.02, 0.5, 0.97])
def test_truncated_binary_mesh(tmp_path, kind, kept):
    path = tmp_path / f"room.{kind}"
    trimesh.creation.box((4, 3, 2.5)).export(path)
    data = path.read_bytes()
    path.write_bytes(data[: int(kept * len(data))])
    one(mesh_scene(path), "RS-G10", str(path))


def test_truncated_text_stl(tmp_path):
    path = tmp_path / "room.stl"
    text = trimesh.exchange.stl.export_stl_ascii(trimesh.creation.box((4, 3, 2.5)))
    path.write_text(text)
    assert complaints_of(mesh_scene(path)) == []
    path.write_text(text[: len(text) // 2])
    one(mesh_scene(path), "RS-G10", "cut off")


def test_infinite_vertex_in_binary_mesh(tmp_path):
    path = tmp_path / "room.stl"
    trimesh.creation.box((4, 3, 2.5)).export(path)
    data = bytearray(path.read_bytes())
    data[96:100] = np.float32(np.nan).tobytes()
    path.write_bytes(data)
    one(mesh_scene(path), "RS-G11", "1 vertices", "vertex 1")


def test_too_many_faces(tmp_path):
    path = tmp_path / "room.stl"
    trimesh.Trimesh(np.eye(3), np.tile([[0, 1, 2]], (200_001, 1)), process=False).export(path)
    one(mesh_scene(path), "RS-G18", "200001 faces")


@pytest.mark.parametrize(
    ("name", "words"),
    [("none.obj", "no such file"), ("room.dwx", '".dwx"'), ("folder.obj", "no such file")],
)
def test_mesh_file_that_cannot_be_read(tmp_path, name, words):
    (tmp_path / "room.dwx").write_text("x")
    (tmp_path / "folder.obj").mkdir()
    one(mesh_scene(tmp_path / name), "RS-G10", words)


def test_faces_on_one_another(tmp_path):
    """Closed and consistent, but the floor is drawn to a point beyond it and back."""
    faces = "f 1 3 9\nf 3 7 9\nf 7 5 9\nf 5 1 9\n"
    path = tmp_path / "room.obj"
    path.write_text(BOX.replace("f 1 3 7 5\n", faces) + "v 5 1.5 0\n")
    one(mesh_scene(path), "RS-G19", 'm2 of "room"', 'lie on "room"')


def test_unknown_unit(tmp_path):
    path = tmp_path / "room.obj"
    path.write_text(BOX)
    one(mesh_scene(path, unit="yd"), "RS-G10", '"yd"')


def test_hole_that_is_not_flat_is_not_closed(tmp_path):
    """Two neighbouring walls are missing: repair leaves that to the user."""
    path = tmp_path / "room.obj"
    path.write_text(BOX.replace("f 2 6 8 4\n", "").replace("f 1 5 6 2\n", ""))
    one(mesh_scene(path, repair=True), "RS-G14", "6 edges")


# --- drawn rooms ------------------------------------------------------------------------

HERE = Place("room.toml", 7)


def drawn(scene, **change):
    return replace(scene, room=replace(scene.room, place=HERE, **change))


def roof(name, points):
    return RoofPlane(name, frozen(points), HERE)


DRAWN = {
    "crossing outline": (
        polygon_scene([[0, 0], [4, 3], [4, 0], [0, 3]], 2.5),
        "RS-G01",
        "itself",
    ),
    "two corners": (polygon_scene([[0, 0], [4, 3]], 2.5), "RS-G01", "3 corners"),
    "corner twice": (polygon_scene([[0, 0], [4, 0], [4, 0], [0, 3]], 2.5), "RS-G01", "wall 2"),
    "NaN corner": (polygon_scene([[0, 0], [4, np.nan], [0, 3]], 2.5), "RS-G01", "finite"),
    "wall names": (drawn(box_scene(), wall_names=("a", "b")), "RS-G01", "4 walls"),
    "no height": (polygon_scene([[0, 0], [4, 0], [0, 3]], 0.0), "RS-G02", "0 m high"),
    "upright slope": (
        drawn(box_scene(), roof=(roof("roof", [[0, 0, 1], [0, 0, 2], [1, 0, 2]]),)),
        "RS-G02",
        '"roof"',
    ),
    "slope that does not cut": (
        drawn(box_scene(), roof=(roof("roof", [[0, 0, 9], [1, 0, 9], [0, 1, 9]]),)),
        "RS-G02",
        "nowhere",
    ),
    "dormer that does not rise": (
        drawn(
            attic_scene(dormer=False),
            dormers=(Dormer("d", frozen([[3, 2], [4, 2], [4, 3], [3, 3]]), 0.9, HERE),),
        ),
        "RS-G02",
        '"d" is nowhere',
    ),
    "dormer outside": (
        drawn(
            attic_scene(dormer=False),
            dormers=(Dormer("d", frozen([[3, 2], [5, 2], [5, 3], [3, 3]]), 2.1, HERE),),
        ),
        "RS-G02",
        "outside",
    ),
    "roof below the floor": (
        drawn(box_scene(), roof=(roof("roof", [[0, 0, -1], [1, 0, -1], [0, 1, -1]]),)),
        "RS-G03",
        "no space",
    ),
    "millimetres": (box_scene(5000, 4000, 3000), "RS-G04", "is 5000 m"),
}


@pytest.mark.parametrize("name", DRAWN)
def test_broken_drawing(name):
    scene, code, words = DRAWN[name]
    one(scene, code, words)


def test_room_divided_by_its_roof():
    """A slope that is below the floor over the middle of a U leaves its two arms."""
    u = [[0, 0], [6, 0], [6, 4], [4, 4], [4, 2], [2, 2], [2, 4], [0, 4]]
    scene = drawn(
        polygon_scene(u, 2.5), roof=(roof("s", [[0, 2.5, 0], [1, 2.5, 0], [0, 4, 2]]),)
    )
    one(scene, "RS-G03", "2 rooms")


# --- names ------------------------------------------------------------------------------


def test_finish_of_no_surface_names_the_nearest():
    scene = box_scene()
    extra = Finish("cieling", "thing", HERE)
    one(
        replace(scene, finishes=(*scene.finishes, extra)), "RS-G05", "room.toml:7", '"ceiling"?'
    )


def test_surfaces_without_finish():
    scene = box_scene()
    one(replace(scene, finishes=scene.finishes[2:]), "RS-G06", '"south", "east"')


def test_name_used_twice():
    patches = [Patch("north", "south", "thing", x_m=(1, 2), place=HERE)]
    one(box_scene(patches=patches), "RS-G07", '"north"', "room.toml:7")


# --- things -----------------------------------------------------------------------------

A = box_thing("a", (1, 1, 0), (2, 2, 1))
THINGS = {
    "through a wall": ([box_thing("a", (4.5, 1, 0), (5.2, 2, 1))], "RS-G31", ['"east"']),
    "through two": ([box_thing("a", (4, 3, 0), (6, 5, 1))], "RS-G31", ['"east" and "north"']),
    "1.5 mm into a wall": ([box_thing("a", (4, 1, 0), (5.0015, 2, 1))], "RS-G31", ['"east"']),
    "through the roof": ([box_thing("a", (4, 1, 0), (4.8, 2, 4))], "RS-G31", ['"ceiling"']),
    "outside": ([box_thing("a", (8, 1, 0), (9, 2, 1))], "RS-G31",
                ["outside", "(8.00, 1.00, 0.00) m"]),
    "larger than the room": ([box_thing("a", (-9, -9, -9), (9, 9, 9))], "RS-G31", ["outside"]),
    "overlap": ([A, box_thing("b", (1.5, 1.5, 0), (3, 3, 2))], "RS-G32", ['"b" enters', '"a"']),
    "overlap by 1.5 mm": ([A, box_thing("b", (1.9985, 1, 0), (3, 2, 1))], "RS-G32", ['"a"']),
    "the same twice": ([A, replace(A, name="b")], "RS-G32", ['"a"']),
    "one in another": ([A, box_thing("b", (1.2, 1.2, 0.2), (1.8, 1.8, 0.8))], "RS-G32",
                       ['"a"']),
    "one around another": ([box_thing("b", (1.2, 1.2, 0.2), (1.8, 1.8, 0.8)), A], "RS-G32",
                           ['"a" enters thing "b"']),
    "sheet through a box": (
        [A, sheet_thing("b", [[0.5, 1.5, 0.5], [2.5, 1.5, 0.5], [2.5, 1.5, 2], [0.5, 1.5, 2]])],
        "RS-G32", ['"b" enters thing "a"']),
    "sheet on a wall": (
        [sheet_thing("b", [[1, 0, 1], [2, 0, 1], [2, 0, 2], [1, 0, 2]])], "RS-G33",
        ['"south"']),
    "sheet on a box": (
        [A, sheet_thing("b", [[1, 1, 1], [2, 1, 1], [2, 2, 1], [1, 2, 1]])], "RS-G33",
        ['"a top"']),
    "box on a sheet": (
        [sheet_thing("b", [[1, 1, 1], [2, 1, 1], [2, 2, 1], [1, 2, 1]]), A], "RS-G33",
        ['"b front"']),
    "crossing outline": (
        [Thing("a", "prism", frozen([[1, 1], [2, 2], [2, 1], [1, 2]]), (0.0, 1.0), "thing")],
        "RS-G30", ["itself"]),
    "upside down": ([box_thing("a", (1, 1, 1), (2, 2, 0.5))], "RS-G30", ["0.5 m", "1 m"]),
    "thin": ([box_thing("a", (1, 1, 0), (2, 1.002, 1))], "RS-G30", ["thinner than 3 mm"]),
    "bent sheet": (
        [sheet_thing("b", [[1, 1, 1], [2, 1, 1], [2, 2, 1.1], [1, 2, 1]])], "RS-G30",
        ["out of one plane"]),
    "NaN": ([box_thing("a", (1, 1, 0), (2, np.nan, 1))], "RS-G30", ["finite"]),
}  # fmt: skip


@pytest.mark.parametrize("name", THINGS)
def test_thing_that_cannot_be_there(name):
    things, code, words = THINGS[name]
    one(box_scene(things=things, sources=(), receivers=()), code, *words)


def test_thing_may_touch_but_not_pass_a_slope():
    """The slope is over x = 0.4 at z = 1.4: a box may be as high there, not higher."""

    def scene(top_m):
        return attic_scene(things=[box_thing("a", (0.4, 1, 0), (1, 2, top_m))])

    assert complaints_of(scene(1.4)) == []
    one(scene(1.41), "RS-G31", '"W slope"')


# --- patches -----------------------------------------------------------------------------

DOOR = Patch("door", "south", "thing", x_m=(1, 2), z_m=(0, 2))
PATCHES = {
    "unknown surface": ([replace(DOOR, on="sout")], "RS-G20", ['"sout"', 'mean "south"?']),
    "nothing there": ([replace(DOOR, x_m=(6, 7))], "RS-G21", ["x 0 to 5"]),
    "half a square centimetre": ([replace(DOOR, x_m=(4.999975, 9))], "RS-G21", ["0.5 cm2"]),
    "limits reversed": ([replace(DOOR, x_m=(2, 1))], "RS-G22", ["x_m runs from 2 to 1"]),
    "no limits": ([replace(DOOR, x_m=None, z_m=None)], "RS-G22", ["no limits"]),
    "up a level floor": ([Patch("rug", "floor", "thing", up_m=(1, 2))], "RS-G22", ["level"]),
    "faces of a drawn room": ([replace(DOOR, faces=(1,))], "RS-G22", ["no face numbers"]),
    "overlap": ([DOOR, replace(DOOR, name="hatch", x_m=(1.9, 3))], "RS-G23",
                ['"hatch": overlaps', '"door"']),
}  # fmt: skip


@pytest.mark.parametrize("name", PATCHES)
def test_patch_that_cannot_be_there(name):
    patches, code, words = PATCHES[name]
    one(box_scene(patches=patches), code, *words)


@pytest.mark.parametrize(
    ("patch", "code", "words"),
    [
        (Patch("p", "room", "thing", faces=(7,)), "RS-G22", "from 1 to 6"),
        (Patch("p", "rom", "thing", faces=(1,)), "RS-G20", '"room"?'),
        (Patch("p", "room", "thing", faces=()), "RS-G21", "no face"),
    ],
)
def test_patch_by_faces_that_are_not_there(tmp_path, patch, code, words):
    path = tmp_path / "room.obj"
    path.write_text(BOX)
    one(mesh_scene(path, patches=[patch]), code, words)


# --- sources and receivers -----------------------------------------------------------------

POINTS = {
    "outside": ((5.5, 1, 1), "RS-G40", ['"S1" at (5.5, 1, 1) m', '0.5 m past "east"']),
    "NaN": ((np.nan, 1, 1), "RS-G40", ["nowhere"]),
    "inside a thing": ((1.5, 1.5, 0.5), "RS-G41", ['inside thing "cabinet"']),
    "on a wall": ((0, 1, 1), "RS-G40", ['lies on the surface "west"', "at least 10 mm"]),
    "far outside": ((3400.4, 1, 1), "RS-G40", ["(3400, 1, 1) m", '3400 m past "east"']),
    "5 mm off the floor": ((3, 3, 0.005), "RS-G42", ["5 mm", '"floor"']),
    "5 mm off a sheet": ((3.005, 1, 1), "RS-G42", ['"screen front"']),
}  # fmt: skip


@pytest.mark.parametrize("name", POINTS)
@pytest.mark.parametrize("kind", ["source", "receiver"])
def test_point_that_cannot_be_there(name, kind):
    at_m, code, words = POINTS[name]
    things = [
        box_thing("cabinet", (1, 1, 0), (2, 2, 1)),
        sheet_thing("screen", [[3, 0.5, 0], [3, 2, 0], [3, 2, 2], [3, 0.5, 2]]),
    ]
    points = {"sources": (), "receivers": (), kind + "s": [at_m]}
    (complaint,) = complaints_of(box_scene(things=things, **points))
    assert complaint.code.startswith(code)
    for word in words:
        assert word.replace('"S1"', '"S1"' if kind == "source" else '"R1"') in str(complaint)


@pytest.mark.parametrize(("n_point", "asked"), [(1, 0), (2, 1), (3, 1)])
def test_several_points_outside_a_mesh_are_asked_for_its_axes_once(tmp_path, n_point, asked):
    """As when y is up in the file: then each point is outside, and one cause is enough."""
    path = tmp_path / "room.obj"
    path.write_text(re.sub(r"v (\S+) (\S+) (\S+)", r"v \1 \3 -\2", BOX))
    points = [(1.0 + i, 1.0, 1.2) for i in range(n_point)]
    found = complaints_of(replace(mesh_scene(path), sources=box_scene(sources=points).sources))
    assert [c.code for c in found] == n_point * ["RS-G40"]
    assert "\n".join(map(str, found)).count("Is y up in the mesh file? z must be.") == asked


def test_points_outside_a_gltf_room_are_not(tmp_path):
    """Its standard says that y is up, and it is turned on reading."""
    (tmp_path / "room.obj").write_text(BOX)
    trimesh.load(tmp_path / "room.obj").export(tmp_path / "room.glb")
    outside = box_scene(sources=[(90, 90, 90), (80, 80, 80)]).sources
    found = complaints_of(replace(mesh_scene(tmp_path / "room.glb"), sources=outside))
    assert [c.code for c in found].count("RS-G40") == 2
    assert "Is y up" not in "\n".join(map(str, found))


def test_points_outside_a_drawn_room_are_not():
    found = complaints_of(box_scene(sources=[(9, 9, 9), (8, 8, 8)]))
    assert "y up" not in "\n".join(map(str, found))


# --- all of them -----------------------------------------------------------------------


def test_mistakes_of_every_kind_come_together():
    scene = box_scene(
        sources=[(9, 9, 9)],
        things=[box_thing("a", (4.5, 1, 0), (5.2, 2, 1))],
        patches=[replace(DOOR, on="sout")],
    )
    with pytest.raises(SceneError) as error:
        build_room(replace(scene, finishes=scene.finishes[1:]))
    codes = sorted(c.code for c in error.value.complaints)
    assert codes == ["RS-G06", "RS-G20", "RS-G31", "RS-G40"]


def test_a_line_complained_of_already_is_left_in_peace():
    scene = box_scene(patches=[replace(DOOR, on="sout", place=HERE)])
    found = complaints_of(scene)
    again = list(found)
    collect_room(scene, again, [])
    assert again == found


def test_every_code_of_geometry_has_its_paragraph():
    root = Path(raysim.__file__).parent
    used = set()
    for path in (root / "geometry").glob("*.py"):
        used |= set(re.findall(r'"(RS-[A-Z]\d\d)"', path.read_text()))
    text = (root / "messages.md").read_text()
    assert used - set(re.findall(r"^## (RS-[A-Z]\d\d)", text, flags=re.M)) == set()
    assert len(used) > 20
