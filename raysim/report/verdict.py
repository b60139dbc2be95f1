"""What is wrong with this room, in sentences that name the cause and the number.

Every limit here says where it comes from. A finding is a fault, something to watch,
fine, or a note; it never promises what a treatment would do.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from raysim.report.facts import (
    Arrival,
    LayoutFacts,
    PairFacts,
    RoomFacts,
    mean_of,
    middle_of,
    within,
)
from raysim.report.flutter import FacingPair
from raysim.report.numbers import amount, band_name, frequency, index_of_one, level, with_error
from raysim.scene.model import Bands

#: Low-mid over high decay that is heard as boxy, and that is worth a look; common
#: practice, no source.
_BOXY, _TILTED = 1.5, 1.25

#: Curvature 100 (T30/T20 - 1) in per cent, ISO 3382-2:2008 Annex B; above 10 % a decay
#: is suspected of being two decays (value from memory).
_BENT_PCT = 10.0

#: Lower ends of the ratings of STI, IEC 60268-16 (values from memory).
_STI_WORDS = ((0.75, "excellent"), (0.60, "good"), (0.45, "fair"), (0.30, "poor"), (0.0, "bad"))

#: What each kind is called where colour and shape are not enough.
KIND_WORDS = {
    "fault": "Needs work",
    "watch": "Worth a look",
    "fine": "Fine",
    "note": "Note",
}


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing to say about the room."""

    kind: str  # a key of KIND_WORDS
    headline: str
    sentence: str


def join_names(names: Sequence[str]) -> str:
    """Join names as one writes them: "a", "a and b", "a, b and c"."""
    if len(names) < 2:
        return "".join(names)
    return f"{', '.join(names[:-1])} and {names[-1]}"


def way_of(arrival: Arrival) -> str:
    """Say over which surfaces a reflection came."""
    first, *others = arrival.surfaces
    return f"from the {first}" + "".join(f", then the {name}" for name in others)


def sti_word(sti: float) -> str:
    """Rate a speech transmission index in one word."""
    return next((word for lowest, word in _STI_WORDS if sti >= lowest), "bad")


def layout_findings(room: RoomFacts, layout: LayoutFacts, bands: Bands) -> tuple[Finding, ...]:
    """Say what is wrong with the room as a whole, the worst first.

    Parameters
    ----------
    room : RoomFacts
    layout : LayoutFacts
    bands : Bands

    Returns
    -------
    tuple of Finding
    """
    found = [
        _lingering(room, layout, bands),
        _balance(layout, bands),
        _strongest(layout),
        *_flutter(layout),
        *_bend(layout, bands),
        *_speech(layout),
    ]
    order = list(KIND_WORDS)
    return tuple(sorted(found, key=lambda f: order.index(f.kind)))


def _why_no_decay(layout: LayoutFacts, bands: Bands) -> str:
    reasons = [p.measures.why["t30_s"][i] for p in layout.pairs for i in middle_of(bands)]
    return next((r for r in reasons if r), "no decay could be fitted")


def _lingering(room: RoomFacts, layout: LayoutFacts, bands: Bands) -> Finding:
    time_s, target = layout.t30_mid_s, room.target
    if not np.isfinite(time_s):
        return Finding(
            "note",
            "How long sound lingers could not be read off.",
            f"At 500 Hz and 1 kHz: {_why_no_decay(layout, bands)}.",
        )
    number = with_error(time_s, layout.t30_mid_error_s, 0.01, "s")
    measured = (
        f"Speech and other mid sound takes {number} to die away (T30, mean of 500 Hz and "
        "1 kHz). "
    )
    if layout.is_hidden:
        measured += (
            "A microphone so close hears the room far below the direct sound; this is how the "
            "rest dies away. "
        )
    aim = (
        f"Control and listening rooms of this size aim for {target.low_s:.2f} to "
        f"{target.high_s:.2f} s (EBU Tech 3276, 2nd ed."
        + ("; extrapolated to so small a room" if target.is_extrapolated else "")
        + "); rooms to play music in together want more."
    )
    if time_s > 2.0 * target.high_s:
        return Finding(
            "fault", "Sound lingers far too long for recording or mixing.", measured + aim
        )
    if time_s > target.high_s:
        return Finding(
            "watch", "Sound lingers longer than usual for recording or mixing.", measured + aim
        )
    if time_s < target.low_s:
        return Finding("watch", "The room is very dead.", measured + aim)
    return Finding("fine", "Sound dies away in good time.", measured + aim)


def _balance(layout: LayoutFacts, bands: Bands) -> Finding:
    low = mean_of(layout.t30_s, within(bands, 125.0, 400.0))
    high = mean_of(layout.t30_s, within(bands, 2000.0, 2000.0))
    if not (np.isfinite(low) and np.isfinite(high) and high > 0.0):
        return Finding(
            "note", "The balance of lows and highs could not be read off.",
            "A decay time is missing at 125 to 400 Hz or at 2 kHz.",
        )  # fmt: skip
    ratio = low / high
    numbers = (
        f"From 125 to 400 Hz sound takes {amount(low, 0.01)} s, at 2 kHz "
        f"{amount(high, 0.01)} s: {ratio:.1f} to 1. "
    )
    hint = (
        f"Below {frequency(layout.transition_hz)} the lows are single modes, so take the first "
        "number as a hint."
        if layout.transition_hz > 125.0
        else ""
    )
    if ratio > _BOXY:
        return Finding(
            "fault", "Voices will sound boxy: the low middle outlasts the highs.",
            numbers + "Thin or soft coverings take only the highs and make this worse. " + hint,
        )  # fmt: skip
    if ratio > _TILTED:
        return Finding(
            "watch", "Slightly boxy: the low middle outlasts the highs.", numbers + hint
        )
    if ratio < 1.0 / _BOXY:
        return Finding(
            "watch", "Bright: the highs ring on after the rest.",
            numbers + "Hard bare surfaces give such a room its hard edge. " + hint,
        )  # fmt: skip
    return Finding("fine", "Lows and highs die away together.", numbers + hint)


def _strongest(layout: LayoutFacts) -> Finding:
    heard = [
        (p.strongest, p)
        for p in layout.pairs
        if p.strongest is not None and p.is_seen and not p.is_turned_away
    ]
    if not heard:
        return Finding(
            "note", "No early reflection stands out.",
            "No mirror-like reflection was found within 50 ms of a direct sound.",
        )  # fmt: skip
    arrival, pair = max(heard, key=lambda item: item[0].level_db)
    return _early(arrival, pair, several=len(layout.pairs) > 1)


def _early(arrival: Arrival, pair: PairFacts, several: bool) -> Finding:
    sentence = (
        f"{'Over all pairs, the' if several else 'The'} strongest early reflection reaches "
        f"“{pair.receiver}” {arrival.delay_ms:.1f} ms after the direct sound of "
        f"“{pair.source}”, {_below(arrival.level_db)}, {way_of(arrival)}. "
    )
    if arrival.is_in_window:
        return Finding(
            "fault",
            f"A strong early reflection comes {way_of(arrival)}.",
            sentence
            + "Control and listening rooms aim for 10 dB below or less during the first "
            "15 ms, from 1 to 8 kHz (EBU Tech 3276, 2nd ed., 2.2).",
        )
    return Finding(
        "fine",
        "Early reflections stay low.",
        sentence + "That keeps clear of the first 15 ms down to 10 dB below the direct sound "
        "(EBU Tech 3276, 2nd ed., 2.2).",
    )


def _below(level_db: float) -> str:
    if level_db > 0.05:
        return f"{level(level_db)} dB above it"
    return f"{level(abs(level_db))} dB below it"


def _flutter(layout: LayoutFacts) -> list[Finding]:
    """Name the longest-lasting facing pair of each distance."""
    pairs: list[FacingPair] = []
    for pair in layout.flutter:
        if all(abs(pair.distance_m - p.distance_m) > 0.05 for p in pairs):
            pairs.append(pair)
    pairs = pairs[:4]
    if not pairs:
        return []
    told = [
        f"{p.first} and {p.second}, {p.distance_m:.2f} m apart over {p.area_m2:.1f} m²: "
        f"{p.rate_hz:.0f} claps per second, up to {amount(p.decay_s, 0.1)} s long"
        for p in pairs
    ]
    if len(pairs) == 1:
        p = pairs[0]
        headline = (
            f"Flutter between {p.first} and {p.second}: {p.rate_hz:.0f} claps per second."
        )
    else:
        headline = f"Flutter between {len(pairs)} pairs of hard parallel surfaces."
    return [
        Finding(
            "watch",
            headline,
            f"A clap goes to and fro between {'; '.join(told)}. That outlasts the rest of the "
            "room (1 to 4 kHz). Clap once to check; making one of the two absorb or scatter is "
            "enough.",
        )
    ]


def _bend(layout: LayoutFacts, bands: Bands) -> list[Finding]:
    usable = within(bands, 250.0, 4000.0)
    usable = usable[~layout.is_modal[usable]]
    bent = [
        (float(p.measures.curvature_pct[i]), bands.labels[i], p)
        for p in layout.pairs
        for i in usable.tolist()
        if p.measures.curvature_pct[i] - 2.0 * p.measures.error["curvature_pct"][i] > _BENT_PCT
    ]
    if not bent:
        return []
    worst, label, pair = max(bent, key=lambda b: b[0])
    return [
        Finding(
            "watch",
            "The decay is uneven: it starts fast and ends slowly.",
            f"At {band_name(label)}, from “{pair.source}” to “{pair.receiver}”, the later part "
            f"takes {worst:.0f} % longer than the first (curvature; above 10 % two decays are "
            "suspected, ISO 3382-2 Annex B). Hard parallel surfaces, or a corner without "
            "absorption, keep sound while the rest of the room has lost it.",
        )
    ]


def _speech(layout: LayoutFacts) -> list[Finding]:
    rated = [(p.measures.sti, p) for p in layout.pairs if np.isfinite(p.measures.sti)]
    if not rated:
        return []
    lowest, pair = min(rated, key=lambda r: r[0])
    kind, headline = next(
        (kind, headline)
        for limit, kind, headline in (
            (0.60, "fine", "Speech is easy to follow."),
            (0.45, "watch", "Speech takes some effort to follow."),
            (-1.0, "fault", "Speech is hard to follow."),
        )
        if lowest >= limit
    )
    lowest_of = " at its lowest," if len(rated) > 1 else ""
    return [
        Finding(
            kind,
            headline,
            f"The speech transmission index is {index_of_one(lowest)} of 1,{lowest_of} from "
            f"“{pair.source}” to “{pair.receiver}”: {sti_word(lowest)} by IEC 60268-16. It "
            "counts the room alone, without noise; rooms that are poor for recording can pass.",
        )
    ]


def pair_findings(pair: PairFacts) -> tuple[Finding, ...]:
    """Say what holds for one pair alone: line of sight, and the strongest reflection."""
    if not pair.is_seen:
        return (
            Finding(
                "note",
                "No line of sight.",
                f"Something stands between “{pair.source}” and “{pair.receiver}”. Delays and "
                "levels are counted from the first sound that arrives. Sound bent round edges "
                "is left out by this model.",
            ),
        )
    if pair.strongest is None:
        return ()
    if not pair.is_turned_away:
        return (_early(pair.strongest, pair, several=False),)
    arrival = pair.strongest
    return (
        Finding(
            "note",
            f"“{pair.receiver}” turns away from “{pair.source}”.",
            f"It takes the direct sound {level(-pair.direct_gain_db)} dB weaker than sound "
            "from its front, so reflections weigh more. Their levels are re the direct sound "
            "as a microphone that hears all round would take it. The strongest early one "
            f"comes {arrival.delay_ms:.1f} ms later, {_below(arrival.level_db)}, "
            f"{way_of(arrival)}.",
        ),
    )
