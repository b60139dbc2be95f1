"""Every table of a comparison as flat rows, for spreadsheets, data frames and programs.

A row is a dict of texts, numbers, truth values and None; a number that could not be had is
None. Rows of one table have the same keys.
"""

import csv
import io
import itertools
import json
import math
from pathlib import Path

from raysim.compare.bass import BASS_JNDS
from raysim.compare.comparison import Comparison
from raysim.compare.evenness import seam
from raysim.compare.jnd import JNDS
from raysim.compare.sentences import LIMITS, sentences
from raysim.compare.tidy import AS_DESCRIBED, Cell, Row
from raysim.measures.pair import spread
from raysim.store.replace import replace_file, replacement_target

CSV_NAME, JSON_NAME = "compare.csv", "compare.json"


def as_tables(comparison: Comparison) -> dict[str, list[Row]]:
    """Give every table by name.

    Parameters
    ----------
    comparison : Comparison

    Returns
    -------
    dict of str to list of dict
        layouts, figures, differences, groups, aims, reached, early, front, leave_one_out,
        states, methods, bass, bass_differences, bass_rise, ringing, held, just_noticeable;
        without rows where there is nothing to say.
    """
    tables = {
        "layouts": _layouts(comparison),
        "figures": _figures(comparison),
        "differences": _differences(comparison),
        "groups": _groups(comparison),
        "aims": _aims(comparison),
        "reached": _reached(comparison),
        "early": _early(comparison),
        "front": _front(comparison),
        "leave_one_out": _leave_one_out(comparison),
        "states": _states(comparison),
        "methods": _methods(comparison),
        "bass": _bass(comparison),
        "bass_differences": _bass_differences(comparison),
        "bass_rise": _bass_rise(comparison),
        "ringing": _ringing(comparison),
        "held": _held(comparison),
        "just_noticeable": _just_noticeable(),
    }
    return {
        name: [{k: _cell(v) for k, v in row.items()} for row in rows]
        for name, rows in tables.items()
    }


def as_rows(comparison: Comparison) -> list[Row]:
    """Give all rows of all tables in one list, the name of its table first in each."""
    return [
        {"table": name, **row} for name, rows in as_tables(comparison).items() for row in rows
    ]


def write_compared(comparison: Comparison, folder: Path) -> tuple[Path, Path]:
    """Write `compare.csv` and `compare.json`; files there are replaced.

    Raises
    ------
    StoreError
        RS-H05, RS-H06: a table cannot be written.
    """
    targets = [replacement_target(folder / name) for name in (CSV_NAME, JSON_NAME)]
    texts = (csv_text(comparison), json_text(comparison))
    for target, text in zip(targets, texts, strict=True):
        replace_file(target, text.encode)
    return folder / CSV_NAME, folder / JSON_NAME


def csv_text(comparison: Comparison) -> str:
    """Give all rows as one table whose columns are those of all of them."""
    rows = as_rows(comparison)
    columns = list(dict.fromkeys(key for row in rows for key in row))
    text = io.StringIO()
    table = csv.DictWriter(text, columns, restval="", lineterminator="\n")
    table.writeheader()
    for row in rows:
        table.writerow({k: _csv_cell(v) for k, v in row.items()})
    return text.getvalue()


def json_text(comparison: Comparison) -> str:
    """Give all tables, and the sentences, as JSON."""
    content = {
        "title": comparison.title,
        "use": comparison.use,
        "currency": comparison.currency,
        "layouts": list(comparison.layouts),
        "sentences": list(sentences(comparison)),
        "limits": list(LIMITS),
        "tables": as_tables(comparison),
    }
    return json.dumps(content, indent=1, ensure_ascii=False, allow_nan=False) + "\n"


def _cell(value: Cell) -> Cell:
    """Give six figures of a number, None for what is none."""
    if isinstance(value, float):
        return float(f"{value:.6g}") if math.isfinite(value) else None
    return value


def _csv_cell(value: Cell) -> str:
    if isinstance(value, bool):
        return "yes" if value else "no"
    return "" if value is None else f"{value:.6g}" if isinstance(value, float) else str(value)


def _layouts(c: Comparison) -> list[Row]:
    return [
        {"layout": name, "of": one.layout or AS_DESCRIBED, "state": one.state}
        for name, one in c.conditions.items()
    ]


def _figures(c: Comparison) -> list[Row]:
    r = c.readings
    rows: list[Row] = []
    for i, layout in enumerate(r.layouts):
        without = r.without[i]
        for j, q in enumerate(r.quantities):
            rows.append(
                {
                    "layout": layout, "source": q.source, "receiver": q.receiver,
                    "measure": q.measure, "band": q.band, "value": float(r.value[i, j]),
                    "error": math.nan if without is None else float(spread(without[:, j])),
                    "unit": q.unit, "hint": q.is_hint,
                }
            )  # fmt: skip
    return rows


def _differences(c: Comparison) -> list[Row]:
    rows: list[Row] = []
    for i, first in enumerate(c.layouts):
        for other in c.layouts[i + 1 :]:
            if not c.is_looked_at(first, other):
                continue
            for d in c.found.between(first, other):
                q = d.quantity
                rows.append(
                    {
                        "layout": other, "less": first, "source": q.source,
                        "receiver": q.receiver, "measure": q.measure, "band": q.band,
                        "value": d.value, "error": d.error, "unit": q.unit,
                        "steps": d.steps, "steps_error": d.steps_error,
                        "certain": d.is_certain, "audible": d.is_audible, "hint": q.is_hint,
                        "typical": d.is_typical,
                    }
                )  # fmt: skip
    return rows


def _groups(c: Comparison) -> list[Row]:
    by_measure = {"": c.groups, **c.groups_by}
    return [
        {"measure": measure, "group": i + 1, "layout": layout}
        for measure, found in by_measure.items()
        for i, group in enumerate(found)
        for layout in group
    ]


def _aims(c: Comparison) -> list[Row]:
    return [
        {
            "use": judged.reached.aim.use, "measure": "t30_s", "band": b.band,
            "low": b.low_s, "high": b.high_s, "unit": "s", "counts": b.counts,
            "source_text": b.source, "certainty": b.certainty,
        }
        for judged in c.judged
        for b in judged.reached.aim.bands
    ]  # fmt: skip


def _reached(c: Comparison) -> list[Row]:
    rows: list[Row] = []
    for judged in c.judged:
        r = judged.reached
        for i, layout in enumerate(r.layouts):
            for j, b in enumerate(r.aim.counted):
                rows.append(
                    {
                        "use": r.aim.use, "layout": layout, "band": b.band,
                        "value": c.readings.t30_s(layout, b.band), "unit": "s",
                        "steps": float(r.beyond[i, j]), "steps_error": None,
                    }
                )  # fmt: skip
            rows.append(
                {
                    "use": r.aim.use, "layout": layout, "band": "", "value": None, "unit": "",
                    "steps": float(r.steps[i]), "steps_error": float(r.error[i]),
                }
            )  # fmt: skip
    return rows


def _early(c: Comparison) -> list[Row]:
    return [
        {
            "layout": e.layout, "source": e.source, "receiver": e.receiver,
            "level_db": e.level_db, "delay_ms": e.delay_ms, "over": ", ".join(e.surfaces),
        }
        for e in c.early
    ]  # fmt: skip


def _front(c: Comparison) -> list[Row]:
    return [
        {
            "use": judged.front.use, "layout": line.layout, "price": line.price.likely,
            "price_low": line.price.low, "price_high": line.price.high,
            "currency": c.currency, "steps": line.steps, "steps_error": line.error,
            "on_front": line.is_on_front, "instead": line.instead, "worse": line.is_worse,
        }
        for judged in c.judged
        if judged.front is not None
        for line in judged.front.lines
    ]  # fmt: skip


def _leave_one_out(c: Comparison) -> list[Row]:
    return [
        {
            "use": judged.reached.aim.use, "layout": one.layout, "drop": i + 1,
            "item": one.item, "steps": one.lost_steps, "steps_error": one.error,
            "audible": one.is_heard, "saved": one.saved, "currency": c.currency,
            "steps_per_money": one.steps_per_money, "missed_by": ", ".join(one.missed_by),
        }
        for judged in c.judged
        for items in judged.worth.values()
        for i, one in enumerate(items)
    ]  # fmt: skip


def _states(c: Comparison) -> list[Row]:
    return [
        {
            "use": judged.reached.aim.use, "layout": one.layout or AS_DESCRIBED,
            "state": one.state, "steps": one.lost_steps, "steps_error": one.error,
            "audible": one.is_heard, "told_by": ", ".join(one.told_by),
        }
        for judged in c.judged
        for one in judged.states
    ]  # fmt: skip


def _methods(c: Comparison) -> list[Row]:
    """Give the octave that waves and rays both answer for."""
    found = (seam(c.readings, layout) for layout in c.layouts)
    return [
        {
            "layout": one.layout, "measure": "t30_s", "band": one.band,
            "by_waves": one.waves_s, "by_rays": one.rays_s, "unit": "s",
        }
        for one in found
        if one is not None
    ]  # fmt: skip


def _bass(c: Comparison) -> list[Row]:
    return [
        {
            "layout": seat.layout, "source": seat.source, "receiver": seat.receiver,
            "measure": measure, "band": band, "value": seat.at_place(measure, band),
            "within_10_cm": seat.spread(measure, band), "unit": "dB",
            "dip_hz": seat.dip_hz if measure == "bass_dip_db" else None,
        }
        for seat in (() if c.bass is None else c.bass.seats)
        for measure, band in seat.value
    ]  # fmt: skip


def _bass_differences(c: Comparison) -> list[Row]:
    if c.bass is None:
        return []
    return [
        {
            "layout": other, "less": first, "source": d.source, "receiver": d.receiver,
            "measure": d.measure, "band": d.band, "value": d.value,
            "within_10_cm": d.spread, "unit": "dB", "steps": d.steps,
            "audible": d.is_audible,
        }
        for first, other in itertools.combinations(c.bass.layouts, 2)
        if c.is_looked_at(first, other)
        for d in c.bass.between(first, other)
    ]  # fmt: skip


def _bass_rise(c: Comparison) -> list[Row]:
    return [
        {
            "use": judged.reached.aim.use, "layout": one.layout, "band": one.band,
            "value": one.t30_s, "error": one.error_s, "limit": one.limit_s, "unit": "s",
            "verdict": one.verdict, "source_text": one.source_text,
            "certainty": one.certainty,
        }
        for judged in c.judged
        for one in judged.rises
    ]  # fmt: skip


def _ringing(c: Comparison) -> list[Row]:
    return [
        {
            "layout": seat.layout, "source": seat.source, "receiver": seat.receiver,
            "freq_hz": r.freq_hz, "decay": r.decay_s, "decay_low": r.decay_low_s,
            "decay_high": r.decay_high_s, "unit": "s", "kind": r.kind,
            "between": " and ".join(r.between), "limit_low": r.limit_low_s,
            "limit_high": r.limit_high_s, "verdict": r.verdict, "modes": r.n_mode,
            "modes_over": r.n_over, "modes_open": r.n_open,
        }
        for seat in (() if c.bass is None else c.bass.seats)
        if (r := seat.ringing) is not None
    ]  # fmt: skip


def _held(c: Comparison) -> list[Row]:
    every = [(judged.reached.aim.use, held) for judged in c.judged for held in judged.held]
    if c.bass is not None:
        every.append(("", c.bass.held))
    return [
        {
            "use": use, "what": held.what, "layout": first, "before": other,
            "share": held.of(first, other), "draws": held.n_draw,
        }
        for use, held in every
        for first, other in itertools.permutations(held.layouts, 2)
        if c.is_one_state(first, other)
    ]  # fmt: skip


def _just_noticeable() -> list[Row]:
    return [
        {
            "measure": name, "size": jnd.size, "relative": jnd.is_relative,
            "source_text": jnd.source, "certainty": jnd.certainty,
            "typical_low": jnd.typical[0], "typical_high": jnd.typical[1],
        }
        for name, jnd in {**JNDS, **BASS_JNDS}.items()
    ]  # fmt: skip
