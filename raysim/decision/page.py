"""All that the report shows, as dataclasses of finished texts and pictures.

Metric texts; the template puts feet, inches and pounds beside them.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Final

import raysim
from raysim.compare.sentences import LIMITS as COMPARED_LIMITS
from raysim.compare.sentences import sentences
from raysim.decision.consent import ConsentSheet, consent_sheet
from raysim.decision.evidence import Evidence
from raysim.decision.judgement import Verdict
from raysim.decision.languages import ENGLISH, Language
from raysim.decision.pictures import decay_note, decay_pictures, money_picture, room_pictures
from raysim.decision.sheets import (
    bass_sheet,
    counted,
    drop_order,
    early_sheet,
    layouts_note,
    layouts_sheet,
    spared_sheets,
    states_sheet,
    with_drop_order,
    worth_sheets,
)
from raysim.decision.verify import VerifyPage, verify_page
from raysim.decision.words import (
    alike,
    called,
    drops,
    headline,
    in_other_states,
    nearer_but,
    other_choices,
    room_words,
    traps,
)
from raysim.planning.book_page import BookPage, PlanPage, Sheet, book_page
from raysim.planning.cautions import CAUTIONS
from raysim.report.bass import BassPage, bass_page
from raysim.report.charts import arrival_map
from raysim.report.facts import LayoutFacts
from raysim.report.finding import KIND_WORDS, Finding
from raysim.report.limits import CAUTIONS as ON_EVERY_PAGE
from raysim.report.limits import limits_of
from raysim.report.numbers import amount, frequency, level
from raysim.report.pairs import PairFacts
from raysim.report.svg import Figure

#: What each kind of finding is called where something is to be decided.
_DECIDED: Final = {
    "fault": "Not this", "watch": "Mind this", "fine": "Take this", "note": "To know",
}  # fmt: skip
#: Pairs whose early arrivals are drawn before and after.
_PAIRS: Final = 3


@dataclass(frozen=True, slots=True)
class EarlyPair:
    """Early arrivals from one source at one receiver, before and after."""

    title: str
    sentence: str
    figures: tuple[Figure, ...]


@dataclass(frozen=True, slots=True)
class Caution:
    """What can hurt, and which items of the chosen layout carry it."""

    text: str
    items: str  # marks; empty: it holds for the whole


@dataclass(frozen=True, slots=True)
class DecisionPage:
    """The whole report."""

    title: str
    about: str
    facts: tuple[tuple[str, str], ...]
    findings: tuple[Finding, ...]  # the verdict
    traps: tuple[Finding, ...]
    layouts: Sheet
    layouts_note: str
    money: Figure | None
    decay_note: str
    decay: tuple[Figure, ...]
    states: Sheet | None
    pick: str  # the layout to take, or that comes into question next; empty: none
    take: str  # the layout to take, as the tables call it
    room: tuple[Figure, ...]
    plan: PlanPage | None  # of the layout to take
    others: tuple[PlanPage, ...]
    how_to_read: str
    price_note: str
    early: tuple[EarlyPair, ...]
    early_sheet: Sheet
    bass: BassPage | None
    bass_sheet: Sheet | None  # of all layouts
    worth: tuple[Sheet, ...]
    cautions: tuple[Caution, ...]
    consent: tuple[ConsentSheet, ...]  # the same in one language or two
    verify: VerifyPage | None
    ignored: tuple[str, ...]
    limits: tuple[str, ...]
    footer: tuple[tuple[str, str], ...]
    said: tuple[str, ...]  # all sentences of the comparison
    decided_words: dict[str, str]
    kind_words: dict[str, str]


def decision_page(e: Evidence, second: Language | None = None) -> DecisionPage:
    """Finish all texts and pictures.

    Parameters
    ----------
    e : Evidence
    second : Language, optional
        That stands beside English on the sheet to sign.

    Returns
    -------
    DecisionPage
    """
    comparison, first = e.comparison, e.first
    shown = book_page(e.book)
    pages = {p.name: _with_orders(e, p) for p in shown.plans}
    # Where nothing is to be taken, drawings still show what comes nearest of all.
    pick = first.shown.layout
    plan = pages.get(pick)
    transition_hz = comparison.transition_hz
    bare_room = e.room.layouts[0]
    chosen = next((p for p in e.book.plans if p.layout.name == pick), None)
    return DecisionPage(
        title=e.book.scene.title,
        about=room_words(e.book.scene),
        facts=_facts(e, bare_room),
        findings=tuple(_verdict_findings(e)),
        traps=tuple(f for v in _by_aim(e) for f in traps(v, comparison)),
        layouts=layouts_sheet(e, first),
        layouts_note=layouts_note(e),
        money=money_picture(e, first),
        decay_note=decay_note(first, transition_hz),
        decay=decay_pictures(e, first),
        states=states_sheet(e),
        pick=pick,
        take=called(first.pick),
        room=room_pictures(e, first),
        plan=plan,
        others=tuple(p for p in pages.values() if p is not plan),
        how_to_read=shown.how_to_read,
        price_note=shown.price_note,
        early=tuple(_early(e, first)),
        early_sheet=early_sheet(e, first),
        bass=_bass(e, first),
        bass_sheet=bass_sheet(e, first),
        worth=(*worth_sheets(e), *spared_sheets(e)),
        cautions=tuple(_cautions(e, shown, pick)),
        consent=()
        if chosen is None
        else tuple(
            consent_sheet(e.book.scene, first, chosen, comparison, language)
            for language in (ENGLISH, second)
            if language is not None
        ),
        verify=None if chosen is None else verify_page(e, chosen),
        ignored=tuple(e.results.ignored),
        limits=tuple(dict.fromkeys((*COMPARED_LIMITS[:3], *limits_of(transition_hz)))),
        footer=_footer(e),
        said=sentences(comparison),
        decided_words=_DECIDED,
        kind_words=KIND_WORDS,
    )


def _with_orders(e: Evidence, plan: PlanPage) -> PlanPage:
    """Give a plan's tables as this page has them: boards counted, items in order."""
    return replace(
        plan,
        cuts=counted(plan.cuts),
        items=with_drop_order(plan.items, *drop_order(e, plan.name)),
    )


def _by_aim(e: Evidence) -> list[Verdict]:
    """Give the verdicts of the usual state, one for each aim."""
    return [v for v in e.verdicts if v.state == e.first.state]


def _facts(e: Evidence, bare: LayoutFacts) -> tuple[tuple[str, str], ...]:
    rules = e.book.scene.rules
    facts = [
        ("air in the room", f"{bare.volume_m3:.1f} m³"),
        ("sound lingers as it is (T30, 500 Hz and 1 kHz)", f"{amount(bare.t30_mid_s, 0.01)} s"),
        ("single modes rule below", frequency(e.comparison.transition_hz)),
        ("layouts looked at", f"{len(e.book.plans)}"),
    ]
    if rules.budget is not None:
        facts.append(("budget", f"{rules.budget:.0f} {e.comparison.currency}".rstrip()))
    return tuple(facts)


def _verdict_findings(e: Evidence) -> Iterator[Finding]:
    for v in _by_aim(e):
        yield headline(v, e.comparison)
        yield from other_choices(v, e.comparison)
        yield from nearer_but(v, e.comparison)
        others = [o for o in e.verdicts if o.judged is v.judged and o.state != v.state]
        yield from in_other_states(v, others, e.comparison)
    yield alike(e.comparison, [c.name for c in e.first.candidates])
    for v in _by_aim(e):
        yield from drops(v, e.comparison, e.spared if v is e.first else {})


def _pair_of(layout: LayoutFacts, source: str, receiver: str) -> PairFacts | None:
    return next((p for p in layout.pairs if (p.source, p.receiver) == (source, receiver)), None)


def _early(e: Evidence, v: Verdict) -> Iterator[EarlyPair]:
    layouts = {layout.name: layout for layout in e.room.layouts}
    names = [c.name for c in (v.bare, v.shown) if c is not None]
    shown = list(dict.fromkeys(names))
    for i, (source, receiver) in enumerate(e.comparison.readings.pairs[:_PAIRS]):
        figures = []
        for j, name in enumerate(shown):
            pair = _pair_of(layouts[name], source, receiver)
            if pair is not None:
                drawn = arrival_map(
                    f"early-{i + 1}-{j + 1}", pair.early, pair.is_seen, pair.is_listed
                )
                figures.append(
                    replace(drawn, title=f"{'After' if j else 'Before'}: {called(v.of(name))}")
                )
        yield EarlyPair(
            f"{source} → {receiver}", _early_words(e, shown, source, receiver), tuple(figures)
        )


def _early_words(e: Evidence, names: Sequence[str], source: str, receiver: str) -> str:
    said = [
        f"{level(x.level_db)} dB after {x.delay_ms:.1f} ms over {', then '.join(x.surfaces)}"
        for name in names
        for x in e.comparison.early
        if (x.layout, x.source, x.receiver) == (name, source, receiver)
    ]
    if not said:
        return "No reflection was found within 15 ms, or there is no line of sight."
    if len(said) == 1:
        return f"Strongest within 15 ms: {said[0]}."
    return f"Strongest within 15 ms, before: {said[0]}; after: {said[1]}."


def _bass(e: Evidence, v: Verdict) -> BassPage | None:
    """Give the bass before and after, with the maps of one source side by side."""
    names = list(dict.fromkeys(c.name for c in (v.bare, v.shown) if c is not None))
    page = bass_page(e.results, names)
    if page is None or len(page.maps) % len(names):
        return page
    n_map = len(page.maps) // len(names)  # of each layout
    maps = (page.maps[j * n_map + i] for i in range(n_map) for j in range(len(names)))
    return replace(page, maps=tuple(maps))


def _cautions(e: Evidence, shown: BookPage, pick: str) -> Iterator[Caution]:
    """Give what can hurt with the marks of the items that carry it, of the choice first."""
    plan = next((p for p in e.book.plans if p.layout.name == pick), None)
    items: dict[str, dict[str, None]] = {}
    if plan is not None:
        for item in plan.layout.items:
            for key in item.treatment.cautions:
                items.setdefault(key, {})[item.name] = None
        for finding in plan.findings:
            if finding.caution:
                items.setdefault(finding.caution, {}).update(dict.fromkeys(finding.items))
    told = []
    for key, marks in items.items():
        if key in CAUTIONS:
            told.append(CAUTIONS[key])
            yield Caution(CAUTIONS[key], ", ".join(marks))
    for text in shown.cautions:
        if text not in told:
            yield Caution(text, "")
    for text in (ON_EVERY_PAGE[-1], ON_EVERY_PAGE[0]):  # ears, and who decides
        yield Caution(text, "")


def _footer(e: Evidence) -> tuple[tuple[str, str], ...]:
    provenance = e.results.provenance
    n_ray = sum(layout.n_ray for layout in e.room.layouts)
    return (
        ("raysim", str(raysim.__version__)),
        ("computed", str(provenance["created_utc"])),
        (
            "scene file",
            f"{provenance['scene_file']}, SHA-256 {str(provenance['scene_hash'])[:16]}",
        ),
        ("seed", str(e.results.settings.seed)),
        ("rays", f"{n_ray:,} in {len(e.room.layouts)} layouts and states".replace(",", " ")),
        ("device", "processor, by ray tracing, image sources and, in the bass, waves"
         if any(e.results.bass(n) for n in e.results.layout_names)
         else "processor, by ray tracing and image sources; the bass is not solved"),
    )  # fmt: skip
