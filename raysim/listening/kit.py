"""Clips that can be compared fairly: checked, made equally long, packed for a page.

Samples have the shape (channel, sample) and full scale 1. What would give a clip away,
or make the louder one win, is refused here.
"""

import base64
import hashlib
import io
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
import soundfile

from raysim.errors import AudioError, Complaint
from raysim.listening.loudness import LoudnessMeter
from raysim.listening.true_peak import true_peak_db
from raysim.units import Float, to_energy

#: Peaks between the samples stay so far below full scale, common practice.
HEADROOM_DB: Final = 1.0
#: Clips may differ in loudness by so much: at half a decibel listeners stop remarking on
#: level (a loudspeaker engineer's word, seen second-hand); half of that is safe.
LOUDNESS_SPREAD_DB: Final = 0.25
#: A clip is cut to this; long ones outlast the memory of ears (BS.1534-3, second-hand).
LONGEST_S: Final = 10.0
SHORTEST_S: Final = 0.5
#: How many clips each kind of test takes.
PAIR: Final = 2
MANY: Final = (3, 8)

_FADE_IN_S = 0.003
_FADE_OUT_S = 0.05
_DITHER_SEED = 16
_FULL = 32767.0
_ROUNDS = 20


@dataclass(frozen=True, slots=True)
class Clip:
    """One sound as heard in one layout, brought to the loudness of the others."""

    name: str  # of the layout
    samples: Float  # (n_channel, n_sample)
    sample_rate_hz: int
    loudness_lufs: float
    gain_db: float  # applied to match the loudness


def checked(clips: Sequence[Clip], n_clip: tuple[int, int]) -> None:
    """Refuse clips that cannot be compared fairly.

    Raises
    ------
    AudioError
        With every complaint: RS-L40 too few or too many, RS-L41 different rates or
        channels, RS-L42 different loudness, RS-L43 clipped, silent or not finite,
        RS-L44 two clips are the same sound, RS-L45 too short, RS-L46 one name twice.
    """
    found: list[Complaint] = []
    least, most = n_clip
    if not least <= len(clips) <= most:
        takes = f"{least}" if least == most else f"{least} to {most}"
        found.append(
            Complaint("layouts", f"{len(clips)} clips, and this test takes {takes}.",
                      "Name two layouts to ask if they differ, three to eight to rate them.",
                      "RS-L40")
        )  # fmt: skip
    forms = {(c.sample_rate_hz, c.samples.shape[0]) for c in clips}
    if len(forms) > 1:
        told = " and ".join(f"{rate} Hz with {n} channels" for rate, n in sorted(forms))
        found.append(
            Complaint("layouts", f"the clips do not fit together: {told}.",
                      "Render all of them in the same way.", "RS-L41")
        )  # fmt: skip
    for clip in clips:
        found += _faults_of(clip)
    names = [c.name for c in clips]
    for name in sorted({n for n in names if names.count(n) > 1}):
        found.append(
            Complaint(f'layout "{name}"', "is named twice.", "Name each once.", "RS-L46")
        )
    if found:
        raise AudioError(found)
    loud = sorted(clips, key=lambda c: c.loudness_lufs)
    spread_db = loud[-1].loudness_lufs - loud[0].loudness_lufs
    if spread_db > LOUDNESS_SPREAD_DB:
        found.append(
            Complaint(f'layouts "{loud[0].name}" and "{loud[-1].name}"',
                      f"the clips differ by {spread_db:.2f} dB in loudness, and the louder "
                      "one would be told by that.",
                      f"Match them within {LOUDNESS_SPREAD_DB:g} dB.", "RS-L42")
        )  # fmt: skip
    for i, one in enumerate(clips):
        found += [
            Complaint(f'layouts "{one.name}" and "{other.name}"',
                      "sound exactly alike: the clips are equal, sample by sample.",
                      "Choose layouts that differ.", "RS-L44")
            for other in clips[i + 1 :] if np.array_equal(one.samples, other.samples)
        ]  # fmt: skip
    if found:
        raise AudioError(found)


def _faults_of(clip: Clip) -> list[Complaint]:
    where = f'layout "{clip.name}"'
    if clip.samples.shape[1] < SHORTEST_S * clip.sample_rate_hz:
        length_s = clip.samples.shape[1] / clip.sample_rate_hz
        return [
            Complaint(where, f"its clip lasts {length_s:.2f} s.",
                      f"Give a sound of {SHORTEST_S:g} s or more.", "RS-L45")
        ]  # fmt: skip
    top = float(np.abs(clip.samples).max())
    wrong = ""
    if not np.isfinite(clip.samples).all():
        wrong = "its clip holds samples that are not finite numbers."
    elif top > 1.0:
        wrong = f"its clip swings to {top:.2f}, beyond full scale."
    elif top == 0.0 or not np.isfinite(clip.loudness_lufs):
        wrong = "its clip is silent."
    if not wrong:
        return []
    return [Complaint(where, wrong, "Render it again with more headroom.", "RS-L43")]


def made_even(clips: Sequence[Clip], longest_s: float = LONGEST_S) -> tuple[Clip, ...]:
    """Give the clips one length and one fade: none can be told by where it ends.

    All are cut where the longest would pass ``longest_s``, and shorter ones are followed
    by silence. Loudness is left as stated: cut and fade are the same for all.
    """
    rate = clips[0].sample_rate_hz
    n = min(max(c.samples.shape[1] for c in clips), int(longest_s * rate))
    n_in, n_out = int(_FADE_IN_S * rate), int(_FADE_OUT_S * rate)
    window = np.ones(n)
    window[:n_in] = np.linspace(0.0, 1.0, n_in, endpoint=False)
    window[-n_out:] = np.linspace(1.0, 0.0, n_out)
    even = []
    for clip in clips:
        part = clip.samples[:, :n]
        filled = np.pad(part, ((0, 0), (0, n - part.shape[1])))
        even.append(replace(clip, samples=filled * window))
    return tuple(even)


def matched(sounds: Mapping[str, Float], sample_rate_hz: int) -> tuple[Clip, ...]:
    """Cut sounds to one length and bring them to one loudness, as loud as all of them can.

    Parameters
    ----------
    sounds : mapping of name to (n_channel, n_sample) float64
        As many channels each, and any level.
    sample_rate_hz : int

    Returns
    -------
    tuple of Clip
        In the order given. No true peak comes nearer to full scale than `HEADROOM_DB`.
    """
    raw = made_even([Clip(name, s, sample_rate_hz, 0.0, 0.0) for name, s in sounds.items()])
    meters = [LoudnessMeter(sample_rate_hz, clip.samples.shape[0]) for clip in raw]
    for clip, meter in zip(raw, meters, strict=True):
        meter.add(clip.samples)
    most_db = [-HEADROOM_DB - true_peak_db(clip.samples) for clip in raw]
    if not np.isfinite(most_db).all():  # a silent one: `checked` refuses it by name
        return tuple(replace(clip, loudness_lufs=-math.inf) for clip in raw)
    aim_lufs = min(m.loudness_lufs(db) for m, db in zip(meters, most_db, strict=True))
    gains = [_gain_to(m, db, aim_lufs) for m, db in zip(meters, most_db, strict=True)]
    return tuple(
        replace(
            clip,
            samples=clip.samples * np.sqrt(to_energy(gain_db)),
            loudness_lufs=meter.loudness_lufs(gain_db),
            gain_db=gain_db,
        )
        for clip, meter, gain_db in zip(raw, meters, gains, strict=True)
    )


def _gain_to(meter: LoudnessMeter, gain_db: float, aim_lufs: float) -> float:
    """Give the gain that leads to a loudness; the gate bends the way there a little."""
    for _ in range(_ROUNDS):
        wrong_lu = aim_lufs - meter.loudness_lufs(gain_db)
        if abs(wrong_lu) < 1e-6:
            break
        gain_db += wrong_lu
    return gain_db


def as_flac(clip: Clip) -> bytes:
    """Give a clip as 16-bit FLAC, the dither the same for all clips."""
    noise = np.random.default_rng(_DITHER_SEED).random((2, *clip.samples.shape))
    scaled = np.rint(_FULL * clip.samples + noise[0] - noise[1])
    whole = np.clip(scaled, -_FULL - 1.0, _FULL).astype(np.int16)
    stream = io.BytesIO()
    soundfile.write(stream, whole.T, clip.sample_rate_hz, format="FLAC", subtype="PCM_16")
    return stream.getvalue()


def as_text(packed: bytes) -> str:
    """Give bytes as text for a page."""
    return base64.b64encode(packed).decode("ascii")


def kit_name(packed: Sequence[bytes]) -> str:
    """Give a short name that follows from what is heard: 16 hexadecimal digits."""
    digest = hashlib.sha256()
    for one in packed:
        digest.update(hashlib.sha256(one).digest())
    return digest.hexdigest()[:16]
