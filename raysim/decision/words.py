"""The verdict in plain sentences: what to take, what not, what to leave out first.

Each sentence is made from the numbers it names, and says only what they bear out.
"""

import math
from collections.abc import Iterator, Mapping, Sequence
from typing import Final

from raysim.compare.bass_sentences import listed
from raysim.compare.comparison import Comparison
from raysim.compare.sentences import drop_first
from raysim.decision.judgement import Candidate, Trap, Verdict, lowered_db
from raysim.decision.spared import Spared
from raysim.planning.book import Plan
from raysim.planning.book_page import sentence_of
from raysim.report.finding import Finding
from raysim.report.numbers import amount, band_name, with_error
from raysim.scene.model import Scene

#: Octaves whose mean is "the middle of the range".
_MIDDLE: Final = ("500", "1k", "2k")
#: Less than this is no step: figures are told to a tenth.
_NO_STEP: Final = 0.05


def called(candidate: Candidate) -> str:
    """Give what to call a layout in a sentence."""
    return candidate.name if candidate.layout else "the room as it is"


def money(value: float, currency: str) -> str:
    """Give a sum with its currency."""
    return f"{value:.0f} {currency}".rstrip()


def middle_s(comparison: Comparison, name: str) -> float:
    """Give T30 in the middle of the range, mean of three octaves."""
    return sum(comparison.readings.t30_s(name, b) for b in _MIDDLE) / len(_MIDDLE)


def headline(verdict: Verdict, comparison: Comparison) -> Finding:
    """Say which layout to take, and what it does."""
    pick, bare = verdict.pick, verdict.bare
    words = verdict.judged.reached.aim.words
    where = f" in the state “{verdict.state}”" if verdict.state else ""
    if not pick.layout:
        return Finding(
            "watch",
            f"For {words}{where}: leave the room as it is",
            "Of the layouts that may go up, none comes nearer the usual aim for certain and "
            f"to the ear. {_far(pick)} {_remark(verdict)}".strip(),
        )
    does = ""
    if bare is not None:
        a, b = middle_s(comparison, bare.name), middle_s(comparison, pick.name)
        does = (
            f"Sound lingers {amount(b, 0.01)} s in the middle of the range instead of "
            f"{amount(a, 0.01)} s. "
        )
    firm = _firm(verdict, bare)
    assert pick.plan is not None
    asks = sum(f.kind == "ask" for f in pick.plan.findings)
    ask = f" Ask first: {asks} point{'s' * (asks > 1)} below." if asks else ""
    return Finding(
        "fine",
        f"For {words}{where}: take {pick.name}, {_price(pick, comparison.currency)}",
        f"{does}{_far(pick)} Nothing that costs less and may go up is as near "
        f"for certain.{_as_near(verdict)}{firm}{ask}",
    )


def _firm(verdict: Verdict, bare: Candidate | None) -> str:
    """Say in how many draws of places and materials the choice beats the room as it is."""
    said = []
    for held in verdict.judged.held:
        share = math.nan if bare is None else held.of(verdict.pick.name, bare.name)
        if math.isfinite(share):
            what = "materials" if held.what == "materials" else "places within 10 cm"
            said.append(f"{round(100.0 * share)} of 100 draws of {what}")
    if not said:
        return ""
    return f" It is nearer than the room as it is in {' and in '.join(said)}."


def _outlast(c: Candidate, by_rays: bool) -> str:
    """Say how much longer lows last than highs, of which octaves and by which method."""
    by = ", by rays," if by_rays else ""
    return (
        f"At {_bands(c.lows)}{by} sound lasts {with_error(c.tilt, c.tilt_error, 0.01)} times "
        "as long as at 2 and 4 kHz"
    )


def _by_waves(c: Candidate) -> str:
    """Say what waves tell of the same, each method held against itself; empty if nothing."""
    if c.kept is None:
        return ""
    (low_s, was_low_s), (high_s, was_high_s) = c.kept.low_s, c.kept.high_s
    return (
        f" By waves, a hint, it is the same at {_bands(c.kept.lows)}: {amount(low_s, 0.01)} s "
        f"are left of {amount(was_low_s, 0.01)} s there, and at 2 and 4 kHz, by rays, "
        f"{amount(high_s, 0.01)} s of {amount(was_high_s, 0.01)} s."
    )


def _bands(labels: Sequence[str]) -> str:
    return listed([band_name(b) for b in labels])


def _as_near(verdict: Verdict) -> str:
    """Say what may be as near: what costs more, and what is less certain to be near at all."""
    price = verdict.pick.price
    near = [c for c in map(verdict.of, verdict.as_near) if c.layout and c.price and price]
    dearer = [c.name for c in near if price and c.price and c.price.likely >= price.likely]
    others = [c.name for c in near if c.name not in dearer]
    said = ""
    if dearer:
        cost = "costs no less" if len(dearer) == 1 else "cost no less"
        said += f" {listed(dearer)} may be as near, and {cost}."
    if others:
        said += (
            f" {listed(others)} may be as near and cheaper, but cannot be told from what "
            "costs less still."
        )
    return said


def _price(candidate: Candidate, currency: str) -> str:
    if candidate.price is None:
        return "of unknown price"
    return money(candidate.price.likely, currency)


def _far(candidate: Candidate) -> str:
    if not math.isfinite(candidate.steps):
        return "How far it is from the aim is not known."
    if candidate.steps < 0.1:
        return "It lies within the usual aim."
    return (
        f"It lies {amount(candidate.steps, 0.1)} just-noticeable steps beyond the usual aim, "
        "mean over the octaves that count."
    )


def _remark(verdict: Verdict) -> str:
    remarks = verdict.judged.reached.aim.remarks
    return remarks[0] if verdict.judged.reached.aim.use == "ensemble" and remarks else ""


def other_choices(verdict: Verdict, comparison: Comparison) -> Iterator[Finding]:
    """Say what else to take, for less money, without holes, or against loudness."""
    pick = verdict.pick
    if pick.layout and pick.is_dull:
        yield Finding(
            "watch",
            f"{pick.name} takes more of the highs than of the lows",
            f"{_outlast(pick, bool(verdict.wave_octaves))}.{_by_waves(pick)} Deeper panels, or "
            "air behind them, would even it out.",
        )
    for choice in verdict.choices[1:]:
        c = verdict.of(choice.name)
        if choice.purpose == "first step":
            yield Finding(
                "note",
                f"To begin with less: {c.name}, {_price(c, comparison.currency)}",
                f"Of what costs less, it gains most for its money. {_far(c)}",
            )
        elif choice.purpose == "quieter" and verdict.bare is not None:
            lower = lowered_db(comparison, verdict.bare.name, c.name)
            yield Finding(
                "note",
                f"Against loudness: {c.name}, {_price(c, comparison.currency)}",
                f"It lowers the strength of sound in the room by {lower:.1f} dB, most of all "
                "that may go up. Loudness and liveliness pull against each other: the aim for "
                "decay does not know how loud players are. Hearing is a matter of hours and "
                "levels; local rules on noise at work say more.",
            )
        elif c.name != verdict.pick.name:
            yield Finding(
                "note",
                f"Without holes or glue: {c.name}, {_price(c, comparison.currency)}",
                f"All of it stands or lies. {_far(c)}",
            )


def nearer_but(verdict: Verdict, comparison: Comparison) -> Iterator[Finding]:
    """Say what would be nearer, and what forbids it."""
    for name in verdict.nearer_but:
        c = verdict.of(name)
        assert c.plan is not None
        yield Finding(
            "fault",
            f"{c.name} would come nearer, but may not go up as drawn",
            f"{_price(c, comparison.currency)}. {_far(c)} {_forbidden(c.plan)}",
        )


def _forbidden(plan: Plan) -> str:
    return " ".join(sentence_of(f) for f in plan.findings if f.kind == "forbidden")


def traps(verdict: Verdict, comparison: Comparison) -> Iterator[Finding]:
    """Say which layouts look better than they are, and why."""
    for number, trap in enumerate(verdict.traps):
        c = verdict.of(trap.name)
        head = {
            "dull": f"{c.name} takes the highs and leaves the lows",
            "worse": f"{c.name} takes the room further from the aim",
            "dead": f"{c.name} takes too much: the room gets too dead for the aim",
            "little": f"{c.name} looks treated and does little",
            "dear": f"{c.name} costs more than {trap.instead} and is no nearer for certain",
        }[trap.kind]
        if number == 0 and trap.kind in ("dull", "little"):
            head = f"The tempting wrong one: {head}"
        is_chosen = any(choice.name == trap.name for choice in verdict.choices)
        kind = "watch" if trap.kind == "dear" or is_chosen else "fault"
        yield Finding(kind, head, _why(trap, c, verdict, comparison))


def _why(trap: Trap, c: Candidate, verdict: Verdict, comparison: Comparison) -> str:
    parts = [f"{_price(c, comparison.currency)}."]
    pick = verdict.pick
    if trap.kind == "dull":
        bare = verdict.bare
        was = f" (in the room as it is: {bare.tilt:.2f} times)" if bare is not None else ""
        parts.append(
            f"{_outlast(c, bool(verdict.wave_octaves))}{was}: thin and soft things do that, "
            f"and rooms sound boxy or dull for it. A picture does not show it.{_by_waves(c)}"
        )
        if pick.layout:
            parts.append(
                f"With {pick.name} it lasts {with_error(pick.tilt, pick.tilt_error, 0.01)} "
                "times as long."
            )
    elif trap.kind == "dead":
        low_s = min(b.low_s for b in verdict.judged.reached.aim.counted)
        parts.append(
            f"Sound lasts {amount(trap.size, 0.01)} s, mean over the octaves that count; the "
            f"aim begins at {amount(low_s, 0.01)} s. Fewer pieces would come nearer."
        )
    elif trap.kind == "little" and trap.size < 0.0:
        parts.append("It comes no nearer the aim than the room as it is.")
    elif trap.kind == "little":
        parts.append(
            f"It goes {100.0 * trap.size:.0f} % of the way from the room as it is to the aim."
        )
    elif trap.kind == "worse":
        parts.append(f"{_far(c)} The room as it is lies nearer.")
    else:
        parts.append(
            f"{trap.instead} costs {_price(verdict.of(trap.instead), comparison.currency)}; "
            "the aim does not tell for certain that the dearer one is nearer."
        )
    if c.plan is not None and c.plan.is_forbidden:
        parts.append(f"And it may not go up as drawn: {_forbidden(c.plan)}")
    return " ".join(parts)


def alike(comparison: Comparison, names: Sequence[str]) -> Finding:
    """Say which layouts cannot be told apart by anything compared here."""
    together = [g for g in comparison.groups if sum(n in names for n in g) > 1]
    if not together:
        return Finding(
            "note",
            "Each layout can be told from every other",
            "By at least one measure, for certain and by at least one just-noticeable "
            "difference. That does not say that the difference matters.",
        )
    each = "; ".join(listed([n for n in g if n in names]) for g in together)
    return Finding(
        "note",
        f"Not distinguishable: {each}",
        "By nothing compared here, for certain and to the ear. Not told apart is not proven "
        "equal: choose by price, looks and what may go up.",
    )


def drops(
    verdict: Verdict, comparison: Comparison, by_formula: Mapping[str, Sequence[Spared]]
) -> Iterator[Finding]:
    """Say what to leave out first: as traced, or else by formula.

    Parameters
    ----------
    verdict : Verdict
    comparison : Comparison
    by_formula : dict of str to sequence of Spared
        By the name results are stored under.
    """
    names = [c.name for c in verdict.candidates if c.layout]
    for name in names:
        worth = verdict.judged.worth.get(name, ())
        if worth:
            yield Finding(
                "note",
                f"Drop this first: {worth[0].item}, of {name}",
                drop_first(worth, comparison.currency),
            )
    for name, items in by_formula.items():
        if verdict.judged.worth.get(name) or not items:
            continue
        one, c = items[0], verdict.of(name)
        over = ""
        if c.plan is not None:
            over = " ".join(
                f.sentence.partition(". ")[0] + "."
                for f in c.plan.findings
                if f.rule == "budget" and f.kind == "forbidden"
            )
        if abs(one.lost_steps) < _NO_STEP:
            does = "leaves the room as near the aim as with it"
        elif one.lost_steps < 0.0:
            does = f"takes the room {amount(-one.lost_steps, 0.1)} steps nearer to the aim"
        else:
            lost = amount(one.lost_steps, 0.1)
            does = f"takes the room {lost} steps further from the aim, the least for the money"
        yield Finding(
            "note",
            f"Drop this first, if something has to go: {one.item}, of {name}",
            f"{over} Leaving it out saves {money(one.saved, comparison.currency)} and "
            f"{does}: by Eyring's formula, a hint. "
            f"“raysim report SCENE --without-each {c.layout}” traces it.".strip(),
        )


def in_other_states(
    verdict: Verdict, others: Sequence[Verdict], comparison: Comparison
) -> Iterator[Finding]:
    """Say whether the choice holds when curtains are drawn or people are out."""
    same = [v for v in others if v.pick.layout == verdict.pick.layout]
    words = verdict.judged.reached.aim.words
    if same:
        where = "; ".join(
            f"“{v.state}” ({amount(middle_s(comparison, v.pick.name), 0.01)} s)" for v in same
        )
        head = f"The choice for {words} holds in other states"
        yield Finding("note", head, f"It is the same in {where}.")
    for v in others:
        if v not in same:
            told = headline(v, comparison)
            yield Finding("watch", told.headline, told.sentence)


def room_words(scene: Scene) -> str:
    """Give what a scene says of itself, on one line."""
    return " ".join(scene.about.split())
