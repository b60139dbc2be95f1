"""Bodies across a corner of two surfaces: a panel that straddles it, a stack that fills it.

In the plane across the corner, p and q run along the two surfaces away from it, b
halves the angle between them, and half that angle is beta  (G12). A panel stands
at a right angle to b, its back edges 2 mm clear of both surfaces. A stack is a triangle if
its width is that of a triangle of its depth in this corner, else a rectangle: its width
along the surface it is on, its depth off it.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from raysim.errors import figure
from raysim.geometry.place_item import Ground, Seam, seam
from raysim.geometry.polygons import area_vector_m2, cross
from raysim.geometry.things import TOUCH_M
from raysim.scene.model import Thing
from raysim.scene.plan import Item
from raysim.units import Float

#: How far the back edges of a panel are from the surfaces of its corner, metres.
CLEAR_M = 0.002
#: A triangle's width may differ by this part from what its depth asks for.
TRIANGLE = 0.02


@dataclass(frozen=True, slots=True, eq=False)
class CornerBody:
    """A body in a corner; its materials are the names of parts."""

    thing: Thing
    origin_m: Float  # (3,) on the line of the corner, where the piece begins
    front_m: Float  # (4, 3) what looks into the room
    on_here_m: Float  # (4, 3) its shadow on the surface that it is on
    on_there_m: Float  # (4, 3) its shadow on the other
    corners_m: Float  # (n, 3)
    volume_m3: float
    front_area_m2: float
    gap_m: float  # mean depth of air behind it


def corner_body(
    item: Item,
    here: Ground,
    corner: Seam,
    end: Seam,
    off_m: float,
    depth_m: float,
    room: Sequence[Ground],
) -> CornerBody | str:
    """Give the body of a corner item, or say why there is none.

    Parameters
    ----------
    item : Item
    here : Ground
        What it is on.
    corner, end : Seam
        Of the ground: with the other surface of the corner, and with what is at one end.
    off_m : float
        How far the nearest corner of the piece is from the latter, along the corner.
    depth_m : float
    room : sequence of Ground
    """
    a, there = corner.along, corner.to
    p = corner.inward[0] * here.frame.u + corner.inward[1] * here.frame.v
    q = cross(a, there.frame.normal)
    q = q * np.sign(q @ here.frame.normal)
    is_level = abs(a[2]) < 1e-9
    length, width = item.size_m if is_level else item.size_m[::-1]
    turned = cross(p, q) @ a > 0.0
    a = a if turned else -a  # p, q, a is right-handed
    b = (p + q) / np.linalg.norm(p + q)
    s = (q - p) / np.linalg.norm(q - p)
    sin, cos = float(b @ here.frame.normal), float(b @ p)

    is_panel = item.treatment.family == "corner panel"
    gap_m = 0.0
    if is_panel:
        back_m = (CLEAR_M + 0.5 * width * cos) / sin  # (G12)
        gap_m = 0.5 * back_m
        section = np.array(
            [(back_m + t) * b + side * 0.5 * width * s for t, side in
             ((depth_m, -1.0), (depth_m, 1.0), (0.0, 1.0), (0.0, -1.0))]
        )  # fmt: skip
        front = section[:2]
        area_m2 = width * depth_m
    elif abs(depth_m * sin / cos / (0.5 * width) - 1.0) <= TRIANGLE:
        leg = 0.5 * width / sin
        section = np.array([leg * p, leg * q, 0.0 * p])
        front = section[:2]
        area_m2 = leg**2 * sin * cos
    elif abs(float(p @ q)) < 0.02:
        n = here.frame.normal
        section = np.array([width * p + depth_m * n, depth_m * n, 0.0 * p, width * p])
        front = section[:2]
        area_m2 = width * depth_m
    else:
        return (
            f"neither a triangle nor a rectangle {figure(width)} m wide and "
            f"{figure(depth_m)} m deep fits this corner; a triangle that wide is "
            f"{figure(0.5 * width * cos / sin)} m deep."
        )

    start = here.frame.to_space((corner.inward * corner.offset_m)[None])[0]
    t0, t1 = _ends(start, a, section, end.to, off_m, length)
    t0, t1 = _settled_ends(t0, t1, start, a, here, room)
    length = t1 - t0
    origin = start + t0 * a
    run = length * a
    faces = front + origin
    face = np.array([faces[0], faces[1], faces[1] + run, faces[0] + run])
    if area_vector_m2(face) @ b < 0.0:
        face = face[::-1].copy()
    reach = {}
    for name, along in (("here", p), ("there", q)):
        far = section @ along
        low, high = max(float(far.min()), 0.0) * along, float(far.max()) * along
        reach[name] = origin + np.array([low, high, high + run, low + run])
    foot = section + origin
    return CornerBody(
        _thing(item, face, foot, run, b if is_panel else None, depth_m),
        origin,
        face,
        reach["here"],
        reach["there"],
        np.concatenate([foot, foot + run]),
        area_m2 * length,
        float(np.linalg.norm(face[1] - face[0]) * np.linalg.norm(face[2] - face[1]))
        * (2.0 if is_panel and item.treatment.two_sided else 1.0)
        + (0.0 if is_panel or len(section) == 3 else depth_m * length),
        gap_m,
    )


def _thing(
    item: Item, face: Float, foot: Float, run: Float, b: Float | None, depth_m: float
) -> Thing:
    """Give a body as a slab before its front, a prism that stands, or one that lies."""
    fill = item.treatment.stack
    if b is not None:
        return Thing(
            item.name, "slab", face, None, "front", material_back="back", place=item.place,
            material_edge="edge", behind_m=-depth_m * b, fill=fill,
        )  # fmt: skip
    if abs(run[2]) > (1.0 - 1e-12) * np.linalg.norm(run):
        z = sorted((float(foot[0, 2]), float(foot[0, 2] + run[2])))
        return Thing(
            item.name, "prism", foot[:, :2], (z[0], z[1]), "front", material_top="edge",
            place=item.place, fill=fill,
        )  # fmt: skip
    # A slab whose front is its end, so that the sides along the corner are its edges.
    ring = foot + run
    ring = ring if area_vector_m2(ring) @ run > 0.0 else ring[::-1].copy()
    return Thing(
        item.name, "slab", ring, None, "edge", material_back="edge", place=item.place,
        material_edge="front", behind_m=-run, fill=fill,
    )  # fmt: skip


def _ends(
    start: Float, a: Float, section: Float, end: Ground, off_m: float, length: float
) -> tuple[float, float]:
    """Give from where to where along the corner a piece reaches."""
    share = float(end.frame.normal @ a)
    away = end.frame.distance_m(start + section) / abs(share)
    near = off_m - float(away.min())
    return (near, near + length) if share > 0.0 else (-near - length, -near)


def _settled_ends(
    t0: float, t1: float, start: Float, a: Float, here: Ground, room: Sequence[Ground]
) -> tuple[float, float]:
    """Give the ends put on what they nearly touch."""
    for other in room:
        share = float(other.frame.normal @ a)
        if abs(share) < 1.0 - 1e-6 or seam(here, other) is None:
            continue
        t = -float(other.frame.distance_m(start)) / share
        if abs(t - t0) <= TOUCH_M:
            t0 = t
        if abs(t - t1) <= TOUCH_M:
            t1 = t
    return t0, t1
