"""What is wrong with this room, in sentences that name the cause and the number.

Every limit here says where it comes from. A finding is a fault, something to watch,
fine, or a note; it never promises what a treatment would do.
"""

import numpy as np
from numpy.typing import NDArray

from raysim.report.facts import LayoutFacts, RoomFacts
from raysim.report.finding import KIND_WORDS, VOICE, Finding, purposes
from raysim.report.flutter import FacingPair
from raysim.report.numbers import amount, band_name, frequency, index_of_one, with_error
from raysim.report.pairs import mean_of, within
from raysim.report.reflections import close_finding, early_findings
from raysim.scene.model import Bands

#: Low-mid over high decay that is heard as boxy, and that is worth a look; common
#: practice, no source.
_BOXY, _TILTED, _THIN = 1.5, 1.25, 0.8

#: Curvature 100 (T30/T20 - 1) in per cent, ISO 3382-2:2008 Annex B; above 10 % a decay
#: is suspected of being two decays (value from memory).
_BENT_PCT = 10.0

#: Lower ends of the ratings of STI, IEC 60268-16 (values from memory).
_STI_WORDS = ((0.75, "excellent"), (0.60, "good"), (0.45, "fair"), (0.30, "poor"), (0.0, "bad"))


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
        *early_findings(layout.pairs),
        *(close_finding(p) for p in layout.pairs if p.is_close),
        *_flutter(layout),
        *_bend(layout, bands),
        *_speech(layout),
    ]
    order = list(KIND_WORDS)
    return tuple(sorted(found, key=lambda f: order.index(f.kind)))


def _why_no_decay(layout: LayoutFacts, bands: Bands) -> str:
    reasons = [p.measures.why["t30_s"][i] for p in layout.pairs for i in bands.middle]
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
        f"{target.high_s:.2f} s (EBU Tech 3276, 2nd ed., 2.3"
        + (f"; {target.remark}" if target.remark else "")
        + "); rooms to play music in together want more (common practice, no source)."
    )
    judged = purposes(p.sounds for p in layout.pairs)
    kind, headline = (
        _lingering_for(judged, time_s, target.low_s, target.high_s)
        if judged
        else ("note", _lingering_both_ways(time_s, target.low_s, target.high_s))
    )
    return Finding(kind, headline, measured + aim)


def _lingering_for(judged: str, time_s: float, low_s: float, high_s: float) -> tuple[str, str]:
    if time_s > 2.0 * high_s:
        return "fault", f"Sound lingers far too long for {judged}."
    if time_s > high_s:
        return "watch", f"Sound lingers longer than usual for {judged}."
    if time_s < low_s:
        return "watch", "The room is very dead."
    return "fine", "Sound dies away in good time."


def _lingering_both_ways(time_s: float, low_s: float, high_s: float) -> str:
    """Say what a decay time is to players and to a mixer, where the use is not known."""
    if time_s > high_s:
        return "Sound lingers: wanted by players, unwanted in mixing."
    if time_s < low_s:
        return "The room is very dead: players miss the room, and mixing wants more too."
    return "Sound dies away as mixing wants it; players may miss the room."


def _balance(layout: LayoutFacts, bands: Bands) -> Finding:
    lows = within(bands, 125.0, 400.0)
    known = lows[~layout.is_modal[lows]]
    used = known if len(known) else lows
    low = mean_of(layout.t30_s, used)
    high = mean_of(layout.t30_s, within(bands, 2000.0, 2000.0))
    if not (np.isfinite(low) and np.isfinite(high) and high > 0.0):
        return Finding(
            "note", "The balance of lows and highs could not be read off.",
            f"A decay time is missing {_span(bands, used)} or at 2 kHz.",
        )  # fmt: skip
    ratio = low / high
    numbers = (
        f"Sound takes {amount(low, 0.01)} s {_span(bands, used)} and {amount(high, 0.01)} s at "
        f"2 kHz: {ratio:.1f} to 1. "
    )
    modes = (
        f"Below {frequency(layout.transition_hz)} a room rings at single modes, which rays do "
        "not know"
    )
    unknown = "The lows are not known from this calculation."
    if not len(known):
        return Finding("note", unknown, f"{numbers}{modes}: the first number is a hint only.")
    hint = f"{modes}: nothing is said of the bands there." if len(known) < len(lows) else ""
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
    if ratio < _THIN:
        return Finding("note", "Lows die away sooner than highs.", numbers + hint)
    if hint:
        return Finding("note", unknown, numbers + hint)
    return Finding("fine", "Lows and highs die away together.", numbers)


def _span(bands: Bands, index: NDArray[np.intp]) -> str:
    first, last = (band_name(bands.labels[i]) for i in (index[0], index[-1]))
    return f"at {first}" if first == last else f"from {first} to {last}"


def _apart(pair: FacingPair) -> str:
    return (
        f"{pair.first} and {pair.second}, {pair.distance_m:.2f} m apart over "
        f"{pair.area_m2:.1f} m²"
    )


def _flutter(layout: LayoutFacts) -> list[Finding]:
    """Name the longest-lasting facing pair of each distance, and the nearest hard one."""
    pairs: list[FacingPair] = []
    for pair in layout.flutter:
        if all(abs(pair.distance_m - p.distance_m) > 0.05 for p in pairs):
            pairs.append(pair)
    pairs = pairs[:4]
    found = []
    if pairs:
        told = [
            f"{_apart(p)}: {p.rate_hz:.0f} claps per second, about {amount(p.decay_s, 0.1)} s "
            "long"
            for p in pairs
        ]
        first = pairs[0]
        headline = (
            f"Flutter between {first.first} and {first.second}: {first.rate_hz:.0f} claps per "
            "second."
            if len(pairs) == 1
            else f"Flutter between {len(pairs)} pairs of hard parallel surfaces."
        )
        found.append(
            Finding(
                "watch",
                headline,
                f"A clap goes to and fro between {'; '.join(told)}. That outlasts the rest of "
                "the room, from 1 to 4 kHz, by a quarter or more (common practice, no source); "
                "the rest by T30 or Eyring's formula, whichever is shorter. Clap once to "
                "check; making one of the two absorb or scatter is enough.",
            )
        )
    near = layout.nearest
    if near is not None and all(abs(near.distance_m - p.distance_m) > 0.05 for p in pairs):
        found.append(
            Finding(
                "note",
                f"The nearest hard parallel surfaces: {near.rate_hz:.0f} claps per second.",
                f"Between {_apart(near)}, a clap comes back so often (c/2d). By these numbers "
                f"it dies away in about {amount(near.decay_s, 0.1)} s and is not found to "
                "outlast the rest of the room by a quarter. Clap once to check.",
            )
        )
    return found


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
    rated = [
        (p.measures.sti, p)
        for p in layout.pairs
        if p.sounds == VOICE and np.isfinite(p.measures.sti)
    ]
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
