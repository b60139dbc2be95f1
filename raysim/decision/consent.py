"""One sheet for whoever has to agree: landlord, client, committee. Plain words, no jargon.

It says what is wrong, what goes up and what it leaves behind, what to get in writing, what
it costs, what will change and what will not. It asks for a signature and is no permit. The
same sheet may be had in another language, to stand beside the English one: what is not our
own phrase is not translated, and it says so.
"""

import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from raysim.compare.comparison import Comparison
from raysim.decision.judgement import Verdict
from raysim.decision.languages import ENGLISH, Language
from raysim.decision.words import middle_s, money
from raysim.planning.bill import Bill, piece_size_m
from raysim.planning.book import Plan
from raysim.planning.book_page import sentence_of
from raysim.planning.checks import STANDING
from raysim.planning.elevations import DRILLED
from raysim.report.numbers import amount
from raysim.scene.model import Scene

_GLUED: Final = ("glued", "strips")
#: Sizes among the words of a treatment, which stand beside them.
_SIZE: Final = re.compile(r",? \d+(?: x \d+)+ mm(?=[,:]|$)")


@dataclass(frozen=True, slots=True)
class ConsentSheet:
    """The sheet, ready to show."""

    language: str  # its code
    title: str
    about: str
    parts: tuple[tuple[str, tuple[str, ...]], ...]  # heading, lines
    signatures: tuple[str, ...]
    date: str
    note: str


def consent_sheet(
    scene: Scene,
    verdict: Verdict,
    plan: Plan,
    comparison: Comparison,
    language: Language = ENGLISH,
) -> ConsentSheet:
    """Write the sheet of one layout.

    Parameters
    ----------
    scene : Scene
    verdict : Verdict
        That shows the layout.
    plan : Plan
    comparison : Comparison
    language : Language, optional

    Returns
    -------
    ConsentSheet
        With the same parts in every language.
    """
    say = language.say
    parts = [
        ("head wrong", _problem(verdict, comparison, language)),
        ("head up", _goes_up(plan, language)),
        ("head weight", _weight(plan, language)),
        ("head holes", _holes(plan, language)),
        ("head fire", _fire(plan.bill, language)),
        ("head cost", _cost(scene, plan, language)),
        ("head change", _change(verdict, comparison, language)),
        ("head not", [say("not")]),
        ("head ask", _ask(plan, language)),
    ]
    about = " ".join(plan.layout.about.split())
    return ConsentSheet(
        language=language.code,
        title=say("title", scene=scene.title, layout=plan.layout.name),
        about=about if language is ENGLISH else say("free text"),
        parts=tuple((say(head), tuple(lines)) for head, lines in parts if lines),
        signatures=(say("sign by"), say("sign owner"), say("sign fire")),
        date=say("date"),
        note=say("note"),
    )


def _as_written(lines: Sequence[str], language: Language) -> list[str]:
    """Give texts that are not ours to translate; beside English, how many they are."""
    if language is ENGLISH or not lines:
        return list(lines)
    return [language.say("as written", n=f"{len(lines)}")]


def _problem(verdict: Verdict, comparison: Comparison, language: Language) -> list[str]:
    bare = verdict.bare
    if bare is None:
        return []
    aim, say = verdict.judged.reached.aim, language.say
    counted = aim.counted
    low, high = min(b.low_s for b in counted), max(b.high_s for b in counted)
    now = amount(middle_s(comparison, bare.name), 0.01)
    aims = say("between" if low > 0.0 else "at most", low=f"{low:.2f}", high=f"{high:.2f}")
    lines = [say("wrong", now=now, use=say(f"use {aim.use}"), aims=aims)]
    if any(c.purpose == "quieter" and c.name == verdict.shown.name for c in verdict.choices):
        lines.append(say("loud"))
    return lines


def _goes_up(plan: Plan, language: Language) -> list[str]:
    """List what goes up by kind and size, with how many and on what."""
    kinds: dict[tuple[str, str, str, str], tuple[int, list[str]]] = {}
    for item in plan.layout.items:
        size = " x ".join(f"{1000.0 * side:.0f}" for side in piece_size_m(item)) + " mm"
        key = (_SIZE.sub("", item.treatment.about), item.treatment.family, size, item.fixing)
        n, marks = kinds.get(key, (0, []))
        kinds[key] = (n + item.n_piece, [*marks, item.name])
    lines = []
    for (about, family, size, fixing), (n, marks) in kinds.items():
        name = about if language is ENGLISH else language.say(f"kind {family}")
        held = language.say(f"held {fixing}") if fixing else ""
        what = ", ".join(filter(None, (name, size, held)))
        lines.append(f"{n} x {what} ({', '.join(marks)})")
    if plan.layout.without:
        lines.append(language.say("moved", names=", ".join(plan.layout.without)))
    return lines


def _weight(plan: Plan, language: Language) -> list[str]:
    bill, say = plan.bill, language.say
    hung = [x for x in bill.items if x.item.fixing in (*DRILLED, *_GLUED)]
    standing = sum(x.mass_kg for x in bill.items if x.item.treatment.family in STANDING)
    said = [say("weight all", kg=f"{bill.total_kg:.0f}")]
    if hung:
        heaviest = max(hung, key=lambda x: x.piece_kg)
        said.append(say("weight hung", kg=f"{heaviest.piece_kg:.1f}"))
    if standing:
        said.append(say("weight floor", kg=f"{standing:.0f}"))
    return [f"{'; '.join(said)}."]


def _holes(plan: Plan, language: Language) -> list[str]:
    items, say = plan.layout.items, language.say
    holes = [i for i in items if i.fixing in DRILLED]
    glue = [i for i in items if i.fixing in _GLUED]
    lines = []
    if holes:
        n = sum(i.n_piece for i in holes)
        on = ", ".join(dict.fromkeys(i.on for i in holes))
        lines.append(say("holes", n=f"{n}", on=on) if n > 1 else say("one hole", on=on))
    if glue:
        lines.append(say("glue", names=", ".join(i.name for i in glue)))
    if not holes and not glue:
        lines.append(say("no holes"))
    leaves = dict.fromkeys(i.treatment.leaves.rstrip(".") for i in items if i.treatment.leaves)
    if leaves:
        lines.append(say("leaves", what="; ".join(leaves).lower()))
    return lines


def _fire(bill: Bill, language: Language) -> list[str]:
    asked = dict.fromkeys(
        f"{line.good.about}: {line.good.fire}" for line in bill.goods if line.good.fire
    )
    if not asked:
        return [language.say("no fire")]
    return [*_as_written(list(asked), language), language.say("fire")]


def _cost(scene: Scene, plan: Plan, language: Language) -> list[str]:
    bill, say = plan.bill, language.say
    price, budget = bill.price, scene.rules.budget
    spread = ""
    if price.high > price.low:
        spread = say("spread", low=f"{price.low:.0f}", high=f"{price.high:.0f}")
    said = say(
        "cost", price=money(price.likely, bill.currency), spread=spread,
        buy=money(bill.to_buy.likely, bill.currency), spare=f"{100 * bill.spare:.0f}",
    )  # fmt: skip
    return [said + (say("budget", budget=f"{budget:.0f}") if budget is not None else "")]


def _change(verdict: Verdict, comparison: Comparison, language: Language) -> list[str]:
    pick, bare, say = verdict.shown, verdict.bare, language.say
    if bare is None or not pick.layout:
        return []
    a, b = middle_s(comparison, bare.name), middle_s(comparison, pick.name)
    told = comparison.found.distinguishable(bare.name, pick.name)
    if not told:
        return [say("change none")]
    by = {d.quantity.measure for d in told if not d.quantity.source}
    times = {"before": amount(a, 0.01), "after": amount(b, 0.01)}
    lines = [
        say("change faster", times=f"{a / b:.1f}", **times)
        if a > b
        else say("change longer", **times)
    ]
    if {"c50_db", "sti"} & by:
        lines.append(say("change clear"))
    if "g_db" in by:
        lines.append(say("change quiet"))
    return lines


def _ask(plan: Plan, language: Language) -> list[str]:
    asked = [sentence_of(f) for f in plan.findings if f.kind in ("forbidden", "ask")]
    lines = _as_written(asked, language)
    if any(i.fixing in DRILLED for i in plan.layout.items):
        lines.append(language.say("drill"))
    return lines
