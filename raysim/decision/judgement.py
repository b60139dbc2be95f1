"""What speaks for each layout and against it, and which to take for what.

A layout is judged in one state of the room and against one aim. Only what may go up is
advised. A layout is taken before a cheaper one if it comes nearer the aim for certain and
to the ear (C5); the cheapest of those that cannot be told apart wins. Shares and ratios
that call a layout a trap are this project's own judgement, with no source.
"""

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from raysim.compare.comparison import Comparison, Judged
from raysim.compare.evenness import (
    Kept,
    Seam,
    is_tilted,
    kept_by_waves,
    seam,
    tilt,
    wave_octaves,
)
from raysim.compare.front import Price, is_nearer
from raysim.compare.jnd import least_factor
from raysim.compare.sentences import SAME_PRICE
from raysim.compare.targets import Reached
from raysim.planning.book import Book, Plan

#: Less than this share of the way from the room as it is to the aim hardly acts.
LITTLE_SHARE: Final = 1.0 / 3.0
#: What stands or lies leaves no trace.
LOOSE: Final = ("standing", "laid")


@dataclass(frozen=True, slots=True)
class Candidate:
    """One layout in one state, held against one aim."""

    name: str  # what results are stored under
    layout: str  # as the scene calls it; empty: the room as described
    plan: Plan | None  # None: the room as described
    steps: float  # beyond the aim, NaN not known
    error: float
    mean_s: float  # T30, mean over the octaves that the distance is of
    lows: tuple[str, ...]  # of 250 and 500 Hz those that are no hints
    tilt: float  # T30 of these over that of 2 and 4 kHz; NaN not known
    tilt_error: float
    is_dull: bool  # lows outlast highs for certain, and more than in the room as described
    kept: Kept | None  # low-mids by waves, where they tell of the same; a hint
    seam: Seam | None  # the octave that waves and rays both answer for
    price: Price | None
    group: str  # letter: same letter, not told apart by anything

    @property
    def is_allowed(self) -> bool:
        """Whether no rule of the scene and no usual distance forbids it."""
        return self.plan is None or not self.plan.is_forbidden

    @property
    def leaves_no_trace(self) -> bool:
        """Whether it needs neither holes nor glue."""
        return self.plan is not None and all(
            item.fixing in LOOSE for item in self.plan.layout.items
        )


@dataclass(frozen=True, slots=True)
class Choice:
    """A layout to take, and what for."""

    purpose: str  # "nearest", "first step", "no holes", "quieter"
    name: str


@dataclass(frozen=True, slots=True)
class Trap:
    """A layout that looks better than it is."""

    name: str
    kind: str  # one of `TRAPS`
    instead: str = ""  # what does as well for less
    size: float = math.nan  # share of the way gone, ratio of lows to highs, or s of decay


#: From the most seductive on: what a picture or a price tag does not show.
TRAPS: Final = ("dull", "dead", "worse", "little", "dear")


@dataclass(frozen=True, slots=True)
class Verdict:
    """What to do in one state of the room, by one aim."""

    state: str  # empty: as described
    judged: Judged
    candidates: tuple[Candidate, ...]  # the room as described first, if it was run
    choices: tuple[Choice, ...]
    front: tuple[str, ...]  # may go up and are worth their money, the cheapest first
    as_near: tuple[str, ...]  # allowed, and not told from the choice by the aim
    nearer_but: tuple[str, ...]  # forbidden, nearer than the choice, worth their money
    traps: tuple[Trap, ...]
    wave_octaves: tuple[str, ...] = ()  # T30 that the wave solver answers for

    @property
    def pick(self) -> Candidate:
        """What to take: the room as it is if nothing is nearer for certain."""
        name = self.choices[0].name
        return next(c for c in self.candidates if c.name == name)

    @property
    def shown(self) -> Candidate:
        """What drawings show: what to take, or what comes into question next."""
        if self.pick.layout:
            return self.pick
        chosen = [self.of(c.name) for c in self.choices if self.of(c.name).layout]
        allowed = [c for c in self.candidates if c.layout and c.is_allowed]
        nearest = sorted((c for c in allowed if math.isfinite(c.steps)), key=lambda c: c.steps)
        return next(iter([*chosen, *nearest]), self.pick)

    @property
    def bare(self) -> Candidate | None:
        """The room without a layout, if it was run."""
        return next((c for c in self.candidates if not c.layout), None)

    def of(self, name: str) -> Candidate:
        """Give a layout by the name that results are stored under."""
        return next(c for c in self.candidates if c.name == name)


def verdicts(comparison: Comparison, book: Book) -> tuple[Verdict, ...]:
    """Judge all layouts, state by state and aim by aim.

    Parameters
    ----------
    comparison : Comparison
    book : Book
        What is known of the layouts without tracing.

    Returns
    -------
    tuple of Verdict
        The room in its usual state first.
    """
    plans = {plan.layout.name: plan for plan in book.plans}
    by_state: dict[str, dict[str, str]] = {}
    for name in comparison.layouts:
        held = comparison.conditions[name]
        if not held.layout or held.layout in plans:
            by_state.setdefault(held.state, {})[name] = held.layout
    return tuple(
        _verdict(state, judged, comparison, names, plans)
        for state, names in by_state.items()
        for judged in comparison.judged
    )


def _verdict(
    state: str,
    judged: Judged,
    comparison: Comparison,
    names: Mapping[str, str],
    plans: Mapping[str, Plan],
) -> Verdict:
    reached = judged.reached
    factor = _factor(reached, len(names))
    candidates = tuple(
        _candidate(name, names, reached, comparison, plans, factor) for name in names
    )
    allowed = {c.name: c for c in candidates if c.is_allowed}
    best_of = _worth_their_money(reached, allowed.values(), factor)
    pick = best_of[-1] if best_of else ""
    choices = [Choice("nearest", pick)] if pick else []
    if pick:
        known = [c for c in allowed.values() if c.name != pick and math.isfinite(c.steps)]
        best = allowed[pick]
        fooled = {t.name for t in _traps(reached, candidates, pick, factor) if t.kind != "dear"}
        sound = [c for c in known if c.name not in fooled]
        choices += _first_step(reached, best, sound, factor)
        if best.layout and not best.leaves_no_trace:
            bare = [c for c in allowed.values() if not c.layout]
            without_holes = [*bare, *(c for c in known if c.leaves_no_trace)]
            loose = _worth_their_money(reached, without_holes, factor)
            if loose and allowed[loose[-1]].layout:
                choices.append(Choice("no holes", loose[-1]))
    nearer = [
        name
        for name in _worth_their_money(reached, candidates, factor)
        if pick and name not in allowed and is_nearer(reached, name, pick, factor)
    ]
    if judged.reached.aim.use == "ensemble":
        choices += _quieter(comparison, candidates)
    if not choices:
        choices = [Choice("nearest", candidates[0].name)]
    first = choices[0].name
    return Verdict(
        state=state,
        judged=judged,
        candidates=candidates,
        choices=tuple(choices),
        front=best_of,
        as_near=tuple(
            c.name
            for c in allowed.values()
            if c.name != first
            and math.isfinite(c.steps)
            and not is_nearer(reached, first, c.name, factor)
        ),
        nearer_but=tuple(nearer),
        traps=_traps(reached, candidates, first, factor),
        wave_octaves=wave_octaves(comparison.readings),
    )


def _quieter(comparison: Comparison, candidates: Sequence[Candidate]) -> list[Choice]:
    """Give what lowers loudness most, by more than is noticed and for certain."""
    bare = next((c for c in candidates if not c.layout), None)
    if bare is None or comparison.readings.find("g_db", "mid") is None:
        return []
    lower = {
        c.name: lowered_db(comparison, bare.name, c.name)
        for c in candidates
        if c.layout and c.is_allowed
    }
    name = max(lower, key=lower.__getitem__, default="")
    return [Choice("quieter", name)] if name and lower[name] > 0.0 else []


def lowered_db(comparison: Comparison, bare: str, other: str) -> float:
    """Give by how much a layout lowers the strength G; 0 if that is not heard for certain."""
    return max(
        (
            -d.value
            for d in comparison.found.between(bare, other)
            if (d.quantity.measure, d.quantity.source) == ("g_db", "") and d.is_audible
        ),
        default=0.0,
    )


def _factor(reached: Reached, n: int) -> float:
    n_batch = min((0 if w is None else len(w) for w in reached.without), default=0)
    return least_factor(n * (n - 1) // 2, n_batch)


def _candidate(
    name: str,
    names: Mapping[str, str],  # of one state, and which layout of the scene each is of
    reached: Reached,
    comparison: Comparison,
    plans: Mapping[str, Plan],
    factor: float,
) -> Candidate:
    i, layout, read = reached.layouts.index(name), names[name], comparison.readings
    bare = next((n for n, of in names.items() if not of), None)
    tilted = tilt(read, name)
    is_dull = bare is not None and is_tilted(tilted, tilt(read, bare), factor)
    letter = next(k for k, group in enumerate(comparison.groups) if name in group)
    return Candidate(
        name=name,
        layout=layout,
        plan=plans.get(layout),
        steps=float(reached.steps[i]),
        error=float(reached.error[i]),
        mean_s=_mean_s(comparison, name, reached.octaves),
        lows=tilted.lows,
        tilt=tilted.value,
        tilt_error=tilted.error,
        is_dull=is_dull,
        kept=kept_by_waves(read, name, bare) if bare is not None and is_dull else None,
        seam=seam(read, name),
        price=comparison.prices.get(name),
        group=chr(ord("a") + letter) if letter < 26 else str(letter + 1),
    )


def _mean_s(comparison: Comparison, name: str, labels: Sequence[str]) -> float:
    """Give the mean T30 of those octaves that are known."""
    known = [
        t for t in (comparison.readings.t30_s(name, b) for b in labels) if math.isfinite(t)
    ]
    return float(np.mean(known)) if known else math.nan


def _worth_their_money(
    reached: Reached, candidates: Iterable[Candidate], factor: float
) -> tuple[str, ...]:
    """Give those that are nearer the aim than all that cost less  (C5).

    As `raysim.compare.front.front` does, but with one factor for all that is asked here, so
    that no answer contradicts another.
    """
    priced = [(c.price.likely, c.steps, c.name) for c in candidates if c.price is not None]
    kept: list[str] = []
    for _, steps, name in sorted(priced):
        if math.isfinite(steps) and all(is_nearer(reached, name, k, factor) for k in kept):
            kept.append(name)
    return tuple(kept)


def _first_step(
    reached: Reached, best: Candidate, others: Sequence[Candidate], factor: float
) -> list[Choice]:
    """Give what gains most steps for its money and is heard, if it is not the choice."""
    bare = next((c for c in others if not c.layout), None)
    if bare is None or best.price is None:
        return []
    heard = [
        c
        for c in others
        if c.layout
        and c.price is not None
        and c.price.likely < (1.0 - SAME_PRICE) * best.price.likely
        and is_nearer(reached, c.name, bare.name, factor)
    ]
    if not heard:
        return []

    def gain_per_money(c: Candidate) -> float:
        assert c.price is not None
        return (bare.steps - c.steps) / max(c.price.likely, 1e-9)

    return [Choice("first step", max(heard, key=gain_per_money).name)]


def _traps(
    reached: Reached, candidates: Sequence[Candidate], first: str, factor: float
) -> tuple[Trap, ...]:
    bare = next((c for c in candidates if not c.layout), None)
    found = []
    for c in candidates:
        if not c.layout or c.name == first or not math.isfinite(c.steps):
            continue
        kind, instead, size = "", "", math.nan
        if c.is_dull and is_nearer(reached, first, c.name, factor):
            kind, size = "dull", c.tilt
        elif (
            bare is not None
            and _is_dead(reached, c)
            and not is_nearer(reached, c.name, bare.name, factor)
        ):
            kind, size = "dead", c.mean_s
        elif bare is not None and is_nearer(reached, bare.name, c.name, factor):
            kind = "worse"
        elif bare is not None and bare.steps > 0.0:
            share = (bare.steps - c.steps) / bare.steps
            if share < LITTLE_SHARE:
                kind, size = "little", share
        if not kind:
            instead = _instead(reached, c, candidates, factor)
            kind = "dear" if instead else ""
        if kind:
            found.append(Trap(c.name, kind, instead, size))
    return tuple(sorted(found, key=lambda t: TRAPS.index(t.kind)))


def _is_dead(reached: Reached, one: Candidate) -> bool:
    """Tell if sound lasts shorter than the aim asks for, mean over the octaves that count."""
    lows = [b.low_s for b in reached.aim.counted if b.band in reached.octaves]
    return bool(lows) and one.mean_s < sum(lows) / len(lows)


def _instead(
    reached: Reached, one: Candidate, candidates: Sequence[Candidate], factor: float
) -> str:
    """Give what costs less and is as near as can be told; the nearest of it.

    It may go up, or both may not.
    """
    if one.price is None:
        return ""
    rivals = [
        c
        for c in candidates
        if c.layout
        and (c.is_allowed or not one.is_allowed)
        and c.price is not None
        and c.price.likely < one.price.likely
        and math.isfinite(c.steps)
        and not is_nearer(reached, one.name, c.name, factor)
    ]
    return min(rivals, key=lambda c: c.steps).name if rivals else ""
