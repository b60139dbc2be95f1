"""What a set of items takes to build: goods with quantities, packs, prices and mass.

Quantities follow from the size of each piece  (T2) (T3); a spare share is added to what
is sold by length, area or volume, and packs are rounded up. Money is low, likely and high
in the one currency of the price file; mass is that of what is put up, without the spare.
The price of a layout is that of its quantities; what is left of packs is told apart.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

from raysim.errors import Complaint, SceneError
from raysim.scene.plan import Amount, Good, Item, Prices, Treatment
from raysim.scene.table import nearest

#: Cloth that is turned in and stapled at the back, metres; common practice, no source.
TURNED_IN_M = 0.05
#: A packs' count this little above a whole number is that number: rounding of sums.
_PACK_WITHIN = 1e-9


@dataclass(frozen=True, slots=True)
class Money:
    """An amount of money: low, likely, high."""

    low: float
    likely: float
    high: float

    def __add__(self, other: "Money") -> "Money":
        return Money(self.low + other.low, self.likely + other.likely, self.high + other.high)


NOTHING = Money(0.0, 0.0, 0.0)


@dataclass(frozen=True, slots=True)
class GoodLine:
    """One good of the shopping list."""

    good: Good
    quantity: float  # what goes into the items, in units of the good
    with_spare: float
    n_pack: int
    cost: Money  # of ``quantity``
    to_buy: Money  # of whole packs

    @property
    def bought(self) -> float:
        """Units in the whole packs."""
        return self.n_pack * self.good.pack


@dataclass(frozen=True, slots=True)
class ItemLine:
    """What one item costs and weighs."""

    item: Item
    n_piece: int
    cost: Money
    mass_kg: float

    @property
    def piece_kg(self) -> float:
        """Mass of one of its pieces: what hangs on one set of fixings."""
        return self.mass_kg / self.n_piece


@dataclass(frozen=True, slots=True)
class Bill:
    """All goods and items of a layout."""

    goods: tuple[GoodLine, ...]  # in the order in which items first need them
    items: tuple[ItemLine, ...]
    price: Money  # of the quantities
    to_buy: Money  # of whole packs, with spare
    spare: float  # share
    currency: str  # "" if nothing is bought
    dates: tuple[str, ...]  # when prices were taken down
    sources: tuple[str, ...]

    @property
    def total(self) -> float:
        """The likely price of the quantities, which budgets are held against."""
        return self.price.likely

    @property
    def total_kg(self) -> float:
        """Mass of all items."""
        return sum(line.mass_kg for line in self.items)

    def cost(self, item: str) -> float:
        """Give the likely price of one item's quantities, by its name."""
        return self._line(item).cost.likely

    def mass_kg(self, item: str) -> float:
        """Give the mass of all pieces of one item, by its name."""
        return self._line(item).mass_kg

    def _line(self, item: str) -> ItemLine:
        return next(line for line in self.items if line.item.name == item)


def bill(items: Sequence[Item], prices: Prices, spare: float = 0.10) -> Bill:
    """Count what items take.

    Parameters
    ----------
    items : sequence of Item
    prices : Prices
    spare : float
        Share added to what is sold by length, area or volume; 0.10 is common practice.

    Returns
    -------
    Bill

    Raises
    ------
    SceneError
        RS-T04: no price file has a good. RS-T07: goods are in several currencies.
    """
    quantity: dict[str, float] = {}
    lines, complaints = [], []
    for item in items:
        cost, mass_kg = NOTHING, 0.0
        for amount in item.treatment.goods:
            good = prices.goods.get(amount.good)
            if good is None:
                wrong = f'no price file has "{amount.good}", of "{item.treatment.name}".'
                fix = nearest(amount.good, prices.goods)
                complaints.append(Complaint(str(item.place), wrong, fix, "RS-T04"))
                continue
            n_unit = units_of(amount, item, good)
            quantity[good.name] = quantity.get(good.name, 0.0) + n_unit
            cost += _cost(good, n_unit)
            mass_kg += good.mass_kg * n_unit
        lines.append(ItemLine(item, item.n_piece, cost, mass_kg))
    used = [prices.goods[name] for name in quantity]
    complaints += _mixed_currencies(used)
    if complaints:
        raise SceneError(dict.fromkeys(complaints))
    goods = tuple(_good_line(good, quantity[good.name], spare) for good in used)
    return Bill(
        goods=goods,
        items=tuple(lines),
        price=sum((line.cost for line in goods), NOTHING),
        to_buy=sum((line.to_buy for line in goods), NOTHING),
        spare=spare,
        currency=used[0].currency if used else "",
        dates=tuple(dict.fromkeys(good.date for good in used)),
        sources=tuple(dict.fromkeys(good.source for good in used)),
    )


def price_of_one(treatment: Treatment, prices: Prices) -> Money | None:
    """Give the price of one piece of a treatment; None if its size is not settled."""
    if treatment.size_m is None:
        return None
    one = Item(treatment.name, treatment, "", (), treatment.size_m, depth_m=treatment.depth_m)
    return bill([one], prices).price


def piece_size_m(item: Item) -> tuple[float, float]:
    """Give the width and height of one piece of an item."""
    return item.size_m[0] / item.count[0], item.size_m[1] / item.count[1]


def units_of(amount: Amount, item: Item, good: Good) -> float:
    """Give how many units of a good an item takes  (T2) (T3).

    Parameters
    ----------
    amount : Amount
    item : Item
    good : Good
        Its thickness counts where boards are butted.

    Returns
    -------
    float
        Pieces, m, m2 or m3.
    """
    width_m, height_m = piece_size_m(item)
    depth_m, n = item.depth_m, item.n_piece
    board = board_m(width_m, height_m, (good.board_mm or (0.0, 0.0))[0] / 1000.0)
    one = {
        "piece": 1.0,
        "m": width_m,
        "m2": width_m * height_m,
        "m3": width_m * height_m * depth_m,
        "frame m": 2.0 * (board[0] + board[1]),
        "cover m2": cover_m2(width_m, height_m, depth_m, item.treatment.two_sided),
    }
    return amount.quantity * n * one[amount.per]


def board_m(width_m: float, height_m: float, thick_m: float) -> tuple[float, float]:
    """Give the longer and the shorter boards of a frame, butted at the corners  (T2).

    Parameters
    ----------
    width_m, height_m : float
        Of the frame, outside.
    thick_m : float
        Of the board.

    Returns
    -------
    (float, float)
        Metres of one long and of one short board; a frame has two of each.

    Examples
    --------
    >>> [round(length, 3) for length in board_m(1.2, 0.6, 0.018)]
    [1.2, 0.564]
    """
    long, short = max(width_m, height_m), min(width_m, height_m)
    return long, max(0.0, short - 2.0 * thick_m)


def cover_m2(width_m: float, height_m: float, depth_m: float, two_sided: bool) -> float:
    """Give the cloth that covers a piece, turned in at the back  (T3).

    Of two sides, each cloth goes round half the depth.
    """
    n_cloth, deep_m = (2, 0.5 * depth_m) if two_sided else (1, depth_m)
    more_m = 2.0 * (deep_m + TURNED_IN_M)
    return n_cloth * (width_m + more_m) * (height_m + more_m)


def _cost(good: Good, n_unit: float) -> Money:
    low, likely, high = good.price
    return Money(low * n_unit, likely * n_unit, high * n_unit)


def _good_line(good: Good, quantity: float, spare: float) -> GoodLine:
    is_counted = good.unit == "piece"
    with_spare = quantity * (1.0 if is_counted else 1.0 + spare)
    n_pack = math.ceil(with_spare / good.pack - _PACK_WITHIN)
    cost, to_buy = _cost(good, quantity), _cost(good, n_pack * good.pack)
    return GoodLine(good, quantity, with_spare, n_pack, cost, to_buy)


def _mixed_currencies(used: Sequence[Good]) -> list[Complaint]:
    currencies = list(dict.fromkeys(good.currency for good in used))
    if len(currencies) < 2:
        return []
    other = [good for good in used if good.currency != currencies[0]]
    names = ", ".join(f'"{good.name}"' for good in other[:6])
    wrong = f"some prices are in {currencies[0]} and those of {names} in {other[0].currency}."
    fix = "Give all goods that are used in one currency, in your price file; we convert none."
    return [Complaint(str(other[0].place), wrong, fix, "RS-T07")]
