"""Pieces that stand in the room with a body of their own: corner stacks and screens.

A flat patch cannot stand for them, so no search replays them: they are put where they fit
and nothing forbids them, and a full simulation tells what they do.
"""

from collections.abc import Iterator, Sequence
from dataclasses import replace
from typing import Final

import numpy as np

from raysim.errors import Complaint
from raysim.geometry.build import bare_room, collect_room
from raysim.geometry.families import piece_of
from raysim.geometry.furnish import furnish
from raysim.geometry.mesh import RoomMesh
from raysim.geometry.place_item import grounds, seam
from raysim.geometry.placed import Placed
from raysim.planning.bill import bill
from raysim.planning.checks import findings
from raysim.planning.clearance import body_m, hull_distance_m, kept_clear
from raysim.planning.reach import ground_of, out_of_reach
from raysim.planning.spots import Option
from raysim.scene.model import Scene
from raysim.scene.plan import Item, Layout, Prices

#: Screens are tried on a grid of this step, metres.
_STEP_M: Final = 0.5
#: Nearer to a mouth, ear or microphone than this nobody wants a screen, metres; common
#: practice, no source.
_ELBOW_M: Final = 0.5
#: Air under a screen, metres.
_UNDER_M: Final = 0.02
_APART_M: Final = 0.05
_MOST: Final = 2


def stacks(scene: Scene, mesh: RoomMesh, prices: Prices, money: float) -> tuple[Option, ...]:
    """Give up to two corner stacks, in different corners, that a sum of money buys."""
    found = bare_room(scene, [], [])
    if found is None:
        return ()
    room = grounds(found[0])
    walls = [g for g in room if abs(g.frame.normal[2]) < 1e-6]
    floors = [g for g in room if g.frame.normal[2] > 1.0 - 1e-9]
    kinds = [t for t in scene.treatments.values() if t.family == "corner stack" and t.size_m]

    def tried() -> Iterator[Item]:
        for kind in kinds:
            for i, here in enumerate(walls):
                for there in walls[i + 1 :]:
                    corner = seam(here, there)
                    if corner is not None and corner.is_inner and kind.size_m is not None:
                        yield Item(
                            "stack", kind, here.name, ((floors[0].name, 0.0),), kind.size_m,
                            depth_m=kind.depth_m, fixing=kind.fixings[0], corner=there.name,
                        )  # fmt: skip

    return _chosen(scene, mesh, prices, money, list(tried()) if floors else [])


def screens(scene: Scene, mesh: RoomMesh, prices: Prices, money: float) -> tuple[Option, ...]:
    """Give up to two screens near who sounds and listens that a sum of money buys."""
    found = bare_room(scene, [], [])
    if found is None:
        return ()
    room = grounds(found[0])
    floors = [g for g in room if g.frame.normal[2] > 1.0 - 1e-9]
    if not floors:
        return ()
    floor = floors[0]
    seams = [s for g in room if (s := seam(floor, g)) is not None and s.is_inner]
    pair = next(
        (
            (a, b) for i, a in enumerate(seams) for b in seams[i + 1 :]
            if abs(a.inward[0] * b.inward[1] - a.inward[1] * b.inward[0]) > 1.0 - 1e-6
        ),
        None,
    )  # fmt: skip
    kinds = [t for t in scene.treatments.values() if t.family == "screen" and t.size_m]
    if pair is None or not kinds:
        return ()
    low, high = mesh.vertices_m.min(axis=0), mesh.vertices_m.max(axis=0)
    reach_m = float(np.hypot(*(high - low)[:2]))
    steps = np.arange(0.1, reach_m, _STEP_M).tolist()
    kind = min(kinds, key=lambda t: -(t.size_m[0] * t.size_m[1]) if t.size_m else 0.0)
    items = [
        Item(
            "screen", kind, floor.name,
            ((pair[0].to.name, round(a, 3)), (pair[1].to.name, round(b, 3))),
            kind.size_m or (0.0, 0.0), gap_m=_UNDER_M, depth_m=kind.depth_m, turn_deg=turn,
            fixing=kind.fixings[0],
        )
        for a in steps for b in steps for turn in (0.0, 90.0)
    ]  # fmt: skip
    return _chosen(scene, mesh, prices, money, items)


def _chosen(
    scene: Scene, mesh: RoomMesh, prices: Prices, money: float, items: Sequence[Item]
) -> tuple[Option, ...]:
    """Give those nearest to sources and receivers that may be where they are."""
    found = bare_room(scene, [], [])
    assert found is not None
    room = grounds(found[0])
    sounding = [s.position_m for s in scene.sources]
    points = np.array([*sounding, *(r.position_m for r in scene.receivers)])
    placed = [p.placed for i in items if (p := piece_of(i, found[0], room, [])) is not None]

    def away_m(one: Placed) -> float:
        low, high = one.box_m
        return float(np.linalg.norm(points - np.clip(points, low, high), axis=1).min())

    kept = kept_clear(scene, mesh)
    ground = ground_of(scene, kept)
    rules = replace(scene.rules, budget=None)
    chosen: list[Option] = []
    left = money
    for one in sorted(placed, key=away_m):
        if len(chosen) == _MOST:
            break
        if away_m(one) < _ELBOW_M or any(_meet(one, o.placed) for o in chosen):
            continue
        counted = bill([one.item], prices)
        if counted.total > left:
            continue
        layout = Layout("", "", (one.item,))
        complaints: list[Complaint] = []
        furnished = furnish(scene, layout, None, complaints, [])
        if complaints or collect_room(furnished, complaints, []) is None:
            continue
        told = findings(
            replace(scene, rules=rules), mesh, layout, [one], counted, kept,
            out_of_reach(ground, furnished),
        )  # fmt: skip
        if any(f.kind == "forbidden" for f in told):
            continue
        left -= counted.total
        chosen.append(Option(one.item, one, counted.total, (), told))
    return tuple(chosen)


def _meet(a: Placed, b: Placed) -> bool:
    return hull_distance_m(body_m(a), body_m(b)) < _APART_M
