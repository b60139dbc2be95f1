"""Short sounds for a listening test: a dry phrase, and the same in each layout.

Samples have the shape (channel, sample); levels are as they come out of the responses and
are matched later. Only a short part of a long recording is taken: what one compares must
fit into one's memory of sound.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from raysim.errors import AudioError, Complaint
from raysim.listening.convolve import convolved
from raysim.listening.dry import DrySound
from raysim.listening.resample import resampled
from raysim.response.heard import HeardResponse
from raysim.units import Float

#: So much of the dry sound is played; the room's tail comes on top.
DRY_S: Final = 8.0
_FADE_S: Final = 0.03


@dataclass(frozen=True, slots=True, eq=False)
class RoomSounds:
    """One phrase, without a room and in several layouts, all beginning together."""

    name: str
    about: str
    sample_rate_hz: int
    dry: Float  # (n_channel, n_sample), the same in each channel
    by_layout: dict[str, Float]  # (n_channel, n_sample) each


def room_sounds(
    dry: DrySound, heard: Sequence[HeardResponse], begin_s: float = 0.0
) -> RoomSounds:
    """Play a part of a dry sound through the responses of layouts.

    Parameters
    ----------
    dry : DrySound
    heard : sequence of HeardResponse
        One per layout, alike in rate and channels.
    begin_s : float
        Where in the dry sound the part begins.

    Raises
    ------
    AudioError
        RS-L45: nothing of the dry sound is left after ``begin_s``. RS-L26: of reading.
    """
    rate = heard[0].sample_rate_hz
    phrase = np.concatenate(list(resampled(_part(dry, begin_s), dry.sample_rate_hz, rate)))
    by_layout = {
        one.layout: np.concatenate(list(convolved([phrase], one.samples)), axis=1)
        for one in heard
    }
    n = max(one.shape[1] for one in by_layout.values())
    alone = np.pad(phrase, (0, n - phrase.size))
    return RoomSounds(
        dry.name, dry.about, rate, np.stack([alone] * len(heard[0].channels)), by_layout
    )


def _part(dry: DrySound, begin_s: float) -> Iterator[Float]:
    """Give at most `DRY_S` of the dry sound as one piece, faded where it was cut."""
    if not 0.0 <= begin_s < dry.duration_s:
        raise AudioError(
            Complaint(dry.name,
                      f"has nothing at {begin_s:g} s: it lasts {dry.duration_s:.1f} s.",
                      "Begin earlier, at 0 or later.", "RS-L45")
        )  # fmt: skip
    begin = int(begin_s * dry.sample_rate_hz)
    end = begin + int(DRY_S * dry.sample_rate_hz)
    taken: list[Float] = []
    n_seen = 0
    for piece in dry.pieces():
        taken.append(piece[max(0, begin - n_seen) : max(0, end - n_seen)])
        n_seen += piece.size
        if n_seen >= end:
            break
    part = np.concatenate(taken)
    n_fade = min(int(_FADE_S * dry.sample_rate_hz), part.size // 4)
    if begin > 0:
        part[:n_fade] *= np.linspace(0.0, 1.0, n_fade, endpoint=False)
    if n_seen > end or dry.n_sample > end:
        part[part.size - n_fade :] *= np.linspace(1.0, 0.0, n_fade)
    yield part
