"""The page that has three to eight layouts rated beside a reference and known faults.

In the manner of ITU-R BS.1534-3 (read in a summary, second-hand; its numbers of stimuli and
its scale from memory): the reference is open and also hidden among the sounds, two are
low-passed, ratings run from 0 to 100 under five words, the order is drawn anew for each
screen. A room has no perfect original, so the reference is declared in words; and as small
rooms are boxy rather than dull, a third anchor of our own is boxy. Theory: DEVELOPERS.md,
K7 and K8.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

from raysim.listening.anchors import LOW_HZ, MIDDLE_HZ, boxed, low_passed
from raysim.listening.chance import median_interval
from raysim.listening.kit import MANY, Clip, as_flac, as_text, checked, kit_name, matched
from raysim.listening.kit_page import AID, FEW, KitPage, footer, script, template, veiled

#: The five words of the scale, best first, for a fifth of it each.
WORDS: Final = ("excellent", "good", "fair", "poor", "bad")
#: Ratings of the hidden reference below this count as not having found it ...
FOUND: Final = 90
#: ... and who misses it on a larger share of screens is left out.
MISSED_SHARE: Final = 0.15

HIDDEN: Final = "the reference, hidden"
ANCHORS: Final = ("dull (to 3.5 kHz)", "dull (to 7 kHz)", "boxy")

_RULE = (
    f"A listener who gives the hidden reference less than {FOUND} on more than "
    f"{100 * MISSED_SHARE:.0f} % of the screens is left out of a tally over several listeners: "
    "such ratings say little of the others (BS.1534-3)."
)


@dataclass(frozen=True, slots=True)
class Screen:
    """What is rated side by side: one sound, in each layout."""

    title: str  # what is played; must not name a layout
    reference: Clip  # its name says what it is
    layouts: tuple[Clip, ...]


def rated_sounds(screen: Screen) -> tuple[Clip, ...]:
    """Give all sounds of a screen: the hidden reference, the anchors, the layouts.

    All are brought to one loudness and one length.

    Raises
    ------
    AudioError
        RS-L40 to RS-L46: the clips cannot be compared fairly.
    """
    checked(screen.layouts, MANY)
    reference, rate = screen.reference, screen.reference.sample_rate_hz
    checked((reference, *screen.layouts), (MANY[0] + 1, MANY[1] + 1))
    samples = reference.samples
    made = (low_passed(samples, rate, LOW_HZ), low_passed(samples, rate, MIDDLE_HZ),
            boxed(samples, rate))  # fmt: skip
    sounds = {HIDDEN: samples, **dict(zip(ANCHORS, made, strict=True))}
    sounds |= {clip.name: clip.samples for clip in screen.layouts}
    clips = matched(sounds, rate)
    gains = {clip.name: clip.gain_db for clip in screen.layouts}
    return tuple(replace(c, gain_db=c.gain_db + gains.get(c.name, 0.0)) for c in clips)


def rating_page(screens: Sequence[Screen], about: str = "") -> KitPage:
    """Make the page on which layouts are rated.

    Parameters
    ----------
    screens : sequence of Screen
        One for each sound, all with the same layouts.
    about : str
        One sentence on what is played.

    Raises
    ------
    AudioError
        RS-L40 to RS-L46: the clips cannot be compared fairly.
    """
    packed: list[bytes] = []
    first: tuple[Clip, ...] = ()
    told: list[dict[str, object]] = []
    names: list[tuple[str, ...]] = []
    for screen in screens:
        clips = rated_sounds(screen)
        told.append(
            {
                "title": screen.title,
                "reference": screen.reference.name,
                "clips": list(range(len(packed), len(packed) + len(clips))),
            }
        )
        names.append(tuple(clip.name for clip in clips))
        first = first or clips
        packed += [as_flac(clip) for clip in clips]
    name, n_byte = kit_name(packed), sum(map(len, packed))
    layouts = tuple(clip.name for clip in screens[0].layouts)
    data = {
        "kit": name,
        "sample_rate_hz": screens[0].reference.sample_rate_hz,
        "screens": told,
        "names": veiled(names),
        "clips": [as_text(one) for one in packed],
        "found": FOUND,
        "missed_share": MISSED_SHARE,
        "ranks": [_rank(n) for n in range(len(screens) + 1)],
    }
    page = {
        "title": "How good does each of them sound?",
        "heading": "How good does each of them sound?",
        "n_screen": len(screens),
        "n_sound": len(names[0]),
        "words": WORDS[::-1],
        "reading": (
            f"A score is meant in relation to the reference, which was declared as "
            f"{screens[0].reference.name}. A room has no perfect original: with another "
            "reference the order may be another.",
            "The dull sounds hold down the lower end where a fault takes away treble; the boxy "
            "one does so for what small rooms rather do. A layout that scores no better than "
            "an anchor is no success.",
            "An interval (95 %, by order alone, without a law of ratings) is of one sound, and "
            "needs six ratings. Whether it overlaps another's says nothing for sure: one "
            "person's ratings of two sounds belong together. Blind pairs ask that question.",
            _RULE,
            FEW,
            AID,
        ),
        "footer": footer(name, first, n_byte, about),
    }
    html = template("rating.html", page=page, script=script("rating.js", data))
    return KitPage(name, html, layouts, len(screens), n_byte, tuple(names))


def _rank(n: int) -> int | None:
    """Give which value from either end bounds the median of n; None if too few  (K8)."""
    found = median_interval([float(i) for i in range(1, n + 1)])
    return None if found is None else int(found[0])
