"""One dry sound through the responses of several layouts, in two versions of level.

"level-true": one gain for the whole set, so that a layout that takes sound away is heard to
do so. "loudness-matched": each layout at the same programme loudness, so that nothing is
preferred for being louder. Both begin with the dry sound's first sample at the source and
last equally long, tails and all; neither comes nearer to full scale than -1 dB true peak.

Everything is done piece by piece, twice: once to measure, once to write.
Theory: DEVELOPERS.md, K4.
"""

import contextlib
import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import numpy as np

from raysim.errors import AudioError, Complaint
from raysim.folders import make_folder
from raysim.listening.convolve import N_BLOCK, convolved
from raysim.listening.dry import DrySound
from raysim.listening.loudness import BLOCK_S, LoudnessMeter
from raysim.listening.resample import n_resampled, resampled
from raysim.listening.true_peak import TruePeakMeter
from raysim.listening.wave_file import WaveFile
from raysim.response.heard import HeardResponse
from raysim.units import Float, to_energy, to_level_db

KINDS: Final = ("level-true", "loudness-matched")
#: Loudness that is aimed at, that of EBU R 128 (from memory), if peaks allow it.
AIM_LUFS: Final = -23.0
#: Highest true peak of any file.
CEILING_DBTP: Final = -1.0
#: A response that ends above this share of its peak stops with a step and is faded.
_STEP: Final = 1e-5
_FADE_S: Final = 0.02
_ROUNDS: Final = 20


@dataclass(frozen=True, slots=True)
class Version:
    """One file: a dry sound in one layout at one gain."""

    kind: str  # one of `KINDS`
    layout: str
    file: str
    gain_db: float
    loudness_lufs: float
    true_peak_dbtp: float


@dataclass(frozen=True, slots=True)
class RenderedSet:
    """What was made of one dry sound: two versions of each layout."""

    dry: str
    dry_loudness_lufs: float  # of the dry sound as it was given
    dry_cautions: tuple[str, ...]
    what: str  # who hears it
    source: str
    receiver: str
    channels: tuple[str, ...]
    sample_rate_hz: int
    n_sample: int
    common_gain_db: float
    matched_lufs: float
    faded: tuple[str, ...]  # layouts whose response stopped with a step
    versions: tuple[Version, ...]

    @property
    def duration_s(self) -> float:
        """How long each file is."""
        return self.n_sample / self.sample_rate_hz

    @property
    def free_field_lufs(self) -> float:
        """Loudness of the dry sound in one channel, 1 m away without a room, common gain."""
        return self.dry_loudness_lufs + self.common_gain_db


@dataclass(frozen=True, slots=True)
class _Measured:
    """A layout's sound as it comes out of its response, before any gain."""

    meter: LoudnessMeter
    peak_db: float


def render_set(
    dry: DrySound,
    heard: Sequence[HeardResponse],
    folder: Path,
    form: str = "float",
    tell: Callable[[float], None] = lambda _share: None,
    n_block: int = N_BLOCK,
) -> RenderedSet:
    """Play a dry sound through responses and write both versions of each.

    Parameters
    ----------
    dry : DrySound
    heard : sequence of HeardResponse
        One per layout, of one source and one listener, at one sample rate: that of the
        files; the dry sound is brought to it.
    folder : Path
        Gets a folder for each of `KINDS`. Files are written under their names at once:
        the caller moves the folder to its place when all are done.
    form : str
        "float" for 32-bit float, "24" for 24-bit.
    tell : callable, optional
        Is told the share that is done.
    n_block : int
        Changes speed and rounding only.

    Returns
    -------
    RenderedSet

    Raises
    ------
    AudioError
        RS-L30: responses that do not go together. RS-L31: nothing is heard in a layout.
        RS-L27, RS-L28: of writing. RS-L26: of reading.
    """
    _check_set(heard)
    first = heard[0]
    rate, n_channel = first.sample_rate_hz, len(first.channels)
    ready = [_without_step(one) for one in heard]
    n_tap = max(samples.shape[1] for samples, _ in ready)
    n_sound = n_resampled(dry.n_sample, dry.sample_rate_hz, rate)
    # Loudness has no meaning for less than a block.
    n_sample = max(n_sound + n_tap - 1, math.ceil((BLOCK_S + 0.1) * rate))
    done = 0

    def played(i_heard: int) -> Iterator[Float]:
        nonlocal done
        sound = resampled(dry.pieces(), dry.sample_rate_hz, rate)
        for piece in _padded(convolved(sound, ready[i_heard][0], n_block), n_channel, n_sample):
            done += piece.shape[1]
            tell(done / (2 * len(heard) * n_sample))
            yield piece

    measured = []
    for i, one in enumerate(heard):
        meter, peak = LoudnessMeter(rate, n_channel), TruePeakMeter(n_channel)
        for piece in played(i):
            meter.add(piece)
            peak.add(piece)
        measured.append(_Measured(meter, float(to_level_db(peak.peak() ** 2))))
        if not math.isfinite(measured[-1].peak_db):
            raise _refuse(
                f"{dry.name}, {one.layout}", "nothing is heard: no sound comes from "
                f'"{one.source}" to "{one.receiver}".', "Choose another pair.", "RS-L31",
            )  # fmt: skip
    common_db, matched_db, matched_lufs = _gains(measured)
    for kind in KINDS:
        make_folder(folder / kind)
    versions: list[Version] = []
    names = file_names(dry.name, [one.layout for one in heard])
    for i, one in enumerate(heard):
        pair = [
            Version(
                kind, one.layout, f"{kind}/{names[i]}", gain_db,
                measured[i].meter.loudness_lufs(gain_db), measured[i].peak_db + gain_db,
            )
            for kind, gain_db in zip(KINDS, (common_db, matched_db[i]), strict=True)
        ]  # fmt: skip
        _write(folder, pair, played(i), one, n_sample, form)
        versions += pair
    return RenderedSet(
        dry.name, _dry_loudness(dry), tuple(map(str, dry.cautions)), first.what, first.source,
        first.receiver, first.channels, rate, n_sample, common_db, matched_lufs,
        tuple(one.layout for one, (_, faded) in zip(heard, ready, strict=True) if faded),
        tuple(sorted(versions, key=lambda v: KINDS.index(v.kind))),
    )  # fmt: skip


def _check_set(heard: Sequence[HeardResponse]) -> None:
    first = heard[0]
    like = (first.sample_rate_hz, first.channels, first.source, first.receiver, first.what)
    for one in heard:
        if (one.sample_rate_hz, one.channels, one.source, one.receiver, one.what) != like:
            raise _refuse(
                one.layout, f'its response is not heard as that of "{first.layout}" is: rate, '
                "channels, source and receiver must be the same.",
                "Make all of them in one go.", "RS-L30",
            )  # fmt: skip
        if not np.all(np.isfinite(one.samples)) or not one.samples.shape[1]:
            raise _refuse(
                one.layout, "its response has no samples, or some that are not finite numbers.",
                "Make the responses again from the result file.", "RS-L30",
            )  # fmt: skip


def _without_step(one: HeardResponse) -> tuple[Float, bool]:
    """Give the response, faded over its last 20 ms if it stops with a step; tell if so."""
    samples = np.array(one.samples, dtype=np.float64)
    if np.abs(samples[:, -1]).max() <= _STEP * np.abs(samples).max() or samples.shape[1] == 1:
        return samples, False
    n = min(int(_FADE_S * one.sample_rate_hz), samples.shape[1] // 2)
    samples[:, samples.shape[1] - n :] *= 0.5 + 0.5 * np.cos(np.pi * (np.arange(n) + 0.5) / n)
    return samples, True


def _padded(pieces: Iterator[Float], n_channel: int, n_sample: int) -> Iterator[Float]:
    """Give the pieces, then silence up to the length."""
    n_given = 0
    for piece in pieces:
        n_given += piece.shape[1]
        yield piece
    while n_given < n_sample:
        n = min(N_BLOCK, n_sample - n_given)
        n_given += n
        yield np.zeros((n_channel, n))


def _gains(measured: Sequence[_Measured]) -> tuple[float, list[float], float]:
    """Give the common gain, each layout's own gain, and the loudness these lead to  (K4).

    Both versions aim at `AIM_LUFS`, the common gain for the loudest layout; a peak at the
    ceiling takes the whole set down, never one layout alone.
    """
    aim_lufs = AIM_LUFS
    for _ in range(_ROUNDS):
        own = [_gain_to(one, aim_lufs) for one in measured]
        over_db = max(one.peak_db + g for one, g in zip(measured, own, strict=True))
        over_db -= CEILING_DBTP
        if over_db <= 0.0:
            break
        # The gate may let in other blocks at another level, hence the rounds.
        aim_lufs -= over_db + 1e-9
    headroom_db = CEILING_DBTP - max(one.peak_db for one in measured)
    return min(headroom_db, *own), own, aim_lufs


def _gain_to(one: _Measured, aim_lufs: float) -> float:
    """Give the gain in dB that leads to a loudness; the gate at -70 LUFS bends it a little."""
    gain_db = CEILING_DBTP - one.peak_db
    for _ in range(_ROUNDS):
        wrong = aim_lufs - one.meter.loudness_lufs(gain_db)
        if not math.isfinite(wrong) or abs(wrong) < 1e-6:
            break
        gain_db += wrong
    return gain_db


def _write(
    folder: Path,
    pair: Sequence[Version],
    pieces: Iterator[Float],
    one: HeardResponse,
    n_sample: int,
    form: str,
) -> None:
    gains = [math.sqrt(float(to_energy(version.gain_db))) for version in pair]
    with contextlib.ExitStack() as stack:
        files = []
        for version in pair:
            comment = (
                f"raysim {version.kind}: {one.layout}, {one.source} to {one.receiver}, "
                f"{one.what}; gain {version.gain_db:.3f} dB re dry sound at 1 m."
            )
            n_channel, rate = len(one.channels), one.sample_rate_hz
            file = WaveFile(folder / version.file, n_sample, n_channel, rate, form, comment)
            files.append(stack.enter_context(file))
        for piece in pieces:
            for file, gain in zip(files, gains, strict=True):
                file.write(gain * piece)


def _dry_loudness(dry: DrySound) -> float:
    meter = LoudnessMeter(dry.sample_rate_hz)
    for piece in dry.pieces():
        meter.add(piece)
    # What is shorter than a block is one of its own, with silence after it.
    meter.add(np.zeros(max(0, math.ceil(BLOCK_S * dry.sample_rate_hz) - dry.n_sample)))
    return meter.loudness_lufs()


def file_names(dry: str, layouts: Sequence[str]) -> list[str]:
    """Give each layout's file a name: letters, digits and dashes only, no two alike.

    Examples
    --------
    >>> file_names("my voice", ["as described", "A 1", "a-1"])
    ['my-voice-as-described.wav', 'my-voice-a-1.wav', 'my-voice-a-1-2.wav']
    """
    stems: list[str] = []
    for layout in layouts:
        text = "".join(c if c.isalnum() else " " for c in f"{dry} {layout}".lower())
        stem = "-".join(text.split()) or "sound"
        count, tried = 2, stem
        while tried in stems:
            tried, count = f"{stem}-{count}", count + 1
        stems.append(tried)
    return [f"{stem}.wav" for stem in stems]


def _refuse(where: str, wrong: str, fix: str, code: str) -> AudioError:
    return AudioError(Complaint(where=where, wrong=wrong, fix=fix, code=code))
