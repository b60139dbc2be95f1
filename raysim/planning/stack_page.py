"""What ``raysim stack`` prints: a table by octave, single figures, and value for money."""

import math

from rich.box import SIMPLE
from rich.console import Group, RenderableType
from rich.table import Table
from rich.text import Text

from raysim.planning.stack_facts import StackFacts, Variant
from raysim.report.numbers import amount, level
from raysim.units import OCTAVE_LABELS

#: A gain in absorption smaller than this is none.
_NO_GAIN = 0.005


def stack_page(facts: StackFacts) -> RenderableType:
    """Give all that is known of a stack, to print with rich."""
    parts: list[RenderableType] = [
        Text(facts.title, style="bold"),
        Text(facts.sentence),
        Text(""),
        _octaves(facts),
        Text(single_figures(facts)),
        Text(""),
        _variants(facts),
        Text(value_for_money(facts)),
        Text(notes(facts)),
    ]
    return Group(*parts)


def _octaves(facts: StackFacts) -> RenderableType:
    table = Table(
        box=SIMPLE, pad_edge=False, show_edge=False, padding=(0, 1, 0, 0), title_justify="left",
        title=f"Absorption by octave, Hz; {1000 * facts.stack.depth_m:.0f} mm deep, hard wall",
    )  # fmt: skip
    table.add_column("")
    for label, outside in zip(OCTAVE_LABELS, facts.outside, strict=True):
        table.add_column(label + ("*" if outside else ""), justify="right", no_wrap=True)
    table.add_row("straight on", *(amount(float(v), 0.01) for v in facts.normal))
    table.add_row("from all sides, likely", *(amount(float(v), 0.01) for v in facts.likely))
    if (facts.high > facts.low).any():
        spans = (f"{_short(a)}-{_short(b)}" for a, b in zip(facts.low, facts.high, strict=True))
        table.add_row("  least-most", *spans)
    w, h = facts.size_m
    table.add_row(
        f"one piece {w:g} x {h:g} m, per m2", *(amount(float(v), 0.01) for v in facts.piece)
    )
    return table


def _short(share: float) -> str:
    text = f"{share:.2f}"
    return text.removeprefix("0")


def single_figures(facts: StackFacts) -> str:
    """Give the single figures in a line."""
    rating = facts.rating
    grade = (
        "no class" if rating.grade == "not classified" else f"absorption class {rating.grade}"
    )
    return f"\nWeighted (ISO 11654) {rating}, {grade}; NRC (ASTM C423) {facts.nrc:.2f}."


def _variants(facts: StackFacts) -> RenderableType:
    table = Table(
        box=SIMPLE, pad_edge=False, show_edge=False, padding=(0, 1, 0, 0), title_justify="left",
        title="What a change adds: absorption from all sides, m2 per m2",
    )  # fmt: skip
    table.add_column("")
    for heading in ("deep, mm", "63-250 Hz", "500 Hz-2k", f"filling, {_money(facts)}/m2"):
        table.add_column(heading, justify="right", no_wrap=True)
    base = facts.variants[0]
    for variant in facts.variants:
        table.add_row(
            variant.name,
            f"{1000 * variant.depth_m:.0f}",
            _change(variant.bass, base.bass, variant is base),
            _change(variant.middle, base.middle, variant is base),
            "–"
            if math.isnan(variant.filling_price)
            else amount(variant.filling_price, 0.1)
            if variant.filling_price
            else "0",
        )
    return table


def _money(facts: StackFacts) -> str:
    return facts.currency or "price"


def _change(value: float, base: float, is_base: bool) -> str:
    if is_base:
        return amount(value, 0.01)
    change = level(value - base, 0.01)
    return f"{amount(value, 0.01)} ({change if change.startswith('−') else '+' + change})"


def value_for_money(facts: StackFacts) -> str:
    """Say what a gap and what a thicker slab adds in the bass, and for how much."""
    by_name = {v.name: v for v in facts.variants}
    base = facts.variants[0]
    gap = by_name["100 mm more air behind"]
    lines = [
        f"100 mm of air behind it {_adds(gap, base)} in the bass and costs depth and longer "
        "fixings."
    ]
    thick = by_name.get("twice as thick")
    if thick is not None:
        more = thick.filling_price - base.filling_price
        price = "" if math.isnan(more) else f" for {more:.0f} {facts.currency} per m2"
        rate = ""
        if not math.isnan(more) and thick.bass - base.bass >= _NO_GAIN:
            rate = (
                f", {10.0 * (thick.bass - base.bass) / more:.2f} for each 10 {facts.currency}"
            )
        lines.append(f"Twice as thick it {_adds(thick, base)} there{price}{rate}.")
    return "\n" + " ".join(lines)


def _adds(variant: Variant, base: Variant) -> str:
    gain = variant.bass - base.bass
    if abs(gain) < _NO_GAIN:
        return "adds nothing"
    return f"{'adds' if gain > 0 else 'takes away'} {abs(gain):.2f} m2 per m2"


def notes(facts: StackFacts) -> str:
    """Say what the numbers stand on."""
    w, h = facts.size_m
    lines = [
        "",
        "Likely: an endless flat stack before a hard wall. One piece takes more, because sound "
        f"bends round its edges; here {w:g} x {h:g} m flush in a hard wall, so a number above "
        "1 is no error. The single figures are worked out from the endless stack; makers "
        "measure pieces in a chamber and print more.",
    ]
    if facts.outside.any():
        lines.append(
            "* The model of the porous layer is continued here beyond the measurements that it "
            "was fitted to: take these octaves as a hint."
        )
    lines += [f"Assumed: {line}" for line in facts.assumed]
    if facts.currency:
        lines.append("Filling: porous layers alone, by the likely price of the price file.")
    return "\n".join(lines)
