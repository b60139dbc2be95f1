"""Treatments in rooms: volume, areas, closedness and places against plane geometry by hand.

Tolerances: 1e-9 of the room's volume, and 1e-9 m times the length that such an error
moves, which is what drawn coordinates promise.
"""

from dataclasses import replace

import numpy as np
import pytest
import shapely
from reference.triangles import crossings
from rooms import attic_scene, box_scene, box_thing, frozen, l_scene, mesh_scene, polygon_scene

from raysim.absorbers.layers import Porous, Sheet, Stack
from raysim.geometry.build import assemble, build_room, collect_room
from raysim.geometry.drawing import draw_facets
from raysim.geometry.edges import mesh_edges_open, solid_faces
from raysim.geometry.families import place
from raysim.geometry.furnish import furnish, placed_items
from raysim.geometry.inside import inside_air
from raysim.geometry.planes import number_planes
from raysim.geometry.things import holds, thing_facets
from raysim.scene.model import Patch, Thing
from raysim.scene.plan import Item, Layout, State, Treatment

M = 1e-9
R2 = np.sqrt(2.0)


def treatment(family, depth_m=0.1, two_sided=False, layers=None):
    stack = Stack(layers or (Porous(max(depth_m, 0.01), 10_000.0),))
    return Treatment(
        family, family, "", stack, None, None, depth_m, two_sided, (), ("screwed",), "", (),
        resists_fire=True,
    )  # fmt: skip


def item(
    family, on, from_m, size_m=(1.2, 0.6), depth_m=0.1, name="W1", two_sided=False, **more
):
    made = treatment(family, depth_m, two_sided, more.pop("layers", None))
    return Item(name, made, on, tuple(from_m.items()), size_m, depth_m=depth_m, **more)


def with_items(scene, *items, state=None):
    """Give the furnished scene, its mesh, and where the items are; nothing may be amiss."""
    complaints = []
    layout = Layout("test", "", items)
    furnished = furnish(scene, layout, state, complaints, [])
    mesh = collect_room(furnished, complaints, [])
    assert complaints == []
    return furnished, mesh, placed_items(scene, layout, [])


def area_by_name(mesh):
    return {
        s.name: float(a) for s, a in zip(mesh.surfaces, mesh.surface_area_m2(), strict=True)
    }


def doubled_area_m2(mesh):
    """Give the area of solid faces that lie on other solid faces of the same plane."""
    of_face, normal, _ = number_planes(mesh)
    solid = np.isin(np.arange(len(mesh.faces)), solid_faces(mesh))
    twice = 0.0
    for plane in np.unique(of_face):
        t = mesh.triangles_m[(of_face == plane) & solid]
        drop = int(np.abs(normal[plane]).argmax())
        flat = np.delete(t, drop, axis=2)
        shapes = [shapely.Polygon(f) for f in flat]
        whole = shapely.union_all(shapes, grid_size=1e-10).area
        twice += (sum(s.area for s in shapes) - whole) / abs(normal[plane][drop])
    return twice


def hits_from_behind(mesh, n_ray=20_000):
    """Count first hits, of rays from random points of the air, that meet a solid's back."""
    rng = np.random.default_rng(5)
    low, high = mesh.vertices_m.min(axis=0), mesh.vertices_m.max(axis=0)
    points = rng.uniform(low, high, (60, 3))
    points = points[inside_air(mesh, points)]
    start = points[rng.integers(len(points), size=n_ray)]
    towards = rng.standard_normal((n_ray, 3))
    towards /= np.linalg.norm(towards, axis=1, keepdims=True)
    solid = solid_faces(mesh)
    behind = 0
    for rows in np.array_split(np.arange(n_ray), 40):
        distance, margin = crossings(mesh.triangles_m[solid], start[rows], towards[rows])
        met = np.where((margin >= 0.0) & (distance > 0.0), distance, np.inf)
        first = met.argmin(axis=1)
        facing = np.einsum("rk,rk->r", mesh.face_normal[solid][first], towards[rows])
        lost = ~np.isfinite(met[np.arange(len(rows)), first])
        behind += int((facing > 0.0).sum() + lost.sum())
    return behind


def faults(scene, one, volume_m3, areas_m2):
    """Give what is wrong with a room that has one treatment in it."""
    bare = build_room(scene)
    _, mesh, (placed,) = with_items(scene, one)
    found = []
    if abs(bare.air_volume_m3 - mesh.air_volume_m3 - volume_m3) > M * bare.air_volume_m3:
        found.append("volume")
    if abs(placed.volume_m3 - volume_m3) > M:
        found.append("stated volume")
    if len(mesh_edges_open(mesh)):
        found.append("open")
    if doubled_area_m2(mesh) > 1e-8:
        found.append("doubled")
    got = area_by_name(mesh)
    own = {name for name in got if name.startswith(one.name)}
    if own != {f"{one.name} {part}" for part in areas_m2}:
        found.append(f"surfaces {own}")
    found += [
        part for part, area in areas_m2.items()
        if abs(got.get(f"{one.name} {part}", 0.0) - area) > 10.0 * M
    ]  # fmt: skip
    return found


#: Half a circle of eight pieces: chords of radii 0.3 and 0.25 m, 22.5 degrees each.
CHORD = 2.0 * np.sin(np.pi / 16.0)
ARC_AREA = 8.0 * 0.5 * np.sin(np.pi / 8.0) * (0.3**2 - 0.25**2)
ARC_SIDE = 0.4 * (8.0 * CHORD * 0.55 + 2.0 * 0.05)

LEGS = {"gap_m": 0.02}
FLAT = {"front": 0.72, "edge": 0.36}
OFF = {**FLAT, "back": 0.72}

CASES = [
    # walls
    (box_scene, item("panel", "south", {"west": 1.0, "floor": 1.0}), 0.072, FLAT),
    (box_scene, item("panel", "south", {"west": 1, "floor": 1}, gap_m=0.05), 0.072, OFF),
    # in a corner of the wall, so that two of its edges touch
    (
        box_scene,
        item("panel", "south", {"west": 0.0, "floor": 0.0}),
        0.072,
        {"front": 0.72, "edge": 0.18},
    ),
    (
        box_scene,
        item("panel", "south", {"west": 0.0, "floor": 0.0}, gap_m=0.05),
        0.072,
        {"front": 0.72, "edge": 0.18, "back": 0.72},
    ),
    (l_scene, item("panel", "wall 3", {"wall 4": 0.3, "floor": 0.7}), 0.072, FLAT),
    # on a gable, measured from a slope
    (
        attic_scene,
        item("panel", "S gable", {"W slope": 0.1, "floor": 0.3}, (0.6, 1.2)),
        0.072,
        FLAT,
    ),
    # slopes
    (attic_scene, item("panel", "W slope", {"W knee": 0.2, "S gable": 1.0}), 0.072, FLAT),
    (
        attic_scene,
        item("panel", "E slope", {"E knee": 0.2, "S gable": 0.3}, gap_m=0.1),
        0.072,
        OFF,
    ),
    (
        attic_scene,
        item("cloud", "E slope", {"collar": 0.0, "N gable": 0.0}, gap_m=0.1),
        0.072,
        {"front": 0.72, "back": 0.72, "edge": 0.36 - 0.06},
    ),
    # ceilings
    (l_scene, item("cloud", "ceiling", {"wall 1": 1, "wall 6": 1}, gap_m=0.1), 0.072, OFF),
    (box_scene, item("cloud", "ceiling", {"south": 1, "west": 1}, turn_deg=30.0), 0.072, FLAT),
    # sheets of foam
    (
        attic_scene,
        item("foam", "W slope", {"W knee": 0.2, "S gable": 1}, (0.9, 0.6), 0.03),
        0.0162,
        {"front": 0.54, "edge": 0.09},
    ),
    (
        box_scene,
        item("foam", "north", {"west": 1, "floor": 1}, (0.9, 0.6), 0.015),
        0.0,
        {"front": 0.54},
    ),
    (
        attic_scene,
        item("cover", "W slope", {"W knee": 0.1, "S gable": 0.5}, (3.0, 1.5), 0.012),
        0.0,
        {"front": 4.5},
    ),
    # corners: upright, level, of 90 degrees and of 135
    (box_scene, item("corner panel", "south", {"floor": 0.5}, corner="west"), 0.072, OFF),
    (
        box_scene,
        item("corner panel", "south", {"floor": 0.0}, (0.6, 3.0), corner="east"),
        0.18,
        {"front": 1.8, "back": 1.8, "edge": 0.6},
    ),
    (
        attic_scene,
        item("corner panel", "W knee", {"S gable": 0.3}, corner="W slope"),
        0.072,
        OFF,
    ),
    (
        attic_scene,
        item("corner panel", "W slope", {"S gable": 0.3}, (1.2, 0.4), corner="collar"),
        0.048,
        {"front": 0.48, "back": 0.48, "edge": 0.32},
    ),
    (
        box_scene,
        item("corner stack", "south", {"floor": 0}, (0.6, 2.0), 0.3, corner="west"),
        0.18,
        {"side": 1.2, "top": 0.09},
    ),
    (
        box_scene,
        item("corner stack", "south", {"floor": 0}, (0.4, 2.0), 0.4, corner="west"),
        0.32,
        {"side": 1.6, "top": 0.16},
    ),
    # lying along the ceiling, one end against a wall: the other is its "back" or "front"
    (
        box_scene,
        item("corner stack", "south", {"east": 0}, (2.0, 0.6), 0.3, corner="ceiling"),
        0.18,
        {"edge": 1.2, "back": 0.09},
    ),
    # on the floor
    (
        attic_scene,
        item("block", "W knee", {"floor": 0, "S gable": 0.3}, (2.4, 0.9), 0.3),
        0.648,
        {"front": 2.16, "edge": 0.72 + 0.54},
    ),
    (
        attic_scene,
        item("block", "floor", {"W knee": 0, "S gable": 0.3}, (2.4, 0.9), 0.3, turn_deg=90.0),
        0.648,
        {"front": 2.16, "edge": 0.72 + 0.54},
    ),
    (
        box_scene,
        item("bookcase", "floor", {"north": 0, "east": 0}, (0.8, 2.0), 0.28),
        0.448,
        {"front": 1.6, "edge": 0.224 + 0.56},
    ),
    (
        l_scene,
        item("screen", "floor", {"wall 1": 1, "wall 6": 1}, (0.6, 1.8), turn_deg=30, **LEGS),
        0.108,
        {"front": 1.08, "back": 1.08, "edge": 0.48},
    ),
    (
        l_scene,
        item("screen", "floor", {"wall 1": 1, "wall 6": 1}, (0.6, 1.8)),
        0.108,
        {"front": 1.08, "back": 1.08, "edge": 0.42},
    ),
    (
        box_scene,
        item("curved screen", "floor", {"south": 1, "west": 1}, (0.6, 0.4), 0.05, gap_m=1.0),
        0.4 * ARC_AREA,
        {"side": ARC_SIDE, "top": ARC_AREA, "bottom": ARC_AREA},
    ),
    (
        attic_scene,
        item("rug", "floor", {"W knee": 1, "S gable": 1}, (1.6, 2.3), 0.0),
        0.0,
        {"front": 3.68},
    ),
    # curtains: before a wall, drawn aside, and free
    (
        box_scene,
        item("curtain", "south", {"west": 1, "floor": 0}, (2.0, 2.5), gap_m=0.1),
        0.0,
        {"front": 5.0},
    ),
    (
        box_scene,
        item("curtain", "south", {"west": 1, "floor": 0}, (2.0, 2.5), drawn_aside=True),
        0.0,
        {"front": 1.0},
    ),
    (
        box_scene,
        item("curtain", "floor", {"south": 1, "west": 1}, (2.0, 2.5), turn_deg=20.0),
        0.0,
        {"front": 5.0},
    ),
]  # fmt: skip


def named(case):
    return f"{case.treatment.family} on {case.on}" if isinstance(case, Item) else None


@pytest.mark.parametrize(("room", "one", "volume_m3", "areas_m2"), CASES, ids=named)
def test_room_loses_exactly_what_the_treatment_takes(room, one, volume_m3, areas_m2):
    """Truth: length by width by depth, by hand. Tolerance: rounding of coordinates."""
    assert faults(room(), one, volume_m3, areas_m2) == []


def test_treatment_test_can_fail():
    """Planted faults: a piece 1 mm deeper and 1 mm wider than the hand computation."""
    at = {"west": 1.0, "floor": 1.0}
    deeper = item("panel", "south", at, depth_m=0.101)
    assert faults(box_scene(), deeper, 0.072, FLAT) == ["volume", "stated volume", "edge"]
    wider = item("panel", "south", at, (1.201, 0.6))
    assert "front" in faults(box_scene(), wider, 0.072, FLAT)


def test_checks_of_the_mesh_can_fail():
    """Planted faults: contact not taken away, a face lost, normals turned round."""
    scene = box_scene()
    furnished, mesh, _ = with_items(scene, item("panel", "south", {"west": 1, "floor": 1}))
    raw = [*draw_facets(scene.room, []), *thing_facets(furnished.things[0], [])]
    raw = [replace(f, material="thing") for f in raw]
    assert doubled_area_m2(assemble(raw, np.zeros((0, 3)), 1e-7)) == pytest.approx(0.72)
    torn = replace(
        mesh, faces=mesh.faces[1:], face_surface=mesh.face_surface[1:],
        face_plane=mesh.face_plane[1:],
    )  # fmt: skip
    assert len(mesh_edges_open(torn)) == 3
    own = np.array([s.name.startswith("W1") for s in mesh.surfaces])[mesh.face_surface]
    faces = np.where(own[:, None], mesh.faces[:, ::-1], mesh.faces)
    assert hits_from_behind(replace(mesh, faces=faces)) > 50


IN_THE_ATTIC = (
    item("panel", "W slope", {"W knee": 0.2, "S gable": 2.9}, gap_m=0.1),
    item("panel", "E slope", {"E knee": 0.2, "S gable": 0.3}, name="W2"),
    item("block", "W knee", {"floor": 0, "S gable": 0.1}, (2.4, 0.9), 0.3, "W3"),
    item("cloud", "collar", {"W slope": 0.1, "N gable": 0.0}, (0.6, 1.2), name="W4"),
    item("screen", "floor", {"E knee": 1, "N gable": 1}, (0.6, 1.2), 0.1, "W5", turn_deg=70),
    item("corner panel", "N gable", {"floor": 0}, (0.3, 0.8), 0.1, "W6", corner="E knee"),
)
IN_THE_L = (
    item("corner stack", "wall 1", {"floor": 0}, (0.6, 2.0), 0.3, corner="wall 6"),
    item("corner panel", "wall 5", {"floor": 0}, (0.6, 1.2), 0.1, "W2", corner="wall 4"),
    # edge to edge, and on both sides of the corner that juts in
    item("panel", "wall 3", {"wall 4": 0.0, "floor": 1.0}, name="W3"),
    item("panel", "wall 3", {"wall 4": 1.2, "floor": 1.0}, name="W4"),
    item("panel", "wall 4", {"wall 3": 0.0, "floor": 1.0}, name="W5"),
    item("curved screen", "floor", {"wall 1": 1, "wall 2": 1}, (0.6, 0.4), 0.05, "W6", gap_m=1),
)
MANY = ((attic_scene(), IN_THE_ATTIC), (l_scene(), IN_THE_L))


@pytest.mark.parametrize(("scene", "items"), MANY, ids=["attic", "L"])
def test_rays_never_see_a_treatment_from_within(scene, items):
    """Truth: a closed body shows air only its outside. Tolerance: none of 20 000 rays."""
    _, mesh, placed = with_items(scene, *items)
    bare = build_room(scene).air_volume_m3
    assert mesh.air_volume_m3 == pytest.approx(bare - sum(p.volume_m3 for p in placed), rel=M)
    assert doubled_area_m2(mesh) < 1e-8
    assert hits_from_behind(mesh) == 0


def test_gap_behind_a_piece_is_air():
    """Truth: 50 mm of air between wall and back, by hand: points on either side of it."""
    one = item("panel", "south", {"west": 1.0, "floor": 1.0}, gap_m=0.05)
    furnished, mesh, _ = with_items(box_scene(), one)
    y = np.array([0.025, 0.049, 0.051, 0.149, 0.151])
    points = np.column_stack([np.full(5, 1.6), y, np.full(5, 1.3)])
    assert inside_air(mesh, points).tolist() == [True, True, False, False, True]
    held = [holds(furnished.things[0], p) for p in points]
    assert held == [False, False, True, True, False]


# --- where a piece comes ------------------------------------------------------------


def corners_of(scene, one):
    complaints = []
    placed = place(one, draw_facets(scene.room, complaints), complaints)
    assert complaints == []
    return placed.footprint_m


def test_distances_on_a_slope_run_along_it():
    """Truth: on a slope of 45 degrees a metre along it climbs 1/sqrt 2."""
    spots = corners_of(attic_scene(), item("panel", "W slope", {"W knee": 0.2, "S gable": 1}))
    low, high = spots.min(axis=0), spots.max(axis=0)
    assert low == pytest.approx([0.2 / R2, 1.0, 1.0 + 0.2 / R2], abs=M)
    assert high == pytest.approx([0.8 / R2, 2.2, 1.0 + 0.8 / R2], abs=M)


def test_distance_from_an_oblique_line_is_at_a_right_angle_to_it():
    """Truth: on the gable the slope is the line z = 1 + x; a point's distance from it."""
    one = item("panel", "S gable", {"W slope": 0.1, "floor": 0.3}, (0.6, 1.2))
    spots = corners_of(attic_scene(), one)
    off = (1.0 + spots[:, 0] - spots[:, 2]) / R2
    assert off.min() == pytest.approx(0.1, abs=M)
    assert spots[:, 2].min() == pytest.approx(0.3, abs=M)


@pytest.mark.parametrize("turn_deg", [0.0, 30.0, 90.0, -45.0])
def test_a_turned_screen_keeps_its_distances(turn_deg):
    """Truth: the nearest corner of a turned rectangle, by rotating it by hand."""
    at = {"south": 0.5, "west": 0.7}
    one = item("screen", "floor", at, (0.6, 1.8), 0.1, turn_deg=turn_deg)
    spots = corners_of(box_scene(), one)
    t = np.radians(turn_deg)
    wide = 0.6 * abs(np.cos(t)) + 0.1 * abs(np.sin(t))
    deep = 0.6 * abs(np.sin(t)) + 0.1 * abs(np.cos(t))
    assert spots.min(axis=0)[:2] == pytest.approx([0.7, 0.5], abs=M)
    assert np.ptp(spots, axis=0)[:2] == pytest.approx([wide, deep], abs=M)


def test_pieces_of_a_turned_plan_run_along_its_walls():
    """Truth: the same box turned by 25 degrees has the same piece, turned."""
    t = np.radians(25.0)
    spin = np.array([[np.cos(t), np.sin(t)], [-np.sin(t), np.cos(t)]])
    plan = np.array([[0.0, 0.0], [5, 0], [5, 4], [0, 4]]) @ spin
    at = {"wall 1": 1.0, "wall 4": 0.5}
    for one in (
        item("rug", "floor", at, (2.0, 1.0), 0.0),
        item("cloud", "ceiling", at, (2.0, 1.0)),
    ):
        spots = corners_of(polygon_scene(plan, 3.0), one)
        back = spots[:, :2] @ spin.T
        assert back.min(axis=0) == pytest.approx([0.5, 1.0], abs=M)
        assert back.max(axis=0) == pytest.approx([2.5, 2.0], abs=M)


def test_corner_panel_stands_clear_of_both_surfaces():
    """Truth: in a corner of 135 degrees the back edges are 2 mm from each surface."""
    one = item("corner panel", "W knee", {"S gable": 0.3}, corner="W slope")
    furnished, _, _ = with_items(attic_scene(), one)
    front, back, *_ = thing_facets(furnished.things[0], [])
    x, _, z = back.corners_m().T
    from_slope = (1.0 + x - z) / R2
    assert x.min() == pytest.approx(0.002, abs=M)
    assert from_slope.min() == pytest.approx(0.002, abs=M)
    x, _, z = front.corners_m().T
    assert min(x.min(), ((1.0 + x - z) / R2).min()) > 0.01
    width = np.sort(np.linalg.norm(np.diff(back.corners_m(), axis=0), axis=1))
    assert width == pytest.approx([0.6, 1.2, 1.2], abs=M) or width == pytest.approx(
        [0.6, 0.6, 1.2], abs=M
    )


def test_block_looks_away_from_the_wall_behind_it():
    """Truth: a block against the north wall has its front at the wall less its depth."""
    for turn_deg in (0.0, 180.0):
        one = item("block", "floor", {"north": 0, "west": 1}, (1.0, 1.0), turn_deg=turn_deg)
        furnished, _, _ = with_items(box_scene(), one)
        front = thing_facets(furnished.things[0], [])[0]
        assert front.normal == pytest.approx([0, -1, 0], abs=M)
        assert front.corners_m()[:, 1] == pytest.approx(np.full(4, 3.9), abs=M)


def test_a_piece_nearly_flush_is_made_flush():
    """Truth: 45 degree slope, 1.4 sqrt 2 m long; 1.98 m as a person reads it is 0.1 mm more."""
    one = item("panel", "W slope", {"W knee": 0.0, "S gable": 0.0}, (1.2, 1.98))
    _, mesh, (placed,) = with_items(attic_scene(), one)
    assert placed.volume_m3 == pytest.approx(1.2 * 1.4 * R2 * 0.1, abs=M)
    assert len(mesh_edges_open(mesh)) == 0


def test_a_mesh_file_takes_the_same_items(tmp_path):
    """Truth: the attic as a file, turned, its corners rounded to 10 um, loses the same volume.

    Tolerance: 20 um, what corners of a file may be out, times the areas in contact.
    """
    drawn = build_room(attic_scene())
    t = np.radians(25.0)
    spin = np.array([[np.cos(t), np.sin(t), 0], [-np.sin(t), np.cos(t), 0], [0, 0, 1]])
    lines = [f"v {x:.5f} {y:.5f} {z:.5f}" for x, y, z in drawn.vertices_m @ spin]
    for i, surface in enumerate(drawn.surfaces):
        lines.append(f"g {surface.name}")
        # Normals of a file point out of the room.
        lines += [f"f {a} {c} {b}" for a, b, c in drawn.faces[drawn.face_surface == i] + 1]
    path = tmp_path / "attic.obj"
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    scene = mesh_scene(path, surfaces=[s.name for s in drawn.surfaces])
    bare = build_room(scene)
    _, mesh, placed = with_items(scene, *IN_THE_ATTIC)
    _, wanted, there = with_items(attic_scene(), *IN_THE_ATTIC)
    lost = drawn.air_volume_m3 - wanted.air_volume_m3
    assert bare.air_volume_m3 - mesh.air_volume_m3 == pytest.approx(lost, abs=2e-5 * 8.0)
    assert len(mesh_edges_open(mesh)) == 0
    for one, other in zip(placed, there, strict=True):
        assert one.footprint_m @ spin.T == pytest.approx(other.footprint_m, abs=1e-4)


# --- what lies under or before ------------------------------------------------------


def glazed():
    window = Patch("window", "south", "glass", x_m=(1.5, 2.5), z_m=(0.8, 1.8))
    alpha = {"south": 0.02, "glass": 0.3}
    return box_scene(alpha=alpha, patches=(window,), other=("thing", "glass"))


def test_panel_over_a_window_takes_its_part_of_both():
    """Truth: areas by hand; the panel covers half the window's width."""
    one = item("panel", "south", {"west": 2.0, "floor": 1.0})
    _, mesh, _ = with_items(glazed(), one)
    got = area_by_name(mesh)
    assert got["window"] == pytest.approx(1.0 - 0.5 * 0.6, abs=10 * M)
    assert got["south"] == pytest.approx(15.0 - 1.0 - 0.7 * 0.6, abs=10 * M)


def test_curtain_keeps_what_is_behind_each_part_of_it():
    """Truth: areas by hand; a cover takes at least what its backing takes without it."""
    cloth = (Sheet(0.5, 400.0),)
    one = item(
        "curtain", "south", {"west": 1.0, "floor": 0.5}, (2.0, 2.0), gap_m=0.1, layers=cloth
    )
    furnished, mesh, _ = with_items(glazed(), one)
    got = area_by_name(mesh)
    assert got["W1 front"] == pytest.approx(3.0, abs=10 * M)
    assert got["W1 front before window"] == pytest.approx(1.0, abs=10 * M)
    assert "window" not in got
    of = {p.name: furnished.materials[p.material] for p in furnished.patches}
    wall, glass = of["W1 front"].alpha, of["W1 front before window"].alpha
    assert (wall >= 0.02).all()
    assert (glass >= 0.3).all()
    assert (glass > wall).all()


def test_what_a_piece_hangs_off_counts_in_its_front():
    """A gap and a wall that absorbs both make the front take more in the bass."""
    at = {"west": 1.0, "floor": 1.0}
    alpha = {}
    for name, scene, gap_m in (
        ("flat", box_scene(alpha=0.0), 0.0),
        ("off", box_scene(alpha=0.0), 0.1),
        ("soft wall", box_scene(alpha=0.3), 0.1),
    ):
        furnished, _, _ = with_items(scene, item("panel", "south", at, gap_m=gap_m))
        thing = furnished.things[0]
        assert thing.fill == treatment("panel").stack
        alpha[name] = furnished.materials[thing.material].alpha
    assert (alpha["off"][:3] > alpha["flat"][:3]).all()
    assert (alpha["soft wall"][:3] > alpha["off"][:3]).all()


# --- layouts and states -------------------------------------------------------------


def furnished_with(scene, layout, state):
    complaints, notes = [], []
    made = furnish(scene, layout, state, complaints, notes)
    assert complaints == []
    return made, notes


def test_what_a_layout_and_a_state_move_out_is_out():
    desk = box_thing("desk", (1, 1, 0.7), (2, 2, 0.74))
    person = box_thing("reader", (3, 1, 0), (3.4, 1.4, 1.0))
    pad = Patch("pad", "desk top", "thing", x_m=(1.2, 1.5), y_m=(1.2, 1.5))
    scene = box_scene(things=(desk, person), patches=(pad,))
    one = item("panel", "south", {"west": 1.0, "floor": 1.0})
    layout = Layout("empty", "", (one,), without=("desk",))
    made, notes = furnished_with(scene, layout, State("alone", "", without=("reader",)))
    assert [t.name for t in made.things] == ["W1"]
    assert made.patches == ()
    assert notes == ['Patch "pad" is left out with what it is on.']
    made, _ = furnished_with(scene, layout, State("stored", "", without=("W1",)))
    assert [t.name for t in made.things] == ["reader"]
    assert furnished_with(scene, None, None)[0] is scene


def test_a_state_opens_curtains_and_changes_materials():
    curtain = item("curtain", "south", {"west": 1.0, "floor": 0.0}, (2.0, 2.5))
    layout = Layout("one", "", (curtain,))
    state = State(
        "open", "", drawn_aside=("W1",), material=(("window", "thing"), ("north", "glass"))
    )
    made, notes = furnished_with(glazed(), layout, state)
    assert notes == ['Curtain "W1" is drawn aside.']
    assert {p.name: p.material for p in made.patches}["window"] == "thing"
    assert {f.surface: f.material for f in made.finishes}["north"] == "glass"
    area = area_by_name(build_room(made))
    assert sum(a for name, a in area.items() if name.startswith("W1")) == pytest.approx(1.0)
    # A fifth of the width, towards the wall that it is measured from.
    (patch,) = [p for p in made.patches if p.name == "W1 front"]
    assert patch.outline_m[:, 0].min() == pytest.approx(1.0, abs=M)
    assert patch.outline_m[:, 0].max() == pytest.approx(1.4, abs=M)


def test_a_free_curtain_is_a_sheet_with_two_sides():
    """Truth: 2.0 by 2.5 m on each side, by hand; each side is named by the item."""
    one = item("curtain", "ceiling", {"south": 1, "west": 1}, (2.0, 2.5))
    made, mesh, (placed,) = with_items(box_scene(), one)
    assert made.things[0].kind == "sheet"
    assert {(s.name, s.back_name) for s in mesh.surfaces if s.back_name} == {
        ("W1 front", "W1 back")
    }
    assert placed.front_area_m2 == pytest.approx(10.0, abs=10 * M)
    assert placed.box_m[:, 2] == pytest.approx([0.5, 3.0], abs=M)


# --- slabs as such ------------------------------------------------------------------


@pytest.mark.parametrize("room", [box_scene, attic_scene])
def test_an_oblique_slab_takes_front_area_times_its_depth(room):
    """Truth: volume of a sheared prism is front area times the depth at a right angle."""
    front = frozen([[1.5, 1.0, 0.5], [1.5, 2.0, 0.5], [1.5, 2.0, 1.0], [1.5, 1.0, 1.0]])
    slab = Thing(
        "slab", "slab", front[::-1], None, "thing", behind_m=frozen([0.2, 0.1, 0.05]),
        material_edge="thing", material_back="thing",
    )  # fmt: skip
    bare, mesh = build_room(room()), build_room(room(things=(slab,)))
    assert bare.air_volume_m3 - mesh.air_volume_m3 == pytest.approx(0.5 * 0.2, rel=1e-8)
    points = np.array(
        [[1.51, 1.5, 0.75], [1.69, 1.2, 0.6], [1.69, 1.02, 0.6], [1.75, 1.5, 0.8]]
    )
    assert inside_air(mesh, points).tolist() == [False, False, True, True]
    assert [holds(slab, p) for p in points] == [True, True, False, False]
