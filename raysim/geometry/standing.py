"""What stands on the floor by itself, or hangs free from a ceiling.

Width runs along u, the front looks along v, and so does the open side of a curved screen;
blocks and bookcases look away from the wall that is most nearly behind them.
"""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from shapely.geometry import Polygon

from raysim.geometry.piece import Piece, box_of, facing, slab
from raysim.geometry.place_item import Ground, Seam
from raysim.geometry.placed import Placed
from raysim.geometry.things import TOUCH_M
from raysim.scene.model import Thing
from raysim.units import Float

#: Straight pieces of a half-round screen.
N_ARC = 8


def standing(
    base: Placed,
    here: Ground,
    room: Sequence[Ground],
    plan_m: Float,
    seams: tuple[Seam, Seam],
    depth_m: float,
    is_free: bool,
) -> Piece:
    """Give what stands on the floor, or hangs free from a ceiling."""
    item, up = base.item, np.array([0.0, 0.0, 1.0])
    family, height = item.treatment.family, item.size_m[1]
    ground_z = float(here.frame.origin_m[2])
    if base.normal[2] < 0.0:
        z0, z1 = ground_z - item.gap_m - height, ground_z - item.gap_m
    else:
        z0, z1 = ground_z + item.gap_m, _topped(ground_z + item.gap_m + height, room)
    height = z1 - z0
    span = (item.gap_m, item.gap_m + height)
    towards = base.v
    if family in ("block", "bookcase"):
        # Away from the wall that is most nearly behind it.
        in_room = [s.inward[0] * here.frame.u + s.inward[1] * here.frame.v for s in seams]
        wall = max(in_room, key=lambda m: abs(float(m @ towards)))
        towards = towards * (1.0 if wall @ towards > 0.0 else -1.0)
    spots = here.frame.to_space(plan_m)
    reach = (spots - spots.mean(axis=0)) @ base.u
    width = float(np.ptp(reach))
    if family == "curved screen":
        # The middle of the circle is where its two ends are, not its centre of area.
        n = N_ARC + 1
        middle = 0.25 * (spots[0] + spots[n - 1] + spots[n] + spots[-1])
        deep = 0.0
    else:
        middle, deep = spots.mean(axis=0), float(np.ptp((spots - spots[0]) @ base.v))
    middle = middle + (z0 - ground_z) * up
    side = 0.5 * width * base.u
    face = middle + (0.0 if is_free else 0.5 * deep) * towards
    head = height * up
    front = np.array([face - side, face + side, face + side + head, face - side + head])
    front = facing(front, towards)
    sides = 2.0 if item.treatment.two_sided or is_free else 1.0
    placed = replace(base, front_m=front, front_area_m2=sides * width * height)
    if is_free:
        thing = Thing(
            item.name, "sheet", front, None, "front", material_back="back", place=item.place
        )
        return Piece(replace(placed, box_m=box_of(front)), thing, None, item.gap_m, span, True)
    if family == "curved screen":
        plan = Polygon(spots[:, :2])
        outline = spots[:, :2] if plan.exterior.is_ccw else spots[::-1, :2].copy()
        inner = spots[N_ARC + 1 :]
        arc_m = float(np.linalg.norm(np.diff(inner, axis=0), axis=1).sum())
        thing = Thing(
            item.name, "shell", outline, (z0, z1), "front", material_top="edge",
            place=item.place, fill=item.treatment.stack,
        )  # fmt: skip
        low, high = spots.copy(), spots.copy()
        low[:, 2], high[:, 2] = z0, z1
        placed = replace(
            placed,
            box_m=box_of(low, high),
            volume_m3=float(plan.area) * height,
            front_area_m2=sides * arc_m * height,
        )
        return Piece(placed, thing, None, 0.0, span, True)
    thing = slab(item, front, -deep * towards)
    placed = replace(
        placed, box_m=box_of(front, front - deep * towards), volume_m3=width * height * deep
    )
    return Piece(placed, thing, None, 0.0, span, True)


def _topped(top_m: float, room: Sequence[Ground]) -> float:
    """Give the height of a top, put to the ceiling that it nearly touches."""
    for ground in room:
        z = float(ground.frame.origin_m[2])
        if ground.frame.normal[2] < -1.0 + 1e-9 and abs(z - top_m) <= TOUCH_M:
            return z
    return top_m
