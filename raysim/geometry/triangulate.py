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
from raysim.geometry.polygons import Facet
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
    normal = np.array([f.normal for f in facets])
    centre = np.array([f.corners_m().mean(axis=0) for f in facets])
    middle = centre.mean(axis=0)
    size = max(float(np.abs(centre - middle).max()), 1e-3)
    offset = ((centre - middle) * normal).sum(axis=1)
    # Candidates first: nearly the same direction and distance from the middle.
    slack = 1e-3 if tolerance_m > 1e-6 else 1e-6
    key = np.column_stack([normal, offset / size]) / slack
    pairs = cKDTree(key).query_pairs(2.0, p=np.inf, output_type="ndarray")
    same = [
        facets[i].surface == facets[j].surface
        and facets[i].owner == facets[j].owner
        and bool(np.abs(facets[i].distance_m(facets[j].corners_m())).max() <= tolerance_m)
        and bool(np.abs(facets[j].distance_m(facets[i].corners_m())).max() <= tolerance_m)
        for i, j in pairs
    ]
    pairs = pairs[np.array(same, dtype=bool)]
    beside: list[list[int]] = [[] for _ in range(n)]
    for i, j in pairs.tolist():
        beside[i].append(j)
        beside[j].append(i)
    # The largest facet first takes all that lie in its own plane, and theirs do not
    # pass it on: facets of a finely divided curve must not become one plane.
    number = np.full(n, -1, dtype=np.int64)
    for i in np.argsort([-f.area_m2 for f in facets], kind="stable").tolist():
        if number[i] < 0:
            number[[i, *(j for j in beside[i] if number[j] < 0)]] = i
    return number


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


def _fill(facet: Facet, rings: list[Int], points_m: Float) -> list[tuple[int, int, int]]:
    """Give the triangles of one facet, corners as numbers."""
    name: dict[tuple[float, float], int] = {}
    flat = []
    for ring in rings:
        xy = facet.to_plane(points_m[ring])
        flat.append(xy)
        name.update({(float(x), float(y)): int(i) for (x, y), i in zip(xy, ring, strict=True)})
    if len(flat) == 1 and len(flat[0]) == 3:
        return [(int(rings[0][0]), int(rings[0][1]), int(rings[0][2]))]
    found = []
    for part in shapely.constrained_delaunay_triangles(Polygon(flat[0], flat[1:])).geoms:
        ring = np.asarray(shapely.orient_polygons(part).exterior.coords)[:3]
        a, b, c = (name[float(x), float(y)] for x, y in ring)
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
