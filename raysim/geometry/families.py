"""One item of a layout as a body in the room: where it comes and what shape it has.

What is flat lies along its surface, `Item.gap_m` off it: width along the level line u,
height up the steepest line v; on level surfaces along x and y, or along the first surface
measured from if that is askew. What stands on the floor (screen, block, bookcase, curved
screen, free curtain) has width and height, and ``gap_m`` is how far it is lifted; its
width runs along u, its front looks along v (a block's or bookcase's away from the
wall behind it), the open side of a curved screen too. ``turn_deg`` turns it about the
vertical, anticlockwise seen from above. Distances are to the nearest corner of the piece as
it stands, at a right angle to the line in which the surfaces meet. A side within 1 mm of
an edge of the surface is put on that edge.

Across a corner, the length of a piece is what runs along the corner: the height of an
upright one, the width of a level one. Materials are named by part here, "front", "edge",
"back"; `raysim.geometry.furnish` puts in what they are.
"""

from collections.abc import Sequence
from dataclasses import replace
from difflib import get_close_matches
from itertools import product
from typing import NamedTuple

import numpy as np

from raysim.errors import Complaint, figure
from raysim.geometry.contact import surfaces_met
from raysim.geometry.corner import corner_body
from raysim.geometry.piece import Piece, box_of, facing, slab
from raysim.geometry.place_item import (
    LEAST_SIN,
    Ground,
    Seam,
    centre_between,
    grounds,
    overhang,
    seam,
    snapped,
)
from raysim.geometry.placed import Placed
from raysim.geometry.polygons import Facet, area_vector_m2
from raysim.geometry.standing import N_ARC, standing
from raysim.geometry.things import TOUCH_M, thing_facets
from raysim.scene.plan import Item
from raysim.scene.shape import shell_outline
from raysim.units import Float

#: Foam thinner than this takes up no room, metres.
BODY_M = 0.02
#: What part of its width a curtain takes when it is drawn aside; common practice.
ASIDE = 0.2
#: A free curtain is looked for this deep, if its depth is not given, metres.
PLEAT_M = 0.05

STANDING = ("screen", "curved screen", "block", "bookcase")
CORNER = ("corner panel", "corner stack")
THIN = ("cover", "curtain", "rug")


class Fault(NamedTuple):
    """Why an item cannot be where it is said to be."""

    wrong: str
    fix: str
    code: str


def place(item: Item, facets: Sequence[Facet], complaints: list[Complaint]) -> Placed | None:
    """Give where an item comes to be, or None after complaining.

    Parameters
    ----------
    item : Item
    facets : sequence of Facet
        The bare room: without patches and things.
    complaints : list of Complaint
        RS-T20 unknown surface, RS-T21 surfaces that do not meet, RS-T22 distances that
        do not say where, RS-T23 beyond the surface, RS-T24 too deep for the room, RS-T26
        several places, RS-T27 not what this treatment is for; RS-G30 too thin a body.
    """
    piece = piece_of(item, facets, grounds(facets), complaints)
    return None if piece is None else piece.placed


def piece_of(
    item: Item,
    facets: Sequence[Facet],
    room: Sequence[Ground],
    complaints: list[Complaint],
) -> Piece | None:
    """Give an item as a body, or None after complaining; see `place`."""
    fault = _misnamed(item, room) or _misfit(item)
    found: list[Piece] = []
    if fault is None:
        tried = _candidates(item, room)
        found = [t for t in tried if isinstance(t, Piece)]
        faults = [t for t in tried if isinstance(t, Fault)]
        if not found:
            # Of several planes of one name, the one that came furthest says what is wrong.
            fault = max(faults, key=lambda f: f.code)
        elif _differ(found) and not (item.drawn_aside and _one_place(item, room)):
            fault = Fault(
                f'there are {len(found)} places on "{item.on}" at these distances.',
                "Measure from another surface, or give its parts names of their own.",
                "RS-T26",
            )
        elif found[0].thing is not None and not thing_facets(found[0].thing, complaints):
            return None
        elif found[0].thing is not None and (met := surfaces_met(found[0].thing, facets)):
            through = " and ".join(f'"{name}"' for name in met)
            fault = Fault(
                f"it is too deep or too high for its place: it goes through {through}.",
                "Move it, or make it smaller.",
                "RS-T24",
            )
    if fault is not None:
        head = f'item "{item.name}": '
        complaints.append(Complaint(str(item.place), head + fault.wrong, fault.fix, fault.code))
        return None
    return found[0]


def _differ(found: Sequence[Piece]) -> bool:
    """Tell if pieces are in different places."""
    first = found[0].placed.box_m
    return any(np.abs(p.placed.box_m - first).max() > TOUCH_M for p in found[1:])


def _one_place(item: Item, room: Sequence[Ground]) -> bool:
    """Tell if a curtain has one place when it is drawn: to which side it goes is all one."""
    tried = _candidates(replace(item, drawn_aside=False), room)
    return not _differ([t for t in tried if isinstance(t, Piece)])


def _misnamed(item: Item, room: Sequence[Ground]) -> Fault | None:
    """Find a name that the room does not have."""
    names = list(dict.fromkeys(g.name for g in room))
    asked = [item.on, *(name for name, _ in item.from_m)] + [item.corner] * bool(item.corner)
    for name in asked:
        if name not in names:
            near = get_close_matches(name, names, n=1)
            hint = f'Did you mean "{near[0]}"?' if near else f"It has {', '.join(names)}."
            return Fault(f'the room has no surface "{name}".', hint, "RS-T20")
    return None


def _misfit(item: Item) -> Fault | None:
    """Find what does not go together without looking at the room."""
    family = item.treatment.family
    sizes = [*item.size_m, *(d for _, d in item.from_m), item.gap_m, item.depth_m]
    if not np.isfinite(sizes).all() or min(item.size_m) <= 0.0 or min(sizes) < 0.0:
        return Fault(
            f"a size or distance is negative, nothing or no number: "
            f"{', '.join(figure(s) for s in sizes)}.",
            "Give lengths in metres.",
            "RS-T22",
        )
    if family in CORNER and item.corner in ("", item.on):
        return Fault(
            f'a {family} needs two surfaces, and only "{item.on}" is given.',
            "Name the other surface of the corner.",
            "RS-T27",
        )
    return None


def _candidates(item: Item, room: Sequence[Ground]) -> list[Piece | Fault]:
    """Give a piece or a fault for each choice of planes that bear the names given."""
    named: dict[str, list[Ground]] = {}
    for ground in room:
        named.setdefault(ground.name, []).append(ground)
    in_corner = item.treatment.family in CORNER
    names = [name for name, _ in item.from_m if not (in_corner and name == item.corner)]
    need = 1 if in_corner else 2
    if len(names) != need or len(set(names)) != len(names):
        one = "the surface at one end" if in_corner else "two surfaces that meet it"
        listed = ", ".join(f'"{n}"' for n in names) or "none"
        return [
            Fault(
                f"distances are given from {listed}.",
                f"Give the distance from {one}.",
                "RS-T22",
            )
        ]
    if in_corner:
        names.append(item.corner)
    tried: list[Piece | Fault] = []
    for here in named[item.on]:
        seams = {n: [s for g in named[n] if (s := seam(here, g)) is not None] for n in names}
        lone = [n for n in names if not seams[n]]
        if lone:
            meets = dict.fromkeys(g.name for g in room if seam(here, g) is not None)
            tried.append(
                Fault(
                    f'"{lone[0]}" does not touch "{item.on}" at an angle.',
                    f"Measure from one of {', '.join(meets)}.",
                    "RS-T21",
                )
            )
            continue
        for choice in product(*(seams[n] for n in names)):
            if in_corner:
                tried.append(_across(item, here, choice[1], choice[0], room))
            else:
                tried.append(_along(item, here, choice[0], choice[1], room))
    return tried


def _depth_m(item: Item) -> float:
    return item.depth_m or item.treatment.depth_m


def _beyond(
    ground: Ground, outline_m: Float, room: Sequence[Ground], item: Item
) -> Fault | None:
    """Find out if a piece reaches beyond a surface."""
    over = overhang(ground, outline_m, room)
    if over is None:
        return None
    by = figure(1000.0 * over[0]) + " mm" if over[0] < 0.1 else figure(over[0]) + " m"
    side = f', where "{over[1]}" is' if over[1] else ""
    return Fault(
        f'it reaches {by} beyond "{ground.name}"{side}.',
        f"Move it or make it smaller; it is {figure(item.size_m[0])} by "
        f"{figure(item.size_m[1])} m.",
        "RS-T23",
    )


def _axes(here: Ground, first: Seam) -> tuple[Float, Float]:
    """Give unit vectors u, v of the sides of an unturned piece, (3,) each."""
    normal = here.frame.normal
    if np.hypot(normal[0], normal[1]) > 1e-9:
        return here.frame.u, here.frame.v
    along = first.along
    if min(abs(along[0]), abs(along[1])) < 1e-6:
        return np.array([1.0, 0.0, 0.0]), np.array([0.0, 1.0, 0.0])
    u = along if abs(along[0]) >= abs(along[1]) else np.array([along[1], -along[0], 0.0])
    u = u * np.sign(u[0])
    return u, np.array([-u[1], u[0], 0.0])


def _unsuited(item: Item, here: Ground, level: bool) -> Fault | None:
    """Find out if a surface is not one that this family is for."""
    family, up = item.treatment.family, here.frame.normal[2]
    wants = ""
    if family in ("screen", "curved screen", "rug") and not (level and up > 0.0):
        wants = f'a {family} needs a level floor, which "{item.on}" is not.'
    elif family in ("block", "bookcase") and level and up < 0.0:
        wants = f'a {family} stands on the floor or against a wall, not on "{item.on}".'
    elif family == "cloud" and up > -LEAST_SIN:
        wants = f'a cloud hangs below a ceiling or slope, which "{item.on}" is not.'
    elif item.turn_deg and not level:
        wants = f'what is on a wall or slope like "{item.on}" cannot be turned.'
    if not wants:
        return None
    return Fault(wants, "Name another surface, or take another treatment.", "RS-T27")


def _along(
    item: Item, here: Ground, first: Seam, second: Seam, room: Sequence[Ground]
) -> Piece | Fault:
    """Give a piece that lies along a surface or stands on it."""
    treatment, frame = item.treatment, here.frame
    a, b = first.inward, second.inward
    if abs(a[0] * b[1] - a[1] * b[0]) < LEAST_SIN:
        return Fault(
            f'"{first.to.name}" and "{second.to.name}" are parallel.',
            "Give distances from two surfaces that are not.",
            "RS-T22",
        )
    level = abs(frame.normal[2]) > 1.0 - 1e-9
    is_free = treatment.family == "curtain" and level
    stands = is_free or (treatment.family in STANDING and level)
    unsuited = _unsuited(item, here, level)
    if unsuited is not None:
        return unsuited
    u, v = _axes(here, first)
    turn = np.radians(item.turn_deg)
    u, v = np.cos(turn) * u + np.sin(turn) * v, np.cos(turn) * v - np.sin(turn) * u
    axes = np.array([[frame.u @ e, frame.v @ e] for e in (u, v)])
    width, height = item.size_m
    depth = _depth_m(item)
    across = height
    if stands:
        across = depth if not is_free else depth or PLEAT_M
    half = 0.5 * np.array([width, across])
    rectangle = np.array([[-1.0, -1.0], [1.0, -1.0], [1.0, 1.0], [-1.0, 1.0]]) * half
    local = rectangle
    if treatment.family == "curved screen":
        if depth >= half[0]:
            return Fault(
                f"a curved screen {figure(width)} m wide cannot be {figure(depth)} m thick.",
                "Give the width across the opening, outside to outside.",
                "RS-T27",
            )
        arc = shell_outline(np.zeros(2), half[0] - depth, depth, 180.0, 360.0, N_ARC)
        local = np.asarray(arc)
    off = np.array([distance for _, distance in item.from_m])
    centre = centre_between(first, second, off, local @ axes)
    middle = axes @ centre
    low, high = middle - half, middle + half
    if local is rectangle:
        low, high = snapped(here, low, high, axes)
    if item.drawn_aside and treatment.family == "curtain":
        # Towards the surface that bounds it along the rail.
        seams = sorted((first, second), key=lambda s: -abs(float(axes[0] @ s.inward)))
        strip = ASIDE * (high[0] - low[0])
        if axes[0] @ seams[0].inward > 0.0:
            high[0] = low[0] + strip
        else:
            low[0] = high[0] - strip
    plan = np.array(
        [[low[0], low[1]], [high[0], low[1]], [high[0], high[1]], [low[0], high[1]]]
    )
    if local is not rectangle:
        plan = local + middle
    fault = _beyond(here, plan @ axes, room, item)
    if fault is not None:
        return fault

    offsets_m = np.array([first.offset_m, second.offset_m])
    corner: Float = np.asarray(np.linalg.solve(np.stack([a, b]), offsets_m))
    footprint = facing(frame.to_space(plan @ axes), frame.normal)
    base = Placed(
        item, frame.to_space(corner[None])[0], u, v, frame.normal, footprint, footprint,
        np.zeros((2, 3)), 0.0, 0.0, bool(frame.normal[2] < -LEAST_SIN),
    )  # fmt: skip
    if stands:
        return standing(base, here, room, plan @ axes, (first, second), depth, is_free)
    return _lying(base, depth)


def _lying(base: Placed, depth_m: float) -> Piece:
    """Give what lies along its surface, against it or off it."""
    item, normal = base.item, base.normal
    family = item.treatment.family
    area_m2 = float(np.linalg.norm(area_vector_m2(base.footprint_m)))
    gap_m = item.gap_m if item.gap_m >= TOUCH_M else 0.0
    is_thin = family in THIN or (family == "foam" and depth_m < BODY_M)
    front = base.footprint_m + (gap_m + depth_m) * normal
    both = item.treatment.two_sided and gap_m > 0.0 and not is_thin
    placed = replace(
        base,
        front_m=front,
        box_m=box_of(front, front - depth_m * normal),
        volume_m3=0.0 if is_thin else area_m2 * depth_m,
        front_area_m2=area_m2 * (2.0 if both else 1.0),
    )
    if is_thin:
        return Piece(placed, None, base.footprint_m, gap_m, (gap_m, gap_m + depth_m))
    thing = slab(item, front, -depth_m * normal)
    return Piece(placed, thing, None, gap_m, (gap_m, gap_m + depth_m))


def _across(
    item: Item, here: Ground, corner: Seam, end: Seam, room: Sequence[Ground]
) -> Piece | Fault:
    """Give a piece that straddles a corner or fills it."""
    there = corner.to
    if not corner.is_inner:
        return Fault(
            f'"{item.on}" and "{there.name}" jut into the room where they meet.',
            "A corner piece needs a corner to stand in.",
            "RS-T21",
        )
    if abs(float(corner.along @ end.to.frame.normal)) < 0.1:
        return Fault(
            f'"{end.to.name}" does not cross the corner of "{item.on}" and "{there.name}".',
            "Give the distance along the corner, from the surface at one end of it.",
            "RS-T22",
        )
    off_m = dict(item.from_m)[end.to.name]
    body = corner_body(item, here, corner, end, off_m, _depth_m(item), room)
    if isinstance(body, str):
        return Fault(body, "Choose another width, depth or corner.", "RS-T27")
    for ground, outline in ((here, body.on_here_m), (there, body.on_there_m)):
        fault = _beyond(ground, ground.frame.to_plane(outline), room, item)
        if fault is not None:
            return fault
    is_overhead = min(here.frame.normal[2], there.frame.normal[2]) < -LEAST_SIN
    placed = Placed(
        item, body.origin_m, here.frame.u, here.frame.v, here.frame.normal,
        facing(body.on_here_m, here.frame.normal), body.front_m, box_of(body.corners_m),
        body.volume_m3, body.front_area_m2, bool(is_overhead),
    )  # fmt: skip
    return Piece(placed, body.thing, None, body.gap_m)
