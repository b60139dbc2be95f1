"""Triangles as a mesh file gives them, before anything is known to be sound.

Faces keep the number they have in the file, counted from 1: messages and patches
use it. A polygon of an OBJ file is one face and several triangles.
"""

from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
import shapely
from shapely.geometry import Polygon

from raysim.geometry.edges import extra_vertices, weld
from raysim.geometry.polygons import area_vector_m2, axes_of
from raysim.units import Float, Int

#: Vertices of a file this close are one, metres: single precision at 100 m.
WELD_M = 1e-5
#: A triangle lower than this has no area.
FLAT_M = 2e-5


@dataclass(frozen=True, slots=True)
class Soup:
    """Triangles with the number and the surface of the face they come from."""

    points_m: Float  # (n_point, 3)
    corners: Int  # (n_triangle, 3)
    number: Int  # (n_triangle,) face of the file
    surface: tuple[str, ...]  # (n_triangle,)

    def only(self, rows: Int) -> "Soup":
        """Give some of the triangles."""
        names = tuple(self.surface[i] for i in rows)
        return replace(
            self, corners=self.corners[rows], number=self.number[rows], surface=names
        )

    def turned(self, rows: Int) -> "Soup":
        """Give the triangles with some facing the other way."""
        corners = self.corners.copy()
        corners[rows] = corners[rows][:, ::-1]
        return replace(self, corners=corners)

    def welded(self) -> "Soup":
        """Give the triangles with points that fall together made one."""
        if not len(self.points_m):
            return self
        return replace(self, corners=weld(self.points_m, WELD_M)[self.corners])

    @property
    def triangles_m(self) -> Float:
        """Corners of each triangle, (n, 3, 3)."""
        return self.points_m[self.corners]

    def degenerate(self) -> Int:
        """Give the rows of triangles without area."""
        t = self.triangles_m
        side = t - np.roll(t, 1, axis=1)
        longest = np.linalg.norm(side, axis=2).max(axis=1)
        twice = np.linalg.norm(np.cross(side[:, 0], side[:, 1]), axis=1)
        return np.flatnonzero(twice <= FLAT_M * np.maximum(longest, FLAT_M))

    def repeated(self) -> Int:
        """Give the rows of triangles whose corners an earlier one has."""
        _, first = np.unique(np.sort(self.corners, axis=1), axis=0, return_index=True)
        return np.setdiff1d(np.arange(len(self.corners)), first)

    def volume_m3(self) -> float:
        """Give the enclosed volume, positive if the triangles face outwards."""
        a, b, c = np.moveaxis(self.triangles_m - self.points_m.mean(axis=0), 1, 0)
        return float(np.einsum("ij,ij->i", a, np.cross(b, c)).sum() / 6.0)


@dataclass(frozen=True, slots=True)
class Seams:
    """The edges of a soup, cut where another triangle has a vertex on them."""

    start: Int  # (n,)
    end: Int  # (n,)
    row: Int  # (n,) the triangle
    pair: Int  # (n,) edges with one number join the same two points
    count: Int  # (n_pair,) how many triangles meet there


def seams_of(soup: Soup) -> Seams:
    """Give the edges; a vertex in the middle of a longer edge divides it."""
    start = soup.corners.reshape(-1)
    end = np.roll(soup.corners, -1, axis=1).reshape(-1)
    row = np.repeat(np.arange(len(soup.corners)), 3)
    pair, count = _pairs(start, end)
    odd = count[pair] % 2 == 1
    loose = np.stack([start, end], axis=1)[odd]
    splits = extra_vertices(np.unique(loose, axis=0), soup.points_m, WELD_M)
    if splits:
        parts = []
        for a, b, i in zip(start.tolist(), end.tolist(), row.tolist(), strict=True):
            line = [a, *splits.get((a, b), []), b]
            parts += [(p, q, i) for p, q in pairwise(line)]
        start, end, row = np.array(parts, dtype=np.int64).T
        pair, count = _pairs(start, end)
    return Seams(start, end, row, pair, count)


def fill_polygon(points_m: Float) -> list[tuple[int, int, int]]:
    """Give triangles, as places in the ring, of a nearly planar ring (n, 3).

    Empty if the ring meets itself.
    """
    if len(points_m) == 3:
        return [(0, 1, 2)]
    vector = area_vector_m2(points_m)
    size = float(np.linalg.norm(vector))
    if size == 0.0:
        return []
    u, v = axes_of(vector / size)
    xy = np.stack([points_m @ u, points_m @ v], axis=1)
    place = {(float(x), float(y)): i for i, (x, y) in enumerate(xy)}
    shape = Polygon(xy)
    if not shape.is_valid or len(place) < len(xy):
        return []
    found = []
    for part in shapely.constrained_delaunay_triangles(shape).geoms:
        ring = np.asarray(shapely.orient_polygons(part).exterior.coords)[:3]
        a, b, c = (place[float(x), float(y)] for x, y in ring)
        found.append((a, b, c))
    return found


def _pairs(start: Int, end: Int) -> tuple[Int, Int]:
    ends = np.stack([np.minimum(start, end), np.maximum(start, end)], axis=1)
    _, pair, count = np.unique(ends, axis=0, return_inverse=True, return_counts=True)
    return pair.reshape(-1), count
