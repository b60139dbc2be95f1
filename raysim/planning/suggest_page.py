"""What ``raysim suggest`` prints and writes: every part of every layout, promised and come."""

import json
import math
from collections.abc import Sequence
from pathlib import Path
from typing import Any, Final

from rich import box
from rich.console import Group, RenderableType
from rich.table import Table
from rich.text import Text

from raysim.compare.figures import OCTAVES
from raysim.errors import figure
from raysim.planning.bill import Money
from raysim.planning.cautions import CAUTIONS
from raysim.planning.handful import FLAT_SHARE, Judged
from raysim.planning.objective import Parts
from raysim.planning.suggest import Suggested
from raysim.report.numbers import NOTHING, amount, frequency, level, plus_minus
from raysim.report.pairs import WINDOW_DB, WINDOW_MS
from raysim.store.replace import replace_file, replacement_target

JSON_NAME: Final = "suggested.json"
#: Octaves of T30 that the terminal shows.
_SHOWN: Final = ("125", "250", "500", "1k", "2k", "4k")

#: A sum of steps that prints as nothing.
_INSIDE: Final = 0.05

LIMITS: Final = (
    "A ranking, not a certificate, and not the best there is: others may do as well.",
    "Only surfaces and things that the scene describes were looked at; measure before you cut.",
    "None of it is structural, electrical or fire advice, and none stops noise: local codes "
    "and licensed people decide. Ask for fire classes in writing; nothing goes overhead "
    "without someone who answers for it.",
)


def suggestion_page(result: Suggested) -> RenderableType:
    """Give all that a terminal shows, to print with rich."""
    parts: list[RenderableType] = [_distances(result), _times(result), Text("")]
    parts += [line for one in result.layouts for line in _what(result, one)]
    parts += [Text(f"- {one}") for one in sentences(result)]
    parts += [Text(""), Text("Take care:", style="bold")]
    parts += [Text(f"- {one}") for one in cautions(result)]
    parts += [Text(""), *(Text(f"- {one}", style="dim") for one in LIMITS)]
    return Group(*parts)


def _money(value: float, currency: str) -> str:
    return f"{value:.0f} {currency}".rstrip()


def _table(title: str, caption: str) -> Table:
    return Table(
        title=Text(title), caption=Text(caption), title_justify="left",
        caption_justify="left", box=box.SIMPLE_HEAD, collapse_padding=True, pad_edge=False,
    )  # fmt: skip


def _distances(result: Suggested) -> Table:
    judge, aim = result.judge, result.judge.aim
    labels = [OCTAVES[i][0] for i in judge.counted]
    counted = [b for b in aim.counted if b.band in labels]
    bands = ", ".join(f"{b.band} {b.low_s:.2f}–{b.high_s:.2f}" for b in counted)
    sources = "; ".join(dict.fromkeys(f"{b.source} ({b.certainty})" for b in counted))
    early = "counts" if judge.early_counts else "is shown, and does not count for this use"
    table = _table(
        f"{result.scene.title}: what {_money(result.budget, result.currency)} would buy, "
        f"for {aim.words}",
        "Just-noticeable steps from where a room of this use should be"
        f"{'; each promised > as simulated' if result.is_confirmed else ', as promised'}.\n"
        f"Decay: mean over octaves from {frequency(judge.lowest_hz)} beyond the aim's band, s: "
        f"{bands}; {sources}.\n"
        f"Early: dB by which reflections within {WINDOW_MS:.0f} ms stand above "
        f"{WINDOW_DB:.0f} dB re the direct sound; {early}. Balance: octaves that last more "
        "than 1.25 times as long as others.\n"
        "The search went by the sum of what counts. Below the first octave rays cannot tell: "
        "only the simulation of the bass does.",
    )
    table.add_column("layout")
    table.add_column("price", justify="right")
    table.add_column("whole packs", justify="right")
    for head in ("decay", "early", "balance"):
        table.add_column(head, justify="right")
    table.add_column("strongest, dB", justify="right")
    table.add_column("group", justify="right")
    for one in result.rows:
        both = (one.promised, one.confirmed)
        name = one.name + (" (forbidden)" if one.is_forbidden else "")
        table.add_row(
            Text(name),
            f"{one.bill.total:.0f}",
            f"{one.bill.to_buy.likely:.0f}",
            _both([None if p is None else p.decay for p in both], 0.1),
            _both([None if p is None else p.early for p in both], 0.1),
            _both([None if p is None else p.balance for p in both], 0.1),
            _arrow([NOTHING if p is None else level(p.strongest_db) for p in both]),
            _letter(one.group),
        )
    return table


def _both(values: Sequence[float | None], resolution: float) -> str:
    return _arrow([NOTHING if v is None else amount(v, resolution) for v in values])


def _arrow(cells: Sequence[str]) -> str:
    known = [c for c in cells if c != NOTHING]
    return " > ".join(cells) if len(known) == len(cells) else "".join(known[:1]) or NOTHING


def _letter(group: int) -> str:
    return NOTHING if group == 0 else chr(ord("a") + group - 1) if group <= 26 else str(group)


def _times(result: Suggested) -> Table:
    table = _table(
        "T30 by octave, s",
        "± is one standard error: of a promise what its rays leave, and "
        f"{100 * FLAT_SHARE:.0f} % since its pieces were flat. Octaves below "
        f"{frequency(result.judge.lowest_hz)} are hints. Layouts of one group letter cannot "
        "be told apart by anything that was simulated.",
    )
    table.add_column("layout", no_wrap=True)
    table.add_column("", no_wrap=True)
    for label in _SHOWN:
        table.add_column(label, justify="right", no_wrap=True)
    table.add_column("EDT mid", justify="right")
    columns = [[label for label, _ in OCTAVES].index(label) for label in _SHOWN]
    for one in result.rows:
        told = (
            ("promised", one.promised, one.promised_error_s),
            ("simulated", one.confirmed, one.confirmed_error_s),
        )
        for what, parts, error_s in told:
            if parts is None:
                continue
            cells = [
                amount(parts.t30_s[i], 0.01)
                + ("" if error_s is None else plus_minus(float(error_s[i]), 0.01)).replace(
                    " ", ""
                )
                for i in columns
            ]
            table.add_row(Text(one.name), what, *cells, amount(parts.edt_mid_s, 0.01))
    return table


def _what(result: Suggested, one: Judged) -> list[RenderableType]:
    """Say what a layout is made of, and what must be asked first."""
    lines = [Text(f"{one.name}: {one.why}.", style="bold")]
    if one.layout is None:
        return list(lines)
    for item in one.layout.items:
        where = ", ".join(f"{figure(m)} m from {name}" for name, m in item.from_m)
        gap = f", {1000 * item.gap_m:.0f} mm off" if item.gap_m else ""
        corner = f" and {item.corner}" if item.corner else ""
        size = " x ".join(figure(s) for s in item.size_m)
        lines.append(
            Text(
                f"  {item.name}: {item.treatment.name}, {size} m, on {item.on}{corner}{gap}, "
                f"{item.fixing}; {where}"
            )
        )
    for found in one.findings:
        who = f" ({', '.join(found.items)})" if found.items else ""
        lines.append(Text(f"  {found.kind}: {found.sentence}{who}"))
    lines.append(Text(""))
    return list(lines)


def sentences(result: Suggested) -> list[str]:
    """Say what a search came to."""
    said = [
        f"{result.n_judged} layouts of {result.n_option} options in {result.n_spot} places "
        f"were judged from one trace in {result.search_s:.0f} s."
    ]
    best = result.layouts[0]
    if best.promised is not None and best.promised.total < _INSIDE:
        said.append(
            f"{best.name} is where this aim asks a room to be, for "
            f"{_money(best.bill.total, result.currency)} of "
            f"{_money(result.budget, result.currency)}: more money buys nothing that it counts."
        )
    said += result.judge.aim.remarks
    if not result.is_confirmed:
        said.append("Nothing of it is simulated in full yet: these are promises alone.")
        if result.own:
            own = ", ".join(one.name for one in result.own)
            said.append(f"Within the budget, but not on this scale before a simulation: {own}.")
        return said
    for one in result.layouts:
        missed = one.missed(result.judge.lowest_hz)
        if missed:
            said.append(
                f"{one.name}: T30 came otherwise than promised, by more than two standard "
                f"errors, at {', '.join(missed)} Hz."
            )
        elif not one.bodies:
            said.append(f"{one.name}: T30 came as promised, within two standard errors.")
    groups: dict[int, list[str]] = {}
    for one in result.rows:
        groups.setdefault(one.group, []).append(one.name)
    for names in groups.values():
        if len(names) > 1:
            said.append(f"Not distinguishable by anything simulated: {', '.join(names)}.")
    return said


def cautions(result: Suggested) -> list[str]:
    """Give what can hurt someone, each with the items that carry it."""
    marks: dict[str, dict[str, None]] = {}
    for one in result.layouts:
        for item in () if one.layout is None else one.layout.items:
            for key in item.treatment.cautions:
                marks.setdefault(key, {})[item.name] = None
        for found in one.findings:
            if found.caution:
                marks.setdefault(found.caution, {}).update(dict.fromkeys(found.items))
    return [
        f"{', '.join(names)}: {CAUTIONS[key]}" if names else CAUTIONS[key]
        for key, names in marks.items()
    ]


def suggestion_json(result: Suggested) -> str:
    """Give all numbers as JSON; what is not known is null."""
    content = {
        "title": result.scene.title,
        "use": result.judge.aim.use,
        "budget": result.budget,
        "currency": result.currency,
        "counted_from_hz": _number(result.judge.lowest_hz),
        "early_counts": result.judge.early_counts,
        "layouts_judged": result.n_judged,
        "options": result.n_option,
        "places": result.n_spot,
        "search_s": _number(result.search_s),
        "is_confirmed": result.is_confirmed,
        "flat_share": FLAT_SHARE,
        "layouts": [_row(result, one) for one in result.rows],
        "sentences": sentences(result),
        "cautions": cautions(result),
        "limits": list(LIMITS),
    }
    return json.dumps(content, indent=1, ensure_ascii=False, allow_nan=False) + "\n"


def _row(result: Suggested, one: Judged) -> dict[str, Any]:
    items = () if one.layout is None else one.layout.items
    return {
        "name": one.name,
        "is_suggested": bool(one.why),
        "why": one.why,
        "price": _amounts(one.bill.price),
        "whole_packs": _amounts(one.bill.to_buy),
        "items": [
            {
                "name": i.name, "treatment": i.treatment.name, "on": i.on, "corner": i.corner,
                "from_m": dict(i.from_m), "size_m": list(i.size_m), "gap_m": i.gap_m,
                "turn_deg": i.turn_deg, "fixing": i.fixing,
            }
            for i in items
        ],
        "findings": [
            {"kind": f.kind, "items": list(f.items), "rule": f.rule, "sentence": f.sentence}
            for f in one.findings
        ],
        "by_formula": list(one.bodies),
        "promised": _parts(one.promised, one.promised_error_s.tolist()),
        "simulated": _parts(
            one.confirmed,
            [] if one.confirmed_error_s is None else one.confirmed_error_s.tolist(),
        ),
        "missed": list(one.missed(result.judge.lowest_hz)),
        "group": one.group or None,
    }  # fmt: skip


def _amounts(money: Money) -> dict[str, float | None]:
    return {key: _number(getattr(money, key)) for key in ("low", "likely", "high")}


def _parts(parts: Parts | None, error_s: Sequence[float]) -> dict[str, Any] | None:
    if parts is None:
        return None
    labels = [label for label, _ in OCTAVES]
    return {
        "decay_steps": _number(parts.decay),
        "early_steps": _number(parts.early),
        "balance_steps": _number(parts.balance),
        "strongest_early_db": _number(parts.strongest_db),
        "n_early": parts.n_early,
        "edt_mid_s": _number(parts.edt_mid_s),
        "t30_s": dict(zip(labels, map(_number, parts.t30_s), strict=True)),
        "t30_error_s": dict(zip(labels, map(_number, error_s), strict=False)),
    }


def _number(value: float) -> float | None:
    return float(f"{value:.6g}") if math.isfinite(value) else None


def write_suggested(result: Suggested, folder: Path) -> Path:
    """Write `suggested.json` into a folder; a file there is replaced.

    Raises
    ------
    StoreError
        RS-H05, RS-H06: it cannot be written.
    """
    target = replacement_target(folder / JSON_NAME)
    replace_file(target, suggestion_json(result).encode)
    return target
