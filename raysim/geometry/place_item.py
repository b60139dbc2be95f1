"""The room's surfaces as things to measure along: where two meet, how far a piece is off.

A ground is all of one surface that lies in one plane. A seam is the line in which another
ground's plane cuts it, where the two touch; distances run along the ground, at a right
angle to the seam.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from shapely.geometry import Polygon
from shapely.geometry.base import BaseGeometry

from raysim.geometry.polygons import Facet
from raysim.geometry.things import TOUCH_M
from raysim.geometry.triangulate import plane_numbers
from raysim.units import Float

#: Corners of a mesh file may lie this far out of place, metres.
OFF_M = 2e-5
#: How near a corner must be to a plane to count as on a seam, metres.
SEAM_M = 1e-4
#: Surfaces that touch along less than this do not meet, metres.
SHORTEST_M = 1e-3
#: Sine of the least angle at which two surfaces make a corner.
LEAST_SIN = 1e-3


@dataclass(frozen=True, slots=True, eq=False)
class Ground:
    """All of one surface of the bare room that lies in one plane."""

    frame: Facet  # its plane and name; the polygon is only part of it
    shape: BaseGeometry  # in the frame

    @property
    def name(self) -> str:
        """The surface's name."""
        return self.frame.surface


@dataclass(frozen=True, slots=True, eq=False)
class Seam:
    """Where another surface meets a ground: a point x of it is inward . x - offset off."""

    to: Ground
    inward: Float  # (2,) unit, in the frame of the ground
    offset_m: float
    along: Float  # (3,) unit vector of the line
    is_inner: bool  # a corner that stuff can stand in; else it juts into the room


def grounds(facets: Sequence[Facet]) -> list[Ground]:
    """Give the surfaces of a bare room by plane."""
    number = plane_numbers(facets, OFF_M)
    found = []
    for i in dict.fromkeys(number.tolist()):
        frame = facets[i]
        shapes = [frame.shape_of(facets[j]) for j in np.flatnonzero(number == i).tolist()]
        if len(shapes) == 1:
            found.append(Ground(frame, shapes[0]))
            continue
        # Drawn a hair wider before they are joined: seams of mesh files do not close exactly.
        whole = shapely.union_all([s.buffer(OFF_M, join_style="mitre") for s in shapes])
        found.append(Ground(frame, whole.buffer(-OFF_M, join_style="mitre").simplify(0.0)))
    return found


def seam(here: Ground, there: Ground) -> Seam | None:
    """Give the line in which a ground meets another, None if they do not touch  (G10)."""
    n = there.frame.normal
    slope = np.array([here.frame.u @ n, here.frame.v @ n])
    size = float(np.hypot(*slope))
    if size < LEAST_SIN or here is there:
        return None
    inward = slope / size
    offset_m = -float(there.frame.distance_m(here.frame.origin_m)) / size
    run = np.array([-inward[1], inward[0]])

    def spans(rings: Iterator[Float], off: Iterator[Float]) -> list[tuple[float, float]]:
        """Give the parts of the line that rings run along, as pairs of distances."""
        found = []
        for ring, away in zip(rings, off, strict=True):
            near = (np.abs(ring @ inward - offset_m) < SEAM_M) & (np.abs(away) < SEAM_M)
            both = near & np.roll(near, -1)
            t = ring @ run
            found += [
                (min(a, b), max(a, b))
                for a, b in zip(t[both], np.roll(t, -1)[both], strict=True)
            ]
        return found

    own_rings = [r for part in _polygons(here.shape) for r in _rings(part)]
    its_rings = [
        there.frame.to_space(r) for part in _polygons(there.shape) for r in _rings(part)
    ]
    own = spans(iter(own_rings), iter(np.zeros(len(r)) for r in own_rings))
    its = spans(
        iter(here.frame.to_plane(r) for r in its_rings),
        iter(here.frame.distance_m(r) for r in its_rings),
    )
    shared = [(max(a, c), min(b, d)) for a, b in own for c, d in its]
    low, high = max(shared, key=lambda s: s[1] - s[0], default=(0.0, 0.0))
    if high - low < SHORTEST_M:
        return None
    middle = inward * offset_m + run * 0.5 * (low + high)
    is_inner = bool(shapely.contains_xy(here.shape, *(middle + SHORTEST_M * inward)))
    if not is_inner:
        inward, offset_m = -inward, -offset_m
    along = run[0] * here.frame.u + run[1] * here.frame.v
    return Seam(there, inward, offset_m, along, is_inner)


def _polygons(shape: BaseGeometry) -> list[Polygon]:
    return [p for p in getattr(shape, "geoms", [shape]) if isinstance(p, Polygon)]


def _rings(part: Polygon) -> list[Float]:
    return [np.asarray(r.coords)[:-1] for r in (part.exterior, *part.interiors)]


def centre_between(first: Seam, second: Seam, off_m: Float, piece_m: Float) -> Float:
    """Give where the middle of a piece comes, (2,) in the frame of its ground  (G11).

    Parameters
    ----------
    first, second : Seam
        Not parallel.
    off_m : (2,) float64
        How far the nearest corner of the piece is from each.
    piece_m : (n, 2) float64
        Corners of the piece, from its middle.
    """
    inward = np.stack([first.inward, second.inward])
    reach_m = (piece_m @ inward.T).min(axis=0)
    offset_m = np.array([first.offset_m, second.offset_m])
    return np.asarray(np.linalg.solve(inward, off_m + offset_m - reach_m))


def snapped(ground: Ground, low: Float, high: Float, axes: Float) -> tuple[Float, Float]:
    """Give a rectangle whose sides lie on edges of the ground that they nearly lie on.

    Parameters
    ----------
    ground : Ground
    low, high : (2,) float64
        Least and greatest coordinates along the axes.
    axes : (2, 2) float64
        Unit vectors of the sides, in the frame.
    """
    low, high = low.copy(), high.copy()
    for part in _polygons(ground.shape):
        for ring in _rings(part):
            spot = ring @ axes.T
            for a, b in zip(spot, np.roll(spot, -1, axis=0), strict=True):
                for k in (0, 1):
                    ends = sorted((a[1 - k], b[1 - k]))
                    beside = min(ends[1], high[1 - k]) - max(ends[0], low[1 - k])
                    if abs(a[k] - b[k]) > OFF_M or beside < SHORTEST_M:
                        continue
                    for side in (low, high):
                        if abs(side[k] - 0.5 * (a[k] + b[k])) <= TOUCH_M:
                            side[k] = 0.5 * (a[k] + b[k])
    return low, high


def overhang(
    ground: Ground, outline_m: Float, others: Sequence[Ground]
) -> tuple[float, str] | None:
    """Give how far a piece reaches beyond its ground, and towards which surface.

    Parameters
    ----------
    ground : Ground
    outline_m : (n, 2) float64
        Of the piece, in the frame.
    others : sequence of Ground
        All grounds of the room.

    Returns
    -------
    (float, str) or None
        Metres and a name, empty if no surface is there; None if the piece fits.
    """
    out = Polygon(outline_m).difference(ground.shape.buffer(1.5 * OFF_M, join_style="mitre"))
    if out.area < 1e-9:
        return None
    spots = np.concatenate([r for part in _polygons(out) for r in _rings(part)])
    away_m = float(shapely.distance(ground.shape, shapely.points(spots)).max())
    middle = max(_polygons(out), key=lambda part: part.area).centroid
    edge = shapely.shortest_line(ground.shape, middle).coords[0]
    spot_m, edge_m = ground.frame.to_space(np.array([middle.coords[0], edge]))
    # What lies in the same plane comes first, then what rises or falls from the edge.
    named = sorted(
        (
            (_distance_m(other, spot_m) > SEAM_M, _distance_m(other, edge_m), other.name)
            for other in others
            if other is not ground
        ),
        key=lambda row: row[:2],
    )
    return away_m, named[0][2] if named and named[0][1] < 0.01 else ""


def _distance_m(ground: Ground, point_m: Float) -> float:
    """Give the distance of a point (3,) from a ground."""
    flat = shapely.distance(
        ground.shape, shapely.Point(ground.frame.to_plane(point_m[None])[0])
    )
    return float(np.hypot(flat, ground.frame.distance_m(point_m)))
