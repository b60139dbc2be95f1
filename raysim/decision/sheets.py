"""The report's tables of layouts, states, early arrivals and what each item is worth.

Finished texts with their standard error; a dash where there is no number.
"""

from collections import Counter
from collections.abc import Iterator, Mapping
from dataclasses import replace
from typing import Final

from raysim.compare.leave_one_out import Worth
from raysim.decision.evidence import Evidence
from raysim.decision.judgement import Candidate, Verdict
from raysim.decision.words import called
from raysim.measures.pair import spread
from raysim.planning.book_page import Sheet, verdict_of
from raysim.report.numbers import NOTHING, amount, change, frequency, level, plus_minus

#: Octaves of the table of all layouts.
_SHOWN: Final = ("125", "250", "500", "1k", "2k", "4k")


def value_of(e: Evidence, name: str, measure: str, band: str) -> tuple[float, float]:
    """Give one figure of a layout and its standard error."""
    r = e.comparison.readings
    j, i = r.find(measure, band), r.index(name)
    if j is None:
        return float("nan"), float("nan")
    without = r.without[i]
    error = float("nan") if without is None else float(spread(without[:, j]))
    return float(r.value[i, j]), error


def with_error(value: tuple[float, float], resolution: float, is_level: bool = False) -> str:
    """Give a number with its standard error as text."""
    text = level(value[0]) if is_level else amount(value[0], resolution)
    return text if text == NOTHING else f"{text} {plus_minus(value[1], resolution)}".rstrip()


def _row(e: Evidence, v: Verdict, c: Candidate) -> tuple[str, ...]:
    price = NOTHING if c.price is None else f"{c.price.likely:.0f}"
    mass = f"{c.plan.bill.total_kg:.0f}" if c.plan is not None else "0"
    verdict = "as it is" if c.plan is None else verdict_of(c.plan)
    return (
        called(c), c.group, verdict, price, mass, with_error((c.steps, c.error), 0.1),
        *(with_error(value_of(e, c.name, "t30_s", band), 0.01) for band in _SHOWN),
        with_error(value_of(e, c.name, "c50_db", "mid"), 0.1, is_level=True),
    )  # fmt: skip


def _columns(e: Evidence) -> tuple[str, ...]:
    currency = e.comparison.currency
    return (
        "layout", "group", "may it go up?", _in("price", currency),
        "kg", "steps beyond", *(f"T30 {_hz(b)}, s" for b in _SHOWN), "C50, dB",
    )  # fmt: skip


def _in(what: str, currency: str) -> str:
    return f"{what}, {currency}" if currency else what


def _hz(label: str) -> str:
    return f"{label[:-1]} kHz" if label.endswith("k") else f"{label} Hz"


def layouts_sheet(e: Evidence, v: Verdict) -> Sheet:
    """Give all layouts in the verdict's state beside each other."""
    rows = tuple(_row(e, v, c) for c in v.candidates)
    columns = _columns(e)
    return Sheet("All layouts", columns, tuple(range(3, len(columns))), rows, "")


def states_sheet(e: Evidence) -> Sheet | None:
    """Give the same of all other states; None if there are none."""
    rows = tuple(
        (v.state, *_row(e, v, c))
        for v in e.verdicts
        if v.judged is e.first.judged and v.state != e.first.state
        for c in v.candidates
    )
    if not rows:
        return None
    columns = ("state", *_columns(e))
    return Sheet(
        "In other states of the room", columns, tuple(range(4, len(columns))), rows, ""
    )


def layouts_note(e: Evidence) -> str:
    """Say what the tables of layouts hold."""
    return (
        "Means over all pairs. ± is one standard error of the calculation; what the materials "
        "leave open is more. Layouts with the same letter cannot be told apart by anything "
        f"compared. T30 below {frequency(e.comparison.transition_hz)} is a hint. Steps are "
        "just-noticeable ones of decay time beyond the band that rooms of this use aim at, "
        "mean over its octaves that are no hints; 0 is inside."
    )


def early_sheet(e: Evidence, v: Verdict) -> Sheet:
    """Give the strongest early reflection of each layout, pair by pair."""
    told = {
        (x.layout, x.source, x.receiver): f"{level(x.level_db)} dB after {x.delay_ms:.1f} ms, "
        f"{', then '.join(x.surfaces)}"
        for x in e.comparison.early
    }
    pairs = [
        p
        for p in e.comparison.readings.pairs
        if any((c.name, *p) in told for c in v.candidates)
    ]
    rows = tuple(
        (called(c), *(told.get((c.name, *pair), NOTHING) for pair in pairs))
        for c in v.candidates
    )
    note = (
        "The strongest mirror-like reflection within 15 ms of the direct sound, re it, of "
        "pairs in line of sight. What comes off a treatment is named after it."
    )
    columns = ("layout", *(f"{source} → {receiver}" for source, receiver in pairs))
    return Sheet("The strongest early reflection", columns, (), rows if pairs else (), note)


def bass_sheet(e: Evidence, v: Verdict) -> Sheet | None:
    """Give how even the bass is in each layout, place by place; None if it is not known."""
    bass = e.comparison.bass
    if bass is None:
        return None
    known = [c for c in v.candidates if c.name in bass.layouts]
    if not known:
        return None
    pairs = [(s.source, s.receiver) for s in bass.seats_of(known[0].name)]
    rows = []
    for c in known:
        seats = {(s.source, s.receiver): s for s in bass.seats_of(c.name)}
        cells = []
        for pair in pairs:
            value = amount(seats[pair].at_place("bass_range_db"), 1.0)
            near = plus_minus(seats[pair].spread("bass_range_db"), 1.0)
            ringing = seats[pair].ringing
            rings = (
                ""
                if ringing is None
                else f"{amount(ringing.decay_s, 0.01)} s at {ringing.freq_hz:.0f} Hz"
            )
            cells += [f"{value} {near}".rstrip(), rings or NOTHING]
        rows.append((called(c), *cells))
    heads = [h for s, r in pairs for h in (f"{s} → {r}: range, dB", "rings longest")]
    return Sheet(
        "Bass of all layouts",
        ("layout", *heads),
        tuple(1 + 2 * i for i in range(len(pairs))),
        tuple(rows),
        f"From highest to lowest level, {bass.low_hz:.0f} to {bass.high_hz:.0f} Hz; ± is what "
        "10 cm to any side make of it. What rings longest for its pitch stands beside it.",
    )


def worth_sheets(e: Evidence) -> Iterator[Sheet]:
    """Give what each item is worth, of layouts traced without each."""
    currency = e.comparison.currency
    for judged in e.comparison.judged:
        for layout, items in judged.worth.items():
            if items:
                yield Sheet(
                    f"What each item of {layout} is worth, the first to drop on top",
                    (
                        "item", "steps lost without it", "heard?",
                        _in("saved", currency), "missed by",
                    ),
                    (1, 3),
                    tuple(_worth_row(one) for one in items),
                    "Steps: just-noticeable ones further from the aim of rooms for "
                    f"{judged.reached.aim.words}. Items help each other: ask again after "
                    "leaving one out.",
                )  # fmt: skip


def spared_sheets(e: Evidence) -> Iterator[Sheet]:
    """Give the same by formula, of layouts that were not."""
    currency = e.comparison.currency
    for name, items in e.spared.items():
        if items:
            yield Sheet(
                f"What each item of {name} is worth by formula, the first to drop on top",
                ("item", "steps lost without it", _in("saved", currency), "kg"),
                (1, 2, 3),
                tuple(
                    (s.item, change(s.lost_steps, 0.1), f"{s.saved:.0f}", f"{s.mass_kg:.1f}")
                    for s in items
                ),
                "By Eyring's formula: a hint, which does not know where an item hangs. Ordered "
                "by steps lost for the money saved.",
            )  # fmt: skip


def drop_order(e: Evidence, layout: str) -> tuple[dict[str, int], str]:
    """Give what to leave out first, second and so on, and how that is known.

    Parameters
    ----------
    e : Evidence
    layout : str
        As the scene calls it.

    Returns
    -------
    (dict of str to int, str)
        By item, from 1; "traced", "formula", or empty where nothing is known.
    """
    name = next((c.name for c in e.first.candidates if c.layout == layout), "")
    traced, by_formula = e.first.judged.worth.get(name, ()), e.spared.get(name, ())
    items = [one.item for one in traced or by_formula]
    how = ("traced" if traced else "formula") if items else ""
    return {item: i + 1 for i, item in enumerate(items)}, how


def with_drop_order(sheet: Sheet, order: Mapping[str, int], how: str) -> Sheet:
    """Add what to leave out first to a table whose rows begin with an item.

    Examples
    --------
    >>> one = Sheet("What", ("mark", "kg"), (1,), (("W1", "7"), ("W2", "7")), "")
    >>> with_drop_order(one, {"W2": 1, "W1": 2}, "traced").rows
    (('W1', '2', '7'), ('W2', '1', '7'))
    """
    if not order:
        return sheet
    known = "as traced" if how == "traced" else "by Eyring's formula, a hint"
    return replace(
        sheet,
        columns=(sheet.columns[0], "drop order", *sheet.columns[1:]),
        numeric=(1, *(i + 1 for i in sheet.numeric)),
        rows=tuple(
            (row[0], f"{order[row[0]]}" if row[0] in order else NOTHING, *row[1:])
            for row in sheet.rows
        ),
        note=f"{sheet.note} Drop order: what to leave out first if something has to go, "
        f"{known}; ask again after the first.",
    )


def _worth_row(one: Worth) -> tuple[str, ...]:
    return (
        one.item,
        f"{change(one.lost_steps, 0.1)} {plus_minus(one.error, 0.1)}".rstrip(),
        "yes" if one.is_heard else "no",
        NOTHING if one.saved is None else f"{one.saved:.0f}",
        ", ".join(m.rsplit("_", 1)[0].upper() for m in one.missed_by) or "nothing",
    )


def counted(sheet: Sheet) -> Sheet:
    """Give each row once, with how often it occurs in a first column.

    Examples
    --------
    >>> counted(Sheet("Boards", ("board", "left"), (1,), (("a", "97"), ("a", "97")), "")).rows
    (('2', 'a', '97'),)
    """
    if not sheet.rows:
        return sheet
    return Sheet(
        sheet.title,
        ("pieces", *sheet.columns),
        (0, *(i + 1 for i in sheet.numeric)),
        tuple((f"{n}", *row) for row, n in Counter(sheet.rows).items()),
        sheet.note,
    )
