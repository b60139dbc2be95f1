"""An item of a layout as a body in the room, or as the part of a surface that it covers."""

from dataclasses import dataclass

import numpy as np
from shapely.geometry import Polygon

from raysim.geometry.placed import Placed
from raysim.geometry.polygons import area_vector_m2, cross
from raysim.geometry.things import TOUCH_M
from raysim.scene.model import Thing
from raysim.scene.plan import Item
from raysim.units import Float


@dataclass(frozen=True, slots=True, eq=False)
class Piece:
    """An item with its body, or the part of a surface that it covers."""

    placed: Placed
    thing: Thing | None  # its materials are the names of parts
    cover_m: Float | None  # (n, 3), of what is too thin to take up room
    gap_m: float  # mean depth of air behind it
    span_m: tuple[float, float] = (0.0, 0.0)  # from how far off its surface to how far
    is_free: bool = False  # stands on the floor: its surface is not what is behind it


def facing(ring_m: Float, normal: Float) -> Float:
    """Give a ring so that it runs anticlockwise seen from where the normal points."""
    return ring_m if area_vector_m2(ring_m) @ normal > 0.0 else ring_m[::-1].copy()


def slab(item: Item, front_m: Float, behind_m: Float) -> Thing:
    """Give an item's body as a slab."""
    return Thing(
        item.name, "slab", front_m, None, "front", material_back="back", place=item.place,
        material_edge="edge", behind_m=behind_m, fill=item.treatment.stack,
    )  # fmt: skip


def box_of(*points_m: Float) -> Float:
    """Give least and greatest coordinates, (2, 3)."""
    every = np.concatenate(points_m)
    return np.stack([every.min(axis=0), every.max(axis=0)])


def shares_place(a: Piece, b: Piece) -> bool:
    """Tell if two pieces on one surface, one a cover without a body, are in each other's way.

    What has a body is compared by `raysim.geometry.contact.clashes`.
    """
    p, q = a.placed, b.placed
    if a.cover_m is None and b.cover_m is None:
        return False
    if p.normal @ q.normal < 1.0 - 1e-9:
        return False
    if abs(float((q.footprint_m[0] - p.footprint_m[0]) @ p.normal)) > TOUCH_M:
        return False
    both = a.cover_m is not None and b.cover_m is not None
    deep = min(a.span_m[1], b.span_m[1]) - max(a.span_m[0], b.span_m[0])
    if deep <= TOUCH_M and not both:
        return False
    axes = np.stack([p.u, cross(p.normal, p.u)], axis=1)
    shapes = [Polygon((x.footprint_m - p.origin_m) @ axes) for x in (p, q)]
    return bool(shapes[0].buffer(-TOUCH_M).intersects(shapes[1].buffer(-TOUCH_M)))
