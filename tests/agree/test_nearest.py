"""The tree against every triangle in turn, and rays aimed where triangles meet."""

from types import SimpleNamespace

import numpy as np
import pytest
import trimesh
from reference.triangles import first_crossing, obstructed
from rooms import box_scene
from traced import furnished_attic

from raysim.core.walk import NOTHING, STACK_DEPTH, blocked, nearest
from raysim.geometry.build import build_room
from raysim.geometry.bvh import build_tree
from raysim.geometry.planes import number_planes
from raysim.propagation.cpu import first_hits

#: Rays as near an edge as this may be answered either way (m): five times the 2 um by
#: which pieces overlap, for rays that cross them aslant.
NEAR_EDGE_M = 1e-5
#: Positions are float32: half a unit in the last place at 8 m, over the cosine of
#: incidence, which is kept above this.
STEEP = 0.02
DISTANCE_M = 4 * 2.0**-22 / STEEP


def unit(v):
    return v / np.linalg.norm(v, axis=-1, keepdims=True)


def body(triangles_m, plane=None, surface=None, two_sided=True):
    """Give a tree with what it was built from; normals point into the air.

    What is not two-sided can be met from the normal's side only.
    """
    own = np.arange(len(triangles_m))
    plane = own if plane is None else plane
    surface = np.zeros(len(triangles_m), dtype=np.int64) if surface is None else surface
    two_sided = np.broadcast_to(two_sided, len(triangles_m))
    tree = build_tree(triangles_m, plane, surface, ~two_sided)
    corner = triangles_m
    normal = np.cross(corner[:, 1] - corner[:, 0], corner[:, 2] - corner[:, 0])
    return SimpleNamespace(
        triangles_m=triangles_m,
        normal=unit(normal),
        area_m2=0.5 * np.linalg.norm(normal, axis=1),
        two_sided=two_sided,
        plane=plane,
        tree=tree,
        arrays=(tree.box, tree.child, tree.row),
    )


def room_body(scene, solid):
    mesh = build_room(scene)
    sheet = np.array([s.back_name is not None for s in mesh.surfaces])[mesh.face_surface]
    return body(
        mesh.triangles_m, number_planes(mesh)[0], mesh.face_surface, sheet if solid else True
    )


def ball(solid):
    sphere = trimesh.creation.icosphere(subdivisions=3, radius=2.0)
    return body(np.array(sphere.triangles)[:, ::-1] + (0.3, -0.2, 1.0), two_sided=not solid)


def soup(solid):
    """Give 400 triangles of all sizes and shapes that cross each other at random."""
    random = np.random.default_rng(8)
    middle = random.uniform(-2.0, 2.0, (400, 1, 3))
    return body(
        middle + random.normal(0.0, 1.0, (400, 3, 3)) * random.exponential(0.4, (400, 1, 1)),
        two_sided=not solid,
    )


BODIES = {
    "box": lambda solid: room_body(box_scene(), solid),
    "attic": lambda solid: room_body(furnished_attic(), solid),
    "ball": ball,
    "soup": soup,
}


@pytest.fixture(scope="module", params=list(BODIES))
def each(request):
    return BODIES[request.param](False)


CLOSED = ("box", "attic", "ball")


def random_rays(body, n, seed=1):
    random = np.random.default_rng(seed)
    low, high = body.triangles_m.min(axis=(0, 1)), body.triangles_m.max(axis=(0, 1))
    return random.uniform(low, high, (n, 3)), unit(random.normal(size=(n, 3)))


def shoot(body, start, direction):
    distance, piece = np.zeros(len(start)), np.zeros(len(start), dtype=np.uint32)
    first_hits(*body.arrays, start, direction, distance, piece)
    return distance, piece


def disagreements(body, start, direction):
    """Give how many rays the tree answers otherwise than the slow form, and how many count."""
    distance, piece = shoot(body, start, direction)
    truth, face, doubt = first_crossing(body.triangles_m, start, direction)
    slant = np.abs(np.einsum("ij,ij->i", body.normal[face], direction))
    sure = (doubt > NEAR_EDGE_M / STEEP) & ((slant > STEEP) | (face < 0))
    lost, none = piece == NOTHING, face < 0
    found = body.tree.face[np.where(lost, 0, piece)]
    same = np.where(
        lost | none,
        lost & none,
        (np.abs(distance - np.where(none, 0.0, truth)) < DISTANCE_M)
        & (body.plane[found] == body.plane[face]),
    )
    return int((sure & ~same).sum()), float(sure.mean())


def test_first_hit_is_the_slow_form_s(each):
    """Truth: all triangles in float64. Tolerance: float32 positions; not beside edges."""
    wrong, share = disagreements(each, *random_rays(each, 6000))
    assert wrong == 0
    assert share > 0.8


def test_first_hit_test_notices_a_missing_triangle(each):
    """Planted fault: one of the larger triangles is not there."""
    gone = np.argsort(each.area_m2)[int(0.7 * len(each.area_m2))]
    holed = body(np.delete(each.triangles_m, gone, axis=0))
    holed.triangles_m, holed.normal = each.triangles_m, each.normal
    holed.plane = np.arange(len(each.triangles_m))
    assert disagreements(holed, *random_rays(each, 6000))[0] > 0


def is_blocked(body, start, end, skip, skip2):
    stack = np.zeros(STACK_DEPTH, dtype=np.uint32)
    way = end - start
    far = np.linalg.norm(way, axis=1)
    return np.array(
        [
            blocked(*body.arrays, *a, *d, float(s), float(s2), r, stack)
            for a, d, s, s2, r in zip(start, way / far[:, None], skip, skip2, far, strict=True)
        ]
    )


def sightlines(body, n=4000, seed=2):
    """Give pairs of points, and two plane numbers each that do not count."""
    random = np.random.default_rng(seed)
    low, high = body.triangles_m.min(axis=(0, 1)), body.triangles_m.max(axis=(0, 1))
    start, end = random.uniform(low - 0.5, high + 0.5, (2, n, 3))
    planes = random.integers(-1, body.plane.max() + 1, (n, 2))
    return start, end, planes


def wrong_sights(body, passed_over_by):
    start, end, planes = sightlines(body)
    over = (passed_over_by[:, :1] == body.plane) | (passed_over_by[:, 1:] == body.plane)
    way = end - start
    _, _, doubt = first_crossing(body.triangles_m, start, unit(way), over)
    _, _, doubt_back = first_crossing(body.triangles_m, end, unit(-way), over)
    sure = np.minimum(doubt, doubt_back) > NEAR_EDGE_M / STEEP
    got = is_blocked(body, start, end, planes[:, 0], planes[:, 1])
    return int((sure & (got != obstructed(body.triangles_m, start, end, over))).sum())


def test_sight_is_the_slow_form_s(each):
    """Truth: all triangles in float64, two planes passed over."""
    assert wrong_sights(each, sightlines(each)[2]) == 0


def test_sight_test_notices_a_plane_not_passed_over(each):
    """Planted fault: the tree passes over two planes, the slow form over none."""
    assert wrong_sights(each, np.full((4000, 2), -1)) > 0


def edge_points(triangles_m, n, seed=3):
    """Give points on edges of triangles, and on their corners, as float64 knows them."""
    random = np.random.default_rng(seed)
    pick = triangles_m[random.integers(0, len(triangles_m), n)]
    k = random.integers(0, 3, n)
    a, b = pick[np.arange(n), k], pick[np.arange(n), (k + 1) % 3]
    share = np.where(random.random(n) < 0.3, 0.0, random.random(n))[:, None]
    return a + share * (b - a)


def inside_points(name, n, seed=4):
    """Give points in the air of a body, some way off its surface."""
    random = np.random.default_rng(seed)
    if name == "box":
        return random.uniform((0.05, 0.05, 0.05), (4.95, 3.95, 2.95), (n, 3))
    if name == "ball":
        return (0.3, -0.2, 1.0) + unit(random.normal(size=(n, 3))) * 1.9 * random.random((n, 1))
    return random.uniform((0.05, 1.0, 0.6), (3.95, 2.4, 0.99), (n, 3))


N_AIMED = 500_000
#: Rays that may be lost: two in a million.
LOST_SHARE = 2e-6


def n_lost(body, start, direction):
    """Count rays that meet nothing."""
    return int((shoot(body, start, direction)[1] == NOTHING).sum())


def lost_at_edges(name, body, triangles_m):
    """Count the rays that are lost of those aimed at edges and corners from the air."""
    start, edge = inside_points(name, N_AIMED), edge_points(triangles_m, N_AIMED)
    return n_lost(body, start, unit(edge - start))


@pytest.mark.parametrize("name", CLOSED)
def test_edges_and_corners_lose_no_rays(name):
    """Truth: a closed surface hides its outside. Budget: two lost rays in a million."""
    body = BODIES[name](True)
    assert lost_at_edges(name, body, body.triangles_m) <= LOST_SHARE * N_AIMED


@pytest.mark.parametrize("name", CLOSED)
def test_edge_test_notices_a_narrow_slit(name):
    """Planted fault: every triangle is 20 micrometres smaller all round."""
    whole = BODIES[name](True)
    middle = whole.triangles_m.mean(axis=1, keepdims=True)
    reach = np.linalg.norm(whole.triangles_m - middle, axis=2, keepdims=True)
    smaller = middle + (whole.triangles_m - middle) * (1.0 - 2e-5 / reach)
    slit = body(smaller, two_sided=whole.two_sided)
    assert lost_at_edges(name, slit, whole.triangles_m) > 100 * LOST_SHARE * N_AIMED


@pytest.mark.parametrize("name", CLOSED)
def test_no_ray_from_inside_is_lost(name):
    """Truth: closed. Half a million rays in all directions; budget as above."""
    body = BODIES[name](True)
    direction = unit(np.random.default_rng(5).normal(size=(N_AIMED, 3)))
    assert n_lost(body, inside_points(name, N_AIMED), direction) <= LOST_SHARE * N_AIMED


def front_only(triangles_m, start, direction):
    """Give which triangles each ray meets from the normal's side: all others are absent."""
    corner = triangles_m
    normal = np.cross(corner[:, 1] - corner[:, 0], corner[:, 2] - corner[:, 0])
    return direction @ normal.T < 0.0


@pytest.mark.parametrize("name", BODIES)
def test_solid_matter_is_met_from_the_air_only(name):
    """Truth: the slow form without the triangles that a ray would meet from behind."""
    solid = BODIES[name](True)
    start, direction = random_rays(solid, 4000)
    behind = ~front_only(solid.triangles_m, start, direction) & ~solid.two_sided
    truth, face, doubt = first_crossing(solid.triangles_m, start, direction, behind)
    distance, _ = shoot(solid, start, direction)
    sure = doubt > NEAR_EDGE_M / STEEP
    sure &= np.abs(np.einsum("ij,ij->i", solid.normal[face], direction)) > STEEP
    met = sure & (face >= 0)
    assert met.mean() > 0.15
    assert np.all(np.abs(distance - truth)[met] < DISTANCE_M)
    # planted fault: solid matter that stops rays from both sides gives other distances
    both, _ = shoot(BODIES[name](False), start, direction)
    if name in ("attic", "soup"):
        assert (np.abs(both - truth)[met] > DISTANCE_M).any()


def axis_rays(body, n=300):
    """Give rays with components that are exactly zero, of both signs, some on planes."""
    random = np.random.default_rng(6)
    low, high = body.triangles_m.min(axis=(0, 1)), body.triangles_m.max(axis=(0, 1))
    start = random.uniform(low, high, (n, 3))
    signs = np.array(
        [[1, 0, 0], [-1, -0.0, 0], [0, 1, 0], [0, -1, -0.0], [0, 0, 1], [-0.0, 0, -1]]
    )
    flat = np.array([[0.6, 0.8, 0], [-0.8, 0, 0.6], [-0.0, 0.6, -0.8]])
    direction = np.concatenate([signs, flat])[random.integers(0, 9, n)]
    return start, direction.astype(np.float64)


def test_zero_components(each):
    """Truth: the slow form, for rays along axes and coordinate planes."""
    wrong, share = disagreements(each, *axis_rays(each, 3000))
    assert wrong == 0
    assert share > 0.8


def test_rays_along_edges_of_boxes_of_the_tree():
    """Hostile: starts whose coordinates are corners of the room, directions along axes."""
    box = BODIES["box"](True)
    inside = (2.5, 2.0, 1.5)
    size = (5.0, 4.0, 3.0)
    for axis in range(3):
        for sign in (1.0, -1.0):
            direction = np.zeros(3)
            direction[axis] = sign
            for other in (0.0, 1e-9, 1e-7, 0.5):
                start = np.array(inside)
                start[(axis + 1) % 3] = other * size[(axis + 1) % 3]
                distance, piece = shoot(box, start[None], direction[None])
                assert piece[0] != NOTHING
                expected = size[axis] - inside[axis] if sign > 0 else inside[axis]
                on_wall = distance[0] <= 2e-6 and other < 1e-6
                assert on_wall or distance[0] == pytest.approx(expected, abs=1e-6)


def test_from_a_wall_its_own_plane_is_passed_over(each):
    """Truth: the slow form without that plane, for starts on triangles, at all slants."""
    random = np.random.default_rng(7)
    n = 4000
    pick = random.integers(0, len(each.triangles_m), n)
    weight = random.dirichlet((1.0, 1.0, 1.0), n)
    start = np.einsum("nk,nkd->nd", weight, each.triangles_m[pick])
    direction = unit(random.normal(size=(n, 3)))
    over = each.plane[pick][:, None] == each.plane
    truth, face, doubt = first_crossing(each.triangles_m, start, direction, over)
    stack = np.zeros(STACK_DEPTH, dtype=np.uint32)
    answers = [
        nearest(*each.arrays, *o, *d, float(skip), 1e30, stack)
        for o, d, skip in zip(start, direction, each.plane[pick], strict=True)
    ]
    distance = np.array([a[0] for a in answers], dtype=np.float64)
    lost = np.array([a[1] == NOTHING for a in answers])
    slant = np.abs(np.einsum("ij,ij->i", each.normal[face], direction))
    sure = (doubt > NEAR_EDGE_M / STEEP) & ((slant > STEEP) | (face < 0))
    none = face < 0
    same = np.where(
        lost | none, lost & none, np.abs(distance - np.where(none, 0.0, truth)) < DISTANCE_M
    )
    assert same[sure].all()
    assert sure.mean() > 0.8
    # the twin: with the plane in the way, many answers are the start itself
    with_it, _ = shoot(each, start, direction)
    assert (np.abs(with_it) < 1e-5).mean() > 0.2


def test_start_just_behind_a_wall_comes_back_in():
    """Hostile: a start that rounding put 1 um outside still meets the wall beside it."""
    box = BODIES["box"](True)
    start = np.array([[-1e-6, 2.0, 1.5], [5.0 + 1e-6, 2.0, 1.5], [2.0, 2.0, -1e-6]])
    direction = unit(np.array([[-1.0, 0.2, 0.1], [1.0, 0.2, 0.1], [0.1, 0.2, -1.0]]))
    distance, piece = shoot(box, start, direction)
    assert (piece != NOTHING).all()
    assert distance == pytest.approx(0.0, abs=2e-6)
    # the twin: 1 mm outside is outside
    _, piece = shoot(box, start + 1e-3 * direction, direction)
    assert (piece == NOTHING).all()
