"""The layouts of a scene as one HTML file.

Texts are finished here; the template only places them. The style is that of the page of
results, with a few marks of its own.
"""

import os
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import jinja2

import raysim
from raysim.errors import Complaint, StoreError
from raysim.planning.bill import Bill, Money
from raysim.planning.book import Book, Plan
from raysim.planning.cautions import CAUTIONS
from raysim.planning.checks import Finding
from raysim.planning.cuts import CutList
from raysim.planning.decay import Decay
from raysim.planning.elevations import HOW_TO_READ, elevations
from raysim.report.numbers import amount
from raysim.report.svg import Figure
from raysim.scene.model import Bands
from raysim.scene.plan import Good
from raysim.store.replace import replace_file, replacement_target
from raysim.units import Float

WORDS: Final = {"forbidden": "against it", "ask": "ask first", "know": "good to know"}
#: What marks a page as ours.
_MARK: Final = '<meta name="generator" content="raysim plan">'
_CSS: Final = {"forbidden": "fault", "ask": "watch", "know": "note"}

WHY_NOT_TRACED: Final = (
    "Eyring's formula for a diffuse room, with all furniture in it; the range is what the "
    "materials leave open. Small rooms are not diffuse: sound between bare walls outlasts it, "
    "and sound that meets the treatment early dies sooner. Below the transition frequency it "
    "is a hint only. “raysim simulate SCENE --layout NAME” traces it."
)


@dataclass(frozen=True, slots=True)
class Sheet:
    """A table of finished texts."""

    title: str
    columns: tuple[str, ...]
    numeric: tuple[int, ...]
    rows: tuple[tuple[str, ...], ...]
    note: str


@dataclass(frozen=True, slots=True)
class Line:
    """A finding as the page shows it."""

    css: str
    word: str
    sentence: str


@dataclass(frozen=True, slots=True)
class Orientation:
    """Decay before and after, as texts."""

    columns: tuple[str, ...]
    rows: tuple[tuple[str, tuple[str, ...]], ...]
    note: str


@dataclass(frozen=True, slots=True)
class PlanPage:
    """One layout, ready to show."""

    ident: str
    name: str
    about: str
    price: str
    price_range: str
    to_buy: str  # in whole packs
    mass: str
    n_item: int
    decay: tuple[str, str]  # at 125 Hz and 1 kHz, seconds
    verdict: str
    removed: str
    findings: tuple[Line, ...]
    figures: tuple[Figure, ...]
    items: Sheet
    goods: Sheet
    cuts: Sheet
    orientation: Orientation


@dataclass(frozen=True, slots=True)
class BookPage:
    """All layouts, ready to show."""

    title: str
    lead: str
    currency: str
    price_note: str
    bare: tuple[str, str]  # decay of the room as described, at 125 Hz and 1 kHz
    decay_note: str
    how_to_read: str
    plans: tuple[PlanPage, ...]
    cautions: tuple[str, ...]
    footer: tuple[tuple[str, str], ...]


def sentence_of(finding: Finding) -> str:
    """Give a finding with the items it is about.

    Examples
    --------
    >>> sentence_of(Finding("ask", ("W1", "W2"), "fire", "Get the class in writing."))
    'W1, W2: Get the class in writing.'
    """
    who = f"{', '.join(finding.items)}: " if finding.items else ""
    return who + finding.sentence


def verdict_of(plan: Plan) -> str:
    """Say in a few words if a layout may go up as it is."""
    n = {kind: sum(f.kind == kind for f in plan.findings) for kind in WORDS}
    if n["forbidden"]:
        return f"no: {n['forbidden']} reason{'s' * (n['forbidden'] > 1)}"
    if n["ask"]:
        return f"ask first: {n['ask']} point{'s' * (n['ask'] > 1)}"
    return "nothing found against it"


def _money(money: Money) -> tuple[str, str]:
    spread = f"{money.low:.0f} to {money.high:.0f}" if money.high > money.low else ""
    return f"{money.likely:.0f}", spread


def book_page(book: Book) -> BookPage:
    """Finish all texts and drawings."""
    currency = next((p.bill.currency for p in book.plans if p.bill.currency), "")
    keys = dict.fromkeys(
        key
        for plan in book.plans
        for key in (
            *(f.caution for f in plan.findings),
            *(c for p in plan.placed for c in p.item.treatment.cautions),
        )
        if key in CAUTIONS
    )
    dates = sorted({d for p in book.plans for d in p.bill.dates})
    return BookPage(
        title=book.scene.title,
        lead=(
            "Every layout that the scene describes, drawn to scale with the measures to mark "
            "it out by. A plan to discuss, not a permit and not structural or fire advice."
        ),
        currency=currency or "price",
        price_note=_price_note(dates, currency),
        bare=low_and_mid(book.bare, book.scene.bands),
        decay_note=WHY_NOT_TRACED,
        how_to_read=HOW_TO_READ,
        plans=tuple(_plan_page(book, plan, i) for i, plan in enumerate(book.plans)),
        cautions=tuple(CAUTIONS[key] for key in dict.fromkeys((*keys, "noise"))),
        footer=(
            ("scene", book.scene.path.name),
            ("made by", f"raysim plan, version {raysim.__version__}"),
        ),
    )


def _price_note(dates: list[str], currency: str) -> str:
    when = f" of {dates[-1]}" if dates else ""
    return (
        f"Prices in {currency or 'the currency of the price file'}{when}, from the price file, "
        "which if it is not yours holds assumptions and no offers; give your own with "
        "“--prices FILE”. Price is of what goes into the items, likely and least to most; "
        "“packs” is what the shop asks for whole packs with spare. Weight is of what is put "
        "up. Decay is by Eyring's formula, a hint."
    )


def _plan_page(book: Book, plan: Plan, number: int) -> PlanPage:
    price, spread = _money(plan.bill.price)
    return PlanPage(
        ident=f"layout-{number + 1}",
        name=plan.layout.name,
        about=" ".join(plan.layout.about.split()),
        price=price,
        price_range=spread,
        to_buy=_money(plan.bill.to_buy)[0],
        mass=f"{plan.bill.total_kg:.0f}",
        n_item=len(plan.layout.items),
        decay=low_and_mid(plan.decay, book.scene.bands),
        verdict=verdict_of(plan),
        removed=", ".join(plan.layout.without),
        findings=tuple(Line(_CSS[f.kind], WORDS[f.kind], sentence_of(f)) for f in plan.findings)
        + tuple(Line(_CSS["know"], WORDS["know"], note) for note in plan.notes),
        figures=elevations(book.scene, book.mesh, plan.placed, book.kept, f"e{number + 1}"),
        items=items_sheet(plan),
        goods=goods_sheet(plan.bill),
        cuts=cuts_sheet(plan.cuts),
        orientation=_orientation(book.bare, plan.decay, book.scene.bands),
    )


def items_sheet(plan: Plan) -> Sheet:
    """Give what goes where: the placement list."""
    rows = []
    for line in plan.bill.items:
        item = line.item
        where = " and ".join(
            f"{1000 * distance:.0f} from {name}" for name, distance in item.from_m
        )
        if item.corner:
            where += f", in the corner with {item.corner}"
        size = f"{1000 * item.size_m[0]:.0f} x {1000 * item.size_m[1]:.0f}"
        gap = f"{1000 * item.gap_m:.0f}" if item.gap_m else "-"
        rows.append(
            (
                item.name, item.treatment.name.replace("_", " "), item.on, where, size, gap,
                item.fixing, f"{line.cost.likely:.0f}", f"{line.mass_kg:.1f}",
                item.treatment.leaves,
            )
        )  # fmt: skip
    columns = (
        "mark", "what", "on", "where, mm", "size, mm", "gap, mm", "held by",
        price_in(plan.bill.currency), "kg", "leaves behind",
    )  # fmt: skip
    note = (
        f"Together {plan.area_m2:.1f} m2 that sound meets and {plan.volume_m3:.2f} m3 of room "
        "taken."
    )
    return Sheet("What goes where", columns, (5, 7, 8), tuple(rows), note)


def goods_sheet(bill: Bill) -> Sheet:
    """Give the shopping list."""
    rows = tuple(
        (
            line.good.about, _units(line.quantity, line.good),
            _units(line.with_spare, line.good),
            f"{line.n_pack} x {_units(line.good.pack, line.good)}",
            f"{line.to_buy.likely:.0f}", line.good.fire or "-", line.good.handling or "-",
        )
        for line in bill.goods
    )  # fmt: skip
    columns = (
        "what", "needed", "with spare", "to buy", price_in(bill.currency), "fire", "handling",
    )  # fmt: skip
    buy, spread = _money(bill.to_buy)
    note = (
        f"With {100 * bill.spare:.0f} % spare on what is measured, in whole packs: {buy} "
        f"{bill.currency} ({spread or 'no range'}). Sources of prices: "
        f"{'; '.join(bill.sources)}."
    )
    return Sheet("Shopping list", columns, (1, 2, 3, 4), rows, note)


def price_in(currency: str) -> str:
    """Give the heading of a column of prices."""
    return f"price, {currency}" if currency else "price"


def _units(quantity: float, good: Good) -> str:
    if good.unit == "piece":
        return f"{quantity:.0f} piece{'s' * (round(quantity) != 1)}"
    return f"{amount(quantity, 0.01)} {good.unit}"


def cuts_sheet(cuts: CutList) -> Sheet:
    """Give the boards to saw, by length."""
    rows = tuple(
        (
            length.good.about, f"{1000 * length.stock_m:.0f}",
            " + ".join(f"{1000 * c.length_m:.0f}" for c in length.cuts),
            f"{1000 * length.left_m:.0f}",
        )
        for length in cuts.lengths
    )  # fmt: skip
    inside = "; ".join(
        f"{f.item.name}: outside {1000 * f.outside_m[0]:.0f} x {1000 * f.outside_m[1]:.0f}, "
        f"inside {1000 * f.inside_m[0]:.0f} x {1000 * f.inside_m[1]:.0f}"
        for f in cuts.frames[:1]
    )
    long = f" Longer than sold: {len(cuts.too_long)} kinds; join them." if cuts.too_long else ""
    note = f"{cuts.note} {inside}.{long}" if inside else cuts.note
    return Sheet("Boards to saw, mm", ("board", "length", "cuts", "left"), (1, 3), rows, note)


def _orientation(before: Decay, after: Decay, bands: Bands) -> Orientation:
    def row(values: Float) -> tuple[str, ...]:
        return tuple(amount(float(v), 0.01) for v in values)

    spread = tuple(
        f"{amount(float(a), 0.01)} to {amount(float(b), 0.01)}"
        for a, b in zip(after.low_s, after.high_s, strict=True)
    )
    return Orientation(
        columns=bands.labels,
        rows=(
            ("room as described", row(before.likely_s)),
            ("with this layout", row(after.likely_s)),
            ("  least to most", spread),
        ),
        note="",
    )


def low_and_mid(decay: Decay, bands: Bands) -> tuple[str, str]:
    """Give the decay at 125 Hz and 1 kHz as texts."""
    low, mid = (
        amount(float(decay.likely_s[bands.labels.index(b)]), 0.01) for b in ("125", "1k")
    )
    return low, mid


def render_book(page: BookPage) -> str:
    """Fill the template: HTML that needs nothing else."""
    environment = jinja2.Environment(
        loader=jinja2.PackageLoader("raysim.planning", "template"),
        autoescape=True, trim_blocks=True, lstrip_blocks=True, undefined=jinja2.StrictUndefined,
    )  # fmt: skip
    here = Path(__file__).parent
    sheets = (here.parent / "report/template/page.css", here / "template/layouts.css")
    css = "\n".join(sheet.read_text(encoding="utf-8") for sheet in sheets)
    return environment.get_template("layouts.html").render(page=page, css=css)


def check_page(out: Path) -> None:
    """Refuse a place for the page where something lies that raysim did not write.

    Raises
    ------
    StoreError
        RS-F06: a file, or a folder, that is not ours. RS-P08: its name says that it is
        something else than HTML.
    """
    if out.suffix.lower() not in (".html", ".htm") and not out.is_dir():
        raise StoreError(
            Complaint("--into", f'"{out.name}" is not an HTML page.',
                      "Let the name end in .html; a browser prints it to PDF.", "RS-P08")
        )  # fmt: skip
    if not os.path.exists(out):
        return
    try:
        ours = _MARK in out.read_text(encoding="utf-8", errors="replace")[:2000]
    except OSError:
        ours = False
    if not ours:
        raise StoreError(
            Complaint(
                where=str(out),
                wrong="something is there that raysim did not write.",
                fix="Name another file.",
                code="RS-F06",
            )
        )


def write_book(book: Book, out: Path) -> Path:
    """Write the page; one that is there is replaced whole.

    Raises
    ------
    StoreError
        RS-H05, RS-H06: it cannot be written.
    """
    target = replacement_target(out)
    text = render_book(book_page(book))
    replace_file(target, text.encode)
    return out
