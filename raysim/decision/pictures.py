"""The report's pictures with what is said beside them: money, decay, and the room drawn.

All pictures of one kind have one scale.
"""

from dataclasses import replace

import numpy as np

from raysim.compare.bass_sentences import listed
from raysim.compare.evenness import seam_sentence
from raysim.compare.figures import OCTAVES
from raysim.decision.charts import Lingers, decay_picture, front_picture
from raysim.decision.drawn import as_things
from raysim.decision.evidence import Evidence
from raysim.decision.judgement import Candidate, Verdict
from raysim.decision.sheets import value_of
from raysim.decision.words import called
from raysim.report.drawing import room_figures
from raysim.report.numbers import amount, band_name, change, frequency
from raysim.report.svg import Figure


def money_picture(e: Evidence, v: Verdict) -> Figure | None:
    """Draw price against distance from the aim; None without prices."""
    if sum(c.price is not None for c in v.candidates) < 2:
        return None
    named = [replace(c, name=called(c)) for c in v.candidates]
    names = {c.name: called(c) for c in v.candidates}
    return front_picture(
        "money", named, [names[n] for n in v.front], called(v.pick), e.comparison.currency
    )


def _lingers(e: Evidence, c: Candidate) -> Lingers:
    labels = [label for label, _ in OCTAVES]
    each = [value_of(e, c.name, "t30_s", label) for label in labels]
    r = e.comparison.readings
    where = [r.find("t30_s", label) for label in labels]
    return Lingers(
        called(c),
        np.array([v for v, _ in each]),
        np.array([s for _, s in each]),
        tuple(j is not None and r.quantities[j].is_hint for j in where),
        tuple(j is not None and r.quantities[j].by_wave for j in where),
    )


def decay_pictures(e: Evidence, v: Verdict) -> tuple[Figure, ...]:
    """Draw the decay of every layout beside the room as it is."""
    labels = [label for label, _ in OCTAVES]
    lines = [_lingers(e, c) for c in v.candidates]
    bare = next((x for x, c in zip(lines, v.candidates, strict=True) if not c.layout), None)
    aim = v.judged.reached.aim.bands
    longest = max(
        float(np.nanmax(np.concatenate([x.t30_s for x in lines]))),
        max(b.high_s for b in aim if b.counts),
    )
    figures = []
    for i, (line, c) in enumerate(zip(lines, v.candidates, strict=True)):
        before = bare if c.layout else None
        figure = decay_picture(f"decay-{i + 1}", labels, line, before, aim, longest)
        figures.append(replace(figure, title=_decay_title(v, c), caption=_decay_words(v, c)))
    return tuple(figures)


def _decay_title(v: Verdict, c: Candidate) -> str:
    return f"{called(c)} (the choice)" if c.name == v.pick.name else called(c)


def _decay_words(v: Verdict, c: Candidate) -> str:
    gained = ""
    if v.bare is not None and c.layout:
        gained = f"; {change(v.bare.steps - c.steps, 0.1)} steps nearer than the room as it is"
    return f"{amount(c.steps, 0.1)} steps beyond the aim{gained}."


def decay_note(v: Verdict, transition_hz: float) -> str:
    """Say what the pictures of decay hold."""
    aim = v.judged.reached.aim
    sources = "; ".join(dict.fromkeys(f"{b.source} ({b.certainty})" for b in aim.bands))
    return (
        "Seconds for sound to fall by 60 dB (T30), by octave, all on one scale. Bars: with the "
        "layout; heavy dashes: the room as it is; dashed boxes: what rooms for "
        f"{aim.words} usually aim at, thin where it does not count towards the steps. "
        "Whiskers: one standard error of the calculation. "
        f"{_hatched(v, transition_hz)} Source of the aim: {sources}. {' '.join(aim.remarks)}"
    )


def _hatched(v: Verdict, transition_hz: float) -> str:
    """Say of which method hatched octaves are, and how far the two are apart."""
    below = f"below {frequency(transition_hz)}"
    if not v.wave_octaves:
        return f"Hatched: {below} single modes rule, take it as a hint."
    octaves = listed([band_name(b) for b in v.wave_octaves])
    seams = [replace(c.seam, layout=called(c)) for c in v.candidates if c.seam is not None]
    return (
        f"Hatched: by waves ({octaves}), another method than the rest, which is by rays; a "
        f"hint, as is all {below}, where single modes rule. "
        f"{seam_sentence(seams)}"
    ).rstrip()


def room_pictures(e: Evidence, v: Verdict) -> tuple[Figure, ...]:
    """Draw plan and angled view before and after."""
    names = [c.name for c in (v.bare, v.shown) if c is not None]
    figures: list[Figure] = []
    for i, name in enumerate(dict.fromkeys(names)):
        held = e.results.layout(name)
        what = held.treatment_layout or "as it is"
        drawn = room_figures(
            as_things(held.mesh), e.results.sources, e.results.receivers, f"room-{i + 1}"
        )
        figures += [replace(f, title=f"{f.title}: {what}") for f in (drawn[0], drawn[-1])]
    return tuple(figures)
