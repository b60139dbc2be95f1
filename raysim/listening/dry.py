"""Dry sound to be played through a room: the user's recordings, read piece by piece.

A recording is looked through once before use, in bounded memory, so that an hour is read
like a second, and what is wrong with it is said at the start. A room has one place per
source, so a dry sound is one channel. Formats: WAV, FLAC and what else libsndfile reads.
"""

import itertools
import os
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import numpy as np
import soundfile

from raysim.errors import AudioError, Complaint, figure
from raysim.listening.loudness import BLOCK_S
from raysim.units import Float, to_level_db

_N_BLOCK: Final = 65_536
#: As many equal samples in a row at full scale, or at a flat top, count as clipped: common
#: practice, no source.
_CLIPPED_RUN: Final = 3
_FULL_SCALE: Final = 0.999
#: Lowest rate that is taken at all, and lowest that misses nothing a room is judged by.
RATE_LEAST_HZ: Final = 8_000
_RATE_GOOD_HZ: Final = 32_000
#: A sound that never falls this much within 50 ms rings on: speech in the open falls by far
#: more, a decay of T = 0.2 s by 15 dB. Common practice of blind estimates, no source.
_FALL_S, _FALL_DB, _FALL_LEAST_DB = 0.05, 15.0, 5.0
_FRAME_S: Final = 0.01


@dataclass(frozen=True, slots=True, eq=False)
class DrySound:
    """One channel of sound without a room, to be taken in pieces as often as needed."""

    name: str
    about: str
    sample_rate_hz: int
    n_sample: int
    pieces: Callable[[], Iterator[Float]]  # from the beginning, (n,) float64 each
    cautions: tuple[Complaint, ...] = ()  # usable, but the user should know

    @property
    def duration_s(self) -> float:
        """How long it sounds."""
        return self.n_sample / self.sample_rate_hz


def dry_samples(name: str, samples: Float, sample_rate_hz: int, about: str = "") -> DrySound:
    """Make a dry sound of samples, (n_sample,), that are in memory already.

    Raises
    ------
    AudioError
        As `dry_recording`, for RS-L20, RS-W02, RS-W06, RS-W07.
    """
    sound = np.array(samples, dtype=np.float64)
    if sound.ndim != 1:
        raise _refuse(
            name, f"has the shape {sound.shape} and one channel is needed.",
            "Give the samples of one channel.", "RS-L20",
        )  # fmt: skip
    _check_rate(name, sample_rate_hz)

    def pieces() -> Iterator[Float]:
        return iter([sound])

    looked = _look_through(name, pieces(), sample_rate_hz)
    _refuse_useless(name, looked)
    return DrySound(name, about, sample_rate_hz, sound.size, pieces)


def dry_recording(path: Path, channel: int | None = None) -> DrySound:
    """Open a dry recording and look through it once.

    Parameters
    ----------
    path : Path
    channel : int, optional
        Counted from 1; needed if the file has several that differ.

    Returns
    -------
    DrySound
        With cautions: RS-L21 clipped, RS-L22 cut short, RS-L23 low rate, RS-L24 several
        channels alike, RS-L25 room in the recording, RS-L34 very short.

    Raises
    ------
    AudioError
        RS-W01 not there, RS-W02 empty, RS-W03 not a sound file, RS-W05 no such channel,
        RS-W06 not finite numbers, RS-W07 silent; RS-L20 several channels that differ and
        none chosen, RS-L23 rate too low, RS-L26 damaged in the middle.
    """
    with _open(path) as sound:
        rate, n_channel = int(sound.samplerate), int(sound.channels)
        if channel is not None and not 1 <= channel <= n_channel:
            one = "It has one channel, number 1."
            fix = f"Choose 1 to {n_channel}." if n_channel > 1 else one
            raise _refuse(path, f"has no channel {channel}.", fix, "RS-W05")
        _check_rate(path, rate)
        cautions = []
        if channel is None and n_channel > 1:
            cautions.append(_alike(path, sound, n_channel))
        said = _promised(path)
        promised = int(sound.frames) if said is None else said
        flat_top = "PCM" not in str(sound.subtype)
    picked = 1 if channel is None else channel

    def pieces() -> Iterator[Float]:
        with _open(path) as again:
            for block in _blocks(path, again):
                yield np.ascontiguousarray(block[:, picked - 1])

    looked = _look_through(path, pieces(), rate)
    _refuse_useless(path, looked)
    cautions += _cautions(path, looked, rate, promised, flat_top=flat_top)
    about = f"recording, {figure(looked.n_sample / rate)} s"
    return DrySound(path.stem, about, rate, looked.n_sample, pieces, tuple(cautions))


@dataclass(slots=True)
class _Looked:
    """What one look through a sound tells."""

    n_sample: int = 0
    n_bad: int = 0
    low: float = 0.0
    high: float = 0.0
    low_run: int = 0  # longest run of equal samples at the extreme
    high_run: int = 0
    fall_db: float = 0.0  # steepest within 50 ms


def _look_through(where: Path | str, pieces: Iterable[Float], rate: int) -> _Looked:
    looked = _Looked()
    n_frame = max(1, round(_FRAME_S * rate))
    rest = np.zeros(0)
    levels = np.zeros(0)
    loudest = 0.0
    tail = np.zeros(0)  # last samples, for runs over a seam
    for piece in pieces:
        looked.n_sample += piece.size
        finite = np.isfinite(piece)
        looked.n_bad += int(piece.size - np.count_nonzero(finite))
        if looked.n_bad:
            continue
        joined = np.concatenate([tail, piece])
        looked.high, looked.high_run = _extreme(joined, looked.high, looked.high_run)
        low, looked.low_run = _extreme(-joined, -looked.low, looked.low_run)
        looked.low = -low
        tail = joined[-_CLIPPED_RUN:]
        joined = np.concatenate([rest, piece])
        n_whole = joined.size // n_frame * n_frame
        rest = joined[n_whole:]
        power = np.mean(joined[:n_whole].reshape(-1, n_frame) ** 2, axis=1)
        loudest = max(loudest, float(power.max(initial=0.0)))
        floor = max(loudest, 1e-20) * 1e-6
        levels = np.concatenate([levels, to_level_db(np.maximum(power, floor))])
        step = round(_FALL_S / _FRAME_S)
        if levels.size > step:
            # A fall counts where it begins loud; one that ends in the floor falls more.
            loud = levels[:-step] > float(to_level_db(max(loudest, 1e-20))) - 30.0
            fall = (levels[:-step] - levels[step:])[loud]
            looked.fall_db = max(looked.fall_db, float(fall.max(initial=0.0)))
            levels = levels[-step:]
    return looked


def _extreme(samples: Float, so_far: float, run: int) -> tuple[float, int]:
    """Give the highest value and the longest run of it, capped at what counts."""
    top = float(samples.max(initial=so_far))
    if top <= 0.0:
        return top, 0
    at = samples == top
    longest = 1
    while longest < _CLIPPED_RUN and np.any(at[:-1] & at[1:]):
        at = at[:-1] & at[1:]
        longest += 1
    if not np.any(samples == top):
        return top, run
    return top, longest if top > so_far else max(run, longest)


def _refuse_useless(where: Path | str, looked: _Looked) -> None:
    if not looked.n_sample:
        raise _refuse(where, "holds no samples.", "Export the recording again.", "RS-W02")
    if looked.n_bad:
        raise _refuse(
            where, f"{looked.n_bad} of {looked.n_sample} samples are not finite numbers.",
            "Export the recording again.", "RS-W06",
        )  # fmt: skip
    if not (looked.low or looked.high):
        raise _refuse(
            where, "every sample is zero.", "Choose the channel that was recorded.", "RS-W07"
        )


def _check_rate(where: Path | str, rate: int) -> None:
    if rate < RATE_LEAST_HZ:
        raise _refuse(
            where, f"has a sample rate of {rate} Hz; {RATE_LEAST_HZ} is the least.",
            "Export it at 44100 or 48000 Hz.", "RS-L23",
        )  # fmt: skip


def _cautions(
    path: Path, looked: _Looked, rate: int, promised: int | None, *, flat_top: bool
) -> list[Complaint]:
    found = []
    where = str(path)
    top = max(looked.high, -looked.low)
    # Floats may be scaled down after clipping: there a flat top at any height tells.
    least = _FULL_SCALE * top if flat_top else _FULL_SCALE
    runs = (looked.high, looked.high_run), (-looked.low, looked.low_run)
    if any(run >= _CLIPPED_RUN and value >= least for value, run in runs):
        found.append(
            Complaint(where, f"looks clipped: {_CLIPPED_RUN} or more samples in a row at "
                      f"{figure(top)}.", "Record again at a lower level: the distortion is "
                      "heard in every layout.", "RS-L21")
        )  # fmt: skip
    if promised is not None and promised > looked.n_sample:
        found.append(
            Complaint(where, f"ends early: {figure(promised / rate)} s were begun, "
                      f"{figure(looked.n_sample / rate)} s are there.",
                      "Copy or export it again, if the end matters.", "RS-L22")
        )  # fmt: skip
    if looked.n_sample < BLOCK_S * rate:
        found.append(
            Complaint(where, f"lasts {figure(looked.n_sample / rate)} s, and loudness is "
                      f"measured in blocks of {BLOCK_S:g} s.", "Give some seconds of "
                      "sound, or do not trust the loudness that is told.", "RS-L34")
        )  # fmt: skip
    if rate < _RATE_GOOD_HZ:
        found.append(
            Complaint(where, f"holds nothing above {rate // 2} Hz, at a sample rate of "
                      f"{rate} Hz.", "Record at 44100 or 48000 Hz: what treatments do to "
                      "treble cannot be heard with it.", "RS-L23")
        )  # fmt: skip
    if _FALL_LEAST_DB <= looked.fall_db < _FALL_DB:
        found.append(
            Complaint(where, f"never falls by more than {figure(looked.fall_db, 2)} dB within "
                      "50 ms: it may have a room in it.", "Record close and under blankets, "
                      "unless the instrument itself rings on.", "RS-L25")
        )  # fmt: skip
    return found


def _alike(path: Path, sound: soundfile.SoundFile, n_channel: int) -> Complaint:
    """Give a caution if all channels are the same, else refuse."""
    for block in _blocks(path, sound):
        # what is no number is equal here, and complained of when the channel is looked at
        if any(not np.array_equal(block[:, 0], other, equal_nan=True) for other in block.T):
            raise _refuse(
                path, f"has {n_channel} channels that differ, and a source in the room is one.",
                f"Choose a channel, 1 to {n_channel}; mixing them would colour the sound.",
                "RS-L20",
            )  # fmt: skip
    return Complaint(
        str(path), f"has {n_channel} channels that are all the same; the first is taken.",
        "Nothing is lost.", "RS-L24",
    )  # fmt: skip


def _open(path: Path) -> soundfile.SoundFile:
    try:
        is_file, n_byte = path.is_file(), path.stat().st_size
    except (FileNotFoundError, NotADirectoryError):
        is_file, n_byte = False, 0
    except OSError as error:  # a folder above that may not be searched
        raise _unreadable(path, error) from error
    if not is_file:
        raise _refuse(path, "no such file.", "Check the name and the folder.", "RS-W01")
    if n_byte == 0:
        raise _refuse(path, "the file is empty.", "Export the recording again.", "RS-W02")
    try:
        # As bytes a name need not be text; Windows has only names that are.
        return soundfile.SoundFile(path if os.name == "nt" else os.fsencode(path))
    except (OSError, soundfile.SoundFileError) as error:
        raise _unreadable(path, error) from error


def _blocks(path: Path, sound: soundfile.SoundFile) -> Iterator[Float]:
    for i_block in itertools.count():
        try:
            block = sound.read(_N_BLOCK, dtype="float64", always_2d=True)
        except (OSError, soundfile.SoundFileError) as error:
            at_s = i_block * _N_BLOCK / sound.samplerate
            raise _refuse(
                path, f"is damaged {figure(at_s)} s from its begin or soon after.",
                "Copy or export it again.", "RS-L26",
            ) from error  # fmt: skip
        if not block.shape[0]:
            return
        yield block


def _promised(path: Path) -> int | None:
    """Give how many samples a WAV file says it has, None if it does not say.

    A recorder that lost power leaves 0 or the largest number, which say nothing. The
    chunks are named as in the open description of RIFF, from memory.
    """
    with path.open("rb") as file:
        head = file.read(12)
        if head[:4] != b"RIFF" or head[8:] != b"WAVE":
            return None
        frame = 0
        while len(chunk := file.read(8)) == 8:
            size = int.from_bytes(chunk[4:], "little")
            if chunk[:4] == b"fmt ":
                content = file.read(size)
                frame = int.from_bytes(content[12:14], "little")
                file.seek(size % 2, os.SEEK_CUR)
            elif chunk[:4] == b"data":
                return size // frame if frame and 0 < size < 0xFFFF_FF00 else None
            else:
                file.seek(size + size % 2, os.SEEK_CUR)
    return None


def _unreadable(path: Path, error: Exception) -> AudioError:
    if isinstance(error, PermissionError) or not os.access(path, os.R_OK):
        reason, fix = "permission denied.", "Ask for the right to read it."
    else:
        reason = str(getattr(error, "error_string", "") or error).rstrip(".") + "."
        reason, fix = f"{reason[:1].lower()}{reason[1:]}", "Give a WAV or FLAC file."
    return _refuse(path, f"cannot be read as sound: {reason}", fix, "RS-W03")


def _refuse(where: Path | str, wrong: str, fix: str, code: str) -> AudioError:
    return AudioError(Complaint(where=str(where), wrong=wrong, fix=fix, code=code))
