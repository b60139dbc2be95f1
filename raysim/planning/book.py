"""Each layout of a scene: where things go, what they cost and weigh, and whether they may.

What ``raysim plan`` says and draws. The decay to expect is Eyring's, of the room with the
layout in it; `raysim simulate` with ``--layout`` traces it.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Final

import numpy as np

from raysim.errors import Complaint, SceneError, figure
from raysim.geometry.build import collect_room
from raysim.geometry.furnish import furnish, placed_items
from raysim.geometry.mesh import RoomMesh
from raysim.geometry.placed import Placed
from raysim.planning.bill import Bill, bill
from raysim.planning.checks import Finding, findings
from raysim.planning.clearance import Kept, kept_clear
from raysim.planning.cuts import CutList, cut_list
from raysim.planning.decay import Decay, decay_of
from raysim.planning.reach import Ground, ground_of, out_of_reach
from raysim.propagation.room import tabulate_sides
from raysim.scene.model import Scene
from raysim.scene.plan import Layout, Prices
from raysim.scene.prices import read_prices, stock_prices
from raysim.scene.read import collect_scene
from raysim.scene.table import nearest

#: A zone this little outside the room is on its wall, metres.
_CONTACT_M: Final = 1e-3


@dataclass(frozen=True, slots=True)
class Plan:
    """All that is known of one layout before it is traced."""

    layout: Layout
    placed: tuple[Placed, ...]
    bill: Bill
    cuts: CutList
    findings: tuple[Finding, ...]
    decay: Decay
    volume_m3: float  # of the treatments
    area_m2: float  # that sound meets
    notes: tuple[str, ...]

    @property
    def is_forbidden(self) -> bool:
        """Whether a rule or a usual distance is broken."""
        return any(f.kind == "forbidden" for f in self.findings)


@dataclass(frozen=True, slots=True)
class Book:
    """All layouts that were asked for, and the room they are for."""

    scene: Scene
    mesh: RoomMesh  # the room as described
    kept: tuple[Kept, ...]
    bare: Decay
    plans: tuple[Plan, ...]


def make_book(path: Path, names: Sequence[str] = (), prices_path: Path | None = None) -> Book:
    """Read a scene and set each of its layouts into the room.

    Parameters
    ----------
    path : Path
        Scene file or folder.
    names : sequence of str
        Of layouts; none, or "all": all.
    prices_path : Path, optional
        A price file of the user's, over that of the scene.

    Returns
    -------
    Book

    Raises
    ------
    SceneError
        With every mistake of the scene, its room, and the layouts asked for.
    """
    complaints: list[Complaint] = []
    notes: list[str] = []
    scene = collect_scene(path, complaints)
    mesh = None if scene is None else collect_room(scene, complaints, notes)
    if complaints or scene is None or mesh is None:
        raise SceneError(complaints)
    layouts = _chosen(scene, names, complaints)
    prices = _prices(scene, prices_path, complaints)
    kept = tuple(kept_clear(scene, mesh))
    complaints += [_useless(zone, mesh) for zone in kept if _outside_m(zone, mesh) > _CONTACT_M]
    ground = ground_of(scene, kept)
    plans = [_plan(scene, one, prices, mesh, kept, ground, complaints) for one in layouts]
    if complaints:
        raise SceneError(complaints)
    done = tuple(p for p in plans if p is not None)
    return Book(scene, mesh, kept, decay_of(scene, mesh, tabulate_sides(scene, mesh)), done)


def _chosen(scene: Scene, names: Sequence[str], complaints: list[Complaint]) -> list[Layout]:
    known = {one.name: one for one in scene.layouts}
    if not known:
        complaints.append(
            Complaint(
                str(scene.path),
                "the scene has no layout.",
                "Add [[layout]] tables; scenes/README.md says how.",
                "RS-T30",
            )
        )
    if not names or "all" in names:
        return list(known.values())
    for name in dict.fromkeys(names):
        if name not in known and known:
            near = next((n for n in known if n.casefold() == name.casefold()), name)
            complaints.append(
                Complaint(
                    str(scene.path), f'there is no layout "{name}".', nearest(near, known),
                    "RS-T30",
                )
            )  # fmt: skip
    return [known[n] for n in dict.fromkeys(names) if n in known]


def _outside_m(kept: Kept, mesh: RoomMesh) -> float:
    """Give how far a zone with its clearance stays from the box round the room."""
    low, high = mesh.vertices_m.min(axis=0), mesh.vertices_m.max(axis=0)
    zone_low, zone_high = kept.points_m.min(axis=0), kept.points_m.max(axis=0)
    apart = np.maximum(0.0, np.maximum(low - zone_high, zone_low - high))
    return float(np.linalg.norm(apart)) - kept.clear_m


def _useless(kept: Kept, mesh: RoomMesh) -> Complaint:
    away_m = _outside_m(kept, mesh) + kept.clear_m
    return Complaint(
        str(kept.zone.place),
        f'zone "{kept.zone.name}" is {figure(away_m, 3)} m outside the room: it would keep '
        "nothing clear.",
        "Give its place in metres, in the room's own coordinates.",
        "RS-T31",
    )


def _prices(scene: Scene, path: Path | None, complaints: list[Complaint]) -> Prices:
    if path is None:
        return scene.prices or stock_prices()
    needed = {a.good for t in scene.treatments.values() for a in t.goods}
    return read_prices(path, complaints, needed)


def _plan(
    scene: Scene,
    layout: Layout,
    prices: Prices,
    mesh: RoomMesh,
    kept: tuple[Kept, ...],
    ground: Ground | None,
    complaints: list[Complaint],
) -> Plan | None:
    """Set one layout into the room and count, weigh and check it."""
    found: list[Complaint] = []
    notes: list[str] = []
    furnished = furnish(scene, layout, None, found, notes)
    room = None if found else collect_room(_quiet(furnished), found, notes)
    placed = [] if found else placed_items(scene, layout, found)
    if found or room is None:
        complaints.extend(found)
        return None
    try:
        counted = bill(layout.items, prices)
    except SceneError as error:
        complaints.extend(c for c in error.complaints if c not in complaints)
        return None
    return Plan(
        layout=layout,
        placed=tuple(placed),
        bill=counted,
        cuts=cut_list(layout.items, prices),
        findings=findings(
            scene, mesh, layout, placed, counted, kept, out_of_reach(ground, furnished)
        ),
        decay=decay_of(furnished, room, tabulate_sides(furnished, room)),
        volume_m3=sum(p.volume_m3 for p in placed),
        area_m2=sum(p.front_area_m2 for p in placed),
        notes=tuple(notes),
    )


def _quiet(scene: Scene) -> Scene:
    """Give a scene without points: where people talk does not matter to a bill."""
    return replace(scene, sources=(), receivers=())
