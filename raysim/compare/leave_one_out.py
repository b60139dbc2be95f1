"""What each item of a layout is worth: the layout without it, run and compared.

`reduced` lists the layouts to run; `worth` reads the answer off their results. Theory:
DEVELOPERS.md, C6. Items help each other, so the worths of all do not add up to that of the
layout: this is about the next thing to leave out, and is to be asked again after it.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from raysim.compare.front import Price
from raysim.compare.groups import Differences
from raysim.compare.jnd import audibility, least_factor
from raysim.compare.targets import Reached
from raysim.scene.plan import Layout

_WITHOUT = " without "


def reduced_name(layout: str, item: str) -> str:
    """Give what a layout is called without one of its items."""
    return f"{layout}{_WITHOUT}{item}"


def reduced(layout: Layout) -> tuple[Layout, ...]:
    """Give the layout without each of its items in turn: what is to be run.

    Parameters
    ----------
    layout : Layout

    Returns
    -------
    tuple of Layout
        Named by `reduced_name`; things that the layout moves out stay out.
    """
    return tuple(
        replace(
            layout,
            name=reduced_name(layout.name, item.name),
            about=f"To see what {item.name} is worth.",
            items=tuple(other for other in layout.items if other is not item),
        )
        for item in layout.items
    )


def with_reduced(layouts: Sequence[Layout]) -> tuple[Layout, ...]:
    """Give each layout and, after it, itself without each of its items.

    A layout that has the name of a reduced one stands for itself.
    """
    taken = {one.name for one in layouts}
    return tuple(
        one
        for layout in layouts
        for one in (layout, *(r for r in reduced(layout) if r.name not in taken))
    )


@dataclass(frozen=True, slots=True)
class Worth:
    """What one item is worth in its layout."""

    layout: str
    item: str
    lost_steps: float  # further from the aim without it; negative: nearer
    error: float
    is_heard: bool  # at least one just-noticeable step, and more than chance, either way
    saved: float | None  # money; None: not known
    steps_per_money: float | None  # lost per unit of money saved
    missed_by: tuple[str, ...]  # measures that tell the layout without it from the whole


def runs_without(stored: Mapping[str, tuple[str, str]]) -> dict[str, dict[str, str]]:
    """Find which stored layouts are others without one item.

    Parameters
    ----------
    stored : dict of str to (str, str)
        By the name results are stored under: the layout as the scene calls it, the state.

    Returns
    -------
    dict of str to dict of str to str
        By whole layout: item to the name that the run without it is stored under.

    Examples
    --------
    >>> runs_without({"C2": ("C2", ""), "C2 without L1": ("C2 without L1", "")})
    {'C2': {'L1': 'C2 without L1'}}
    """
    found: dict[str, dict[str, str]] = {}
    for whole, (layout, state) in stored.items():
        head = f"{layout}{_WITHOUT}"
        for name, (other, its_state) in stored.items():
            if layout and its_state == state and other.startswith(head):
                found.setdefault(whole, {})[other.removeprefix(head)] = name
    return found


def worth(
    found: Differences,
    aim: Reached,
    layout: str,
    runs: Mapping[str, str],
    prices: Mapping[str, Price] | None = None,
) -> tuple[Worth, ...]:
    """Order the items of a layout by what to drop first  (C6).

    Parameters
    ----------
    found : Differences
    aim : Reached
    layout : str
        The whole one.
    runs : dict of str to str
        By item: the layout without it.
    prices : dict of str to Price, optional
        By layout, reduced ones included.

    Returns
    -------
    tuple of Worth
        First what makes things worse; then what nobody would miss, the dearest first; then
        by what is lost per money saved. Without prices, by what is lost.
    """
    n_batch = min((0 if w is None else len(w) for w in aim.without), default=0)
    factor = least_factor(len(runs), n_batch)
    items = [
        _worth(found, aim, layout, item, name, prices or {}, factor)
        for item, name in runs.items()
    ]
    return tuple(sorted(items, key=_drop_order))


def _worth(
    found: Differences,
    aim: Reached,
    layout: str,
    item: str,
    name: str,
    prices: Mapping[str, Price],
    factor: float,
) -> Worth:
    lost, error = aim.less(layout, name)
    heard = audibility(np.array([lost]), np.array([error]), factor)[0] >= 1.0
    saved = None
    if layout in prices and name in prices:
        saved = prices[layout].likely - prices[name].likely
    told = found.distinguishable(layout, name)
    return Worth(
        layout=layout,
        item=item,
        lost_steps=lost,
        error=error,
        is_heard=bool(heard),
        saved=saved,
        steps_per_money=lost / saved if saved is not None and saved > 0.0 else None,
        missed_by=tuple(dict.fromkeys(d.quantity.measure for d in told)),
    )


def _drop_order(one: Worth) -> tuple[int, float]:
    """Give what to sort items by: what goes first comes first."""
    if math.isnan(one.lost_steps):
        return 3, 0.0
    if one.is_heard and one.lost_steps < 0.0:
        return 0, one.lost_steps
    if not one.is_heard:
        return 1, one.lost_steps if one.saved is None else -one.saved
    if one.saved is None:
        return 2, one.lost_steps
    return 2, math.inf if one.steps_per_money is None else one.steps_per_money
