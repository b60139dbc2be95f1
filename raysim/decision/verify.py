"""What to fill in when it hangs: measures as built, and decay before and after.

Rows are made once, for the page and for the tables beside it. Places along a surface are
millimetres, as drawings have them; decay is T30 in seconds, mean over all pairs. What is
measured is left empty.
"""

import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

from raysim.compare.tidy import Row
from raysim.decision.evidence import Evidence
from raysim.decision.judgement import Candidate, Verdict
from raysim.decision.sheets import value_of, with_error
from raysim.decision.words import called
from raysim.planning.book import Plan
from raysim.planning.book_page import Sheet
from raysim.planning.elevations import DRILLED
from raysim.report.numbers import NOTHING, band_name, change, plus_minus
from raysim.scene.model import Scene

#: Seconds; batches that agree within this have no chance in them: rounding of sums.
_ROUNDING_S: Final = 1e-9
#: What hangs, with air behind it or without.
_MOUNTED: Final = (*DRILLED, "strips")
#: What stands free: there a gap is below it.
_LIFTED: Final = ("screen", "curved screen")


@dataclass(frozen=True, slots=True)
class Drawn:
    """One thing to measure where it was built."""

    item: str  # mark, or name of a source or receiver
    what: str
    drawn: str  # millimetres, or words


@dataclass(frozen=True, slots=True)
class Octave:
    """Decay of one octave, predicted: value and standard error in seconds, NaN not known."""

    band: str
    low_s: float
    high_s: float
    is_hint: bool  # below the transition frequency
    before: tuple[float, float]  # the error NaN where no chance is in it: waves
    after: tuple[float, float]
    change: tuple[float, float]  # after less before


@dataclass(frozen=True, slots=True)
class VerifyPage:
    """Both sheets, ready to show."""

    built: Sheet
    sound: Sheet


def drawn_measures(plan: Plan, scene: Scene) -> Iterator[Drawn]:
    """Give what to measure of each item, and of sources and receivers."""
    for item in plan.layout.items:
        for name, distance_m in item.from_m:
            yield Drawn(item.name, f"on {item.on}, from {name}", f"{1000.0 * distance_m:.0f}")
        sides = [*item.size_m, *([item.depth_m] if item.depth_m else [])]
        words = "along, up, deep" if item.depth_m else "along, up"
        yield Drawn(item.name, words, " x ".join(f"{1000.0 * side:.0f}" for side in sides))
        if item.gap_m > 0.0 or item.fixing in _MOUNTED:
            where = "below" if item.treatment.family in _LIFTED else "behind"
            yield Drawn(item.name, f"gap {where} it", f"{1000.0 * item.gap_m:.0f}")
        if item.fixing:
            yield Drawn(item.name, "held by", item.fixing)
    places = [(s.name, s.position_m) for s in scene.sources]
    places += [(r.name, r.position_m) for r in scene.receivers]
    for name, position_m in places:
        at = ", ".join(f"{1000.0 * x:.0f}" for x in position_m)
        yield Drawn(name, "x, y, z in the scene", at)


def octaves(e: Evidence, v: Verdict, candidate: Candidate) -> Iterator[Octave]:
    """Give decay of a layout beside the room as it is, in the octaves of the aim."""
    r, bare = e.comparison.readings, v.bare
    unknown = (math.nan, math.nan)
    told = {}
    if bare is not None and bare.name != candidate.name:
        told = {
            d.quantity.band: (d.value, d.error)
            for d in e.comparison.found.between(bare.name, candidate.name)
            if d.quantity.measure == "t30_s" and not d.quantity.source
        }
    for aim in v.judged.reached.aim.bands:
        i = r.find("t30_s", aim.band)
        yield Octave(
            band=aim.band,
            low_s=aim.low_s,
            high_s=aim.high_s,
            is_hint=i is not None and r.quantities[i].is_hint,
            before=_by_chance(
                unknown if bare is None else value_of(e, bare.name, "t30_s", aim.band)
            ),
            after=_by_chance(value_of(e, candidate.name, "t30_s", aim.band)),
            change=_by_chance(told.get(aim.band, unknown)),
        )


def _by_chance(value: tuple[float, float]) -> tuple[float, float]:
    """Give a value whose error is not known where all batches agree: it has none to tell."""
    return value if value[1] > _ROUNDING_S else (value[0], math.nan)


def verify_page(e: Evidence, plan: Plan) -> VerifyPage:
    """Give the sheets of the layout that the report follows.

    Parameters
    ----------
    e : Evidence
    plan : Plan
        Of ``e.first.shown``.

    Returns
    -------
    VerifyPage
    """
    return VerifyPage(_built_sheet(plan, e.book.scene), _sound_sheet(e, e.first))


def _built_sheet(plan: Plan, scene: Scene) -> Sheet:
    rows = tuple((d.item, d.what, d.drawn, "") for d in drawn_measures(plan, scene))
    return Sheet(
        f"As drawn and as built: {plan.layout.name}",
        ("mark", "measure", "as drawn, mm", "as built, mm"),
        (2,),
        rows,
        "Fill in on the day it goes up: along the surface, from the corner named to the "
        "nearest edge. Lengths to 10 mm; the air behind a piece counts as much as its "
        "depth. Put what differs into the scene file and run it again: the report then "
        "speaks of the room that you have.",
    )


def _sound_sheet(e: Evidence, v: Verdict) -> Sheet:
    shown, bare = v.shown, v.bare
    rows = []
    for o in octaves(e, v, shown):
        aim = f"{o.low_s:.2f} to {o.high_s:.2f}" if o.low_s > 0.0 else f"at most {o.high_s:.2f}"
        by = change(o.change[0], 0.01)
        rows.append(
            (
                band_name(o.band) + ", a hint" * o.is_hint, aim, with_error(o.before, 0.01), "",
                with_error(o.after, 0.01), "",
                by if by == NOTHING else f"{by} {plus_minus(o.change[1], 0.01)}".rstrip(), "",
            )
        )  # fmt: skip
    state = f" in the state “{v.state}”" if v.state else ""
    before = called(bare) if bare is not None else "the room as it is"
    return Sheet(
        f"How long sound lingers, before ({before}) and after ({called(shown)})",
        (
            "T30", "aim, s", "before, predicted, s", "before, measured, s",
            "after, predicted, s", "after, measured, s", "change, predicted, s",
            "change, measured, s",
        ),
        (),
        tuple(rows),
        _how(e, v, state),
    )  # fmt: skip


def _how(e: Evidence, v: Verdict, state: str) -> str:
    pairs = "; ".join(f"{s} → {r}" for s, r in e.comparison.readings.pairs)
    transition = f"{e.comparison.transition_hz:.0f} Hz"
    return (
        f"Means over {pairs}{state}. How to measure: play what “raysim sweep make sweep.wav” "
        "writes, from each source, and record it at each receiver, three times before and "
        "three times after, with loudspeaker and microphone to the centimetre where they "
        "were, the same volume, and doors, curtains and people as they were; “raysim sweep "
        "read” gives the response, and “raysim measure RESPONSE.wav --against results.h5 "
        f"--layout '{v.shown.name}' --pair SOURCE RECEIVER” puts the prediction beside it. "
        "Begin quietly: sweeps can harm ears and loudspeakers, and “sweep make” says how to "
        "avoid it. ± is one standard error of the calculation; what the materials leave open "
        "is more, so hold the change against the change before the times against the times. "
        "Without ± stands what the wave solver gives, which has no chance in it. "
        f"Below {transition} single modes rule, and a decay time is a hint at most."
    )


def built_rows(e: Evidence) -> list[Row]:
    """Give the as-built sheet of every layout as flat rows."""
    return [
        {
            "layout": plan.layout.name, "item": d.item, "what": d.what,
            "as_drawn": d.drawn, "unit": "mm" if any(map(str.isdigit, d.drawn)) else "",
            "as_built": None,
        }
        for plan in e.book.plans
        for d in drawn_measures(plan, e.book.scene)
    ]  # fmt: skip


def verify_rows(e: Evidence) -> list[Row]:
    """Give decay before and after of every layout, state and aim as flat rows."""
    return [
        {
            "use": v.judged.reached.aim.use, "state": v.state, "layout": c.name,
            "measure": "t30_s", "band_hz": o.band, "unit": "s", "hint": o.is_hint,
            "aim_low": _known(o.low_s), "aim_high": _known(o.high_s),
            "before": _known(o.before[0]), "before_error": _known(o.before[1]),
            "before_measured": None,
            "after": _known(o.after[0]), "after_error": _known(o.after[1]),
            "after_measured": None,
            "change": _known(o.change[0]), "change_error": _known(o.change[1]),
        }
        for v in e.verdicts
        for c in v.candidates
        if c.layout
        for o in octaves(e, v, c)
    ]  # fmt: skip


def _known(value: float) -> float | None:
    return float(f"{value:.6g}") if math.isfinite(value) else None
