"""The page that asks untrained people which of two rooms they would rather work with.

Two sounds at a time, one question, one attribute, and room for words: simpler than a scale,
and enough for most (advice from a study of auditoria by listening, seen second-hand). Every
pair comes either way round, so that a liking for one side cancels and shows.
"""

from collections.abc import Sequence
from typing import Final

from raysim.errors import Complaint, SettingsError
from raysim.listening.kit import MANY, PAIR, Clip, as_flac, as_text, checked, kit_name
from raysim.listening.kit_page import AID, FEW, KitPage, footer, script, template, veiled

#: More comparisons than this tire the ears, common practice.
MOST_TRIALS: Final = 25


def n_comparison(n_sound: int, n_layout: int) -> int:
    """Give how many comparisons a sitting has.

    Examples
    --------
    >>> n_comparison(2, 2), n_comparison(1, 5)
    (4, 20)
    """
    return n_sound * n_layout * (n_layout - 1)


def check_comparisons(n_sound: int, n_layout: int) -> None:
    """Refuse a sitting that tires the ears.

    Raises
    ------
    SettingsError
        RS-L54.
    """
    n = n_comparison(n_sound, n_layout)
    if n > MOST_TRIALS:
        raise SettingsError(
            Complaint("--prefer", f"{n_layout} layouts with {n_sound} sounds make {n} "
                      f"comparisons, more than {MOST_TRIALS}.",
                      "Name fewer layouts, or give one sound.", "RS-L54")
        )  # fmt: skip


def preference_page(sounds: Sequence[tuple[str, Sequence[Clip]]], about: str = "") -> KitPage:
    """Make the page.

    Parameters
    ----------
    sounds : sequence of (name, clips)
        For each sound its clips, one a layout, in the same order of layouts.
    about : str
        One sentence on what is played.

    Raises
    ------
    AudioError
        RS-L40 to RS-L46: the clips cannot be compared fairly.
    SettingsError
        RS-L54: too many comparisons.
    """
    layouts = tuple(clip.name for clip in sounds[0][1])
    check_comparisons(len(sounds), len(layouts))
    for _, clips in sounds:
        checked(clips, (PAIR, MANY[1]))
    packed = [as_flac(clip) for _, clips in sounds for clip in clips]
    name, n_byte = kit_name(packed), sum(map(len, packed))
    n_trial = n_comparison(len(sounds), len(layouts))
    data = {
        "kit": name,
        "sample_rate_hz": sounds[0][1][0].sample_rate_hz,
        "sounds": [one for one, _ in sounds],
        "n_layout": len(layouts),
        "names": veiled(layouts),
        "clips": [as_text(one) for one in packed],
    }
    page = {
        "title": "Which would you rather work with?",
        "heading": "Which would you rather work with?",
        "n_trial": n_trial,
        "reading": (
            "Every pair came twice with each sound, either way round. Where you chose "
            "differently the second time, there may be nothing to choose between.",
            "A preference is not a proof that a difference is heard: for that, two layouts "
            "are to be told apart (“raysim kit” with two layouts).",
            FEW,
            AID,
        ),
        "footer": footer(name, sounds[0][1], n_byte, about),
    }
    html = template("preference.html", page=page, script=script("preference.js", data))
    return KitPage(name, html, layouts, n_trial, n_byte, tuple(layouts for _ in sounds))
