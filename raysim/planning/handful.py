"""A few layouts of all that a search judged: they may be built, and they differ.

The nearest to the aim, one that is as near for less, one of other pieces or places, one for
half of the money, and some with pieces that stand in the room, each with its bill, what
speaks against it, and a promise with its error. Theory: DEVELOPERS.md, P5.
"""

import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import islice
from typing import Final

import numpy as np

from raysim.compare.figures import OCTAVES
from raysim.errors import Complaint
from raysim.geometry.build import collect_room
from raysim.geometry.furnish import furnish, placed_items
from raysim.geometry.mesh import RoomMesh
from raysim.planning.bill import Bill, bill
from raysim.planning.bodies import screens, stacks
from raysim.planning.checks import Finding, findings
from raysim.planning.clearance import kept_clear
from raysim.planning.decay import decay_of
from raysim.planning.objective import Parts, octaves_of
from raysim.planning.reach import ground_of, out_of_reach
from raysim.planning.search import Bounds, Choice, differing
from raysim.planning.spots import Option, clash
from raysim.planning.trial import Trial
from raysim.propagation.room import tabulate_sides
from raysim.scene.model import Scene
from raysim.scene.plan import Item, Layout, Prices
from raysim.study import AS_DESCRIBED
from raysim.units import Float

#: Share of T30 that flat pieces are taken to miss bodies by: a choice that what was
#: measured bears out (P5).
FLAT_SHARE: Final = 0.10
#: Standard errors within which a promise is kept.
_SIGMAS: Final = 2.0
#: Layouts that spend less than this share of their money alike are different.
_ALIKE: Final = 0.5
#: One just-noticeable step: what costs less and comes so near is as good.
_AS_GOOD: Final = 1.0
#: No more suggestions than these, of which one may have bodies, and no more tries for each.
_MOST: Final = 5
_TRIED: Final = 20
_OCTAVE_HZ: Final = np.array([f for _, f in OCTAVES])


@dataclass(frozen=True, slots=True, eq=False)
class Judged:
    """One layout on the scale of its use."""

    layout: Layout | None  # None: the room as described
    why: str  # what it was chosen for; empty: the scene's own
    bill: Bill
    findings: tuple[Finding, ...]
    promised: Parts | None
    promised_error_s: Float  # (8,) of T30, what rays and flat pieces leave
    bodies: tuple[str, ...] = ()  # items that were promised by Eyring's formula alone
    confirmed: Parts | None = None
    confirmed_error_s: Float | None = None  # (8,)
    group: int = 0  # layouts of one group cannot be told apart; 0: not simulated

    @property
    def name(self) -> str:
        """What it goes by."""
        return AS_DESCRIBED if self.layout is None else self.layout.name

    @property
    def is_forbidden(self) -> bool:
        """Whether a rule or a usual distance is broken."""
        return any(f.kind == "forbidden" for f in self.findings)

    def missed(self, lowest_hz: float) -> tuple[str, ...]:
        """Give the octaves in which T30 came otherwise than promised."""
        if self.promised is None or self.confirmed is None:
            return ()
        promised, came = np.array(self.promised.t30_s), np.array(self.confirmed.t30_s)
        error_s = np.zeros(8) if self.confirmed_error_s is None else self.confirmed_error_s
        least_s = _SIGMAS * np.hypot(self.promised_error_s, np.nan_to_num(error_s))
        off = (np.abs(promised - came) > least_s) & (lowest_hz <= _OCTAVE_HZ)
        return tuple(label for (label, _), o in zip(OCTAVES, off, strict=True) if o)


def handful(
    scene: Scene,
    mesh: RoomMesh,
    prices: Prices,
    trial: Trial,
    bounds: Bounds,
    found: Mapping[Choice, float],
) -> list[Judged]:
    """Choose a few layouts that may be built and differ from each other.

    Parameters
    ----------
    scene : Scene
        As described, the budget among its rules.
    mesh : RoomMesh
        Its room.
    prices : Prices
    trial : Trial
    bounds : Bounds
    found : mapping of Choice to float
        What a search gave.

    Returns
    -------
    list of Judged
        The nearest to the aim first; with bodies last.
    """
    taken = _Names(scene)
    nothing = found[frozenset()]

    def order(choice: Choice) -> tuple[float, float, list[int]]:
        return found[choice], bounds.price_of(choice), sorted(choice)

    ranked = sorted((c for c in found if c and found[c] < nothing), key=order)
    kept: list[Choice] = []
    judged: list[Judged] = []
    for why, find in _WANTED:
        for choice in islice(find(ranked, found, bounds, kept), _TRIED):
            one = None
            if choice not in kept:
                one = _judged(scene, mesh, prices, trial, taken, choice, (), why)
            if one is not None:
                kept.append(choice)
                judged.append(one)
            if one is not None or choice in kept:
                break
    solid = []
    for what, find_bodies in _BODIES if judged else ():
        bodies = find_bodies(scene, mesh, prices, 0.5 * bounds.budget)
        left = bounds.budget - math.fsum(o.price for o in bodies)
        flat = next(
            (
                c for c in ranked
                if bounds.price_of(c) <= left
                and not any(clash(trial.options[i][1], b) for i in c for b in bodies)
            ),
            None,
        )  # fmt: skip
        if bodies and flat is not None:
            why = f"with {what}, which rays cannot try out flat"
            one = _judged(scene, mesh, prices, trial, taken, flat, bodies, why)
            solid += [] if one is None else [one]
    solid.sort(key=lambda one: math.inf if one.promised is None else one.promised.total)
    return [taken.named(one) for one in (*judged, *solid[: max(1, _MOST - len(judged))])]


#: Gives layouts in the order in which they are wanted: of those judged, ranked, with what
#: each came to, and of those kept so far.
_Find = Callable[
    [Sequence[Choice], Mapping[Choice, float], Bounds, Sequence[Choice]], Iterable[Choice]
]


def _nearest(
    ranked: Sequence[Choice], _found: Mapping[Choice, float], _bounds: Bounds, _kept: object
) -> Iterable[Choice]:
    return ranked


def _as_good(
    ranked: Sequence[Choice],
    found: Mapping[Choice, float],
    bounds: Bounds,
    kept: Sequence[Choice],
) -> Iterable[Choice]:
    if not kept:
        return []
    best = kept[0]
    near = [c for c in ranked if found[c] <= found[best] + _AS_GOOD]
    return sorted(
        (c for c in near if bounds.price_of(c) < bounds.price_of(best)), key=bounds.price_of
    )


def _other(
    ranked: Sequence[Choice],
    found: Mapping[Choice, float],
    bounds: Bounds,
    kept: Sequence[Choice],
) -> Iterable[Choice]:
    if not kept:
        return []
    half_way = 0.5 * (found[frozenset()] + found[ranked[0]])
    return (c for c in differing(found, bounds, kept, _ALIKE) if found[c] < half_way)


def _half_price(
    ranked: Sequence[Choice], _found: Mapping[Choice, float], bounds: Bounds, _kept: object
) -> Iterable[Choice]:
    return (c for c in ranked if bounds.price_of(c) <= 0.5 * bounds.budget)


_BODIES: Final = (("corner stacks", stacks), ("screens", screens))
_WANTED: Final[tuple[tuple[str, _Find], ...]] = (
    ("the nearest that was found", _nearest),
    ("as near within one step, for less", _as_good),
    ("most of its money in other pieces or places", _other),
    ("the nearest for half of the money", _half_price),
)


class _Names:
    """Names that are free in a scene, for layouts and items."""

    def __init__(self, scene: Scene) -> None:
        self.layouts = {one.name for one in scene.layouts}
        self.parts = {p.name for p in scene.patches} | {t.name for t in scene.things}
        self.parts |= {f.surface for f in scene.finishes}
        self.drawn = {name for state in scene.states for name in state.drawn_aside}
        self.n = 0

    def named(self, one: Judged) -> Judged:
        """Give a layout with the next free name."""
        self.n += 1
        while f"suggested {self.n}" in self.layouts:
            self.n += 1
        layout = one.layout and replace(one.layout, name=f"suggested {self.n}")
        return replace(one, layout=layout)

    def items(self, items: Sequence[Item]) -> tuple[Item, ...]:
        """Give items names of their own: M1, M2 ...; curtains that states draw keep theirs."""
        named, n = [], 0
        for item in items:
            if item.name not in self.drawn:
                n += 1
                while f"M{n}" in self.parts | self.drawn:
                    n += 1
                named.append(replace(item, name=f"M{n}"))
            else:
                named.append(item)
        return tuple(named)


def _judged(
    scene: Scene,
    mesh: RoomMesh,
    prices: Prices,
    trial: Trial,
    taken: _Names,
    choice: Choice,
    bodies: Sequence[Option],
    why: str,
) -> Judged | None:
    """Give a layout with its promise, or None if it may not be built."""
    flat = [trial.options[i][1].item for i in sorted(choice)]
    items = taken.items([*flat, *(o.item for o in bodies)])
    about = f"Suggested: {why}."
    layout = Layout("suggested", about, items)
    complaints: list[Complaint] = []
    furnished = furnish(scene, layout, None, complaints, [])
    room = None if complaints else collect_room(furnished, complaints, [])
    if room is None or complaints:
        return None
    counted, told = _checked(scene, mesh, prices, layout, furnished)
    if any(f.kind == "forbidden" for f in told):
        return None
    ((parts, error_s),) = trial.judged_with_errors([choice])
    if bodies:
        parts = _with_bodies(scene, trial, parts, items[: len(flat)], furnished, room)
    error_s = np.hypot(error_s, FLAT_SHARE * np.array(parts.t30_s))
    names = tuple(item.name for item in items[len(flat) :])
    return Judged(layout, why, counted, told, parts, error_s, names)


def _with_bodies(
    scene: Scene, trial: Trial, parts: Parts, flat: Sequence[Item], full: Scene, room: RoomMesh
) -> Parts:
    """Scale a promise by what Eyring's formula makes of what stands in the room  (P5)."""
    half = furnish(scene, Layout("", "", tuple(flat)), None, [], [])
    half_room = collect_room(half, [], [])
    if half_room is None:
        return parts
    before = decay_of(half, half_room, tabulate_sides(half, half_room)).likely_s
    after = decay_of(full, room, tabulate_sides(full, room)).likely_s
    scale = octaves_of(after / before, scene.bands)
    t30_s = np.array(parts.t30_s) * scale
    judge = trial.judge
    return replace(
        parts,
        t30_s=tuple(t30_s.tolist()),
        edt_mid_s=parts.edt_mid_s * float(scale[3:5].mean()),
        decay=judge.decay_steps(t30_s),
        balance=judge.balance_steps(t30_s),
    )


def _checked(
    scene: Scene, mesh: RoomMesh, prices: Prices, layout: Layout, furnished: Scene
) -> tuple[Bill, tuple[Finding, ...]]:
    """Count a layout's goods and say what speaks against it."""
    counted = bill(layout.items, prices)
    kept = kept_clear(scene, mesh)
    told = findings(
        scene, mesh, layout, placed_items(scene, layout, []), counted, kept,
        out_of_reach(ground_of(scene, kept), furnished),
    )  # fmt: skip
    return counted, told


def own_layouts(scene: Scene, mesh: RoomMesh, prices: Prices) -> list[Judged]:
    """Give the scene's own layouts that the budget allows."""
    found = []
    for layout in scene.layouts:
        complaints: list[Complaint] = []
        furnished = furnish(scene, layout, None, complaints, [])
        if complaints or bill(layout.items, prices).total > (scene.rules.budget or 0.0):
            continue
        counted, told = _checked(scene, mesh, prices, layout, furnished)
        found.append(Judged(layout, "", counted, told, None, np.full(8, np.nan)))
    return found
