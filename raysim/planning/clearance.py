"""How far a treatment is from what must be kept clear.

Treatments and zones are taken as convex: the distance between two hulls is a small
least-squares problem with weights that are not negative and sum to one  (T1).
"""

from dataclasses import dataclass
from typing import Final

import numpy as np
from scipy.optimize import nnls

from raysim.geometry.mesh import RoomMesh
from raysim.geometry.placed import Placed
from raysim.planning.cautions import CLEAR_M
from raysim.scene.model import Scene
from raysim.scene.plan import Zone
from raysim.units import Float

#: Distances below this are contact, metres: rounding of the least-squares problem.
TOUCH_M: Final = 1e-4
#: How far the free space before an opening reaches into the room, metres; common
#: practice, no source.
BEFORE_ESCAPE_M: Final = 0.6
BEFORE_DOOR_M: Final = 0.8
#: How far to each side a sprinkler's spray must not be met, metres; common practice.
SPRAY_M: Final = 0.6


@dataclass(frozen=True, slots=True)
class Kept:
    """A zone as a convex body, and how far from it a treatment must stay."""

    zone: Zone
    points_m: Float  # (n, 3)
    clear_m: float


def hull_distance_m(a_m: Float, b_m: Float) -> float:
    """Give the distance between the convex hulls of two sets of points  (T1).

    Parameters
    ----------
    a_m, b_m : (n, 3) float64

    Returns
    -------
    float
        Metres; 0 where they meet.

    Examples
    --------
    >>> cube = np.array([[x, y, z] for x in (0, 1) for y in (0, 1) for z in (0, 1.0)])
    >>> round(hull_distance_m(cube, cube + np.array([3.0, 0.0, 0.0])), 6)
    2.0
    """
    middle = b_m.mean(axis=0)
    a, b = a_m - middle, b_m - middle
    # Rows that make the weights of each hull sum to one, heavy enough to hold exactly.
    heavy = 1e3 * max(1.0, float(np.abs(a).max()), float(np.abs(b).max()))
    sums = np.zeros((2, len(a) + len(b)))
    sums[0, : len(a)] = sums[1, len(a) :] = heavy
    matrix = np.vstack([np.hstack([a.T, -b.T]), sums])
    weight, _ = nnls(matrix, np.array([0.0, 0.0, 0.0, heavy, heavy]))
    wa, wb = weight[: len(a)], weight[len(a) :]
    gap = float(np.linalg.norm(wa @ a / wa.sum() - wb @ b / wb.sum()))
    return 0.0 if gap < TOUCH_M else gap


def body_m(placed: Placed) -> Float:
    """Give the points whose hull is a treatment with the gap behind it, (n, 3)."""
    return np.concatenate([placed.front_m, placed.footprint_m])


def kept_clear(scene: Scene, mesh: RoomMesh) -> list[Kept]:
    """Give the zones of a scene as bodies.

    Parameters
    ----------
    scene : Scene
    mesh : RoomMesh
        The room as described, where patches and things that zones name have faces.
    """
    return [_kept(zone, mesh) for zone in scene.zones]


def _kept(zone: Zone, mesh: RoomMesh) -> Kept:
    clear_m = CLEAR_M[zone.kind] if zone.clear_m is None else zone.clear_m
    if zone.kind == "sprinkler" and zone.at_m is not None:
        # A box below the head; its depth is the clearance itself.
        x, y, z = zone.at_m
        low = (x - SPRAY_M, y - SPRAY_M, z - clear_m)
        return Kept(zone, _box((low, (x + SPRAY_M, y + SPRAY_M, z))), 0.0)
    if zone.at_m is not None:
        return Kept(zone, np.array([zone.at_m], dtype=np.float64), clear_m)
    if zone.box_m is not None:
        return Kept(zone, _box(zone.box_m), clear_m)
    points, normal = faces_of(mesh, zone.around or "")
    depth = {"escape": BEFORE_ESCAPE_M, "door": BEFORE_DOOR_M}.get(zone.kind)
    if depth is not None and normal is not None:
        level = np.array([normal[0], normal[1], 0.0])
        size = float(np.linalg.norm(level))
        # The way out of a roof window is level, not square to the slope.
        inwards = level / size if size > 1e-6 else normal
        points = np.concatenate([points, points + depth * inwards])
    return Kept(zone, points, clear_m)


def _box(corners: tuple[tuple[float, float, float], tuple[float, float, float]]) -> Float:
    low, high = np.array(corners[0]), np.array(corners[1])
    bits = np.array([[i & 1, i >> 1 & 1, i >> 2 & 1] for i in range(8)], dtype=np.float64)
    return np.asarray(low + bits * (high - low))


def faces_of(mesh: RoomMesh, name: str) -> tuple[Float, Float | None]:
    """Give the corners of a patch, surface or thing; and its normal if it is plane."""
    whole = [f"{name} {side}" for side in ("top", "bottom", "side", "front", "edge", "back")]
    mine = [i for i, s in enumerate(mesh.surfaces) if s.name == name or s.name in whole]
    faces = np.flatnonzero(np.isin(mesh.face_surface, mine))
    corners = np.unique(mesh.triangles_m[faces].reshape(-1, 3), axis=0)
    normals = mesh.face_normal[faces]
    plane = len(faces) > 0 and bool((normals @ normals[0] > 1.0 - 1e-6).all())
    return corners, np.asarray(normals[0]) if plane else None
