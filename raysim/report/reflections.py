"""What is said of early reflections and of close microphones, by what sounds there.

The early-reflection window of EBU Tech 3276 is an aim for loudspeakers one mixes on. Of
a voice it is a note, and for players it cuts both ways.
"""

from collections.abc import Sequence
from itertools import zip_longest

from raysim.report.finding import LOUDSPEAKER, VOICE, Finding
from raysim.report.numbers import level
from raysim.report.pairs import SOURCE_AWAY_DB, Arrival, PairFacts

#: A room surface heads a finding even if a thing's reflection is so much stronger: the
#: thing may move, and bodies do. Common practice, no source.
_THING_MARGIN_DB = 6.0

_AIM = (
    "10 dB below or less during the first 15 ms, from 1 to 8 kHz (EBU Tech 3276, 2nd ed., 2.2)"
)


def way_of(arrival: Arrival) -> str:
    """Say over which surfaces a reflection came.

    Examples
    --------
    >>> way_of(Arrival(2.0, -9.0, ("floor", "host 1 top"), ("", "host 1")))
    'from the floor, then the top of host 1'
    """
    named = [
        f"the {name.removeprefix(thing).strip()} of {thing}" if thing else f"the {name}"
        for name, thing in zip_longest(arrival.surfaces, arrival.things, fillvalue="")
    ]
    return f"from {', then '.join(named)}"


#: A microphone's null is deeper than any real one from here on.
_NOTHING_DB = -100.0

_UNLISTED = Finding(
    "note",
    "Early reflections were not listed one by one.",
    "Mirror-like reflections were asked for to order 0. Rays carry them all the same: decay "
    "and clarity hold, but which surface sends what is not known. Ask for order 1 or more.",
)


def _below(level_db: float) -> str:
    if level_db > 0.05:
        return f"{level(level_db)} dB above it"
    return f"{level(abs(level_db))} dB below it"


def early_findings(pairs: Sequence[PairFacts]) -> list[Finding]:
    """Say which early reflection is the strongest, for each sort of source.

    Parameters
    ----------
    pairs : sequence of PairFacts
        Of one layout. Those without line of sight, or whose source or microphone points
        away, do not count: their levels are not re the direct sound that was taken.

    Returns
    -------
    list of Finding
        One for loudspeakers, one for voices, one for all else, as far as there are any.
    """
    if not any(p.is_listed for p in pairs):
        return [_UNLISTED]
    seen = [p for p in pairs if p.is_seen]
    if not seen:
        return [
            Finding(
                "note", "No source is in sight of its receiver.",
                "Something stands between them. Early reflections are judged re the direct "
                "sound, and there is none.",
            )
        ]  # fmt: skip
    facing = [p for p in seen if not (p.is_turned_away or p.source_is_turned_away)]
    if not facing:
        return [
            Finding(
                "note", "No source and receiver face each other.",
                "Early reflections are judged re the direct sound, and each source or "
                "microphone points away from it. Each pair's own part says what reaches it.",
            )
        ]  # fmt: skip
    told = [p for p in facing if p.early]
    if not told:
        return [
            Finding(
                "note", "No early reflection stands out.",
                "No mirror-like reflection was found within 50 ms of a direct sound.",
            )
        ]  # fmt: skip
    sorts = [
        [p for p in told if p.sounds == LOUDSPEAKER],
        [p for p in told if p.sounds == VOICE],
        [p for p in told if p.sounds not in (LOUDSPEAKER, VOICE)],
    ]
    return [_early_finding(sort) for sort in sorts if sort]


def _early_finding(pairs: Sequence[PairFacts]) -> Finding:
    """Judge the strongest early reflection of pairs whose sources are of one sort."""
    heard = [(a, p) for p in pairs for a in p.early]
    strongest = max(heard, key=lambda h: h[0].level_db)
    within = [h for h in heard if h[0].is_in_window]
    # One in the window is worse than a stronger one after it.
    top = max(within or heard, key=lambda h: h[0].level_db)
    own = [
        h
        for h in within or heard
        if h[0].is_of_room and h[0].level_db >= top[0].level_db - _THING_MARGIN_DB
    ]
    chosen, pair = top if top[0].is_of_room else max(
        own, key=lambda h: h[0].level_db, default=top
    )  # fmt: skip
    span = "early reflection" if chosen is strongest[0] else "reflection of the first 15 ms"
    if chosen is not top[0]:
        span = "early reflection of the room itself"
    sentence = (
        f"{'Over all pairs, the' if len(pairs) > 1 else 'The'} strongest {span} reaches "
        f"“{pair.receiver}” {chosen.delay_ms:.1f} ms after the direct sound of "
        f"“{pair.source}”, {_below(chosen.level_db)}, {way_of(chosen)}. "
    )
    if chosen is not top[0]:
        thing, its_pair = top
        sentence += (
            f"What stands in the room sends a stronger one: {thing.delay_ms:.1f} ms after the "
            f"direct sound of “{its_pair.source}”, {_below(thing.level_db)}, {way_of(thing)}. "
        )
    way = way_of(chosen)
    if pair.sounds == VOICE:
        return Finding(
            "note",
            f"The strongest early reflection of a voice comes {way}.",
            f"{sentence}Control and listening rooms aim for {_AIM}. That is an aim for "
            "loudspeakers; at a microphone a strong early reflection colours the voice.",
        )
    if pair.sounds != LOUDSPEAKER:
        return Finding(
            "note",
            f"The strongest early reflection comes {way}.",
            f"{sentence}Early reflections are wanted by players who must hear each other, and "
            f"unwanted in mixing: control and listening rooms aim for {_AIM}.",
        )
    if chosen.is_in_window:
        return Finding(
            "fault",
            f"A strong early reflection comes {way}.",
            f"{sentence}Control and listening rooms aim for {_AIM}.",
        )
    return Finding(
        "fine",
        "Early reflections stay low.",
        f"{sentence}Control and listening rooms aim for {_AIM}: this room keeps to it here.",
    )


def close_finding(pair: PairFacts) -> Finding:
    """Say how far the room lies below the source at a close microphone."""
    what = "voice" if pair.sounds == VOICE else "source"
    below = f"{level(pair.c50_mid_db)} dB below the {what}"
    return Finding(
        "note",
        f"At “{pair.receiver}” the room lies {below}.",
        f"At this microphone the room lies {below} “{pair.source}” (C50, mean of 500 Hz and "
        "1 kHz: what comes within 50 ms over what comes after). What is said of the room "
        "counts there by so much less.",
    )


def pair_findings(pair: PairFacts) -> tuple[Finding, ...]:
    """Say what holds for one pair alone: line of sight, closeness, early reflections."""
    unlisted = () if pair.is_listed else (_UNLISTED,)
    if not pair.is_seen:
        return (
            Finding(
                "note",
                "No line of sight.",
                f"Something stands between “{pair.source}” and “{pair.receiver}”. Delays and "
                "levels are counted from the first sound that arrives. Sound bent round edges "
                "is left out by this model.",
            ),
            *unlisted,
        )
    close = (close_finding(pair),) if pair.is_close else ()
    arrival = pair.strongest
    if not (pair.is_turned_away or pair.source_is_turned_away):
        early = () if arrival is None else (_early_finding((pair,)),)
        return (*unlisted, *early, *close)
    strongest = ""
    if arrival is not None:
        strongest = (
            f" The strongest early one comes {arrival.delay_ms:.1f} ms later, "
            f"{_below(arrival.level_db)}, {way_of(arrival)}."
        )
    away = []
    if pair.source_is_turned_away:
        away.append(_source_away(pair, "" if pair.is_turned_away else strongest))
    if pair.is_turned_away:
        away.append(_microphone_away(pair, strongest))
    return (*away, *unlisted, *close)


def _source_away(pair: PairFacts, strongest: str) -> Finding:
    """Say that a source points away, and what that does to levels."""
    return Finding(
        "note",
        f"“{pair.source}” points away from “{pair.receiver}”.",
        f"It sends the direct sound more than {level(-SOURCE_AWAY_DB, 1.0)} dB weaker than "
        "along its axis, so reflections are most of what arrives. Their levels are re the "
        f"direct sound as it would be if the source pointed this way.{strongest}",
    )


def _microphone_away(pair: PairFacts, strongest: str) -> Finding:
    """Say that a microphone turns away, and what that does to levels."""
    taken = (
        f"It takes the direct sound {level(-pair.direct_gain_db)} dB weaker than sound from "
        "its front"
        if pair.direct_gain_db > _NOTHING_DB
        else "It takes nothing of the direct sound"
    )
    if pair.source_is_turned_away:
        heard = "as a microphone that hears all round would take it if the source pointed there"
    else:
        heard = "as a microphone that hears all round would take it"
    return Finding(
        "note",
        f"“{pair.receiver}” turns away from “{pair.source}”.",
        f"{taken}, so reflections weigh more. Their levels are re the direct sound {heard}."
        f"{strongest}",
    )
