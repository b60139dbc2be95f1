"""Planar polygons in space: what rooms and things are made of before triangulation.

A facet lies in a frame of its own: a point is origin + a u + b v, with u x v = n, the
normal into the air; v climbs the steepest line of the plane where there is one. All
cutting is done in the plane; edges and corners that nearly coincide are first made to
coincide, so that no slivers are left between them.
"""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
import shapely
from shapely.geometry import MultiPolygon, Polygon
from shapely.geometry.base import BaseGeometry

from raysim.units import Float

#: Step of the grid on which polygons are joined, metres.
GRID_M = 1e-10
#: Parts narrower than this are rounding, not geometry, metres.
SLIVER_M = 1e-7


@dataclass(frozen=True, slots=True, eq=False)
class Facet:
    """One planar polygon, its names, and the air in front of it."""

    origin_m: Float  # (3,)
    u: Float  # (3,)
    v: Float  # (3,)
    polygon: Polygon  # in the frame, with holes
    surface: str
    material: str = ""
    back_surface: str | None = None  # sheets only
    back_material: str | None = None
    owner: str = ""  # the thing it belongs to; empty for the room itself

    @property
    def normal(self) -> Float:
        """Unit normal into the air, (3,)."""
        return cross(self.u, self.v)

    @property
    def is_sheet(self) -> bool:
        """Whether there is air on both sides."""
        return self.back_surface is not None

    @property
    def area_m2(self) -> float:
        """Area of one side."""
        return float(self.polygon.area)

    def to_space(self, plane_m: Float) -> Float:
        """Give points (n, 2) of the frame as points (n, 3) of the room."""
        xy = np.asarray(plane_m, dtype=np.float64)[:, :2]
        return np.asarray(self.origin_m + xy[:, :1] * self.u + xy[:, 1:] * self.v)

    def to_plane(self, points_m: Float) -> Float:
        """Give points (n, 3) of the room in the frame, (n, 2), dropping the distance."""
        d = np.asarray(points_m, dtype=np.float64) - self.origin_m
        return np.stack([d @ self.u, d @ self.v], axis=-1)

    def distance_m(self, points_m: Float) -> Float:
        """Give the distance of points (n, 3) from the plane, positive in the air, (n,)."""
        return np.asarray((points_m - self.origin_m) @ self.normal)

    def rings_m(self) -> Iterator[Float]:
        """Give the outline, then each hole, as points (n, 3), the last not repeated."""
        for ring in (self.polygon.exterior, *self.polygon.interiors):
            yield self.to_space(np.asarray(ring.coords)[:-1])

    def corners_m(self) -> Float:
        """Give all corners, (n, 3)."""
        return np.concatenate(list(self.rings_m()))

    def shape_of(self, other: "Facet") -> Polygon:
        """Give the polygon of another facet, of the same plane, in this frame."""
        rings = [self.to_plane(ring) for ring in other.rings_m()]
        return Polygon(rings[0], rings[1:])

    def cut_to(self, shape: BaseGeometry) -> list["Facet"]:
        """Give the facets of the same plane and names that make up a shape."""
        return [replace(self, polygon=part) for part in parts_of(shape)]


def boxes_m(facets: Sequence[Facet]) -> tuple[Float, Float]:
    """Give the least and the greatest coordinates of each facet, (n, 3) each."""
    corners = [f.corners_m() for f in facets]
    low = np.array([c.min(axis=0) for c in corners]).reshape(-1, 3)
    return low, np.array([c.max(axis=0) for c in corners]).reshape(-1, 3)


def cross(a: Float, b: Float) -> Float:
    """Give a x b of two vectors (3,); numpy's takes ten times as long for one pair."""
    (ax, ay, az), (bx, by, bz) = a.tolist(), b.tolist()
    return np.array([ay * bz - az * by, az * bx - ax * bz, ax * by - ay * bx])


def axes_of(normal: Float) -> tuple[Float, Float]:
    """Give unit axes u, v of a plane with u x v = normal and v up the steepest line."""
    if np.hypot(normal[0], normal[1]) < 1e-12:
        return np.array([1.0, 0.0, 0.0]), np.array([0.0, np.sign(normal[2]), 0.0])
    u = np.array([-normal[1], normal[0], 0.0]) / np.hypot(normal[0], normal[1])
    return u, cross(normal, u)


def area_vector_m2(ring_m: Float) -> Float:
    """Give the vector of a ring (n, 3): its normal, as long as its area; Newell  (G2)."""
    x, y, z = (ring_m - ring_m[0]).T
    x1, y1, z1 = (np.concatenate([c[1:], c[:1]]) for c in (x, y, z))
    return np.array([0.5 * (y @ z1 - z @ y1), 0.5 * (z @ x1 - x @ z1), 0.5 * (x @ y1 - y @ x1)])


def facet_from(ring_m: Float, surface: str, normal: Float | None = None) -> Facet:
    """Give the facet of a planar ring whose corners run anticlockwise seen from the air.

    Parameters
    ----------
    ring_m : (n, 3) float64
    surface : str
    normal : (3,) float64, optional
        Unit normal, where it is known better than the ring tells.
    """
    if normal is None:
        vector = area_vector_m2(ring_m)
        normal = vector / np.linalg.norm(vector)
    u, v = axes_of(normal)
    frame = Facet(ring_m[0], u, v, Polygon(), surface)
    return replace(frame, polygon=Polygon(frame.to_plane(ring_m)))


def parts_of(shape: BaseGeometry, width_m: float = SLIVER_M) -> list[Polygon]:
    """Give the polygons of any shape wider than a sliver, outlines anticlockwise."""
    whole = [shape] if isinstance(shape, Polygon) else getattr(shape, "geoms", [])
    return [
        shapely.orient_polygons(p)
        for p in whole
        if isinstance(p, Polygon) and p.area > 0.5 * width_m * p.length
    ]


def common(a: BaseGeometry, b: BaseGeometry, snap_m: float = SLIVER_M) -> MultiPolygon:
    """Give what two shapes share."""
    return MultiPolygon(parts_of(shapely.intersection(*_aligned(a, b, snap_m)), snap_m))


def without(a: BaseGeometry, b: BaseGeometry, snap_m: float = SLIVER_M) -> MultiPolygon:
    """Give a shape less another."""
    return MultiPolygon(parts_of(shapely.difference(*_aligned(a, b, snap_m)), snap_m))


def _aligned(
    a: BaseGeometry, b: BaseGeometry, snap_m: float
) -> tuple[BaseGeometry, BaseGeometry]:
    """Give two shapes with corners and edges that nearly coincide made to coincide.

    First the corners of b go to those of a, then the edges of a take in corners of b.
    """
    b = shapely.snap(b, a, snap_m)
    return shapely.snap(a, b, snap_m), b


def joined(shapes: Iterable[BaseGeometry]) -> MultiPolygon:
    """Give shapes that touch or overlap as one."""
    return MultiPolygon(parts_of(shapely.union_all(list(shapes), grid_size=GRID_M)))
