"""What goods cost and weigh: the price file that comes along, and a user's own.

A price is low, likely and high for one unit, in one currency, with the date and the
source it was taken from. A user's file has the same form and its goods replace those of
the same name. Prices that come along are assumptions for planning, not offers.
"""

from collections.abc import Collection
from functools import cache
from pathlib import Path

from raysim.errors import Complaint
from raysim.scene.plan import Good, Prices
from raysim.scene.table import Table, nearest
from raysim.scene.toml_file import read_table

PRICES_PATH = Path(__file__).with_name("prices.toml")

UNITS = ("m", "m2", "m3", "piece")

_MOST = 1e6


def stock_prices() -> Prices:
    """Give the prices that come along.

    Examples
    --------
    >>> stock_prices().goods["wool_100"].unit
    'm2'
    """
    return Prices(dict(_stock()))


@cache
def _stock() -> dict[str, Good]:
    complaints: list[Complaint] = []
    goods = _read_goods(PRICES_PATH, complaints)
    if complaints:  # our own file, so not a user's mistake
        raise RuntimeError("\n".join(map(str, complaints)))
    return goods


def read_prices(path: Path, complaints: list[Complaint], needed: Collection[str]) -> Prices:
    """Read a user's price file over the one that comes along.

    Parameters
    ----------
    path : pathlib.Path
    complaints : list of Complaint
        Grows by every mistake in the file.
    needed : collection of str
        Goods that treatments need: the file may give these besides the stock's.

    Returns
    -------
    Prices
        With the file's goods as far as they can be read.
    """
    stock = _stock()
    own = _read_goods(path, complaints)
    known = {*stock, *needed}
    for name, good in own.items():
        if name not in known:
            wrong = f'no treatment is made of "{name}".'
            complaints.append(Complaint(str(good.place), wrong, nearest(name, known), "RS-T04"))
    return Prices({**stock, **own})


def _read_goods(path: Path, complaints: list[Complaint]) -> dict[str, Good]:
    found = read_table(path, complaints)
    if found is None:
        return {}
    outer = found[0]
    currency = outer.text("currency", required=True) or ""
    date = outer.text("date", required=True) or ""
    source = outer.text("source", required=True) or ""
    inside = outer.table("good", required=True)
    goods: dict[str, Good] = {}
    for name in inside or ():
        entry = inside.table(name) if inside is not None else None
        if inside is None or entry is None or not inside.check_name(name, name):
            continue
        good = _read_good(name, entry, currency, date, source)
        if good is not None:
            goods[name] = good
    outer.close()
    return goods


def _read_good(name: str, entry: Table, currency: str, date: str, source: str) -> Good | None:
    """Read one ``[good.NAME]``; currency, date and source are the file's."""
    about = entry.text("about", required=True)
    unit = entry.word("unit", UNITS, required=True)
    price = _read_price(entry)
    pack = entry.number("pack", 1e-3, _MOST, f"({unit or 'units'} that are sold together)")
    mass_kg = entry.number("mass_kg", 0.0, 1e4, "kg for one unit")
    board = entry.numbers("board_mm", 2, 3.0, 1000.0)
    date, source = entry.text("date") or date, entry.text("source") or source
    fire, handling = entry.text("fire") or "", entry.text("handling") or ""
    entry.close()
    if board is not None and unit != "m":
        wrong = f'"board_mm" belongs to what is sold by the metre, not by "{unit}".'
        entry.complain("board_mm", wrong, 'Give unit = "m", or drop it.', "RS-T06")
    if about is None or unit is None or price is None:
        return None
    return Good(
        name, about, unit, price, currency, date, source,
        pack=1.0 if pack is None else pack,
        mass_kg=mass_kg or 0.0,
        board_mm=None if board is None else (board[0], board[1]),
        fire=fire, handling=handling, place=entry.place(),
    )  # fmt: skip


def _read_price(entry: Table) -> tuple[float, float, float] | None:
    """Give low, likely and high; one number is all three."""
    if entry.holds_number("price"):
        one = entry.number("price", 0.0, _MOST)
        return None if one is None else (one, one, one)
    row = entry.numbers("price", 3, 0.0, _MOST, required=True)
    if row is None:
        return None
    low, likely, high = row
    if not low <= likely <= high:
        wrong = f"the likely price {likely:g} is not between {low:g} and {high:g}."
        entry.complain("price", wrong, "Give low, likely, high in this order.", "RS-T06")
        return None
    return low, likely, high
