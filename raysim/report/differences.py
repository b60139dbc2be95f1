"""How the layouts of one result file differ from the first of them, with errors.

All layouts of a file are traced with the same seed, so that they share much of their
chance: a difference is better known than the two numbers it is between. Only pairs and
bands that both layouts have a number for count, so that like is compared with like.
"""

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from raysim.measures.pair import spread
from raysim.report.facts import LayoutFacts, RoomFacts
from raysim.report.pairs import Arrival, PairFacts, mean_of, within
from raysim.scene.model import Bands
from raysim.units import Float


@dataclass(frozen=True, slots=True)
class Number:
    """A number and its standard error; both NaN where it could not be had."""

    value: float
    error: float


@dataclass(frozen=True, slots=True)
class Strongest:
    """The strongest early reflection of a layout, and the pair that hears it."""

    arrival: Arrival
    source: str
    receiver: str


@dataclass(frozen=True, slots=True)
class LayoutLine:
    """What is told of one layout beside the others."""

    name: str
    t30_mid_s: Number
    balance: Number  # T30 at 125 to 400 Hz over T30 at 2 kHz
    balance_is_hint: bool  # some of these bands lie below the transition frequency
    strongest: Strongest | None  # of the pairs in line of sight
    differences: dict[str, Number]  # from the first layout; empty for the first itself
    n_pair: int
    n_common: int  # pairs that the first layout has too


#: What is compared: name, values per band or single, what they are without each batch.
_Pick = Callable[[PairFacts], tuple[Float, Float | None]]


def _t30(pair: PairFacts) -> tuple[Float, Float | None]:
    return pair.room_decay.t30_s, pair.room_decay.without_s


def _c50(pair: PairFacts) -> tuple[Float, Float | None]:
    return pair.measures.c50_db, pair.measures.without.get("c50_db")


def _sti(pair: PairFacts) -> tuple[Float, Float | None]:
    without = pair.measures.without.get("sti")
    return np.array([pair.measures.sti]), None if without is None else without[:, None]


def layout_lines(room: RoomFacts, bands: Bands) -> tuple[LayoutLine, ...]:
    """Put the layouts of a result file beside each other.

    Parameters
    ----------
    room : RoomFacts
    bands : Bands

    Returns
    -------
    tuple of LayoutLine
        In the order of the layouts.
    """
    first = room.layouts[0]
    return tuple(_line(first, layout, bands) for layout in room.layouts)


def _line(first: LayoutFacts, layout: LayoutFacts, bands: Bands) -> LayoutLine:
    lows, highs = within(bands, 125.0, 400.0), within(bands, 2000.0, 2000.0)
    both = _common(first, layout)

    def balance(t30_s: Float) -> float:
        high = mean_of(t30_s, highs)
        return mean_of(t30_s, lows) / high if high > 0.0 else math.nan

    pairs = [(p, p) for p in layout.pairs]
    differences = {}
    if layout is not first:
        differences = {
            "t30_mid_s": _difference(both, _t30, lambda v: mean_of(v, bands.middle)),
            "c50_mid_db": _difference(both, _c50, lambda v: mean_of(v, bands.middle)),
            "sti": _difference(both, _sti, lambda v: float(v[0])),
        }
    return LayoutLine(
        name=layout.name,
        t30_mid_s=Number(layout.t30_mid_s, layout.t30_mid_error_s),
        balance=_joined(*_of_cells(pairs, 1, _t30, balance)),
        balance_is_hint=bool(layout.is_modal[lows].any()),
        strongest=_strongest(layout),
        differences=differences,
        n_pair=len(layout.pairs),
        n_common=len(both),
    )


def _common(first: LayoutFacts, other: LayoutFacts) -> list[tuple[PairFacts, PairFacts]]:
    """Give the pairs of the same source and receiver that both layouts have."""
    by_name = {(p.source, p.receiver): p for p in first.pairs}
    names = [((p.source, p.receiver), p) for p in other.pairs]
    return [(by_name[name], p) for name, p in names if name in by_name]


def _of_cells(
    both: list[tuple[PairFacts, PairFacts]],
    which: int,
    pick: _Pick,
    number: Callable[[Float], float],
) -> tuple[float, Float | None]:
    """Give a number read off the mean over pairs, and the same without each batch.

    Pairs and bands count where both layouts know them. The number is of layout
    ``which``, 0 or 1.
    """
    if not both:
        return math.nan, None
    known = np.stack([np.isfinite(pick(a)[0]) & np.isfinite(pick(b)[0]) for a, b in both])
    chosen = [pick(pair[which]) for pair in both]
    value = number(_mean_of_known(np.stack([v for v, _ in chosen]), known))
    each = [without for _, without in chosen if without is not None]
    if len(each) < len(chosen) or len({len(without) for without in each}) != 1:
        return value, None
    replicas = np.stack(each, axis=1)  # (n_batch, n_pair, n_band)
    return value, np.array([number(_mean_of_known(one, known)) for one in replicas])


def _mean_of_known(values: Float, known: NDArray[np.bool_]) -> Float:
    """Average over pairs, band by band; NaN where a band is known of none."""
    count = known.sum(axis=0)
    total = np.where(known, values, 0.0).sum(axis=0)
    return np.where(count > 0, total / np.maximum(count, 1), np.nan)


def _joined(value: float, without: Float | None) -> Number:
    return Number(value, math.nan if without is None else float(spread(without)))


def _difference(
    both: list[tuple[PairFacts, PairFacts]], pick: _Pick, number: Callable[[Float], float]
) -> Number:
    """Give other less first, and its error batch by batch  (M17)."""
    first, first_without = _of_cells(both, 0, pick, number)
    other, other_without = _of_cells(both, 1, pick, number)
    if first_without is None or other_without is None:
        return Number(other - first, math.nan)
    if len(first_without) == len(other_without):
        return _joined(other - first, other_without - first_without)
    apart = math.hypot(float(spread(first_without)), float(spread(other_without)))
    return Number(other - first, apart)


def _strongest(layout: LayoutFacts) -> Strongest | None:
    """Give the strongest early reflection of all pairs in line of sight."""
    found = [
        Strongest(pair.strongest, pair.source, pair.receiver)
        for pair in layout.pairs
        if pair.is_seen and pair.strongest is not None
    ]
    return max(found, key=lambda s: s.arrival.level_db, default=None)
