"""Every table of the report as flat rows, for spreadsheets and programs.

A row is a dict of texts, numbers, truth values and None; rows of one table have the same
keys. What the comparison holds is in its own files beside these. Lengths in millimetres,
as drawings have them.
"""

import csv
import io
import json
from pathlib import Path

from raysim.compare.tidy import Cell, Row
from raysim.decision.evidence import Evidence
from raysim.decision.page import DecisionPage
from raysim.decision.sheets import drop_order
from raysim.decision.verify import built_rows, verify_rows
from raysim.planning.book import Plan
from raysim.planning.book_page import sentence_of
from raysim.store.replace import replace_file, replacement_target

JSON_NAME = "report.json"


def csv_name(table: str) -> str:
    """Give the name of the file of one table."""
    return f"report-{table}.csv"


def as_tables(e: Evidence) -> dict[str, list[Row]]:
    """Give every table by name.

    Parameters
    ----------
    e : Evidence

    Returns
    -------
    dict of str to list of dict
        choices, layouts, items, shopping, cuts, findings; and built and verify, with empty
        cells to fill in. Without rows where there is nothing to say.
    """
    plans = e.book.plans
    return {
        "choices": _choices(e),
        "layouts": _layouts(e),
        "items": [row for plan in plans for row in _items(e, plan)],
        "shopping": [row for plan in plans for row in _shopping(plan)],
        "cuts": [row for plan in plans for row in _cuts(plan)],
        "findings": [row for plan in plans for row in _findings(plan)],
        "built": built_rows(e),
        "verify": verify_rows(e),
    }


def _number(value: float) -> Cell:
    return float(f"{value:.6g}") if value == value and abs(value) != float("inf") else None


def _choices(e: Evidence) -> list[Row]:
    rows: list[Row] = []
    for v in e.verdicts:
        head: Row = {"use": v.judged.reached.aim.use, "state": v.state}
        rows += [
            {**head, "what": c.purpose, "layout": c.name, "instead": ""} for c in v.choices
        ]
        rows += [{**head, "what": "as near", "layout": n, "instead": ""} for n in v.as_near]
        rows += [
            {**head, "what": "nearer but forbidden", "layout": n, "instead": ""}
            for n in v.nearer_but
        ]
        rows += [
            {**head, "what": t.kind, "layout": t.name, "instead": t.instead} for t in v.traps
        ]
    return rows


def _layouts(e: Evidence) -> list[Row]:
    return [
        {
            "use": v.judged.reached.aim.use, "state": v.state, "layout": c.name,
            "may_go_up": c.is_allowed, "leaves_no_trace": c.leaves_no_trace,
            "price": None if c.price is None else _number(c.price.likely),
            "price_low": None if c.price is None else _number(c.price.low),
            "price_high": None if c.price is None else _number(c.price.high),
            "currency": e.comparison.currency,
            "mass_kg": 0.0 if c.plan is None else _number(c.plan.bill.total_kg),
            "steps": _number(c.steps), "steps_error": _number(c.error),
            "lows_over_highs": _number(c.tilt), "group": c.group,
        }
        for v in e.verdicts
        for c in v.candidates
    ]  # fmt: skip


def _items(e: Evidence, plan: Plan) -> list[Row]:
    order, how = drop_order(e, plan.layout.name)
    return [
        {
            "layout": plan.layout.name, "item": line.item.name,
            "what": line.item.treatment.name, "on": line.item.on, "corner": line.item.corner,
            "from": "; ".join(f"{1000 * d:.0f} mm from {n}" for n, d in line.item.from_m),
            "width_mm": _number(1000.0 * line.item.size_m[0]),
            "height_mm": _number(1000.0 * line.item.size_m[1]),
            "depth_mm": _number(1000.0 * line.item.depth_m),
            "gap_mm": _number(1000.0 * line.item.gap_m),
            "turn_deg": _number(line.item.turn_deg), "pieces": line.n_piece,
            "held_by": line.item.fixing, "mass_kg": _number(line.mass_kg),
            "price": _number(line.cost.likely), "price_low": _number(line.cost.low),
            "price_high": _number(line.cost.high), "currency": plan.bill.currency,
            "drop": order.get(line.item.name), "drop_by": how,
            "leaves": line.item.treatment.leaves,
        }
        for line in plan.bill.items
    ]  # fmt: skip


def _shopping(plan: Plan) -> list[Row]:
    return [
        {
            "layout": plan.layout.name, "good": line.good.name, "about": line.good.about,
            "needed": _number(line.quantity), "with_spare": _number(line.with_spare),
            "unit": line.good.unit, "packs": line.n_pack, "pack": _number(line.good.pack),
            "bought": _number(line.bought), "price": _number(line.to_buy.likely),
            "price_low": _number(line.to_buy.low), "price_high": _number(line.to_buy.high),
            "currency": line.good.currency, "price_date": line.good.date,
            "price_source": line.good.source, "fire": line.good.fire,
            "handling": line.good.handling,
        }
        for line in plan.bill.goods
    ]  # fmt: skip


def _cuts(plan: Plan) -> list[Row]:
    return [
        {
            "layout": plan.layout.name, "board": length.good.about, "number": i + 1,
            "length_mm": _number(1000.0 * length.stock_m),
            "cut_mm": _number(1000.0 * cut.length_m), "for": cut.what,
            "left_mm": _number(1000.0 * length.left_m),
        }
        for i, length in enumerate(plan.cuts.lengths)
        for cut in length.cuts
    ]  # fmt: skip


def _findings(plan: Plan) -> list[Row]:
    return [
        {
            "layout": plan.layout.name, "kind": f.kind, "rule": f.rule,
            "items": ", ".join(f.items), "sentence": sentence_of(f), "caution": f.caution,
        }
        for f in plan.findings
    ]  # fmt: skip


def json_text(e: Evidence, page: DecisionPage) -> str:
    """Give all tables, and what the page says, as JSON."""
    content = {
        "title": page.title,
        "use": e.comparison.use,
        "currency": e.comparison.currency,
        "verdict": [
            {"kind": f.kind, "headline": f.headline, "sentence": f.sentence}
            for f in (*page.findings, *page.traps)
        ],
        "cautions": [{"text": c.text, "items": c.items} for c in page.cautions],
        "left_out": list(page.ignored),
        "limits": list(page.limits),
        "made": dict(page.footer),
        "tables": as_tables(e),
    }
    return json.dumps(content, indent=1, ensure_ascii=False, allow_nan=False) + "\n"


def csv_texts(e: Evidence) -> dict[str, str]:
    """Give each table that has rows as CSV, by the name of its file."""
    texts = {}
    for name, rows in as_tables(e).items():
        if rows:
            text = io.StringIO()
            table = csv.DictWriter(text, list(rows[0]), lineterminator="\n")
            table.writeheader()
            table.writerows({k: _csv_cell(v) for k, v in row.items()} for row in rows)
            texts[csv_name(name)] = text.getvalue()
    return texts


def _csv_cell(value: Cell) -> str:
    if isinstance(value, bool):
        return "yes" if value else "no"
    return "" if value is None else f"{value:.6g}" if isinstance(value, float) else str(value)


def write_tables(e: Evidence, page: DecisionPage, folder: Path) -> tuple[Path, ...]:
    """Write ``report.json`` and one CSV file for each table; files there are replaced.

    Raises
    ------
    StoreError
        RS-H05, RS-H06: a table cannot be written.
    """
    texts = {JSON_NAME: json_text(e, page), **csv_texts(e)}
    targets = {name: replacement_target(folder / name) for name in texts}
    for name, target in targets.items():
        replace_file(target, texts[name].encode)
    return tuple(folder / name for name in texts)
