"""What money buys: layouts by price, and those that cost more and come no nearer an aim.

Theory: DEVELOPERS.md, C5. A layout is nearer than another if it is so by at least one
just-noticeable step and for certain; prices are compared as they likely are.
"""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from raysim.compare.jnd import audibility, least_factor
from raysim.compare.targets import Reached


@dataclass(frozen=True, slots=True)
class Price:
    """What a layout costs, in the money of the price file."""

    low: float
    likely: float
    high: float


@dataclass(frozen=True, slots=True)
class FrontLine:
    """One layout between price and aim."""

    layout: str
    price: Price
    steps: float  # beyond the aim
    error: float
    is_on_front: bool
    #: on the front, costs no more, and nothing tells for certain that this one is nearer
    instead: str = ""
    is_worse: bool = False  # the other is nearer for certain, not only cheaper


@dataclass(frozen=True, slots=True)
class Front:
    """All layouts with a price, from the cheapest on."""

    use: str
    lines: tuple[FrontLine, ...]
    factor: float  # standard errors that a difference must exceed

    @property
    def best(self) -> tuple[FrontLine, ...]:
        """Those that are worth their money; each is nearer than all cheaper of them."""
        return tuple(line for line in self.lines if line.is_on_front)


def is_nearer(reached: Reached, first: str, other: str, factor: float) -> bool:
    """Tell if one layout comes nearer an aim than another, for certain and to the ear."""
    gain, error = reached.less(first, other)
    heard = audibility(np.array([gain]), np.array([error]), factor)[0]
    return gain > 0.0 and bool(heard >= 1.0)


def front(
    reached: Reached, prices: Mapping[str, Price], states: Mapping[str, str] | None = None
) -> Front:
    """Find which layouts are worth their money  (C5).

    Parameters
    ----------
    reached : Reached
    prices : dict of str to Price
        By layout; those without one are left out.
    states : dict of str to str, optional
        By layout, the state of the room it is in: only those of one state are held against
        each other. All are of one otherwise.

    Returns
    -------
    Front
    """
    names = [n for n in reached.layouts if n in prices and np.isfinite(reached.of(n))]
    names.sort(key=lambda n: (prices[n].likely, reached.of(n)))
    n_batch = min((0 if w is None else len(w) for w in reached.without), default=0)
    state_of = states or {}
    rivals_of = {n: [k for k in names if state_of.get(k) == state_of.get(n)] for n in names}
    n_looked = sum(len(rivals) - 1 for rivals in rivals_of.values()) // 2
    factor = least_factor(n_looked, n_batch)
    error = dict(zip(reached.layouts, reached.error.tolist(), strict=True))
    kept: list[str] = []
    lines = []
    for name in names:
        rivals = [
            k for k in kept if k in rivals_of[name] and not is_nearer(reached, name, k, factor)
        ]
        # of those that spare the money, the one that comes nearest
        instead = min(rivals, key=reached.of, default="")
        if not rivals:
            kept.append(name)
        worse = bool(rivals) and is_nearer(reached, instead, name, factor)
        lines.append(
            FrontLine(
                name, prices[name], reached.of(name), error[name], not rivals, instead, worse
            )
        )
    return Front(reached.aim.use, tuple(lines), factor)
