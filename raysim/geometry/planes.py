"""Faces gathered by the plane they lie in, and the mirrors that image sources use.

A plane has no direction: a ray cannot meet twice in a row what lies in one plane. A
mirror has: it is all faces of one plane that show air on the same side, taken together,
so that a wall with a door and a window in it is one mirror. A sheet is in two mirrors.
"""

from dataclasses import dataclass

import numpy as np
from scipy.spatial import ConvexHull

from raysim.geometry.mesh import RoomMesh
from raysim.units import Float, Int

#: Two faces share a plane if the cosine between their normals is this close to 1, which
#: is an angle of 1e-5 rad ...
SAME_DIRECTION = 5e-11
#: ... and their corners lie this close to it (m).
SAME_PLANE_M = 1e-6

#: A rounder outline is replaced by the rectangle around it: larger, so nothing is lost.
MOST_CORNERS = 32


@dataclass(frozen=True, slots=True)
class Mirrors:
    """Reflecting planes with the triangles that make them up.

    Mirror i holds hull corners ``hull_m[hull_start[i] : hull_start[i + 1]]``,
    anticlockwise seen from the air, and triangles ``tri_start[i]`` on of
    ``triangles_m`` with the side met in ``side``.
    """

    normal: Float  # (n_mirror, 3) unit, into the air
    offset_m: Float  # (n_mirror,) normal . x of the plane
    plane: Int  # (n_mirror,) number of the undirected plane
    hull_m: Float  # (n_corner, 3)
    hull_start: Int  # (n_mirror + 1,)
    triangles_m: Float  # (n_tri, 3, 3)
    side: Int  # (n_tri,) index into Sides
    tri_start: Int  # (n_mirror + 1,)

    @property
    def n_mirror(self) -> int:
        """How many mirrors."""
        return len(self.offset_m)


def number_planes(mesh: RoomMesh) -> tuple[Int, Float, Float]:
    """Give the undirected plane of each face, and each plane's normal and offset  (G7).

    Returns
    -------
    (n_face,) int64, (n_plane, 3) float64, (n_plane,) float64
        Plane number by face; unit normal; normal . x in metres.
    """
    normal, corner = mesh.face_normal, mesh.triangles_m[:, 0]
    of_face = np.full(len(normal), -1, dtype=np.int64)
    normals: list[Float] = []
    offsets: list[float] = []
    for f in np.argsort(-mesh.face_area_m2, kind="stable"):  # large faces set the plane
        if of_face[f] >= 0:
            continue
        n, c = normal[f], float(normal[f] @ corner[f])
        aligned = np.abs(normal @ n) > 1.0 - SAME_DIRECTION
        rest = np.flatnonzero(aligned & (of_face < 0))
        close = np.abs(mesh.triangles_m[rest] @ n - c).max(axis=1) < SAME_PLANE_M
        of_face[rest[close]] = len(normals)
        of_face[f] = len(normals)
        normals.append(n)
        offsets.append(c)
    return of_face, np.array(normals), np.array(offsets)


def back_sides(mesh: RoomMesh) -> Int:
    """Give for each surface the index of its back in `Sides`, -1 for solids."""
    has_back = np.array([s.back_material is not None for s in mesh.surfaces], dtype=bool)
    back = np.full(len(mesh.surfaces), -1, dtype=np.int64)
    back[has_back] = len(mesh.surfaces) + np.arange(int(has_back.sum()))
    return back


def gather_mirrors(mesh: RoomMesh, numbered: tuple[Int, Float, Float]) -> Mirrors:
    """Gather the faces of a room into mirrors; ``numbered`` is what `number_planes` gave."""
    of_face, plane_normal, plane_offset = numbered
    triangles, surface = mesh.triangles_m, mesh.face_surface
    with_plane = np.einsum("ij,ij->i", mesh.face_normal, plane_normal[of_face]) > 0
    back = back_sides(mesh)[surface]
    # every way a face shows air: from its front, and for a sheet from its back too
    face = np.concatenate([np.arange(len(surface)), np.flatnonzero(back >= 0)])
    is_back = np.arange(len(face)) >= len(surface)
    sign = np.where(with_plane[face] != is_back, 1.0, -1.0)
    by_mirror = np.lexsort([-sign, of_face[face]])
    change = np.diff(np.stack([of_face[face], sign])[:, by_mirror]).any(axis=0)
    normals, offsets, planes, hulls, parts, sides = [], [], [], [], [], []
    for group in np.split(by_mirror, np.flatnonzero(change) + 1):
        p, way = of_face[face[group[0]]], sign[group[0]]
        corners = triangles[face[group]]
        turned = np.where(is_back[group, None, None], corners[:, ::-1], corners)
        normals.append(way * plane_normal[p])
        offsets.append(way * plane_offset[p])
        planes.append(p)
        parts.append(turned)
        sides.append(np.where(is_back[group], back[face[group]], surface[face[group]]))
        hulls.append(_hull(turned.reshape(-1, 3), way * plane_normal[p]))
    return Mirrors(
        normal=np.array(normals),
        offset_m=np.array(offsets),
        plane=np.array(planes, dtype=np.int64),
        hull_m=np.concatenate(hulls),
        hull_start=_starts(hulls),
        triangles_m=np.concatenate(parts),
        side=np.concatenate(sides).astype(np.int64),
        tri_start=_starts(parts),
    )


def _starts(parts: list[Float]) -> Int:
    return np.cumsum([0, *(len(p) for p in parts)], dtype=np.int64)


def _hull(points: Float, normal: Float) -> Float:
    """Give the convex hull of coplanar points, anticlockwise about the normal  (I4)."""
    u = np.cross(normal, np.eye(3)[np.argmin(np.abs(normal))])
    u /= np.linalg.norm(u)
    axes = np.stack([u, np.cross(normal, u)])
    flat = points @ axes.T
    corners = ConvexHull(flat).vertices
    if len(corners) <= MOST_CORNERS:
        return np.asarray(points[corners])
    low, high = flat.min(axis=0), flat.max(axis=0)
    around = np.array([low, (high[0], low[1]), high, (low[0], high[1])])
    return np.asarray(around @ axes + (points[0] @ normal) * normal)
