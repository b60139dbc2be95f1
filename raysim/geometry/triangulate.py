"""Facets to triangles that meet edge to edge.

Corners of neighbours that differ by rounding become one vertex; an edge that meets
two shorter ones is split at their common vertex. Triangles keep the facet's sense:
anticlockwise seen from the air.
"""

from collections.abc import Sequence
from itertools import pairwise

import numpy as np
import shapely
from scipy.spatial import cKDTree
from shapely.geometry import Polygon

from raysim.geometry.edges import directed_edges, extra_vertices, open_edges, weld
from raysim.geometry.polygons import Facet, parts_of
from raysim.units import Float, Int

#: Corner numbers from start to end of an edge, for edges that have any between.
Splits = dict[tuple[int, int], list[int]]


def triangulate(
    facets: Sequence[Facet], anchors_m: Float, tolerance_m: float
) -> tuple[Float, Int, Int]:
    """Give conforming triangles.

    Parameters
    ----------
    facets : sequence of Facet
    anchors_m : (n, 3) float64
        Exact places of corners, which corners within the tolerance take over.
    tolerance_m : float
        How far apart two corners may lie to be one.

    Returns
    -------
    vertices_m : (n_vertex, 3) float64
    faces : (n_face, 3) int64
    face_facet : (n_face,) int64
        Which facet each triangle is part of.
    """
    rings_2d = [_rings(f.polygon) for f in facets]
    corners = [f.to_space(r) for f, rings in zip(facets, rings_2d, strict=True) for r in rings]
    points_m = np.concatenate([anchors_m, *corners])
    number = weld(points_m, tolerance_m)

    at = len(anchors_m)
    rings: list[list[Int]] = []
    for facet_rings in rings_2d:
        rings.append([])
        for ring in facet_rings:
            welded = number[at : at + len(ring)]
            at += len(ring)
            welded = welded[welded != np.roll(welded, 1)]
            if len(welded) > 2:
                rings[-1].append(welded)
        if len(rings[-1]) > 1 or max(map(len, rings[-1]), default=0) > 5:
            rings[-1] = _joined_rings(rings[-1], points_m, tolerance_m)

    solid = [r for f, own in zip(facets, rings, strict=True) if not f.is_sheet for r in own]
    splits = extra_vertices(open_edges(directed_edges(solid)), points_m, tolerance_m)

    faces: list[tuple[int, int, int]] = []
    face_facet: list[int] = []
    for i, (facet, own) in enumerate(zip(facets, rings, strict=True)):
        if not own:
            continue
        boundary = {(int(a), int(b)) for a, b in directed_edges(own)}
        mine = {} if facet.is_sheet else {k: splits[k] for k in boundary if k in splits}
        for triangle in _fill(facet, own, points_m):
            faces.extend(_split(triangle, mine))
        face_facet.extend([i] * (len(faces) - len(face_facet)))
    used, packed = np.unique(np.array(faces, dtype=np.int64), return_inverse=True)
    return points_m[used], packed.reshape(-1, 3), np.array(face_facet, dtype=np.int64)


def plane_numbers(facets: Sequence[Facet], tolerance_m: float) -> Int:
    """Give facets of one surface in one plane the same number, (n_facet,).

    Two facets are in one plane if the corners of each lie within the tolerance of
    the other's plane and they face the same way; they need not touch.
    """
    n = len(facets)
    same = [
        (i, j)
        for i, j in coplanar_pairs(facets, tolerance_m)
        if facets[i].surface == facets[j].surface and facets[i].owner == facets[j].owner
    ]
    beside: list[list[int]] = [[] for _ in range(n)]
    for i, j in same:
        beside[i].append(j)
        beside[j].append(i)
    # The largest facet first takes all that lie in its own plane, and theirs do not
    # pass it on: facets of a finely divided curve must not become one plane.
    number = np.full(n, -1, dtype=np.int64)
    for i in np.argsort([-f.area_m2 for f in facets], kind="stable").tolist():
        if number[i] < 0:
            number[[i, *(j for j in beside[i] if number[j] < 0)]] = i
    return number


def coplanar_pairs(
    facets: Sequence[Facet], tolerance_m: float, facing: int = 1
) -> list[tuple[int, int]]:
    """Give the pairs of facets in one plane that face the same way, or (-1) oppositely."""
    normal = np.array([f.normal for f in facets])
    corners = [f.corners_m() for f in facets]
    centre = np.array([c.mean(axis=0) for c in corners])
    middle = centre.mean(axis=0)
    size = max(float(np.abs(centre - middle).max()), 1e-3)
    offset = ((centre - middle) * normal).sum(axis=1)
    # Candidates first: nearly the same direction and distance from the middle.
    slack = 1e-3 if tolerance_m > 1e-6 else 1e-6
    key = np.column_stack([normal, offset / size]) / slack
    near = cKDTree(facing * key).query_ball_tree(cKDTree(key), 2.0, p=np.inf)
    return [
        (i, j)
        for i, row in enumerate(near)
        for j in row
        if i < j
        and np.abs(facets[i].distance_m(corners[j])).max() <= tolerance_m
        and np.abs(facets[j].distance_m(corners[i])).max() <= tolerance_m
    ]


def _rings(polygon: Polygon) -> list[Float]:
    """Give outline (anticlockwise) and holes without corners that lie on straight lines."""
    polygon = shapely.orient_polygons(polygon)
    return [
        _corners(np.asarray(ring.coords)[:-1])
        for ring in (polygon.exterior, *polygon.interiors)
    ]


def _corners(ring: Float) -> Float:
    """Give a ring without the points that lie within 1e-8 m of the line past them."""
    kept = list(ring)
    i = 0
    while i < len(kept) and len(kept) > 3:
        a, p, b = kept[i - 1], kept[i], kept[(i + 1) % len(kept)]
        d = b - a
        along = np.clip((p - a) @ d / max(d @ d, 1e-300), 0.0, 1.0)
        if np.hypot(*(p - a - along * d)) < 1e-8:
            del kept[i]
            i = max(i - 1, 0)
        else:
            i += 1
    return np.array(kept)


def _joined_rings(rings: list[Int], points_m: Float, tolerance_m: float) -> list[Int]:
    """Give rings that have a corner wherever another corner of theirs lies on an edge.

    Without it a hole that touches the outline would split the outline unseen.
    """
    inner = extra_vertices(directed_edges(rings), points_m, tolerance_m)
    if not inner:
        return rings
    return [
        np.array(
            [
                i
                for a, b in pairwise([*ring.tolist(), int(ring[0])])
                for i in (a, *inner.get((a, b), ()))
            ],
            dtype=np.int64,
        )
        for ring in rings
    ]


def _fill(facet: Facet, rings: list[Int], points_m: Float) -> list[tuple[int, int, int]]:
    """Give the triangles of one facet, corners as numbers."""
    if len(rings) == 1 and len(rings[0]) == 3:
        return [(int(rings[0][0]), int(rings[0][1]), int(rings[0][2]))]
    flat = [facet.to_plane(points_m[ring]) for ring in rings]
    place, number = np.concatenate(flat), np.concatenate(rings)
    shape = Polygon(flat[0], flat[1:])
    # Welding can close a gap narrower than the tolerance, so that a ring meets itself.
    parts = [shape] if shape.is_valid else parts_of(shapely.make_valid(shape))
    found = []
    for part in parts:
        for piece in shapely.constrained_delaunay_triangles(part).geoms:
            ring = np.asarray(shapely.orient_polygons(piece).exterior.coords)[:3]
            away = np.abs(place[None] - ring[:, None]).sum(axis=2)
            a, b, c = number[away.argmin(axis=1)].tolist()
            if len({a, b, c}) == 3:
                found.append((a, b, c))
    return found


def _split(triangle: tuple[int, int, int], splits: Splits) -> list[tuple[int, int, int]]:
    """Give a triangle cut so that its edges have the vertices they need."""
    for turn in range(3):
        a, b, c = triangle[turn:] + triangle[:turn]
        between = splits.get((a, b))
        if between:
            # A fan from the far corner; each piece may have more to split at b-c, c-a.
            row = [a, *between, b]
            pieces = [(p, q, c) for p, q in pairwise(row)]
            return [t for piece in pieces for t in _split(piece, splits)]
    return [triangle]
