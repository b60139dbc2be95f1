"""What a state of the room costs a layout: the same layout beside itself in that state.

A state is no choice of layout: windows are uncovered when they must be. So layouts are held
against each other within one state, and each layout against itself across states.
"""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from raysim.compare.groups import Differences
from raysim.compare.jnd import audibility, least_factor
from raysim.compare.targets import Reached


@dataclass(frozen=True, slots=True)
class Condition:
    """What a stored layout is: a layout of the scene, in a state of the room."""

    layout: str  # empty: as described
    state: str  # empty: as described


@dataclass(frozen=True, slots=True)
class StateCost:
    """What one state does to one layout, against one aim."""

    name: str  # stored
    usual: str  # stored, the same layout in its usual state
    layout: str
    state: str
    lost_steps: float  # further from the aim in this state; negative: nearer
    error: float
    is_heard: bool  # at least one just-noticeable step, and more than chance
    told_by: tuple[str, ...]  # measures that tell the two states apart


def by_state(conditions: Mapping[str, Condition]) -> dict[str, tuple[str, ...]]:
    """Give the stored names of each state, in their order.

    Examples
    --------
    >>> by_state({"a": Condition("a", ""), "a, open": Condition("a", "open"),
    ...           "b": Condition("b", "")})
    {'': ('a', 'b'), 'open': ('a, open',)}
    """
    found: dict[str, tuple[str, ...]] = {}
    for name, one in conditions.items():
        found[one.state] = (*found.get(one.state, ()), name)
    return found


def usual_of(conditions: Mapping[str, Condition]) -> dict[str, str]:
    """Give for each layout in a state the same layout in its usual one.

    The usual state is that of the room as described, or the first that was run.
    """
    first: dict[str, str] = {}
    for name, one in sorted(conditions.items(), key=lambda item: item[1].state != ""):
        first.setdefault(one.layout, name)
    return {n: first[one.layout] for n, one in conditions.items() if first[one.layout] != n}


def in_usual_state(conditions: Mapping[str, Condition]) -> tuple[str, ...]:
    """Give the stored names of layouts in their usual state, each layout once."""
    unusual = usual_of(conditions)
    return tuple(name for name in conditions if name not in unusual)


def looked_at(conditions: Mapping[str, Condition]) -> NDArray[np.bool_]:
    """Mark which stored layouts belong beside each other: of one state, or one layout."""
    each = list(conditions.values())
    return np.array([[a.state == b.state or a.layout == b.layout for b in each] for a in each])


def state_costs(
    found: Differences, reached: Reached, conditions: Mapping[str, Condition]
) -> tuple[StateCost, ...]:
    """Say what each state costs each layout  (C4).

    Parameters
    ----------
    found : Differences
    reached : Reached
    conditions : dict of str to Condition
        By stored name.

    Returns
    -------
    tuple of StateCost
        In the order of the layouts; empty where each was run in one state.
    """
    usual = usual_of(conditions)
    n_batch = min((0 if w is None else len(w) for w in reached.without), default=0)
    factor = least_factor(len(usual), n_batch)
    costs = []
    for name, plain in usual.items():
        lost, error = reached.less(plain, name)
        heard = audibility(np.array([lost]), np.array([error]), factor)[0] >= 1.0
        told = found.distinguishable(plain, name)
        costs.append(
            StateCost(
                name=name,
                usual=plain,
                layout=conditions[name].layout,
                state=conditions[name].state,
                lost_steps=lost,
                error=error,
                is_heard=bool(heard),
                told_by=tuple(dict.fromkeys(d.quantity.measure for d in told)),
            )
        )
    return tuple(costs)
