"""Volumes, areas and corners of rooms against closed forms and hand-computed figures.

Tolerances: printed figures to half their last digit; closed forms to 1e-9 m, which is
what drawn coordinates promise, times the area or length that such an error moves.
"""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from rooms import (
    attic_scene,
    box_scene,
    box_thing,
    frozen,
    l_scene,
    polygon_scene,
    scene_of,
    sheet_thing,
)

from raysim.geometry.build import assemble, build_room, collect_room
from raysim.geometry.drawing import draw_facets
from raysim.geometry.edges import mesh_edges_open
from raysim.geometry.inside import enclosed_volume_m3, inside_air
from raysim.geometry.things import thing_facets
from raysim.scene.model import Dormer, DrawnRoom, Patch, RoofPlane, Thing

M = 1e-9  # what coordinates promise, metres

fixed = settings(derandomize=True, deadline=None, database=None, max_examples=25)


def area_by_name(mesh):
    return {
        s.name: float(a) for s, a in zip(mesh.surfaces, mesh.surface_area_m2(), strict=True)
    }


# --- the three rooms ---------------------------------------------------------------

#: Hand computation from the dimensions, as printed to 0.01.
PRINTED = [
    (attic_scene, 40.45, 75.29),
    (l_scene, 65.76, 111.99),
    (lambda: box_scene(4.60, 2.05, 2.70, receivers=()), 25.46, 54.77),
]


def agrees_with_print(scene, V, S):
    mesh = build_room(scene)
    return abs(mesh.air_volume_m3 - V) <= 0.005 and abs(mesh.area_m2 - S) <= 0.005


@pytest.mark.parametrize(("scene", "V", "S"), PRINTED)
def test_room_has_printed_volume_and_area(scene, V, S):
    """Truth: plane geometry by hand. Tolerance: half the last printed digit."""
    assert agrees_with_print(scene(), V, S)


def test_printed_volume_test_can_fail():
    """Planted fault: the attic without its dormer."""
    assert not agrees_with_print(attic_scene(dormer=False), 40.45, 75.29)


def test_attic_parts_have_their_areas():
    """Truth: rectangles, trapezoids, triangles by hand; slopes are 1.4 sqrt 2 long."""
    root = np.sqrt(2.0)
    expected = {
        "floor": 4 * 5.2,
        "S gable": 4 * 1 + (4 + 1.2) / 2 * 1.4,
        "N gable": 4 * 1 + (4 + 1.2) / 2 * 1.4,
        "W knee": 5.2,
        "E knee": 5.2,
        "collar": 1.2 * 5.2,
        "W slope": 1.4 * root * 5.2,
        "E slope": 1.4 * root * 4.0 + 0.3 * root * 1.2,
        "dormer ceiling": 1.1 * 1.2,
        "dormer front": 1.1 * 1.2,
        "dormer cheeks": 1.1 * 1.1,
    }
    assert area_by_name(build_room(attic_scene())) == pytest.approx(expected, abs=10 * M)


def test_attic_corners_are_exact():
    """Truth: the corners of the section and the dormer. Tolerance: 1e-9 m."""
    section = [(0, 0), (4, 0), (4, 1), (2.6, 2.4), (1.4, 2.4), (0, 1)]
    corners = [(x, y, z) for x, z in section for y in (0, 5.2)]
    corners += [(x, y, z) for x, z in ((4, 2.1), (2.9, 2.1), (4, 1)) for y in (2.0, 3.2)]
    got = build_room(attic_scene()).vertices_m
    away = np.linalg.norm(got[:, None] - np.array(corners)[None], axis=2)
    assert away.min(axis=1).max() < M
    assert away.min(axis=0).max() < M


def test_one_slope_is_one_plane_and_sides_of_a_dormer_are_two():
    """Truth: the definition of a plane: one direction, one offset, one surface."""
    patch = Patch("hatch", "E slope", "thing", y_m=(0.0, 5.2), up_m=(0.9, 1.0))
    mesh = build_room(attic_scene(patches=[patch]))
    planes = {}
    for plane, surface in zip(mesh.face_plane, mesh.face_surface, strict=True):
        planes.setdefault(mesh.surfaces[surface].name, set()).add(int(plane))
    assert {k: len(v) for k, v in planes.items()} == {
        k: 2 if k == "dormer cheeks" else 1 for k in planes
    }
    for plane in np.unique(mesh.face_plane):
        rows = mesh.face_plane == plane
        normal = mesh.face_normal[rows]
        offset = (mesh.triangles_m[rows] @ normal[0]).ravel()
        assert np.ptp(normal, axis=0).max() < M
        assert np.ptp(offset) < M


# --- rooms whose volume is a formula --------------------------------------------------


def star_plan(radii):
    """A simple polygon around a point: one corner every 360 / n degrees."""
    angle = 2 * np.pi * np.arange(len(radii)) / len(radii)
    return np.column_stack([radii * np.cos(angle), radii * np.sin(angle)])


def prism_errors(mesh, plan, height):
    x, y = plan.T
    A = 0.5 * np.sum(x * np.roll(y, -1) - y * np.roll(x, -1))  # the shoelace formula
    girth = np.linalg.norm(np.roll(plan, -1, axis=0) - plan, axis=1).sum()
    return (
        abs(enclosed_volume_m3(mesh.triangles_m) - A * height) / (2 * A + girth * height),
        abs(mesh.face_area_m2.sum() - 2 * A - girth * height) / (girth + height),
    )


@fixed
@given(
    st.lists(st.floats(1.0, 4.0), min_size=3, max_size=9),
    st.floats(2.0, 5.0),
    st.booleans(),
)
def test_any_prism_has_base_times_height(radii, height, clockwise):
    """Truth: V = A h, S = 2 A + girth h, whatever the plan and its sense."""
    plan = star_plan(np.array(radii))
    given_plan = plan[::-1] if clockwise else plan
    mesh = build_room(
        polygon_scene(given_plan, height, sources=[(0, 0, 1)], receivers=[(0.1, 0, 1)])
    )
    assert max(prism_errors(mesh, plan, height)) < 10 * M
    assert len(mesh_edges_open(mesh)) == 0
    assert inside_air(mesh, mesh.triangles_m.mean(axis=1) + 1e-4 * mesh.face_normal).all()


@pytest.mark.parametrize("fault", ["face removed", "face flipped"])
def test_prism_test_can_fail(fault):
    """Planted fault: one triangle is missing, or faces the other way."""
    plan = star_plan(np.array([3.0, 2.0, 4.0, 2.5]))
    mesh = build_room(polygon_scene(plan, 2.5))
    faces = np.array(mesh.faces)
    if fault == "face removed":
        faces = faces[1:]
    else:
        faces[0] = faces[0, ::-1]
    broken = replace(
        mesh, faces=faces, face_surface=mesh.face_surface[: len(faces)], face_plane=None
    )
    assert max(prism_errors(broken, plan, 2.5)) > 1e3 * M
    assert len(mesh_edges_open(broken)) == 3


def pyramid_room(side, height):
    """Four slopes from the plan's edges to one point: no walls are left."""
    a = side
    rows = [
        ("slope 1", [[0, 0, 0], [a, 0, 0], [a / 2, a / 2, height]]),
        ("slope 2", [[a, 0, 0], [a, a, 0], [a / 2, a / 2, height]]),
        ("slope 3", [[a, a, 0], [0, a, 0], [a / 2, a / 2, height]]),
        ("slope 4", [[0, a, 0], [0, 0, 0], [a / 2, a / 2, height]]),
    ]
    roof = tuple(RoofPlane(name, frozen(p)) for name, p in rows)
    room = DrawnRoom(frozen([[0, 0], [a, 0], [a, a], [0, a]]), 2 * height, tuple("NESW"))
    return scene_of(replace(room, roof=roof), ("floor", *(r.name for r in roof)))


@fixed
@given(st.floats(1.0, 9.0), st.floats(0.5, 6.0))
def test_pyramid_roof_has_a_third_of_the_box(side, height):
    """Truth: V = A h / 3 and slant height, for slopes that leave no wall."""
    mesh = build_room(pyramid_room(side, height))
    S = side**2 + 2 * side * np.hypot(side / 2, height)
    assert mesh.air_volume_m3 == pytest.approx(side**2 * height / 3, abs=S * 10 * M)
    assert mesh.area_m2 == pytest.approx(S, abs=8 * side * 10 * M)
    assert len(mesh_edges_open(mesh)) == 0


def test_slope_below_the_floor_cuts_the_plan():
    """Truth: a wedge of half the box: the slope runs from the ceiling to mid-floor and on."""
    slope = RoofPlane("slope", frozen([[0, 0, 3], [0, 1, 3], [2, 0, 0]]))
    room = DrawnRoom(
        frozen([[0, 0], [4, 0], [4, 5], [0, 5]]), 3.0, tuple("SENW"), roof=(slope,)
    )
    # The plane meets the flat ceiling exactly at the west wall: no ceiling is left.
    mesh = build_room(scene_of(room, ("floor", "S", "N", "W", "slope")))
    assert mesh.air_volume_m3 == pytest.approx(0.5 * 2 * 3 * 5, abs=100 * M)
    assert mesh.area_m2 == pytest.approx(10 + 15 + 6 + 5 * np.hypot(2, 3), abs=100 * M)


@pytest.mark.parametrize("turn_deg", [0.0, 30.0, 201.7])
def test_dormer_with_two_corners_on_a_hip(turn_deg):
    """Truth: h = min(x, y) over a 4 m square, raised to 2 m over [1, 2] x [1, 2].

    V = 4^3/3 + 2 - 4/3. Two corners of the dormer lie on the line where the slopes
    meet, so that its outline touches the outline of both.
    """

    def points(rows):
        rows = np.array(rows, dtype=float)
        return frozen(np.column_stack([turned(rows[:, :2], turn_deg), rows[:, 2:]]))

    roofs = (
        RoofPlane("w", points([[0, 0, 0], [0, 4, 0], [1, 0, 1]])),
        RoofPlane("s", points([[0, 0, 0], [4, 0, 0], [0, 1, 1]])),
    )
    dormer = Dormer("d", points([[1, 1], [2, 1], [2, 2], [1, 2]]), 2.0)
    plan = points([[0, 0], [4, 0], [4, 4], [0, 4]])
    room = DrawnRoom(plan, 9.0, tuple("SENW"), roof=roofs, dormers=(dormer,))
    names = ("floor", "E", "N", "w", "s", "d ceiling", "d cheeks")
    mesh = build_room(scene_of(room, names))
    S = 36 + 15 * np.sqrt(2)
    assert mesh.air_volume_m3 == pytest.approx(22.0, abs=S * 10 * M)
    assert mesh.area_m2 == pytest.approx(S, abs=100 * M)
    assert len(mesh_edges_open(mesh)) == 0
    assert mesh.face_area_m2.min() > 0.01


# --- things in the room --------------------------------------------------------------

STANDING = {
    # name: (things, volume they take, change of area)
    "free": ([box_thing("a", (1, 1, 1), (2, 2, 2))], 1.0, 6.0),
    "on the floor": ([box_thing("a", (1, 1, 0), (2, 2, 1))], 1.0, 4.0),
    "against a wall": ([box_thing("a", (1, 0, 0), (2, 1, 1))], 1.0, 2.0),
    "in a corner": ([box_thing("a", (0, 0, 0), (1, 1, 1))], 1.0, 0.0),
    "floor to ceiling": ([box_thing("a", (1, 1, 0), (2, 2, 3))], 3.0, 10.0),
    "side by side": (
        [box_thing("a", (1, 1, 0), (2, 2, 1)), box_thing("b", (2, 1, 0), (3, 2, 0.5))],
        1.5,
        4.0 + 2.0 - 2 * 0.5,
    ),
    "one on another, turned": (
        [
            box_thing("a", (1, 1, 0), (2, 2, 1)),
            box_thing("b", (1.2, 1.2, 1), (1.6, 1.8, 2), 33),
        ],
        1.24,
        4.0 + 2.0,
    ),
    "corner to corner": (
        [box_thing("a", (1, 1, 0), (2, 2, 1)), box_thing("b", (2, 2, 0), (3, 3, 1))],
        2.0,
        8.0,
    ),
    "prism": (
        [Thing("a", "prism", frozen([[1, 1], [1, 2], [2, 1]]), (0.0, 1.0), "thing")],
        0.5,
        2.0 + np.sqrt(2.0),
    ),
    "sheet": ([sheet_thing("a", [[1, 1, 0], [2, 1, 0], [2, 1, 2], [1, 1, 2]])], 0.0, 4.0),
    "0.4 mm from two walls": ([box_thing("a", (0.0004, 0.0004, 0), (1, 1, 1))], 1.0, 0.0),
}


def stands_right(mesh, taken_m3, change_m2, tolerance=100 * M):
    return (
        len(mesh_edges_open(mesh)) == 0
        and abs(mesh.envelope_volume_m3 - 60.0) < tolerance
        and abs(mesh.air_volume_m3 - 60.0 + taken_m3) < tolerance
        and abs(mesh.area_m2 - 94.0 - change_m2) < tolerance
        and abs(mesh.envelope_area_m2 - 94.0) < tolerance
    )


@pytest.mark.parametrize("name", STANDING)
def test_things_take_their_volume_and_touching_faces_vanish(name):
    """Truth: volumes and free areas of boxes by hand."""
    things, taken_m3, change_m2 = STANDING[name]
    scene = box_scene(things=things, sources=[(4.2, 3.5, 1.5)])
    mesh = build_room(scene)
    # Moved by 0.4 mm, the thing is larger or smaller by 0.4 mm times its side.
    moved = 2e-3 if "mm" in name else 100 * M
    assert stands_right(mesh, taken_m3, change_m2, moved)


def test_thing_that_is_moved_is_reported():
    notes = []
    collect_room(box_scene(things=STANDING["0.4 mm from two walls"][0]), [], notes)
    assert len(notes) == 1
    assert '"a" is moved by 0.57 mm' in notes[0]


def test_things_test_can_fail():
    """Planted fault: the areas where things touch are left in place."""
    things, taken_m3, change_m2 = STANDING["on the floor"]
    scene = box_scene(things=things)
    room = draw_facets(scene.room, [])
    mesh = assemble([*room, *thing_facets(things[0], [])], np.zeros((0, 3)), 1e-7)
    mesh = replace(mesh, envelope_volume_m3=60.0, envelope_area_m2=94.0)
    assert not stands_right(mesh, taken_m3, change_m2)


@fixed
@given(
    st.floats(0.8, 4.2),
    st.floats(0.8, 3.2),
    st.floats(0.1, 0.9),
    st.floats(0.1, 0.5),
    st.floats(0.1, 2.9),
    st.floats(0.0, 360.0),
)
def test_any_turned_box_on_the_floor_takes_its_volume(x, y, width, depth, height, turn_deg):
    """Truth: width x depth x height, however it is turned; four sides are added."""
    thing = box_thing(
        "a", (x - width / 2, y - depth / 2, 0), (x + width / 2, y + depth / 2, height), turn_deg
    )
    mesh = build_room(box_scene(things=[thing], sources=(), receivers=()))
    added = 2 * (width + depth) * height
    assert stands_right(mesh, width * depth * height, added)


def turned(points, turn_deg, shift_m=(0.0, 0.0)):
    turn = np.deg2rad(turn_deg)
    spin = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
    return np.asarray(points, dtype=float) @ spin.T + shift_m


@fixed
@given(
    st.floats(0.0, 360.0),
    st.lists(st.floats(0.2, 0.9), min_size=3, max_size=6),
    st.floats(0.2, 0.8),
    st.floats(-20.0, 20.0),
)
def test_row_of_cupboards_in_a_turned_room(turn_deg, widths, depth, away):
    """Truth: sums of box volumes and of the faces that stay free.

    Cupboards of growing height stand side by side from a corner, along a wall, the
    last one with a box on it; nothing is parallel to the axes.
    """
    plan = [[0, 0], [6, 0], [6, 4], [3, 4], [3, 7], [0, 7]]
    things, x, taken, added = [], 0.0, 0.0, 0.0
    for i, width in enumerate(widths):
        low, high = 0.5 + 0.2 * i, 0.5 + 0.2 * (i + 1)
        outline = [[x, 0], [x + width, 0], [x + width, depth], [x, depth]]
        things.append((f"c{i}", outline, (0.0, high)))
        taken += width * depth * high
        # The front replaces the wall that is hidden, the top the floor; where a
        # cupboard stands higher than the one before, that much of its side is free.
        added += depth * (high - low if i else -high)
        x += width
    added += depth * high  # the free end of the row
    lid = [[x - width, 0], [x, 0], [x, depth], [x - width, depth]]
    things.append(("lid", lid, (high, high + 0.3)))
    taken += width * depth * 0.3
    added += 2 * depth * 0.3
    shift = (away, -0.37 * away)
    scene = polygon_scene(
        turned(plan, turn_deg, shift),
        2.5,
        things=[
            Thing(name, "prism", frozen(turned(p, turn_deg, shift)), z, "thing")
            for name, p, z in things
        ],
    )
    mesh = build_room(scene)
    bare_m2 = 2 * 33 + 26 * 2.5
    assert len(mesh_edges_open(mesh)) == 0
    assert mesh.envelope_volume_m3 == pytest.approx(33 * 2.5, abs=bare_m2 * 10 * M)
    assert mesh.air_volume_m3 == pytest.approx(33 * 2.5 - taken, abs=bare_m2 * 10 * M)
    assert mesh.area_m2 == pytest.approx(bare_m2 + added, abs=100 * M)
    assert inside_air(mesh, mesh.triangles_m.mean(axis=1) + 1e-5 * mesh.face_normal).all()


# --- patches -----------------------------------------------------------------------------


def test_patch_on_a_slope_is_measured_along_it():
    """Truth: 0.78 x 0.98 m, its sill 1 + 0.15 / sqrt 2 = 1.106 m high (printed)."""
    window = Patch("window", "W slope", "thing", y_m=(3.30, 4.08), up_m=(0.15, 1.13))
    mesh = build_room(attic_scene(patches=[window]))
    areas = area_by_name(mesh)
    assert areas["window"] == pytest.approx(0.78 * 0.98, abs=10 * M)
    assert areas["W slope"] == pytest.approx(1.4 * np.sqrt(2) * 5.2 - 0.78 * 0.98, abs=10 * M)
    names = np.array([s.name for s in mesh.surfaces])[mesh.face_surface]
    sill_m = mesh.triangles_m[names == "window"][..., 2].min()
    assert sill_m == pytest.approx(1.106, abs=0.0005)
    assert sill_m == pytest.approx(1 + 0.15 / np.sqrt(2), abs=M)


def test_patches_leave_volume_area_and_closure_alone():
    """Truth: cutting a surface in two changes neither volume nor area."""
    patches = [
        Patch("door", "south", "thing", x_m=(0.5, 1.3), z_m=(0.0, 2.0)),
        Patch("rug", "floor", "thing", x_m=(1.0, 3.0), y_m=(1.0, 2.5)),
        Patch("window", "door", "thing", x_m=(0.7, 1.1), z_m=(1.2, 1.8)),
        Patch("table cloth", "table top", "thing", x_m=(1.2, 2.0)),
    ]
    table = box_thing("table", (1, 1, 0), (2.5, 2, 0.7))
    mesh = build_room(box_scene(patches=patches, things=[table], sources=[(4, 3, 1)]))
    assert stands_right(mesh, 1.05, 2 * 2.5 * 0.7)
    areas = area_by_name(mesh)
    assert areas["door"] == pytest.approx(1.6 - 0.24, abs=10 * M)
    assert areas["rug"] == pytest.approx(3.0 - 1.5 * 1.0, abs=10 * M)  # the table is on it
    assert areas["table cloth"] == pytest.approx(0.8, abs=10 * M)


def test_patch_beyond_its_surface_is_reported():
    notes = []
    patch = Patch("door", "south", "thing", x_m=(4.5, 5.5), z_m=(0.0, 2.0))
    collect_room(box_scene(patches=[patch]), [], notes)
    assert notes == [
        'Patch "door" reaches beyond "south": 1.00 of 2.00 m2 lie on it and count.'
    ]


# --- inside or outside ------------------------------------------------------------------


def in_attic(points):
    x, y, z = points.T
    roof = np.minimum(2.4, np.minimum(1 + x, 5 - x))
    dormer = (x > 2.6) & (y > 2.0) & (y < 3.2)
    roof = np.where(dormer, np.maximum(roof, 2.1), roof)
    inside = (x > 0) & (x < 4) & (y > 0) & (y < 5.2) & (z > 0) & (z < roof)
    cabinet = (x > 1) & (x < 2) & (y > 1) & (y < 3) & (z < 0.9)
    return inside & ~cabinet


def wrong_points(shift_m):
    things = [
        box_thing("cabinet", (1, 1, 0), (2, 3, 0.9)),
        sheet_thing("screen", [[3, 1, 0], [3, 2, 0], [3, 2, 1.5], [3, 1, 1.5]]),
    ]
    mesh = build_room(attic_scene(things=things, sources=(), receivers=()))
    points = np.random.default_rng(7).uniform([-0.5] * 3, [4.5, 5.7, 2.9], (4000, 3))
    return int((inside_air(mesh, points + shift_m) != in_attic(points)).sum())


def test_inside_agrees_with_inequalities():
    """Truth: the inequalities that define the room. No point may differ."""
    assert wrong_points(shift_m=0.0) == 0


def test_inside_test_can_fail():
    """Planted fault: the room is asked 1 cm beside the point."""
    assert wrong_points(shift_m=0.01) > 10
