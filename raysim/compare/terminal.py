"""A comparison for the terminal: figures, aims with prices, what to drop, and sentences."""

import math

from rich import box
from rich.console import Group, RenderableType
from rich.table import Table
from rich.text import Text

from raysim.compare.bass import BassCompared
from raysim.compare.bass_sentences import listed
from raysim.compare.comparison import Comparison, Judged
from raysim.compare.evenness import wave_octaves
from raysim.compare.sentences import LIMITS, sentences
from raysim.report.numbers import (
    NOTHING,
    amount,
    band_name,
    change,
    frequency,
    index_of_one,
    level,
    plus_minus,
)

#: Means over pairs that are shown: measure, band, head, resolution.
_SHOWN = (
    ("t30_s", "125", "T30 125 Hz, s", 0.01),
    ("t30_s", "250", "250", 0.01),
    ("t30_s", "500", "500", 0.01),
    ("t30_s", "1k", "1 kHz", 0.01),
    ("t30_s", "2k", "2 kHz", 0.01),
    ("t30_s", "4k", "4 kHz", 0.01),
    ("c50_db", "mid", "C50, dB", 0.1),
    ("g_db", "mid", "G, dB", 0.1),
    ("sti", "", "STI", 0.01),
)


def comparison_page(comparison: Comparison) -> RenderableType:
    """Give all of a comparison that a terminal shows, to print with rich."""
    parts: list[RenderableType] = [_figures(comparison)]
    if len(comparison.layouts) > 1:
        parts.append(_apart(comparison))
    for judged in comparison.judged:
        parts.append(_aim(comparison, judged))
        if judged.states:
            parts.append(_states(comparison, judged))
        parts += [_drop(comparison, judged, name) for name in judged.worth]
    if comparison.bass is not None:
        parts.append(_bass(comparison.bass))
    said = [Text(f"- {one}") for one in sentences(comparison)]
    limits = [Text(f"- {one}", style="dim") for one in LIMITS]
    return Group(*parts, *said, Text(""), *limits)


def _table(title: str, caption: str = "") -> Table:
    return Table(
        title=Text(title), caption=caption or None, title_justify="left",
        caption_justify="left", box=box.SIMPLE_HEAD,
    )  # fmt: skip


def _figures(c: Comparison) -> Table:
    table = _table(
        f"{c.title}: the layouts",
        "Means over pairs. Layouts of a state with one letter cannot be told apart by anything "
        f"compared. T30 below {frequency(c.transition_hz)} is a hint{_by_waves(c)}.\n"
        f"{c.home.words}: {c.home.t30_s:g} s ({c.home.source}; {c.home.certainty}).",
    )
    table.add_column("layout")
    table.add_column("group")
    for _, _, head, _ in _SHOWN:
        table.add_column(head, justify="right")
    for i, name in enumerate(c.layouts):
        cells = []
        for measure, band, _, resolution in _SHOWN:
            j = c.readings.find(measure, band)
            value = math.nan if j is None else float(c.readings.value[i, j])
            cells.append(_value(measure, value, resolution))
        table.add_row(Text(name), _letter(c, name), *cells)
    return table


def _by_waves(c: Comparison) -> str:
    """Say which octaves are of another method than the rest."""
    octaves = [band_name(b) for b in wave_octaves(c.readings)]
    return f"; so is that of {listed(octaves)}, by waves, the rest by rays" if octaves else ""


def _letter(c: Comparison, name: str) -> str:
    number = next(i for i, group in enumerate(c.groups) if name in group)
    return chr(ord("a") + number) if number < 26 else str(number + 1)


def _value(measure: str, value: float, resolution: float) -> str:
    if measure == "sti":
        return index_of_one(value)
    return level(value) if measure.endswith("_db") else amount(value, resolution)


def _apart(c: Comparison) -> Table:
    several = len(c.states) > 1
    table = _table(
        f"What can be heard, from {c.layouts[0]}{' in the same state' if several else ''}",
        f"Means over pairs that exceed one just-noticeable difference and {c.found.factor:.1f} "
        "standard errors (corrected for how many are looked at).",
    )
    table.add_column("layout")
    table.add_column("changes")
    firsts = {name: of[0] for of in c.states.values() for name in of}
    for name in c.layouts:
        first = firsts[name]
        if name == first:
            continue
        told = [d for d in c.found.distinguishable(first, name) if not d.quantity.source]
        parts = []
        for d in told:
            q = d.quantity
            resolution = 0.1 if q.unit == "dB" else 0.01
            words = f"{q.measure.rsplit('_', 1)[0].upper()} {q.band}".strip()
            unit = "" if q.unit == "1" else f" {q.unit}"
            parts.append(f"{words} {change(d.value, resolution)}{unit}")
        table.add_row(Text(name), Text(", ".join(parts) or "nothing"))
    return table


def _aim(c: Comparison, judged: Judged) -> Table:
    aim = judged.reached.aim
    bands = ", ".join(f"{b.band} {b.low_s:.2f}–{b.high_s:.2f}" for b in aim.bands)
    sources = "; ".join(dict.fromkeys(f"{b.source} ({b.certainty})" for b in aim.bands))
    table = _table(
        f"The usual aim of rooms for {aim.words}",
        "\n".join((f"T30 by octave, s: {bands}", f"Source: {sources}", *aim.remarks)),
    )
    table.add_column("layout")
    table.add_column("price" + (f", {c.currency}" if c.currency else ""), justify="right")
    table.add_column("steps beyond", justify="right")
    table.add_column("octaves inside", justify="right")
    table.add_column("worth its price")
    lines = {} if judged.front is None else {x.layout: x for x in judged.front.lines}
    for i, name in enumerate(judged.reached.layouts):
        steps, error = float(judged.reached.steps[i]), float(judged.reached.error[i])
        price = c.prices.get(name)
        line = lines.get(name)
        verdict = NOTHING
        if line is not None:
            verdict = "yes" if line.is_on_front else f"no: {line.instead}"
        inside = int((judged.reached.beyond[i] == 0.0).sum())
        table.add_row(
            Text(name),
            NOTHING if price is None else f"{price.likely:.0f}",
            f"{amount(steps, 0.1)} {plus_minus(error, 0.1)}".rstrip(),
            f"{inside} of {len(aim.counted)}",
            Text(verdict),
        )
    return table


def _states(c: Comparison, judged: Judged) -> Table:
    """Put layouts beside states: steps beyond the aim in each."""
    table = _table(
        f"States of the room, against the aim of rooms for {judged.reached.aim.words}",
        "Steps beyond the aim. Layouts are grouped within each state; a state is no choice.",
    )
    table.add_column("layout")
    states = list(c.states)
    for state in states:
        table.add_column(state or "as described", justify="right")
    names = {(one.layout, one.state): name for name, one in c.conditions.items()}
    reached = judged.reached
    for layout in dict.fromkeys(one.layout for one in c.conditions.values()):
        cells = []
        for state in states:
            name = names.get((layout, state))
            if name is None:
                cells.append(NOTHING)
                continue
            error = float(reached.error[reached.layouts.index(name)])
            cells.append(f"{amount(reached.of(name), 0.1)} {plus_minus(error, 0.1)}".rstrip())
        table.add_row(Text(layout or "as described"), *cells)
    return table


def _bass(bass: BassCompared) -> Table:
    table = _table(
        f"The bass, {bass.low_hz:.0f} Hz to {frequency(bass.high_hz)}",
        "Evenness: highest over lowest level up to 300 Hz, mean over pairs, and how far 10 cm "
        "take it at most. Rings: the standing wave that outlasts the published limits by most, "
        "with what materials may make of it.",
    )
    table.add_column("layout")
    for head in ("evenness, dB", "deepest dip", "rings", "limits, s"):
        table.add_column(head, justify="right")
    for name in bass.layouts:
        seats = bass.seats_of(name)
        mean = sum(s.at_place("bass_range_db") for s in seats) / len(seats)
        most = max(s.spread("bass_range_db") for s in seats)
        dip = max(seats, key=lambda s: s.at_place("bass_dip_db"))
        known = [s.ringing for s in seats if s.ringing is not None]
        worst = max(known, key=lambda r: r.decay_s / r.limit_high_s, default=None)
        table.add_row(
            Text(name),
            f"{amount(mean, 1.0)} {plus_minus(most, 1.0)}".rstrip(),
            f"{amount(dip.at_place('bass_dip_db'), 1.0)} dB at {frequency(dip.dip_hz)}",
            NOTHING
            if worst is None
            else f"{worst.freq_hz:.0f} Hz {amount(worst.decay_s, 0.01)} s "
            f"({amount(worst.decay_low_s, 0.01)}–{amount(worst.decay_high_s, 0.01)})",
            NOTHING
            if worst is None
            else f"{worst.verdict} {worst.limit_low_s:.2f}–{worst.limit_high_s:.2f}",
        )
    return table


def _drop(c: Comparison, judged: Judged, layout: str) -> Table:
    table = _table(
        f"What to drop first of {layout}, in a room for {judged.reached.aim.words}",
        "Steps: just-noticeable ones further from the aim without the item.",
    )
    table.add_column("item")
    table.add_column("steps lost", justify="right")
    table.add_column("heard")
    table.add_column("saved" + (f", {c.currency}" if c.currency else ""), justify="right")
    table.add_column("told by")
    for one in judged.worth[layout]:
        table.add_row(
            Text(one.item),
            f"{change(one.lost_steps, 0.1)} {plus_minus(one.error, 0.1)}".rstrip(),
            "yes" if one.is_heard else "no",
            NOTHING if one.saved is None else f"{one.saved:.0f}",
            ", ".join(one.missed_by) or "nothing",
        )
    return table
