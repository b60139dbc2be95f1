"""Whether a person can still walk from a door to what must stay within reach.

The floor is looked at on a grid; a person is a disc, and whatever stands between ankle
and shoulder is in the way. People are not: they move.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy import ndimage

from raysim.geometry.build import build_room
from raysim.planning.clearance import Kept
from raysim.scene.model import Scene, Thing
from raysim.units import Float

Mask = NDArray[np.bool_]

#: Step of the grid, metres.
STEP_M: Final = 0.05
#: Half the width that a person needs to pass; common practice, no source.
HALF_WIDTH_M: Final = 0.25
#: What is within this distance can be reached; common practice, no source.
ARM_M: Final = 0.7
#: Heights between which a person must pass, metres.
ANKLE_M: Final = 0.05
SHOULDER_M: Final = 1.5
_LEVEL: Final = 0.999


@dataclass(frozen=True, slots=True, eq=False)
class Ground:
    """The floor of a room as described: what all its layouts start from."""

    points: Float  # (n, 2) of a grid
    shape: tuple[int, int]  # of the grid
    floor: Mask  # (n,) which points lie in the bare room
    doors: tuple[Kept, ...]
    goals: tuple[Kept, ...]  # of kind "access", that a door leads to


def ground_of(scene: Scene, kept: Sequence[Kept]) -> Ground | None:
    """Look at the floor of a room as described.

    Parameters
    ----------
    scene : Scene
    kept : sequence of Kept

    Returns
    -------
    Ground or None
        None if the scene names no door, or nothing that must stay within reach.
    """
    doors = tuple(k for k in kept if k.zone.kind in ("door", "travel"))
    goals = [k for k in kept if k.zone.kind == "access"]
    if not doors or not goals:
        return None
    points, shape, floor = _floor(scene)
    free = _walkable(scene, points, shape, floor)
    led_to = tuple(g for g in goals if _leads(free, points, shape, doors, g))
    return Ground(points, shape, floor, doors, led_to)


def out_of_reach(ground: Ground | None, furnished: Scene) -> list[Kept]:
    """List the zones of kind "access" that no door leads to any more."""
    if ground is None:
        return []
    points, shape = ground.points, ground.shape
    free = _walkable(furnished, points, shape, ground.floor)
    return [g for g in ground.goals if not _leads(free, points, shape, ground.doors, g)]


def _floor(scene: Scene) -> tuple[Float, tuple[int, int], Mask]:
    """Give grid points (n, 2), the shape of the grid, and which lie in the bare room."""
    bare = build_room(replace(scene, things=(), patches=(), sources=(), receivers=()))
    low, high = bare.vertices_m.min(axis=0), bare.vertices_m.max(axis=0)
    x, y = (np.arange(low[i] + STEP_M / 2, high[i], STEP_M) for i in (0, 1))
    points = np.stack(np.meshgrid(x, y, indexing="ij"), axis=-1).reshape(-1, 2)
    t = bare.triangles_m
    level = (bare.face_normal[:, 2] > _LEVEL) & (t[..., 2].max(axis=1) < low[2] + 1e-6)
    floor = shapely.union_all([shapely.Polygon(one[:, :2]) for one in t[level]])
    return points, (len(x), len(y)), shapely.contains_xy(floor, points[:, 0], points[:, 1])


def _walkable(scene: Scene, points: Float, shape: tuple[int, int], floor: Mask) -> Mask:
    """Say where the middle of a person can be."""
    free = floor.copy()
    for thing in scene.things:
        if not thing.material.startswith("person") and _in_the_way(thing):
            free &= ~shapely.contains_xy(_shadow(thing), points[:, 0], points[:, 1])
    # Beyond the grid there is no floor either.
    inner = ndimage.distance_transform_edt(np.pad(free.reshape(shape), 1))[1:-1, 1:-1]
    return np.asarray(inner.reshape(-1) * STEP_M >= HALF_WIDTH_M)


def _corners_m(thing: Thing) -> Float:
    """Give all corners of a thing, (n, 3)."""
    corners = np.asarray(thing.corners_m, dtype=np.float64)
    if thing.z_m is not None:
        return np.concatenate(
            [np.column_stack([corners, np.full(len(corners), z)]) for z in thing.z_m]
        )
    if thing.behind_m is not None:
        return np.concatenate([corners, corners + thing.behind_m])
    return corners


def _in_the_way(thing: Thing) -> bool:
    z = _corners_m(thing)[:, 2]
    return bool(thing.kind != "sheet" and z.max() > ANKLE_M and z.min() < SHOULDER_M)


def _shadow(thing: Thing) -> shapely.Geometry:
    """Give what a thing covers of the floor."""
    if thing.z_m is not None:
        return shapely.Polygon(thing.corners_m)
    return shapely.convex_hull(shapely.MultiPoint(_corners_m(thing)[:, :2]))


def _leads(
    free: Mask, points: Float, shape: tuple[int, int], doors: Sequence[Kept], goal: Kept
) -> bool:
    """Tell if some door and the goal have walkable floor in common."""
    label, _ = ndimage.label(free.reshape(shape))
    rooms = label.reshape(-1)
    spots = shapely.points(points)

    def near(kept: Kept) -> set[int]:
        ground = shapely.convex_hull(shapely.MultiPoint(kept.points_m[:, :2]))
        return set(rooms[shapely.distance(spots, ground) <= ARM_M].tolist()) - {0}

    entries = set().union(*(near(d) for d in doors))
    return bool(entries & near(goal))
