"""What a comparison says of the bass, in plain sentences made from its numbers.

Evenness is only called better where 10 cm of place do not undo it, and a note is only said
to ring on where no published limit would let it pass.
"""

from collections.abc import Iterator, Sequence

import numpy as np

from raysim.compare.bass import BASS_JNDS, BassCompared, BassDifference, BassSeat
from raysim.compare.comparison import Comparison
from raysim.measures.bass import LIMITS_TO_HZ
from raysim.report.numbers import amount, band_name


def listed(names: Sequence[str]) -> str:
    """Give names as a sentence lists them; in quotes where one has a comma itself.

    Examples
    --------
    >>> listed(["C2", "C3", "C4"]), listed(["C2, open", "C3, open"])
    ('C2, C3 and C4', '"C2, open" and "C3, open"')
    """
    if any("," in name for name in names):
        names = [f'"{name}"' for name in names]
    return " and ".join(filter(None, [", ".join(names[:-1]), names[-1]]))


def bass_sentences(comparison: Comparison, usual: Sequence[str]) -> Iterator[str]:
    """Say how even the bass is, what rings on, and whether the lowest octave lasts too long.

    Parameters
    ----------
    comparison : Comparison
    usual : sequence of str
        The layouts to speak of: those in their usual state.
    """
    if comparison.lacks_bass:
        yield (
            f"No bass was computed for {listed(comparison.lacks_bass)}: octaves that others "
            "have from the wave solver are not compared."
        )
    bass = comparison.bass
    if bass is not None:
        names = [name for name in bass.layouts if name in usual]
        yield from _evenness(bass, names)
        yield from _ringing(bass, names)
    for judged in comparison.judged:
        yield from _rise(comparison, judged.reached.aim.words, usual)


def _evenness(bass: BassCompared, names: Sequence[str]) -> Iterator[str]:
    """Say where layouts are evener or less even than the first, and which are not."""
    same = []
    for name in names[1:]:
        found = [d for d in bass.between(names[0], name) if d.measure == "bass_range_db"]
        heard = [d for d in found if d.is_audible]
        if not heard:
            same.append(name)
            continue
        for word, part in (
            ("evener", [d for d in heard if d.value < 0.0]),
            ("less even", [d for d in heard if d.value > 0.0]),
        ):
            if part:
                yield _at_places(bass, word, part, len(found))
    if same:
        yield (
            f"Bass: 10 cm of place undo what tells {listed(same)} from {names[0]} in evenness, "
            "or it is too little to notice."
        )
    yield from _most_even(bass, names)


def _at_places(
    bass: BassCompared, word: str, part: Sequence[BassDifference], n_place: int
) -> str:
    most = max(part, key=lambda d: abs(d.value))
    before, now = (
        _seat(bass, layout, most).at_place("bass_range_db")
        for layout in (most.first, most.other)
    )
    at = f"from {most.source} to {most.receiver}"
    if n_place > 1:
        at = f"at {len(part)} of {n_place} places, most {at}"
    return (
        f"Bass of {most.other}: {word} than {most.first} {at}: {amount(now, 1.0)} instead of "
        f"{amount(before, 1.0)} dB from highest to lowest; 10 cm of place change that by "
        f"{amount(most.spread, 1.0)} dB."
    )


def _seat(bass: BassCompared, layout: str, at: BassDifference) -> BassSeat:
    return next(
        seat
        for seat in bass.seats_of(layout)
        if (seat.source, seat.receiver) == (at.source, at.receiver)
    )


def _most_even(bass: BassCompared, names: Sequence[str]) -> Iterator[str]:
    """Say which layout is most even by a step or more, and in how many places tried."""
    if len(names) < 2 or not bass.held.n_draw:
        return
    mean = {
        name: float(np.mean([s.at_place("bass_range_db") for s in bass.seats_of(name)]))
        for name in names
    }
    best, second = sorted(names, key=mean.__getitem__)[:2]
    if mean[second] - mean[best] < BASS_JNDS["bass_range_db"].size:
        return
    n_before = round(bass.held.of(best, second) * bass.held.n_draw)
    yield (
        f"Bass: {best} is the most even, before {second} in {n_before} of the "
        f"{bass.held.n_draw} places within 10 cm."
    )


def _ringing(bass: BassCompared, names: Sequence[str]) -> Iterator[str]:
    """Say what rings on in each layout, by its worst pair; those alike together."""
    alike: dict[str, list[str]] = {"open": [], "under": []}
    for name in names:
        known = [s.ringing for s in bass.seats_of(name) if s.ringing is not None]
        if not known:
            continue
        worst = max(
            known, key=lambda r: (r.n_over > 0, r.n_open > 0, r.decay_s / r.limit_high_s)
        )
        if worst.verdict != "over":
            alike[worst.verdict].append(name)
            continue
        ends = f" between {' and '.join(worst.between)}" if len(worst.between) == 2 else ""
        at = f", as at {LIMITS_TO_HZ:.0f} Hz" if worst.freq_hz > LIMITS_TO_HZ else ""
        unless = ""
        if worst.decay_low_s <= worst.limit_high_s:
            unless = ", unless materials take more than is likely"
        yield (
            f"{name}: {worst.freq_hz:.0f} Hz{ends} rings on for "
            f"{amount(worst.decay_s, 0.01)} s ({amount(worst.decay_low_s, 0.01)} to "
            f"{amount(worst.decay_high_s, 0.01)} s as materials may be), longer than any "
            f"published limit "
            f"({worst.limit_low_s:.2f} to {worst.limit_high_s:.2f} s{at}){unless}."
        )
    if alike["open"]:
        yield f"Published limits disagree whether a note rings on in {listed(alike['open'])}."
    if alike["under"]:
        yield f"No note of the bass rings on in {listed(alike['under'])}."


def _rise(comparison: Comparison, words: str, usual: Sequence[str]) -> Iterator[str]:
    """Say where the lowest octave lasts longer than an aim lets pass."""
    (rises,) = (j.rises for j in comparison.judged if j.reached.aim.words == words)
    told = [one for one in rises if one.layout in usual]
    if not told:
        return
    first = told[0]
    by_verdict = {
        verdict: [
            f"{one.layout} ({amount(one.t30_s, 0.01)} s)"
            for one in told
            if one.verdict == verdict
        ]
        for verdict in ("over", "open", "under")
    }
    parts = [
        f"{text} {listed(by_verdict[verdict])}"
        for verdict, text in (
            ("over", "longer in"), ("open", "about so long in"), ("under", "shorter in"),
        )
        if by_verdict[verdict]
    ]  # fmt: skip
    yield (
        f"Rooms for {words} may let {band_name(first.band)} last {first.limit_s:.2f} s "
        f"({first.source_text}; {first.certainty}): it lasts {', '.join(parts)}."
    )
