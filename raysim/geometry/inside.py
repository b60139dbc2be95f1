"""On which side of a closed surface a point lies, and how far from it.

The winding number is the solid angle of the surface seen from the point, over 4 pi:
1 in size where the surface goes round the point once, 0 where it does not. Solid
angle of a triangle: A. Van Oosterom and J. Strackee, IEEE Trans. Biomed. Eng. 30
(1983) 125-126.
"""

import numpy as np
from trimesh.triangles import closest_point

from raysim.geometry.edges import solid_faces
from raysim.geometry.mesh import RoomMesh
from raysim.units import Float


def winding_number(triangles_m: Float, points_m: Float) -> Float:
    """Give how often closed triangles (n, 3, 3) go round each point (m, 3), (m,)  (G4).

    Positive where corners run anticlockwise seen from outside.
    """
    turns = np.zeros(len(points_m))
    for i, point in enumerate(points_m):
        a, b, c = np.moveaxis(triangles_m - point, 1, 0)
        la, lb, lc = (np.linalg.norm(x, axis=1) for x in (a, b, c))
        above = np.einsum("ij,ij->i", a, np.cross(b, c))
        below = la * lb * lc
        below += (a * b).sum(axis=1) * lc + (b * c).sum(axis=1) * la + (c * a).sum(axis=1) * lb
        turns[i] = np.arctan2(above, below).sum() / (2.0 * np.pi)
    return turns


def inside_air(mesh: RoomMesh, points_m: Float) -> np.ndarray:
    """Tell which points (n, 3) lie in the air of the room, (n,) bool.

    Sheets are left out: there is air on both sides of them.
    """
    # Normals point into the air, so the room goes round a point of it once, clockwise;
    # a thing goes round a point inside itself once more, the other way.
    turns = winding_number(mesh.triangles_m[solid_faces(mesh)], np.atleast_2d(points_m))
    return np.asarray(turns < -0.5)


def nearest_surface(mesh: RoomMesh, point_m: Float) -> tuple[float, str]:
    """Give the distance of a point (3,) from the nearest face, and its surface's name."""
    triangles = mesh.triangles_m
    points = np.broadcast_to(point_m, (len(triangles), 3))
    spot = closest_point(triangles, points)  # type: ignore[no-untyped-call]
    away = np.linalg.norm(np.asarray(spot) - point_m, axis=1)
    i = int(away.argmin())
    return float(away[i]), mesh.surfaces[int(mesh.face_surface[i])].name


def enclosed_volume_m3(triangles_m: Float) -> float:
    """Give the volume before closed triangles (n, 3, 3) whose normals point into it.

    By the divergence theorem: minus a third of the flux of the position vector  (G3).
    """
    shifted = triangles_m - triangles_m.reshape(-1, 3).mean(axis=0)
    a, b, c = np.moveaxis(shifted, 1, 0)
    return float(-np.einsum("ij,ij->i", a, np.cross(b, c)).sum() / 6.0)
