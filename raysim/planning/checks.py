"""What forbids a layout, or must be asked first: which item, and why.

Rules of owner, landlord or committee, zones to keep clear, weights and money. Nothing here
is a permit: local codes, insurers and licensed people decide. A finding is "forbidden" if
the scene's own rules or a usual distance are broken, "ask" if someone must agree, and
"know" if it is only worth knowing.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from raysim.errors import figure
from raysim.geometry.mesh import RoomMesh
from raysim.geometry.placed import Placed
from raysim.planning.bill import Bill
from raysim.planning.cautions import DAMP_GAP_M
from raysim.planning.clearance import Kept, body_m, faces_of, hull_distance_m
from raysim.scene.model import Scene
from raysim.scene.plan import Layout, Rules
from raysim.units import Float

#: Standard gravity, m/s2.
_G: Final = 9.80665
#: What sticks lightly to a wall holds no more than this, kg; data of makers vary from
#: 1.8 to 7.2 (trade pages).
STRIPS_KG: Final = 1.8
#: Lighter pieces than this no floor minds, kg: a visitor weighs twice as much.
_LIGHT_KG: Final = 40.0
#: A free-standing piece higher than so many times its depth tips easily; common practice.
_SLENDER: Final = 3.0
#: Overlaps narrower than this are contact, metres.
_SHARED_M: Final = 0.005
#: Families whose weight is spread over a surface, or borne by a rail.
_SPREAD: Final = ("cover", "foam", "curtain", "rug")
#: Families that stand on the floor.
STANDING = ("screen", "block", "bookcase", "corner stack", "curved screen")

KINDS = ("forbidden", "ask", "know")


@dataclass(frozen=True, slots=True)
class Finding:
    """One reason for or against some items, or a whole layout."""

    kind: str  # one of KINDS
    items: tuple[str, ...]  # none: the layout as a whole
    rule: str  # what it is about: "heater", "budget", ...
    sentence: str
    caution: str = ""  # key of CAUTIONS


def findings(
    scene: Scene,
    mesh: RoomMesh,
    layout: Layout,
    placed: Sequence[Placed],
    bill: Bill,
    kept: Sequence[Kept],
    shut_off: Sequence[Kept],
) -> tuple[Finding, ...]:
    """Check a layout against zones, rules, weights and money.

    Parameters
    ----------
    scene : Scene
    mesh : RoomMesh
        The room as described.
    layout : Layout
    placed : sequence of Placed
        Its items in their places.
    bill : Bill
    kept : sequence of Kept
        The zones of the scene as bodies.
    shut_off : sequence of Kept
        Zones that no door leads to any more.

    Returns
    -------
    tuple of Finding
        What forbids first.
    """
    found = [
        *(f for p in placed for k in kept for f in _zone(p, k)),
        *(f for p in placed for f in _item(p, scene.rules, bill)),
        *_reach(placed, shut_off),
        *_whole(scene.rules, placed, bill),
        *_kept_open(scene, mesh, placed),
    ]
    order = {kind: i for i, kind in enumerate(KINDS)}
    return tuple(sorted(_together(found), key=lambda f: order[f.kind]))


def _together(found: Sequence[Finding]) -> list[Finding]:
    """Give one finding where several items have the same fault."""
    items: dict[Finding, dict[str, None]] = {}
    for one in found:
        items.setdefault(replace(one, items=()), {}).update(dict.fromkeys(one.items))
    return [replace(one, items=tuple(names)) for one, names in items.items()]


def _metres(length: float) -> str:
    return f"{figure(length, 2)} m"


def _zone(placed: Placed, kept: Kept) -> Iterator[Finding]:
    """Say what an item does to one zone."""
    zone, item = kept.zone, placed.item
    family = item.treatment.family
    if zone.kind == "access" or (family == "rug" and zone.kind not in ("escape", "socket")):
        return
    if zone.kind == "heater" and item.treatment.resists_fire:
        return
    if zone.kind == "socket" and family in ("screen", "block"):
        return  # what can be pulled away does not bury it
    away_m = hull_distance_m(body_m(placed), kept.points_m)
    if away_m >= kept.clear_m - 1e-6 and (kept.clear_m > 0.0 or away_m > 0.0):
        return
    what = f'"{zone.name}"'
    where = f"in the way of {what}" if away_m == 0.0 else f"{_metres(away_m)} from {what}"
    need = f"keep {_metres(kept.clear_m)} away" if kept.clear_m > 0.0 else "keep it free"
    if family == "curtain" and zone.kind in ("door", "travel", "passage"):
        sentence = f"Hangs {where}: draw it aside before that is used."
        yield Finding("know", (item.name,), zone.kind, sentence)
        return
    why, caution = {
        "heater": ("a heater; this burns", "heater"),
        "flue": ("it needs free air", "heater"),
        "escape": ("a way of escape", "escape"),
        "door": ("a door", "escape"),
        "detector": ("a smoke detector", "detector"),
        "sprinkler": ("a sprinkler; stay below its spray, or aside", "detector"),
        "socket": ("a socket; never bury one", "heater"),
        "passage": ("a passage", "escape"),
        "travel": ("something moves there", ""),
    }[zone.kind]
    sentence = f"{where[0].upper()}{where[1:]}, {why}: {need}."
    yield Finding("forbidden", (item.name,), zone.kind, sentence, caution)


def _item(placed: Placed, rules: Rules, bill: Bill) -> Iterator[Finding]:
    """Say what speaks against an item by itself."""
    item, me = placed.item, (placed.item.name,)
    treatment = item.treatment
    piece_kg = bill.mass_kg(item.name) / max(item.n_piece, 1)
    kg = f"{figure(piece_kg, 2)} kg"
    hangs = item.fixing in ("screwed", "hung", "strips") and treatment.family not in _SPREAD
    if hangs and rules.hung_kg_max is not None and piece_kg > rules.hung_kg_max:
        instead = "Choose a lighter one" if placed.overhead else "Let it stand on the floor"
        yield Finding(
            "forbidden", me, "weight",
            f"{kg} a piece, and it hangs; {figure(rules.hung_kg_max, 2)} kg is the most that "
            f"may. {instead}.", "weight",
        )  # fmt: skip
    if item.fixing == "strips" and piece_kg > STRIPS_KG:
        yield Finding(
            "forbidden", me, "weight",
            f"{kg} a piece on adhesive strips, which are for {figure(STRIPS_KG, 2)} kg.",
            "weight",
        )  # fmt: skip
    if item.fixing in ("screwed", "hung") and _in(item.on, rules.no_screws):
        yield Finding(
            "forbidden", me, "screws",
            f'{item.fixing.capitalize()} on "{item.on}", where nothing may be screwed.',
            "landlord",
        )  # fmt: skip
    if item.fixing == "on rail" and _in(item.on, rules.no_screws):
        yield Finding(
            "ask", me, "screws",
            f'A rail is screwed up as a rule, and nothing may be screwed on "{item.on}": ask '
            "where it may be, or clamp it between two walls.", "landlord",
        )  # fmt: skip
    if item.fixing in ("glued", "strips") and rules.no_glue:
        yield Finding(
            "forbidden", me, "glue",
            "Held by glue, which is not allowed here and does not come off.", "landlord",
        )  # fmt: skip
    for surface in (item.on, item.corner):
        if surface and _in(surface, rules.damp) and treatment.family not in ("rug", "screen"):
            gap_m = item.gap_m if surface == item.on else 0.0
            if gap_m < DAMP_GAP_M - 1e-6:
                yield Finding(
                    "forbidden", me, "damp",
                    f'{1000 * gap_m:.0f} mm off "{surface}", a damp wall: leave '
                    f"{1000 * DAMP_GAP_M:.0f} mm of ventilated air.", "damp",
                )  # fmt: skip
    if placed.overhead and treatment.family not in ("foam", "cover"):
        kind = "ask" if rules.nothing_overhead else "know"
        ask = " Only with leave of the caretaker." if rules.nothing_overhead else ""
        yield Finding(
            kind, me, "overhead",
            f"Overhead, {kg} a piece: into the structure, two independent points and a safety "
            f"tie.{ask}", "overhead",
        )  # fmt: skip
    if treatment.family in STANDING:
        yield from _standing(placed, rules, bill)
    if rules.fire_class:
        yield Finding(
            "ask", me, "fire",
            "Get the fire class of every material in writing before it goes up.", "cloth",
        )  # fmt: skip
    about = {"foam": "Foam burns.", "fibre": "Mineral wool irritates skin, eyes and throat."}
    for key in treatment.cautions:
        if key in about:
            yield Finding("know", me, key, about[key], key)


def _in(surface: str, listed: tuple[str, ...]) -> bool:
    return surface in listed or "*" in listed


def _standing(placed: Placed, rules: Rules, bill: Bill) -> Iterator[Finding]:
    """Say what a standing item does to the floor, and if it tips."""
    item, me = placed.item, (placed.item.name,)
    low, high = placed.box_m
    depth_m = item.depth_m or item.treatment.depth_m
    height_m, kg = float(high[2] - low[2]), bill.mass_kg(item.name)
    foot_m2 = max(depth_m * max(item.size_m[0], depth_m), 1e-3)
    pressure_pa = _G * kg / foot_m2
    if rules.floor_load_pa is not None and kg > _LIGHT_KG and pressure_pa > rules.floor_load_pa:
        yield Finding(
            "ask", me, "floor",
            f"{kg:.0f} kg put {figure(pressure_pa / 1000, 2)} kPa on the footprint; this floor "
            f"is reckoned at {figure(rules.floor_load_pa / 1000, 2)} kPa.", "floor",
        )  # fmt: skip
    against_wall = item.treatment.family in ("block", "bookcase", "corner stack")
    if against_wall:
        return
    if item.treatment.family == "curved screen":
        yield Finding(
            "know", me, "tipping",
            f"{figure(kg, 2)} kg on a stand: see that it cannot tip.", "tipping",
        )  # fmt: skip
    elif depth_m > 0.0 and height_m > _SLENDER * depth_m:
        yield Finding(
            "know", me, "tipping",
            f"{_metres(height_m)} high and {_metres(depth_m)} deep: give it feet.", "tipping",
        )  # fmt: skip


def _reach(placed: Sequence[Placed], shut_off: Sequence[Kept]) -> Iterator[Finding]:
    """Name the standing item that is nearest to what it shuts off."""
    standing = [p for p in placed if p.item.treatment.family in STANDING]
    for kept in shut_off:
        nearest = min(
            standing, key=lambda p: hull_distance_m(body_m(p), kept.points_m), default=None
        )
        if nearest is not None:
            yield Finding(
                "forbidden", (nearest.item.name,), "access",
                f'Shuts off "{kept.zone.name}": nobody gets there from a door any more.',
                "escape",
            )  # fmt: skip


def _whole(rules: Rules, placed: Sequence[Placed], bill: Bill) -> Iterator[Finding]:
    """Say what speaks against the layout as a whole: its weight and its price."""
    standing_kg = sum(
        bill.mass_kg(p.item.name) for p in placed if p.item.treatment.family in STANDING
    )
    if rules.floor_total_kg is not None and standing_kg > rules.floor_total_kg:
        yield Finding(
            "ask", (), "floor",
            f"What stands on the floor weighs {standing_kg:.0f} kg together; this floor is "
            f"reckoned for {rules.floor_total_kg:.0f} kg.", "floor",
        )  # fmt: skip
    if rules.budget is not None and bill.total > rules.budget:
        over = bill.total - rules.budget
        costs = sorted((bill.cost(p.item.name), p.item.name) for p in placed)
        enough = next(((c, n) for c, n in costs if c >= over), None)
        out = (
            f'Leaving out "{enough[1]}" ({enough[0]:.0f}) would do.'
            if enough
            else "More than one item must go."
        )
        yield Finding(
            "forbidden", (), "budget",
            f"It costs {bill.total:.0f} {bill.currency}, {over:.0f} more than the budget of "
            f"{rules.budget:.0f}. {out}",
        )  # fmt: skip
    elif rules.budget is not None and bill.to_buy.likely > rules.budget:
        yield Finding(
            "ask", (), "budget",
            f"What goes into it costs {bill.total:.0f} {bill.currency}, but whole packs with "
            f"spare come to {bill.to_buy.likely:.0f}, more than the budget of "
            f"{rules.budget:.0f}. Share packs, or ask for cut lengths.",
        )  # fmt: skip


def _kept_open(scene: Scene, mesh: RoomMesh, placed: Sequence[Placed]) -> Iterator[Finding]:
    """Say which item covers for good what some state must leave open."""
    for name in scene.rules.keep_open:
        on = next((p.on for p in scene.patches if p.name == name), None)
        opening = faces_of(mesh, name)[0]
        if on is None or not len(opening):
            continue
        for one in placed:
            item = one.item
            if item.on != on or not _overlap(one, opening):
                continue
            drawn = [s.name for s in scene.states if item.name in s.drawn_aside]
            if item.treatment.family == "curtain" and drawn:
                yield Finding(
                    "know", (item.name,), "open",
                    f'Hangs before "{name}", which must be open at times: draw it aside for '
                    f'"{drawn[0]}".',
                )  # fmt: skip
            elif item.treatment.family not in STANDING:
                yield Finding(
                    "forbidden", (item.name,), "open",
                    f'Covers "{name}", which must be open at times.',
                )  # fmt: skip


def _overlap(placed: Placed, opening_m: Float) -> bool:
    """Tell if an item's footprint and an opening of the same surface share some area."""
    spans = []
    for points in (placed.footprint_m, opening_m):
        d = points - placed.origin_m
        flat = np.stack([d @ placed.u, d @ placed.v], axis=-1)
        spans.append((flat.min(axis=0), flat.max(axis=0)))
    (low, high), (least, most) = spans
    return bool((np.minimum(high, most) - np.maximum(low, least) > _SHARED_M).all())
