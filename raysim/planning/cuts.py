"""Which boards to saw for framed pieces, and how they come out of the lengths that shops sell.

Lengths are metres. Boards are packed longest first into the first length with room, with
the saw's kerf between: a plain rule that wastes at most a small share more than the best
packing (Johnson and others, 1974: 11/9 of the best number; value from memory).
"""

from collections.abc import Sequence
from dataclasses import dataclass

from raysim.planning.bill import board_m, piece_size_m
from raysim.scene.plan import Good, Item, Prices

#: What the saw takes, metres; common practice, no source.
KERF_M = 0.003

MEASURE_FIRST = (
    "Measure your slabs first: they are often smaller than sold, and the frame is to fit them."
)

_WITHIN_M = 1e-9


@dataclass(frozen=True, slots=True)
class Cut:
    """So many boards of one length."""

    good: Good
    length_m: float
    n: int
    what: str  # "W1: side"


@dataclass(frozen=True, slots=True)
class Frame:
    """One kind of framed piece: its outside, and what is left inside for the slab."""

    item: Item
    n: int
    outside_m: tuple[float, float]
    inside_m: tuple[float, float]


@dataclass(frozen=True, slots=True)
class Length:
    """One bought length and what is sawn from it, in order."""

    good: Good
    stock_m: float
    cuts: tuple[Cut, ...]  # one board each
    left_m: float


@dataclass(frozen=True, slots=True)
class CutList:
    """All boards of the framed pieces among some items."""

    frames: tuple[Frame, ...]
    cuts: tuple[Cut, ...]
    lengths: tuple[Length, ...]
    too_long: tuple[Cut, ...]  # longer than the length that is sold: join, or buy longer
    note: str = MEASURE_FIRST


def cut_list(items: Sequence[Item], prices: Prices, kerf_m: float = KERF_M) -> CutList:
    """Give the boards to saw.

    Parameters
    ----------
    items : sequence of Item
    prices : Prices
        Of each board: its thickness, and as pack the length that is sold.
    kerf_m : float

    Returns
    -------
    CutList
        Boards that go round pieces; laths of slatted fronts and posts are not among them.
    """
    frames, cuts = [], []
    for item in items:
        for amount in item.treatment.goods:
            good = prices.goods.get(amount.good)
            if amount.per != "frame m" or good is None or good.board_mm is None:
                continue
            thick_m = good.board_mm[0] / 1000.0
            width_m, height_m = piece_size_m(item)
            n = round(amount.quantity) * item.n_piece
            long_m, short_m = board_m(width_m, height_m, thick_m)
            inside = (long_m - 2.0 * thick_m, short_m)
            frames.append(Frame(item, n, (long_m, short_m + 2.0 * thick_m), inside))
            cuts.append(Cut(good, long_m, 2 * n, f"{item.name}: long"))
            cuts.append(Cut(good, short_m, 2 * n, f"{item.name}: short"))
    too_long = tuple(c for c in cuts if c.length_m > c.good.pack + _WITHIN_M)
    lengths = _nest([c for c in cuts if c not in too_long], kerf_m)
    return CutList(tuple(frames), tuple(cuts), lengths, too_long)


def _nest(cuts: Sequence[Cut], kerf_m: float) -> tuple[Length, ...]:
    """Pack single boards into lengths: longest first, into the first with room."""
    single = [Cut(c.good, c.length_m, 1, c.what) for c in cuts for _ in range(c.n)]
    single.sort(key=lambda c: -c.length_m)
    open_: list[tuple[Good, list[Cut], float]] = []
    for cut in single:
        for i, (good, held, left_m) in enumerate(open_):
            if good == cut.good and cut.length_m + kerf_m <= left_m + _WITHIN_M:
                held.append(cut)
                open_[i] = (good, held, left_m - cut.length_m - kerf_m)
                break
        else:
            open_.append((cut.good, [cut], cut.good.pack - cut.length_m))
    return tuple(
        Length(good, good.pack, tuple(held), max(0.0, left_m)) for good, held, left_m in open_
    )
