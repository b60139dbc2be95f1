"""Things in the room as facets that face the air: closed solids and two-sided sheets.

A box, prism or shell within 1 mm of standing against something is moved to touch it, so
that no gap thinner than a sheet of card is left behind it. Slabs come exactly placed.
"""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import shapely
from shapely.geometry import Point, Polygon

from raysim.errors import Complaint, figure
from raysim.geometry.polygons import Facet, area_vector_m2, boxes_m, common, facet_from
from raysim.scene.model import Thing
from raysim.units import Float

#: A solid this close to a surface stands against it, metres.
TOUCH_M = 1e-3
#: Solids thinner than this are sheets, metres.
THIN_M = 3e-3


def thing_facets(thing: Thing, complaints: list[Complaint]) -> list[Facet]:
    """Give a thing's facets, none after complaining (RS-G30)."""
    wrong = _fault(thing)
    if wrong:
        complaints.append(
            Complaint(
                str(thing.place),
                f'thing "{thing.name}": {wrong}',
                "Give its corners in order around the outline, each once.",
                "RS-G30",
            )
        )
        return []
    if thing.kind == "sheet":
        return _sheet(thing)
    return _slab(thing) if thing.behind_m is not None else _solid(thing)


def slab_rings_m(front_m: Float, behind_m: Float) -> list[Float]:
    """Give front, back, then each edge of a slab as rings anticlockwise from outside  (G9).

    Parameters
    ----------
    front_m : (n, 3) float64
        Anticlockwise seen from outside.
    behind_m : (3,) float64
        From the front to the back.
    """
    back = front_m + behind_m
    rings = [front_m, back[::-1]]
    for i in range(len(front_m)):
        j = (i + 1) % len(front_m)
        rings.append(np.array([front_m[j], front_m[i], back[i], back[j]]))
    return rings


def holds(solid: Thing, point_m: Float, within_m: float = 0.0) -> bool:
    """Tell if a point (3,) lies in a solid, so far from its surface; in sheets lies nothing."""
    if solid.z_m is not None:
        shape, foot = Polygon(solid.corners_m), np.asarray(point_m)[:2]
        depth_m, height_m = solid.z_m[1] - solid.z_m[0], float(point_m[2] - solid.z_m[0])
    elif solid.behind_m is not None:
        front = facet_from(np.asarray(solid.corners_m, dtype=np.float64), "")
        depth_m = -float(front.normal @ solid.behind_m)
        height_m = -float(front.distance_m(point_m))
        shape = front.polygon
        foot = front.to_plane((point_m - height_m / depth_m * solid.behind_m)[None])[0]
    else:
        return False
    if not within_m <= height_m <= depth_m - within_m:
        return False
    if within_m:
        shape = shape.buffer(-within_m, join_style="mitre")
    return bool(shape.intersects(Point(foot)))


def settled(thing: Thing, others: Sequence[Facet]) -> Thing:
    """Give a solid moved to touch the facets that it nearly touches.

    Parameters
    ----------
    thing : Thing
        Without fault; slabs and sheets stay as they are.
    others : sequence of Facet
        Of the room, and of things that have been placed before.
    """
    if thing.z_m is None:
        return thing
    corners = np.array(thing.corners_m, dtype=np.float64)
    if not Polygon(corners).exterior.is_ccw:
        corners = corners[::-1].copy()
    z = list(thing.z_m)
    box = np.array([[*corners.min(axis=0), z[0]], [*corners.max(axis=0), z[1]]])
    low, high = boxes_m(others)
    near = (low <= box[1] + 2.0 * TOUCH_M).all(axis=1)
    near &= (high >= box[0] - 2.0 * TOUCH_M).all(axis=1)
    others = [f for f, is_near in zip(others, near, strict=True) if is_near]
    # Against two walls that are not square to one another, each move disturbs the
    # other a little; a few rounds settle it.
    for _ in range(20):
        moved = 0.0
        now = replace(thing, corners_m=corners, z_m=(z[0], z[1]))
        for i, own in enumerate(_solid(now)):
            for other in others:
                gap = _gap(own, other)
                if gap is None or np.abs(gap).max() < 1e-12:
                    continue
                moved = max(moved, float(np.abs(gap).max()))
                if i < 2:
                    z[i] -= float(gap.mean() * other.normal[2])
                else:
                    ends = [i - 2, (i - 1) % len(corners)]
                    spots = np.column_stack([corners[ends], [z[0], z[0]]])
                    shift = other.distance_m(spots)[:, None] * other.normal[:2]
                    corners[ends] -= shift
                break
        if moved < 1e-12:
            break
    return replace(thing, corners_m=corners, z_m=(z[0], z[1]))


def _gap(own: Facet, other: Facet) -> Float | None:
    """Give how far the corners are from a facet they stand against, or None."""
    if other.is_sheet or own.normal @ other.normal > -0.999:
        return None
    corners = own.corners_m()
    gap = other.distance_m(corners)
    if np.abs(gap).max() > TOUCH_M + 1e-9:
        return None
    return gap if common(other.polygon, other.shape_of(own)).area > 1e-6 else None


def _fault(thing: Thing) -> str:
    """Say what is wrong with a thing's outline; empty if nothing is."""
    width = 3 if thing.kind in ("sheet", "slab") else 2
    corners = np.asarray(thing.corners_m, dtype=np.float64)
    if corners.ndim != 2 or corners.shape[1] != width or len(corners) < 3:
        return f"a {thing.kind} needs at least 3 corners of {width} numbers."
    if not np.isfinite(corners).all():
        return "a corner is not a finite number."
    if np.linalg.norm(np.roll(corners, -1, axis=0) - corners, axis=1).min() < 1e-4:
        return "two corners that follow each other are the same."
    if width == 3:
        vector = area_vector_m2(corners)
        if np.linalg.norm(vector) < 1e-4:
            return f"its area is {1e4 * np.linalg.norm(vector):.3g} cm2."
        off = np.abs((corners - corners.mean(axis=0)) @ vector) / np.linalg.norm(vector)
        if off.max() > TOUCH_M:
            return f"its corners are {figure(1000 * off.max())} mm out of one plane."
        front = facet_from(corners, "")
        shape = front.polygon
        if thing.kind == "slab":
            if thing.behind_m is None or not np.isfinite(thing.behind_m).all():
                return "it has no depth behind_m."
            depth_m = -float(front.normal @ thing.behind_m)
            if depth_m < THIN_M:
                return f"its back is {figure(1000 * depth_m)} mm behind its front."
    else:
        if thing.z_m is None or not np.isfinite(thing.z_m).all():
            return "it has no heights z_m."
        if thing.z_m[1] - thing.z_m[0] < THIN_M:
            return (
                f"its top at {thing.z_m[1]:g} m is not above its bottom at {thing.z_m[0]:g} m."
            )
        shape = Polygon(corners)
    if not shape.is_valid:
        return f"its outline meets itself ({shapely.is_valid_reason(shape)})."
    if shape.buffer(-0.5 * THIN_M, join_style="mitre").is_empty:
        return f"it is thinner than {1000 * THIN_M:g} mm; draw thin things as a sheet."
    return ""


def _solid(thing: Thing) -> list[Facet]:
    """Give bottom, top, then each side of a solid, anticlockwise around it."""
    outline = np.asarray(thing.corners_m, dtype=np.float64)
    if not Polygon(outline).exterior.is_ccw:
        outline = outline[::-1]
    z0, z1 = thing.z_m or (0.0, 0.0)
    low = np.column_stack([outline, np.full(len(outline), z0)])
    high = np.column_stack([outline, np.full(len(outline), z1)])
    up = np.array([0.0, 0.0, 1.0])
    facets = [
        facet_from(low[::-1], f"{thing.name} bottom", -up),
        facet_from(high, f"{thing.name} top", up),
    ]
    for i in range(len(outline)):
        j = (i + 1) % len(outline)
        d = (outline[j] - outline[i]) / np.hypot(*(outline[j] - outline[i]))
        ring = np.array([low[i], low[j], high[j], high[i]])
        facets.append(facet_from(ring, f"{thing.name} side", np.array([d[1], -d[0], 0.0])))
    top = thing.material if thing.material_top is None else thing.material_top
    return [
        replace(f, material=top if i == 1 else thing.material, owner=thing.name)
        for i, f in enumerate(facets)
    ]


def _slab(thing: Thing) -> list[Facet]:
    """Give front, back, then each edge of a slab."""
    corners = np.asarray(thing.corners_m, dtype=np.float64)
    normal = facet_from(corners, "").normal
    assert thing.behind_m is not None
    rings = slab_rings_m(corners, np.asarray(thing.behind_m, dtype=np.float64))
    back, edge = (
        thing.material if m is None else m for m in (thing.material_back, thing.material_edge)
    )
    sides: list[tuple[str, str, Float | None]]
    sides = [("front", thing.material, normal), ("back", back, -normal)]
    sides += [("edge", edge, None)] * len(corners)
    return [
        replace(
            facet_from(ring, f"{thing.name} {side}", towards),
            material=material,
            owner=thing.name,
        )
        for ring, (side, material, towards) in zip(rings, sides, strict=True)
    ]


def _sheet(thing: Thing) -> list[Facet]:
    corners = np.asarray(thing.corners_m, dtype=np.float64)
    return [
        replace(
            facet_from(corners, f"{thing.name} front"),
            material=thing.material,
            back_surface=f"{thing.name} back",
            back_material=thing.material
            if thing.material_back is None
            else thing.material_back,
            owner=thing.name,
        )
    ]
