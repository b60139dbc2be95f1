"""One sheet for whoever has to agree: landlord, client, committee. Plain words, no jargon.

It says what is wrong, what goes up and what it leaves behind, what to get in writing, what
it costs, what will change and what will not. It asks for a signature and is no permit.
"""

import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from raysim.compare.comparison import Comparison
from raysim.decision.judgement import Verdict
from raysim.decision.words import middle_s, money
from raysim.planning.bill import Bill, piece_size_m
from raysim.planning.book import Plan
from raysim.planning.book_page import sentence_of
from raysim.planning.checks import STANDING
from raysim.report.numbers import amount
from raysim.scene.model import Scene

_HOLES: Final = ("screwed", "hung", "on rail")
_GLUED: Final = ("glued", "strips")
#: Sizes among the words of a treatment, which stand beside them.
_SIZE: Final = re.compile(r",? \d+(?: x \d+)+ mm(?=[,:]|$)")
#: What nobody must expect.
WILL_NOT: Final = (
    "It will not stop noise, in or out: neighbours hear as much as before, and the room hears "
    "as much of them. That takes mass, seals or a quieter source."
)


@dataclass(frozen=True, slots=True)
class ConsentSheet:
    """The sheet, ready to show."""

    title: str
    about: str
    parts: tuple[tuple[str, tuple[str, ...]], ...]  # heading, lines
    signatures: tuple[str, ...]
    note: str


def consent_sheet(
    scene: Scene, verdict: Verdict, plan: Plan, comparison: Comparison
) -> ConsentSheet:
    """Write the sheet of one layout.

    Parameters
    ----------
    scene : Scene
    verdict : Verdict
        That shows the layout.
    plan : Plan
    comparison : Comparison

    Returns
    -------
    ConsentSheet
    """
    parts = [
        ("What is wrong", _problem(verdict, comparison)),
        ("What goes up", _goes_up(plan)),
        ("Weight", _weight(plan)),
        ("Holes, and how it comes off again", _holes(plan)),
        ("Fire", _fire(plan.bill)),
        ("What it costs", _cost(scene, plan)),
        ("What will change", _change(verdict, comparison)),
        ("What will not change", (WILL_NOT,)),
        ("To settle first", _ask(plan)),
    ]
    return ConsentSheet(
        title=f"{scene.title}: proposal “{plan.layout.name}”",
        about=" ".join(plan.layout.about.split()),
        parts=tuple((head, tuple(lines)) for head, lines in parts if lines),
        signatures=(
            "Proposed by", "Owner, landlord or committee", "Responsible for fire safety",
        ),
        note=(
            "Agreed as drawn, or with the changes written above. A proposal by calculation, "
            "not a permit and not structural or fire advice: local codes, insurers and "
            "licensed people decide."
        ),
    )  # fmt: skip


def _problem(verdict: Verdict, comparison: Comparison) -> list[str]:
    bare = verdict.bare
    if bare is None:
        return []
    aim = verdict.judged.reached.aim
    counted = aim.counted
    low, high = min(b.low_s for b in counted), max(b.high_s for b in counted)
    now = amount(middle_s(comparison, bare.name), 0.01)
    aims = f"{low:.2f} to {high:.2f} s" if low > 0.0 else f"at most {high:.2f} s"
    lines = [
        f"In the room as it is, sound takes {now} s to die away (by 60 dB, in the middle of "
        f"the range). Rooms for {aim.words} usually aim at {aims}."
    ]
    if any(c.purpose == "quieter" and c.name == verdict.shown.name for c in verdict.choices):
        lines.append("It is loud for those who play in it.")
    return lines


def _goes_up(plan: Plan) -> list[str]:
    """List what goes up by kind and size, with how many and on what."""
    kinds: dict[tuple[str, str, str], tuple[int, list[str]]] = {}
    for item in plan.layout.items:
        size = " x ".join(f"{1000.0 * side:.0f}" for side in piece_size_m(item)) + " mm"
        key = (_SIZE.sub("", item.treatment.about), size, item.fixing)
        n, marks = kinds.get(key, (0, []))
        kinds[key] = (n + item.n_piece, [*marks, item.name])
    lines = [
        f"{n} x {name}, {size}, {fixing} ({', '.join(marks)})"
        for (name, size, fixing), (n, marks) in kinds.items()
    ]
    if plan.layout.without:
        lines.append(f"Moved out for it: {', '.join(plan.layout.without)}.")
    return lines


def _weight(plan: Plan) -> list[str]:
    bill = plan.bill
    hung = [x for x in bill.items if x.item.fixing in (*_HOLES, *_GLUED)]
    standing = sum(x.mass_kg for x in bill.items if x.item.treatment.family in STANDING)
    said = [f"{bill.total_kg:.0f} kg in all"]
    if hung:
        heaviest = max(hung, key=lambda x: x.piece_kg)
        said.append(f"the heaviest piece that hangs {heaviest.piece_kg:.1f} kg")
    if standing:
        said.append(f"{standing:.0f} kg of it stand on the floor")
    return [f"{'; '.join(said)}."]


def _holes(plan: Plan) -> list[str]:
    items = plan.layout.items
    holes = [i for i in items if i.fixing in _HOLES]
    glue = [i for i in items if i.fixing in _GLUED]
    lines = []
    if holes:
        n = sum(i.n_piece for i in holes)
        on = ", ".join(dict.fromkeys(i.on for i in holes))
        lines.append(f"{n} piece{'s' * (n > 1)} on screws or hooks, in: {on}.")
    if glue:
        lines.append(f"Held by glue or strips: {', '.join(i.name for i in glue)}.")
    if not holes and not glue:
        lines.append("No holes and no glue: all of it stands or lies.")
    leaves = dict.fromkeys(i.treatment.leaves.rstrip(".") for i in items if i.treatment.leaves)
    if leaves:
        lines.append(f"Taken away, it leaves: {'; '.join(leaves).lower()}.")
    return lines


def _fire(bill: Bill) -> list[str]:
    asked = dict.fromkeys(
        f"{line.good.about}: {line.good.fire}" for line in bill.goods if line.good.fire
    )
    if not asked:
        return ["No paper is asked for by the price file. Ask whoever answers for fire safety."]
    return [*asked, "Papers to hand over before anything goes up."]


def _cost(scene: Scene, plan: Plan) -> list[str]:
    bill = plan.bill
    spread = f" ({bill.price.low:.0f} to {bill.price.high:.0f})" * (
        bill.price.high > bill.price.low
    )
    said = (
        f"{money(bill.price.likely, bill.currency)}{spread} for what goes into it; "
        f"{money(bill.to_buy.likely, bill.currency)} in whole packs with "
        f"{100 * bill.spare:.0f} % spare. Work is not counted."
    )
    budget = scene.rules.budget
    return [said + (f" The budget is {budget:.0f}." if budget is not None else "")]


def _change(verdict: Verdict, comparison: Comparison) -> list[str]:
    pick, bare = verdict.shown, verdict.bare
    if bare is None or not pick.layout:
        return []
    a, b = middle_s(comparison, bare.name), middle_s(comparison, pick.name)
    told = comparison.found.distinguishable(bare.name, pick.name)
    if not told:
        return ["Nothing that we can promise to be heard."]
    by = {d.quantity.measure for d in told if not d.quantity.source}
    lines = [
        f"Sound dies away {a / b:.1f} times as fast: {amount(b, 0.01)} s instead of "
        f"{amount(a, 0.01)} s. By calculation; 10 to 30 % off is usual in a small room."
        if a > b
        else f"Sound lasts {amount(b, 0.01)} s instead of {amount(a, 0.01)} s."
    ]
    if {"c50_db", "sti"} & by:
        lines.append("Words come out clearer, and a recording has less of the room in it.")
    if "g_db" in by:
        lines.append("The room is less loud for those in it.")
    return lines


def _ask(plan: Plan) -> Sequence[str]:
    asked = [sentence_of(f) for f in plan.findings if f.kind in ("forbidden", "ask")]
    if any(i.fixing in _HOLES for i in plan.layout.items):
        asked.append(
            "Before drilling: look for cables, pipes and asbestos, and leave what is found to "
            "people licensed for it."
        )
    return asked
