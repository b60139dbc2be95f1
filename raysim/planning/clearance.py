"""How far a treatment is from what must be kept clear.

Treatments and zones are taken as convex: the distance between two hulls is that of the
hull of all differences of their points from the origin  (T1).
"""

from dataclasses import dataclass
from typing import Final

import numpy as np

from raysim.geometry.mesh import RoomMesh
from raysim.geometry.placed import Placed
from raysim.planning.cautions import CLEAR_M
from raysim.scene.model import Scene
from raysim.scene.plan import Zone
from raysim.units import Float

#: Distances below this are contact, metres.
TOUCH_M: Final = 1e-4
#: Weights, and gains re the largest square of a distance, below this are none.
ROUNDING: Final = 1e-12
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
    between = (a_m[:, None] - b_m[None]).reshape(-1, 3)
    gap = float(np.linalg.norm(_nearest_to_origin(between)))
    return 0.0 if gap < TOUCH_M else gap


def _nearest_to_origin(points: Float) -> Float:
    """Give the point of a hull that is nearest to the origin, (3,)  (T1)."""
    square = np.einsum("ij,ij->i", points, points)
    close_enough = ROUNDING * max(float(square.max()), 1.0)
    chosen, weight = [int(square.argmin())], np.ones(1)
    while True:
        spot = weight @ points[chosen]
        farther = int((points @ spot).argmin())
        if farther in chosen or spot @ (spot - points[farther]) <= close_enough:
            return np.asarray(spot)
        chosen, weight = [*chosen, farther], np.append(weight, 0.0)
        while True:
            flat = _nearest_of_flat(points[chosen])
            if flat.min() > ROUNDING:
                weight = flat
                break
            # Go towards it until a weight is used up, and leave that point out.
            low = flat <= ROUNDING
            step = float((weight[low] / (weight[low] - flat[low])).min())
            weight = weight + step * (flat - weight)
            weight[low & (weight <= ROUNDING)] = 0.0
            kept = weight > 0.0
            chosen = [c for c, k in zip(chosen, kept, strict=True) if k]
            weight = weight[kept] / weight[kept].sum()


def _nearest_of_flat(points: Float) -> Float:
    """Give the weights, that sum to one, of the flat's point nearest to the origin."""
    n = len(points)
    matrix = np.ones((n + 1, n + 1))
    matrix[0, 0] = 0.0
    matrix[1:, 1:] = points @ points.T
    right = np.zeros(n + 1)
    right[0] = 1.0
    return np.asarray(np.linalg.lstsq(matrix, right, rcond=None)[0][1:])


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
