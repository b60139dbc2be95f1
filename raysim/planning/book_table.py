"""The layouts of a scene, and the catalogue of treatments, as tables for a terminal."""

import re
from collections.abc import Iterable
from dataclasses import replace
from typing import Final

from rich.box import SIMPLE
from rich.console import Group, RenderableType
from rich.table import Table
from rich.text import Text

from raysim.planning.bill import Money
from raysim.planning.book import Book
from raysim.planning.book_page import (
    WORDS,
    Sheet,
    goods_sheet,
    items_sheet,
    low_and_mid,
    price_in,
    sentence_of,
    verdict_of,
)
from raysim.planning.cautions import CAUTIONS
from raysim.scene.plan import Treatment

#: Sizes within a description, where a column of its own has them.
_SIZE_IN_WORDS: Final = re.compile(r",? \d+(?: x \d+)+ mm(?=[,:]|$)")


def book_table(book: Book) -> RenderableType:
    """Give all layouts for a terminal: price, weight, and what speaks against each."""
    table = Table(box=SIMPLE, pad_edge=False, title=book.scene.title, title_justify="left")
    table.add_column("layout", no_wrap=True)
    for name in ("price", "in packs", "kg", "m2", "125 Hz, s", "1 kHz, s"):
        table.add_column(name, justify="right", no_wrap=True)
    table.add_column("may it go up?")
    bands = book.scene.bands
    table.add_row("(as it is)", "", "", "", "", *low_and_mid(book.bare, bands))
    for plan in book.plans:
        table.add_row(
            plan.layout.name, f"{plan.bill.total:.0f} {plan.bill.currency}",
            f"{plan.bill.to_buy.likely:.0f}", f"{plan.bill.total_kg:.0f}",
            f"{plan.area_m2:.1f}", *low_and_mid(plan.decay, bands), verdict_of(plan),
        )  # fmt: skip
    parts: list[RenderableType] = [
        table,
        Text(
            "Price: of what goes into it; in packs: what the shop asks, with spare. m2: what "
            "sound meets. s: decay by Eyring's formula, a hint; `raysim simulate SCENE "
            "--layout NAME` traces it.\n"
        ),
    ]
    for plan in book.plans:
        lines = [
            f"  {WORDS[f.kind]}: {sentence_of(f)}"
            for f in plan.findings
            if f.kind != "know" or len(book.plans) == 1
        ]
        if lines:
            parts.append(Text("\n".join([plan.layout.name, *lines]) + "\n"))
    if len(book.plans) == 1:
        plan = book.plans[0]
        goods = goods_sheet(plan.bill)
        short = replace(goods, columns=goods.columns[:5], rows=tuple(r[:5] for r in goods.rows))
        parts += [_printed(s) for s in (items_sheet(plan), short)]
    else:
        parts.append(Text("With --layout NAME: what goes where and the shopping list.\n"))
    keys = dict.fromkeys(f.caution for p in book.plans for f in p.findings if f.caution)
    parts.append(Text("\n".join(f"Caution. {CAUTIONS[k]}" for k in keys if k in CAUTIONS)))
    return Group(*parts)


def _printed(sheet: Sheet) -> RenderableType:
    table = Table(box=SIMPLE, pad_edge=False, title=sheet.title, title_justify="left")
    for i, column in enumerate(sheet.columns):
        table.add_column(column, justify="right" if i in sheet.numeric else "left")
    for row in sheet.rows:
        table.add_row(*row)
    return Group(table, Text(sheet.note + "\n"))


def treatment_table(
    treatments: Iterable[Treatment], prices: dict[str, Money], currency: str
) -> RenderableType:
    """List treatments by family with size, price and how each is held.

    ``prices`` are of one piece, or of a square metre of what is made to measure.
    """
    table = Table(
        box=SIMPLE, pad_edge=False, show_edge=False, padding=(0, 1, 0, 0), title_justify="left",
        title="Treatments that come along; your own go into a scene as [treatment.name]",
    )  # fmt: skip
    table.add_column("name", no_wrap=True)
    table.add_column("family")
    table.add_column("size, mm", no_wrap=True)
    table.add_column(price_in(currency), justify="right", no_wrap=True)
    table.add_column("held by")
    table.add_column("what it is")
    for one in treatments:
        size = "to measure"
        if one.size_m is not None:
            size = f"{1000 * one.size_m[0]:.0f} x {1000 * one.size_m[1]:.0f}"
        if one.depth_m:
            size += f" x {1000 * one.depth_m:.0f}"
        price = prices.get(one.name)
        about = _SIZE_IN_WORDS.sub("", re.sub(r"\s+", " ", one.about))
        table.add_row(
            one.name, one.family, size, _price_of_one(one, price), ", ".join(one.fixings),
            about,
        )  # fmt: skip
    return Group(
        table,
        Text(
            "Prices are assumptions, of one piece or of about a square metre (/m2); "
            "scenes/README.md says how to give your own. “raysim stack NAME” says what one "
            f"does. {CAUTIONS['noise']}"
        ),
    )


def _price_of_one(one: Treatment, price: Money | None) -> str:
    if price is None:
        return "-"
    return f"{price.likely:.0f}" + ("/m2" if one.size_m is None else "")
