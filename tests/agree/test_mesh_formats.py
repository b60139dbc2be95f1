"""One room drawn, and the same room through every mesh format: V and S must agree.

Tolerance: OBJ and PLY-as-text keep float64, binary formats float32, which moves a
coordinate of at most 8 m by 2**-22 m; each face moved by d changes V by its area
times d, and S by its girth times d.
"""

from pathlib import Path

import numpy as np
import pytest
import trimesh
from rooms import attic_scene, box_scene, l_scene, mesh_scene

from raysim.geometry.build import build_room, collect_room
from raysim.geometry.edges import mesh_edges_open
from raysim.scene.model import Patch

FLOAT32_M = 2.0**-22
ROOMS = {"attic": attic_scene, "L": l_scene, "box": box_scene}


def outward(mesh, unit_m=1.0):
    """The mesh as a file has it: faces look outwards, lengths in the file's unit."""
    return np.array(mesh.vertices_m) / unit_m, np.array(mesh.faces)[:, ::-1]


def named_parts(mesh, y_up=False):
    points, faces = outward(mesh)
    if y_up:
        points = np.column_stack([points[:, 0], points[:, 2], -points[:, 1]])
    for i, surface in enumerate(mesh.surfaces):
        yield surface.name, points, faces[mesh.face_surface == i]


def write(mesh, path: Path, unit_m=1.0):
    """Write a mesh by trimesh; OBJ and GLB keep the surfaces' names."""
    if path.suffix in (".stl", ".ply"):
        trimesh.Trimesh(*outward(mesh, unit_m), process=False).export(path)
        return ("room",)
    parts = list(named_parts(mesh, y_up=path.suffix in (".glb", ".gltf")))
    if path.suffix == ".glb":
        scene = trimesh.Scene()
        for name, points, faces in parts:
            part = trimesh.Trimesh(points, faces, process=False)
            scene.add_geometry(part, node_name=name, geom_name=name)
        scene.export(path)
    else:
        text = "".join(f"v {x!r} {y!r} {z!r}\n" for x, y, z in (parts[0][1] / unit_m).tolist())
        for name, _, faces in parts:
            text += f"g {name}\n"
            text += "".join(f"f {a}//1 {b}//1 {c}//1\n" for a, b, c in (faces + 1).tolist())
        path.write_text("vn 0 0 1\n" + text)
    return tuple(s.name for s in mesh.surfaces)


def difference(drawn, read):
    """V and S apart, each over what moving every face by one metre would change."""
    girth = np.linalg.norm(np.diff(drawn.triangles_m, axis=1), axis=2).sum()
    return max(
        abs(drawn.air_volume_m3 - read.air_volume_m3) / drawn.area_m2,
        abs(drawn.area_m2 - read.area_m2) / girth,
    )


@pytest.mark.parametrize("room", ROOMS)
@pytest.mark.parametrize("kind", ["obj", "stl", "ply", "glb"])
def test_formats_agree(tmp_path, room, kind):
    drawn = build_room(ROOMS[room](sources=(), receivers=()))
    path = tmp_path / f"room.{kind}"
    names = write(drawn, path)
    read = build_room(mesh_scene(path, surfaces=names))
    assert difference(drawn, read) <= (1e-9 if kind == "obj" else 3 * FLOAT32_M)
    assert len(mesh_edges_open(read)) == 0
    if kind in ("obj", "glb"):
        areas = dict(zip(names, drawn.surface_area_m2(), strict=True))
        again = dict(zip([s.name for s in read.surfaces], read.surface_area_m2(), strict=True))
        assert again == pytest.approx(areas, abs=1e-4)
        assert len(np.unique(read.face_plane)) == len(np.unique(drawn.face_plane))


def test_format_test_can_fail(tmp_path):
    """Planted fault: one corner of the file is 0.1 mm off."""
    drawn = build_room(l_scene())
    path = tmp_path / "room.obj"
    names = write(drawn, path)
    text = path.read_text().replace("v 6.4 3.3 2.45", "v 6.4001 3.3 2.45")
    path.write_text(text)
    read = build_room(mesh_scene(path, surfaces=names))
    assert difference(drawn, read) > 3 * FLOAT32_M


@pytest.mark.parametrize(
    ("unit", "unit_m"), [("cm", 0.01), ("mm", 0.001), ("in", 0.0254), ("ft", 0.3048)]
)
def test_units_agree(tmp_path, unit, unit_m):
    """Truth: 1 in = 25.4 mm and 1 ft = 12 in by definition."""
    drawn = build_room(box_scene())
    path = tmp_path / "room.stl"
    write(drawn, path, unit_m)
    assert difference(drawn, build_room(mesh_scene(path, unit))) <= 3 * FLOAT32_M


def obj_text(faces, more=""):
    corners = [(x, y, z) for x in (0, 4) for y in (0, 3) for z in (0, 2.5)]
    return "".join(f"v {x} {y} {z}\n" for x, y, z in corners) + more + faces


#: A box of 4 x 3 x 2.5 m as six polygons, facing outwards.
QUADS = "f 1 2 4 3\nf 5 7 8 6\nf 1 5 6 2\nf 3 4 8 7\nf 1 3 7 5\nf 2 6 8 4\n"


def read_text(tmp_path, text, **more):
    path = tmp_path / "room.obj"
    path.write_text(text)
    return build_room(mesh_scene(path, **more))


def test_polygons_and_missing_joints_are_read(tmp_path):
    """A wall given as two halves meets floor and ceiling along undivided edges."""
    whole = read_text(tmp_path, obj_text(QUADS))
    halves = QUADS.replace("f 1 5 6 2\n", "f 1 9 10 2\nf 9 5 6 10\n")
    split = read_text(tmp_path, obj_text(halves, "v 2 0 0\nv 2 0 2.5\n"))
    for mesh in (whole, split):
        assert mesh.air_volume_m3 == pytest.approx(30.0, abs=1e-9)
        assert mesh.area_m2 == pytest.approx(59.0, abs=1e-9)
        assert len(np.unique(mesh.face_plane)) == 6
    # The two halves are one polygon again.
    assert len(split.faces) == len(whole.faces) == 12


@pytest.mark.parametrize(
    ("head", "name"),
    [
        ("g wall\n", "wall"),
        ("o hall\nusemtl brick\n", "brick"),
        ("o hall\n", "hall"),
        ("o hall\nusemtl brick\ng west side\n", "west side"),
        ("", "room"),
    ],
)
def test_names_come_from_group_then_material_then_object(tmp_path, head, name):
    mesh = read_text(tmp_path, obj_text(head + QUADS), surfaces=(name,))
    assert [s.name for s in mesh.surfaces] == [name]


def test_patch_by_face_numbers(tmp_path):
    """Face 6 of the file is the ceiling, 4 x 3 m; limits pick another patch."""
    patches = [
        Patch("ceiling", "room", "thing", faces=(6,)),
        Patch("door", "room", "thing", x_m=(-0.1, 0.1), y_m=(1, 2), z_m=(0.5, 2)),
    ]
    mesh = read_text(tmp_path, obj_text(QUADS), patches=patches)
    areas = {s.name: a for s, a in zip(mesh.surfaces, mesh.surface_area_m2(), strict=True)}
    assert areas == pytest.approx({"room": 45.5, "ceiling": 12.0, "door": 1.5}, abs=1e-9)


BROKEN = {
    "hole": (QUADS.replace("f 2 6 8 4\n", ""), "closed a hole of 12 m2"),
    "turned face": (QUADS.replace("f 2 6 8 4\n", "f 2 4 8 6\n"), "turned 2 faces"),
    "same face twice": (QUADS + "f 1 2 4 3\n", "dropped 2 faces there twice"),
    "no area": (QUADS + "f 1 2 2\n", "dropped 1 faces without area"),
    "inside out": (
        "".join("f " + " ".join(r.split()[:0:-1]) + "\n" for r in QUADS.splitlines()),
        "turned the whole mesh",
    ),
}


@pytest.mark.parametrize("fault", BROKEN)
def test_repair_says_what_it_did(tmp_path, fault):
    faces, said = BROKEN[fault]
    path = tmp_path / "room.obj"
    path.write_text(obj_text(faces))
    notes, complaints = [], []
    mesh = collect_room(mesh_scene(path, repair=True), complaints, notes)
    assert complaints == []
    assert len(notes) == 1
    assert said in notes[0]
    assert mesh.air_volume_m3 == pytest.approx(30.0, abs=1e-9)
    assert mesh.area_m2 == pytest.approx(59.0, abs=1e-9)
    # Without leave to repair, nothing is.
    assert collect_room(mesh_scene(path), complaints, []) is None
    assert len(complaints) == 1
