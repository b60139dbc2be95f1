"""One sentence with a headline, how grave it is, and what sort of sound it is judged for.

What is wrong depends on what a room is for, and the scene says so by what sounds in it: a
small loudspeaker is mixed on or listened to, a talker is recorded or followed; of any
other source the use is not known.
"""

from collections.abc import Iterable
from dataclasses import dataclass

#: Directivities by name that tell what a source is for.
LOUDSPEAKER, VOICE = "small loudspeaker", "talker"

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


def purposes(sounds: Iterable[str]) -> str:
    """Say what a room is judged for, by the directivities in it; empty if not known.

    Examples
    --------
    >>> purposes(["talker", "omni"]), purposes(["talker", "small loudspeaker"])
    ('recording speech', 'mixing or recording speech')
    """
    known = set(sounds)
    words = {LOUDSPEAKER: "mixing", VOICE: "recording speech"}
    return " or ".join(word for name, word in words.items() if name in known)
