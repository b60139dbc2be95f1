"""Listening pages: one HTML file with sounds, script and style in it, that asks nobody else.

The page forbids itself every connection. Names lie in it in another notation, so that
no glance reveals them; who takes it apart can find them, and only cheats himself.
"""

import base64
import json
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import jinja2

import raysim
import raysim.report
from raysim.errors import Complaint, SettingsError
from raysim.listening.chance import Outcome, outcomes, passing, percent
from raysim.listening.kit import PAIR, Clip, as_flac, as_text, checked, kit_name, made_even

#: Trials of a sitting: 25 tire the ears (common practice).
TRIALS: Final = (16, 24)
#: A rest is offered after so many.
REST_AFTER: Final = 8

FEW = (
    "One sitting tells of one pair of ears, on one day, with one sound. With a handful of "
    "listeners all of this is illustration, not statistics."
)
AID = (
    "The sounds are computed from a model of the room: an aid to compare, not a copy of the "
    "room. A difference heard here should be there in the room too; its size may not be. All "
    "were brought to one loudness: what a layout takes away in level is not heard here, but in "
    "the level-true files of “raysim listen”."
)


@dataclass(frozen=True, slots=True)
class KitPage:
    """A finished listening page, and what it was made from."""

    name: str  # 16 hexadecimal digits that follow from the sounds
    html: str
    layouts: tuple[str, ...]
    n_trial: int  # or screens
    n_sound_byte: int  # of all sounds, packed
    screens: tuple[tuple[str, ...], ...] = ()  # where there are screens: their sounds

    @property
    def size_mb(self) -> float:
        """Size of the page in megabytes."""
        return len(self.html.encode()) / 1e6


def template(name: str, **content: Any) -> str:  # noqa: ANN401 - what the template takes
    """Fill a template of this folder, with the style of our other pages."""
    environment = jinja2.Environment(
        loader=jinja2.PackageLoader("raysim.listening", "template"),
        autoescape=True,
        trim_blocks=True,
        lstrip_blocks=True,
        undefined=jinja2.StrictUndefined,
    )
    shared = Path(raysim.report.__file__).parent / "template" / "page.css"
    css = shared.read_text(encoding="utf-8") + own_text("kit.css")
    return environment.get_template(name).render(css=css, **content)


def own_text(name: str) -> str:
    """Give a file of the template folder."""
    return (Path(__file__).parent / "template" / name).read_text(encoding="utf-8")


def script(name: str, data: dict[str, Any]) -> str:
    """Join the shared script and a page's own, with its data written in."""
    text = json.dumps(data, ensure_ascii=True, separators=(",", ":")).replace("<", "\\u003c")
    return own_text("kit.js") + own_text(name).replace("/*DATA*/", text, 1)


def veiled(value: object) -> str:
    """Write something so that it cannot be read in passing."""
    return base64.b64encode(json.dumps(value).encode()).decode("ascii")


def footer(
    name: str, clips: Sequence[Clip], n_byte: int, about: str
) -> tuple[tuple[str, str], ...]:
    """Say what the sounds are."""
    rate, n = clips[0].sample_rate_hz, clips[0].samples.shape
    channels = {1: "One channel", 2: "Two channels"}.get(n[0], f"{n[0]} channels")
    return (
        ("Sounds", f"{about} {channels}, {rate} Hz, 16 bits, {n[1] / rate:.1f} s, without "
                   f"loss; {n_byte / 1e6:.1f} MB."),
        ("Page", f"Kit {name}, raysim {raysim.__version__}. Nothing leaves this page: it "
                 "cannot reach the network. Answers stay in this browser until you save them."),
    )  # fmt: skip


def pair_page(clips: Sequence[Clip], n_trial: int = TRIALS[0], about: str = "") -> KitPage:
    """Make the page that asks if two layouts can be told apart.

    Parameters
    ----------
    clips : sequence of Clip
        Two, brought to one loudness.
    n_trial : int
        16 or 24.
    about : str
        One sentence on what is played; must not name a layout.

    Raises
    ------
    AudioError
        RS-L40 to RS-L46: the clips cannot be compared fairly.
    SettingsError
        RS-L47: another number of trials.
    """
    if n_trial not in TRIALS:
        raise SettingsError(
            Complaint("--trials", f"{n_trial} is not a number of trials offered.",
                      "Take 16 or 24, and decide before you listen.", "RS-L47")
        )  # fmt: skip
    checked(clips, (PAIR, PAIR))
    even = made_even(clips)
    packed = [as_flac(clip) for clip in even]
    name, n_byte = kit_name(packed), sum(map(len, packed))
    names = tuple(clip.name for clip in clips)
    data = {
        "kit": name,
        "n_trial": n_trial,
        "rest_after": REST_AFTER,
        "sample_rate_hz": clips[0].sample_rate_hz,
        "outcomes": [_for_page(o) for o in outcomes(n_trial)],
        "names": veiled(names),
        "clips": [as_text(one) for one in packed],
    }
    rests = " and ".join(str(n) for n in range(REST_AFTER, n_trial, REST_AFTER))
    page = {
        "title": "Which one is the stranger?",
        "heading": "Which one is the stranger?",
        "n_trial": n_trial,
        "breaks": f"After {rests} there is a rest.",
        "duration": f"It takes about {round(n_trial * 0.6)} to {round(n_trial * 1.2)} minutes.",
        "reading": (
            "Heard or not was laid down before: "
            f"{passing(n_trial)[0].lower()}{passing(n_trial)[1:]}",
            "Not hearing it is not proof of equality. Hearing it is not proof of better.",
            "Where several layouts were tested in this way, each p must be raised for their "
            "number (Holm’s rule); “raysim kit --answers” does that.",
            FEW,
            AID,
        ),
        "footer": footer(name, even, n_byte, about),
    }
    html = template("pair.html", page=page, script=script("pair.js", data))
    return KitPage(name, html, names, n_trial, n_byte)


def _for_page(outcome: Outcome) -> dict[str, object]:
    p = f"{outcome.p:.3f}" if outcome.p >= 0.001 else "< 0.001"
    return {
        "p": outcome.p,
        "p_text": p,
        "low": outcome.low,
        "high": outcome.high,
        "interval_text": f"{percent(outcome.low)} to {percent(outcome.high)}",
        "sentence": outcome.sentence,
    }
