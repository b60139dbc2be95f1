"""What could be put up where: pieces of the catalogue in places that are allowed.

A spot is a rectangle of a surface, cut out of it, so that one mesh serves all layouts; its
options are the pieces that fit there, each as an item that a person can measure out. What
the scene's rules or a usual distance forbid is no option, nor is what hangs overhead where
nothing may without leave. Pieces are flat here: thickness and edges come with the
confirmation.
"""

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import combinations
from typing import Final

import numpy as np
from shapely.geometry import Polygon

from raysim.geometry.build import bare_room, corner_tolerance_m, finished, patches_by_limits
from raysim.geometry.families import piece_of
from raysim.geometry.mesh import RoomMesh
from raysim.geometry.patches import LEAST_M2, ON_PLANE_M, cut_patches
from raysim.geometry.place_item import Ground, grounds, seam
from raysim.geometry.placed import Placed
from raysim.geometry.polygons import Facet, common
from raysim.planning.bill import bill
from raysim.planning.cautions import DAMP_GAP_M
from raysim.planning.checks import Finding, findings
from raysim.planning.clearance import Kept, body_m, faces_of, hull_distance_m, kept_clear
from raysim.planning.sites import APART_M, Site, sites_of
from raysim.scene.model import Material, Patch, Scene
from raysim.scene.plan import Item, Layout, Prices, Treatment, Zone
from raysim.scene.treated import front_material
from raysim.units import Float

#: Width and height of the rectangles that walls and ceilings are tried for, metres: the
#: usual piece, upright before lying.
SIZES_M: Final = ((0.6, 1.2), (1.2, 0.6))
#: Sizes of rugs that are tried, metres.
RUGS_M: Final = ((3.0, 2.0), (2.0, 1.4), (1.4, 1.0))
#: No more rectangles than this are kept: those that early sound is likeliest to meet.
MOST_SITES: Final = 28
#: How far off their surface pieces are tried, metres: air behind costs nothing and takes
#: more of the bass, which rays cannot tell, so the widest gap that is allowed is taken.
_GAPS_M: Final = {
    "panel": (0.1, DAMP_GAP_M, 0.0), "cloud": (0.1, DAMP_GAP_M), "foam": (0.0,), "cover": (0.0,)
}  # fmt: skip
#: A curtain reaches this far beyond the glass it hangs before, metres; common practice.
_BESIDE_M: Final = 0.1
#: Steps of the distances that a person is told to measure, metres.
_STEP_M: Final = 0.01
#: A surface that faces down more than this is a ceiling, where flat pieces hang as clouds.
_CEILING: Final = -0.9
#: Distances this small are contact, metres.
_CONTACT_M: Final = 0.003
_UPRIGHT: Final = 0.1


@dataclass(frozen=True, slots=True, eq=False)
class Option:
    """One piece in one spot."""

    item: Item
    placed: Placed
    price: float  # likely, of the quantities
    materials: tuple[Material, ...]  # of each part of the spot
    asks: tuple[Finding, ...]  # what someone must agree to, or is worth knowing


@dataclass(frozen=True, slots=True, eq=False)
class Spot:
    """A rectangle where one of several pieces could be."""

    name: str
    outline_m: Float  # (4, 3)
    parts: tuple[Patch, ...]  # of the surface and patches under it, as they are
    options: tuple[Option, ...]


@dataclass(frozen=True, slots=True, eq=False)
class _Room:
    """The scene as options are tried in it."""

    scene: Scene
    mesh: RoomMesh
    prices: Prices
    bare: tuple[Facet, ...]
    facets: tuple[Facet, ...]  # with patches
    grounds: tuple[Ground, ...]
    kept: tuple[Kept, ...]
    known: dict[tuple[str, float, str], Material]


def spots_of(scene: Scene, mesh: RoomMesh, prices: Prices) -> tuple[Spot, ...]:
    """Find all spots of a scene with what could be put there.

    Parameters
    ----------
    scene : Scene
        As described.
    mesh : RoomMesh
        Its room.
    prices : Prices

    Returns
    -------
    tuple of Spot
        None overlap; each has at least one option.
    """
    found = bare_room(scene, [], [])
    if found is None:
        return ()
    bare = found[0]
    facets = cut_patches(
        finished(scene, bare, []), patches_by_limits(scene), corner_tolerance_m(scene), [], []
    )
    kept = tuple(kept_clear(scene, mesh))
    room = _Room(
        scene, mesh, prices, tuple(bare), tuple(facets), tuple(grounds(bare)), kept, {}
    )  # fmt: skip
    spots: list[Spot] = []
    for tried in (_curtains(room), _rugs(room), _pieces(room)):
        for outline_m, options in tried:
            apart = not any(_meet(outline_m, s.outline_m) for s in spots)
            if options and apart:
                spots.append(_spot(room, f"spot {len(spots) + 1}", outline_m, options))
    return tuple(spots)


def clash(a: Option, b: Option) -> bool:
    """Tell if two pieces would be in each other's way."""
    return _meet(body_m(a.placed), body_m(b.placed))


def _meet(a_m: Float, b_m: Float) -> bool:
    # their boxes tell most
    gap_m = np.maximum(b_m.min(axis=0) - a_m.max(axis=0), a_m.min(axis=0) - b_m.max(axis=0))
    return bool(gap_m.max() < _CONTACT_M) and hull_distance_m(a_m, b_m) < _CONTACT_M


_Tried = Iterator[tuple[Float, list[Option]]]


def _spot(room: _Room, name: str, outline_m: Float, options: list[Option]) -> Spot:
    parts = []
    for i, facet in enumerate(_under(room, outline_m)):
        own = name if i == 0 else f"{name}, before {facet.surface}"
        parts.append(Patch(own, facet.surface, facet.material, outline_m=outline_m))
    return Spot(name, outline_m, tuple(parts), tuple(options))


def _under(room: _Room, outline_m: Float) -> list[Facet]:
    """Give the parts of surfaces that an outline lies on, one of each name, largest first."""
    area: dict[str, tuple[Facet, float]] = {}
    for facet in room.facets:
        if np.abs(facet.distance_m(outline_m)).max() > ON_PLANE_M:
            continue
        shared = float(common(facet.polygon, Polygon(facet.to_plane(outline_m))).area)
        if shared >= LEAST_M2:
            head, before = area.get(facet.surface, (facet, 0.0))
            area[facet.surface] = (head, before + shared)
    return [head for head, _ in sorted(area.values(), key=lambda row: -row[1])]


def _pieces(room: _Room) -> _Tried:
    """Try the usual rectangles on walls, slopes and ceilings."""
    scene = room.scene
    sounding = [s.position_m for s in scene.sources]
    points = np.array([*sounding, *(r.position_m for r in scene.receivers)])
    low, high = room.mesh.vertices_m.min(axis=0), room.mesh.vertices_m.max(axis=0)
    # with the middle of an upright piece at the height of mouths and ears
    floor_m = float(np.clip(points[:, 2].mean() - 0.6, low[2] + 0.3, low[2] + 0.9))
    below = (tuple(low.tolist()), (float(high[0]), float(high[1]), floor_m))
    near_floor = Zone("near the floor", "passage", box_m=below, clear_m=0.0)
    off_floor = replace(scene, zones=(*scene.zones, near_floor))
    sites = sites_of(off_floor, room.mesh, SIZES_M)

    def detour_m(site: Site) -> float:
        middle = site.outline_m.mean(axis=0)
        legs = np.linalg.norm(points - middle, axis=1)
        n = len(sounding)
        return float(legs[:n].min() + legs[n:].min())

    for site in sorted(sites, key=detour_m)[:MOST_SITES]:
        placed = _measured(room, site.on, site.outline_m, site.size_m)
        if placed is not None:
            yield placed.footprint_m, list(_on_site(room, placed.item, site))


def _on_site(room: _Room, item: Item, site: Site) -> Iterator[Option]:
    """Give what fits a rectangle exactly and is allowed there."""
    is_ceiling = site.normal[2] < _CEILING
    for treatment in room.scene.treatments.values():
        family = treatment.family
        if family not in _GAPS_M or (family == "cloud") != is_ceiling:
            continue
        count = _tiles(treatment, site.size_m)
        if count is None or not treatment.goods:
            continue
        tried = replace(
            item, treatment=treatment, depth_m=treatment.depth_m, n_piece=count[0] * count[1],
            count=count,
        )  # fmt: skip
        is_wall = abs(float(site.normal[2])) < _UPRIGHT
        yield from _allowed(room, tried, is_wall, _GAPS_M[family])


def _tiles(treatment: Treatment, size_m: tuple[float, float]) -> tuple[int, int] | None:
    """Give how many pieces fill a rectangle along and up; None if they do not."""
    if treatment.size_m is None:
        return (1, 1) if treatment.family == "cover" else None
    for width, height in (treatment.size_m, treatment.size_m[::-1]):
        counts = size_m[0] / width, size_m[1] / height
        whole = [round(n) for n in counts]
        if min(whole) >= 1 and all(
            abs(n - w) < 1e-6 for n, w in zip(counts, whole, strict=True)
        ):
            return whole[0], whole[1]
    return None


def _curtains(room: _Room) -> _Tried:
    """Try a curtain before each pane: of what states draw aside, with their name."""
    scene = room.scene
    drawn = {name for state in scene.states for name in state.drawn_aside}
    before = [
        item for one in scene.layouts for item in one.items
        if item.name in drawn and item.treatment.family == "curtain"
    ]  # fmt: skip
    for patch in scene.patches:
        points, normal = faces_of(room.mesh, patch.name)
        if "glass" not in patch.material or normal is None or abs(normal[2]) > _UPRIGHT:
            continue
        here = next((g for g in room.grounds if g.name == patch.on), None)
        if here is None:
            continue
        named = next((i for i in before if i.on == patch.on), None)
        inside = here.shape.buffer(-APART_M, join_style="mitre")
        flat = here.frame.to_plane(points)
        low, high = flat.min(axis=0) - _BESIDE_M, flat.max(axis=0) + _BESIDE_M
        x0, y0, x1, y1 = inside.bounds
        low, high = np.maximum(low, [x0, y0]), np.minimum(high, [x1, y1])
        size = tuple(round(math.floor(s / _STEP_M) * _STEP_M, 3) for s in (high - low).tolist())
        corners = low + np.array([[0, 0], [1, 0], [1, 1], [0, 1]]) * np.array(size)
        placed = _measured(room, patch.on, here.frame.to_space(corners), (size[0], size[1]))
        if placed is None:
            continue
        options: list[Option] = []
        for treatment in scene.treatments.values():
            if treatment.family == "curtain" and treatment.goods:
                item = replace(
                    placed.item, name=named.name if named else placed.item.name,
                    treatment=treatment, depth_m=treatment.depth_m,
                )  # fmt: skip
                options += _allowed(room, item, True)
        yield placed.footprint_m, options


def _rugs(room: _Room) -> _Tried:
    """Try rugs on level floors; they may lie under things and in passages."""
    scene = room.scene
    floors = [g.name for g in room.grounds if g.frame.normal[2] > 1.0 - 1e-9]
    free = replace(scene, zones=tuple(z for z in scene.zones if z.kind == "escape"))
    sizes = [s for size in RUGS_M for s in (size, size[::-1])]
    sites = sites_of(free, room.mesh, sizes, depth_m=0.01, pitch_m=0.2, surfaces=floors)
    for site in sites[:2]:
        placed = _measured(room, site.on, site.outline_m, site.size_m)
        rugs = [t for t in scene.treatments.values() if t.family == "rug" and t.goods]
        if placed is not None:
            items = [replace(placed.item, treatment=t, depth_m=0.0) for t in rugs]
            yield placed.footprint_m, [o for i in items for o in _allowed(room, i, False)]


#: Stands for any flat piece where only its place matters.
_ANY: Final = Treatment(
    "any", "cover", "", None, None, None, 0.0, False, (), ("standing",), "", (), True
)


def _measured(
    room: _Room, on: str, outline_m: Float, size_m: tuple[float, float]
) -> Placed | None:
    """Give a rectangle as an item that is measured from two surfaces, in whole centimetres."""
    here = next(
        (
            g for g in room.grounds
            if g.name == on and np.abs(g.frame.distance_m(outline_m)).max() < ON_PLANE_M
        ),
        None,
    )  # fmt: skip
    if here is None:
        return None
    flat = here.frame.to_plane(outline_m)
    seams = [s for g in room.grounds if (s := seam(here, g)) is not None and s.is_inner]
    off_m = {id(s): float((flat @ s.inward).min()) - s.offset_m for s in seams}
    # from the nearest surfaces, the floor before all others
    seams = [s for s in seams if off_m[id(s)] > -1e-6]
    seams.sort(key=lambda s: (s.to.frame.normal[2] < 1.0 - 1e-9, off_m[id(s)]))
    across = [
        (a, b)
        for a, b in combinations(seams, 2)
        if abs(a.inward[0] * b.inward[1] - a.inward[1] * b.inward[0]) > 1.0 - 1e-6
        and a.to.name != b.to.name
    ]
    for a, b in across:
        from_m = tuple(
            (s.to.name, round(round(off_m[id(s)] / _STEP_M) * _STEP_M, 3)) for s in (a, b)
        )
        item = Item("piece", _ANY, on, from_m, size_m)
        piece = piece_of(item, room.bare, room.grounds, [])
        if piece is None:
            continue
        moved = np.abs(piece.placed.footprint_m.mean(axis=0) - outline_m.mean(axis=0)).max()
        if moved < _STEP_M:
            return piece.placed
    return None


def _allowed(
    room: _Room, item: Item, is_wall: bool, gaps_m: Sequence[float] = (0.0,)
) -> Iterator[Option]:
    """Give an item as an option, by the first fixing and gap that nothing forbids; or none."""
    scene, rules = room.scene, replace(room.scene.rules, budget=None)
    for fixing in item.treatment.fixings:
        if fixing == "standing" and not is_wall:
            continue  # a rail stands before a wall alone
        for gap_m in gaps_m:
            tried = replace(item, gap_m=gap_m, fixing=fixing)
            piece = piece_of(tried, room.bare, room.grounds, [])
            if piece is None or not _is_free(room, piece.placed):
                continue
            counted = bill([tried], room.prices)
            told = findings(
                replace(scene, rules=rules), room.mesh, Layout("", "", (tried,)),
                [piece.placed], counted, room.kept, [],
            )  # fmt: skip
            overhead = rules.nothing_overhead and piece.placed.overhead
            if overhead or any(f.kind == "forbidden" for f in told):
                continue
            materials = tuple(
                _front(room, tried, facet.material)
                for facet in _under(room, piece.placed.footprint_m)
            )
            if materials:
                yield Option(tried, piece.placed, counted.total, materials, told)
                return


def _is_free(room: _Room, placed: Placed) -> bool:
    """Tell if a body meets no thing and holds no source or receiver."""
    if placed.volume_m3 == 0.0:
        return True
    body, scene = body_m(placed), room.scene
    points = [s.position_m[None] for s in scene.sources]
    points += [r.position_m[None] for r in scene.receivers]
    others = [faces_of(room.mesh, thing.name)[0] for thing in scene.things]
    return not any(_meet(body, other) for other in (*points, *others) if len(other))


def _front(room: _Room, item: Item, behind: str) -> Material:
    """Give what an item's front does to sound before some material, made once each."""
    key = (item.treatment.name, item.gap_m, behind)
    if key not in room.known:
        scene = room.scene
        room.known[key] = front_material(
            item.treatment, item.gap_m, scene.materials[behind], scene.bands, scene.air,
            scene.materials,
        )  # fmt: skip
    return room.known[key]


def conflicts(options: Sequence[tuple[int, Option]]) -> frozenset[tuple[int, int]]:
    """Give which two options of different spots cannot be together, as pairs of numbers.

    Parameters
    ----------
    options : sequence of (int, Option)
        Each with the number of its spot.
    """
    return frozenset(
        (i, j)
        for (i, (s, a)), (j, (t, b)) in combinations(enumerate(options), 2)
        if s != t and clash(a, b)
    )
