"""Sound files: responses out, recordings in.

Files are written as 32-bit float WAV, whole or not at all, with the absolute scale in
the file's own comment. Anything that holds one sound per channel is read: WAV, FLAC and
the like.
"""

import contextlib
import itertools
import os
import struct
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import soundfile

from raysim.errors import AudioError, Complaint
from raysim.units import Float

#: What 1.0 means, written into every file.
SCALE = (
    "Absolute scale: 1.0 is the peak pressure of the same source's impulse in free field "
    "at 1 m on its axis. Sample 0 is the emission."
)

#: As many equal samples in a row at the extreme count as clipping, common practice.
_CLIPPED_RUN = 3
#: The scale stands before the samples, this near to a file's begin.
_HEAD = 1024


@dataclass(frozen=True, slots=True)
class Recording:
    """One channel of a sound file."""

    samples: Float  # (n_sample,)
    sample_rate_hz: int
    comment: str  # what the file says of itself
    cautions: tuple[Complaint, ...]  # usable, but the user should know


def write_wav(
    path: Path, response: Float, sample_rate_hz: int, comment: str = "", scale: str = SCALE
) -> None:
    """Write a response, (n_sample,) or (n_channel, n_sample), as float WAV, whole or not.

    ``comment`` is added to the statement of absolute scale, ``scale`` to be replaced where
    1.0 means something else.

    Raises
    ------
    AudioError
        RS-W09: the file cannot be written; nothing is left behind.
    """
    part = path.with_name(f".{path.name}.part")
    try:
        part.write_bytes(_as_wav(response, sample_rate_hz, f"{scale} {comment}".strip()))
        os.replace(part, path)
    except OSError as error:
        raise AudioError(
            Complaint(
                where=str(path),
                wrong=f"cannot be written: {_reason(error)}",
                fix="Check that the folder exists, may be written to and has room.",
                code="RS-W09",
            )
        ) from error
    finally:
        with contextlib.suppress(OSError):  # it was moved, or never made
            part.unlink()


def is_wav_of_ours(path: Path) -> bool:
    """Tell if `write_wav` made a file, or was stopped in making it."""
    if path.name.startswith(".") and path.name.endswith(".wav.part"):
        return True
    try:
        with path.open("rb") as file:
            head = file.read(_HEAD)
    except OSError:
        return False
    return head.startswith(b"RIFF") and SCALE.encode() in head


def wav_names(pairs: Iterable[tuple[str, str, str]]) -> list[str]:
    """Give each pair's WAV file a name: letters, digits and dashes only, no two alike.

    Parameters
    ----------
    pairs : iterable of (layout, source, receiver)
        The layout is part of the name where there are several.

    Examples
    --------
    >>> wav_names([("old", "P 1", "ear"), ("old", "p-1", "ear")])
    ['p-1-to-ear.wav', 'p-1-to-ear-2.wav']
    >>> wav_names([("old", "P 1", "ear"), ("new", "P 1", "ear")])
    ['old-p-1-to-ear.wav', 'new-p-1-to-ear.wav']
    """
    pairs = list(pairs)
    several = len({layout for layout, _, _ in pairs}) > 1
    stems: list[str] = []
    for layout, source, receiver in pairs:
        parts = (layout if several else "", source, "to", receiver)
        text = "-".join("".join(c if c.isalnum() else "-" for c in p) for p in parts).lower()
        stem = "-".join(word for word in text.split("-") if word)
        alike = (f"{stem}-{i}" for i in itertools.count(2))
        stems.append(stem if stem not in stems else next(s for s in alike if s not in stems))
    return [f"{stem}.wav" for stem in stems]


def _as_wav(samples: Float, sample_rate_hz: int, comment: str) -> bytes:
    """Give a float WAV file: chunks fmt (tag 3, IEEE float), fact, LIST INFO ICMT, data.

    Written here because libraries add a chunk with the time of writing, and equal
    results must give equal files. Layout as in Microsoft's description of RIFF, from
    memory; `read_wav` reads it by another's code.
    """
    frames = np.atleast_2d(samples).T.astype("<f4")
    n_frame, n_channel = frames.shape
    data, size = frames.tobytes(), 4 * n_channel  # bytes of a frame
    text = comment.encode() + b"\0"
    form = struct.pack(
        "<HHIIHHH", 3, n_channel, sample_rate_hz, size * sample_rate_hz, size, 32, 0
    )
    body = b"WAVE" + b"".join(
        (
            _chunk(b"fmt ", form),
            _chunk(b"fact", struct.pack("<I", n_frame)),
            _chunk(b"LIST", b"INFO" + _chunk(b"ICMT", text)),
            _chunk(b"data", data),
        )
    )
    return _chunk(b"RIFF", body)


def _chunk(name: bytes, content: bytes) -> bytes:
    """Give a chunk of a RIFF file: name, length, content, filled up to an even length."""
    return name + struct.pack("<I", len(content)) + content + b"\0" * (len(content) % 2)


def _refuse(path: Path, wrong: str, fix: str, code: str) -> AudioError:
    return AudioError(Complaint(where=str(path), wrong=wrong, fix=fix, code=code))


def read_wav(path: Path, channel: int | None = None) -> Recording:
    """Read one channel of a sound file.

    Parameters
    ----------
    path : Path
    channel : int, optional
        Counted from 1; needed when the file has several.

    Returns
    -------
    Recording
        With a caution RS-W08 when it looks clipped.

    Raises
    ------
    AudioError
        RS-W01 not there, RS-W02 empty, RS-W03 not a sound file, RS-W04 several
        channels and none chosen, RS-W05 no such channel, RS-W06 not finite numbers,
        RS-W07 silent.
    """
    try:
        is_file, n_byte = path.is_file(), path.stat().st_size
    except FileNotFoundError:
        is_file, n_byte = False, 0
    except OSError as error:  # a folder above that may not be searched
        raise _unreadable(path, error) from error
    if not is_file:
        raise _refuse(path, "no such file.", "Check the name and the folder.", "RS-W01")
    if n_byte == 0:
        raise _refuse(path, "the file is empty.", "Export the recording again.", "RS-W02")
    try:
        # As bytes a name need not be text; Windows has only names that are.
        with soundfile.SoundFile(path if os.name == "nt" else os.fsencode(path)) as sound:
            samples = sound.read(dtype="float64", always_2d=True)
            rate, subtype = int(sound.samplerate), str(sound.subtype)
            comment = str(sound.comment)
    except (OSError, soundfile.SoundFileError) as error:
        raise _unreadable(path, error) from error
    if samples.shape[0] == 0:
        raise _refuse(path, "holds no samples.", "Export the recording again.", "RS-W02")
    one = _pick_channel(path, samples, channel)
    bad = int(np.count_nonzero(~np.isfinite(one)))
    if bad:
        raise _refuse(
            path,
            f"{bad} of {one.size} samples are not finite numbers.",
            "Export the recording again; a division by a silent reference does this.",
            "RS-W06",
        )
    if not one.any():
        raise _refuse(
            path, "every sample is zero.", "Choose the channel that was recorded.", "RS-W07"
        )
    return Recording(one, rate, comment, _cautions(path, one, subtype))


def _unreadable(path: Path, error: OSError | soundfile.SoundFileError) -> AudioError:
    may_not = isinstance(error, PermissionError) or not os.access(path, os.R_OK)
    reason = "permission denied." if may_not else _reason(error)
    fix = "Ask for the right to read it." if may_not else "Give a WAV or FLAC file."
    return _refuse(path, f"cannot be read as sound: {reason}", fix, "RS-W03")


def _reason(error: OSError | soundfile.SoundFileError) -> str:
    """Give what the library says of the file, without the file's name again."""
    text = str(getattr(error, "error_string", "") or getattr(error, "strerror", "") or error)
    return f"{text[:1].lower()}{text[1:].rstrip('.')}."


def _pick_channel(path: Path, samples: Float, channel: int | None) -> Float:
    n_channel = samples.shape[1]
    if channel is None and n_channel > 1:
        raise _refuse(
            path,
            f"has {n_channel} channels and one is needed.",
            f"Choose a channel, 1 to {n_channel}.",
            "RS-W04",
        )
    picked = 1 if channel is None else channel
    if not 1 <= picked <= n_channel:
        raise _refuse(
            path,
            f"has no channel {picked}.",
            f"Choose 1 to {n_channel}." if n_channel > 1 else "It has one channel, number 1.",
            "RS-W05",
        )
    return np.ascontiguousarray(samples[:, picked - 1])


def _cautions(path: Path, samples: Float, subtype: str) -> tuple[Complaint, ...]:
    """Look for runs of equal samples at an extreme: full scale, or a flat top of floats."""
    top = float(np.abs(samples).max())
    if "PCM" in subtype and top < 0.999:
        return ()
    window = np.ones(_CLIPPED_RUN, dtype=np.int64)
    if not any(
        np.any(np.convolve(samples == extreme, window, mode="valid") == _CLIPPED_RUN)
        for extreme in (samples.max(), samples.min())
        if abs(extreme) >= 0.999 * top
    ):
        return ()
    return (
        Complaint(
            where=str(path),
            wrong=f"looks clipped: {_CLIPPED_RUN} or more samples in a row at {top:.4g}.",
            fix="Record again at a lower level; early energy and EDT may be wrong.",
            code="RS-W08",
        ),
    )
