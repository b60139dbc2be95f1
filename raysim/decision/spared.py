"""What to leave out first, by formula, where a layout was not traced without each item.

Eyring's decay of the room without one item, held against the aim: a hint to choose by, since
the formula knows how much an item absorbs but not where it hangs.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from raysim.compare.leave_one_out import reduced
from raysim.compare.targets import Aim, beyond_steps
from raysim.errors import Complaint
from raysim.geometry.build import collect_room
from raysim.geometry.furnish import furnish
from raysim.planning.book import Plan
from raysim.planning.decay import Decay, decay_of
from raysim.propagation.room import tabulate_sides
from raysim.scene.model import Bands, Scene


@dataclass(frozen=True, slots=True)
class Spared:
    """One item of a layout, left out."""

    item: str
    lost_steps: float  # further from the aim without it; negative: nearer
    saved: float  # money
    mass_kg: float


def formula_steps(decay: Decay, aim: Aim, bands: Bands) -> float:
    """Give how many steps Eyring's decay lies beyond an aim, mean over its octaves."""
    where = [bands.labels.index(b.band) for b in aim.counted]
    return float(np.mean(beyond_steps(decay.likely_s[where], aim)))


def spared(scene: Scene, plan: Plan, aim: Aim) -> tuple[Spared, ...]:
    """Order the items of a layout by what to leave out first.

    Parameters
    ----------
    scene : Scene
        As described.
    plan : Plan
    aim : Aim

    Returns
    -------
    tuple of Spared
        What costs the fewest steps for the money it saves comes first; what saves none last.
    """
    whole = formula_steps(plan.decay, aim, scene.bands)
    found = []
    for item, layout in zip(plan.layout.items, reduced(plan.layout), strict=True):
        complaints: list[Complaint] = []
        furnished = furnish(scene, layout, None, complaints, [])
        mesh = collect_room(furnished, complaints, [])
        if mesh is None or complaints:  # what it leant on is gone
            continue
        decay = decay_of(furnished, mesh, tabulate_sides(furnished, mesh))
        lost = formula_steps(decay, aim, scene.bands) - whole
        bill = plan.bill
        found.append(Spared(item.name, lost, bill.cost(item.name), bill.mass_kg(item.name)))
    return in_order(found)


def in_order(found: Sequence[Spared]) -> tuple[Spared, ...]:
    """Sort by steps lost for the money saved.

    Examples
    --------
    >>> [s.item for s in in_order([Spared("a", 2.0, 10.0, 1.0), Spared("b", 0.0, 0.0, 1.0),
    ...                            Spared("c", 1.0, 10.0, 1.0)])]
    ['c', 'a', 'b']
    """

    def rank(one: Spared) -> float:
        return one.lost_steps / one.saved if one.saved > 0.0 else math.inf

    return tuple(sorted(found, key=rank))
