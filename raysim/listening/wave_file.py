"""WAV files of one or more channels that are written piece by piece.

32-bit float or 24-bit whole numbers; the length is known before. Written here because
libraries add a chunk with the time of writing, and equal results must give equal files.
Layout as in Microsoft's description of RIFF, from memory.
"""

import os
import struct
from collections.abc import Iterable
from pathlib import Path
from types import TracebackType
from typing import BinaryIO, Final, Self

import numpy as np

from raysim.errors import AudioError, Complaint
from raysim.units import Float

FORMATS: Final = ("float", "24")
#: Largest whole number of 24 bits, for 1.0.
_FULL_24: Final = 2**23 - 1
#: RIFF counts bytes in 32 bits.
_MOST_BYTES: Final = 2**32 - 2**16


def size_in_bytes(n_sample: int, n_channel: int, form: str) -> int:
    """Give the size of a file's samples in bytes."""
    return n_sample * n_channel * (4 if form == "float" else 3)


class WaveFile:
    """A WAV file that is being written; use it in a ``with`` statement.

    Parameters
    ----------
    path : Path
        Written at once under this name: the caller keeps unfinished files out of sight.
    n_sample, n_channel, sample_rate_hz : int
    form : str
        One of `FORMATS`.
    comment : str
        Goes into the file.

    Raises
    ------
    AudioError
        RS-L27: longer than a WAV file can be. RS-L28: cannot be written.
    """

    def __init__(
        self, path: Path, n_sample: int, n_channel: int, sample_rate_hz: int,
        form: str = "float", comment: str = "",
    ) -> None:  # fmt: skip
        self._path = path
        self._form = form
        self._left = n_sample
        size = size_in_bytes(n_sample, n_channel, form)
        if size > _MOST_BYTES:
            raise AudioError(
                Complaint(str(path), f"would take {size / 2**30:.1f} GiB; a WAV file holds 4.",
                          "Cut the dry sound into shorter ones.", "RS-L27")
            )  # fmt: skip
        self._head = _head(size, n_sample, n_channel, sample_rate_hz, form, comment)
        self._odd = size % 2
        try:
            self._file: BinaryIO = path.open("wb")
            self._file.write(self._head)
        except OSError as error:
            raise not_written(path, error) from error

    def write(self, samples: Float) -> None:
        """Write the next piece, (n_channel, n_sample); values beyond 1 are a fault."""
        if samples.size and not float(np.abs(samples).max()) <= 1.0:
            raise ValueError("a sample beyond full scale was to be written")
        self._left -= samples.shape[1]
        frames = samples.T
        if self._form == "float":
            data = frames.astype("<f4").tobytes()
        else:
            whole = np.round(frames * _FULL_24).astype("<i4")
            data = whole.reshape(-1, 1).view(np.uint8)[:, :3].tobytes()
        try:
            self._file.write(data)
        except OSError as error:
            raise not_written(self._path, error) from error

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        value: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        try:
            if self._odd:
                self._file.write(b"\0")
            self._file.close()
        except OSError as error:
            if kind is None:
                raise not_written(self._path, error) from error
        if kind is None and self._left:
            raise ValueError(f"{self._left} samples are missing in {self._path.name}")


def write_whole(
    path: Path, pieces: Iterable[Float], n_sample: int, sample_rate_hz: int, comment: str = ""
) -> None:
    """Write one channel in pieces as float WAV, whole or not at all.

    Raises
    ------
    AudioError
        As `WaveFile`; nothing is left behind.
    """
    part = path.with_name(f".{path.name}.part")
    try:
        with WaveFile(part, n_sample, 1, sample_rate_hz, comment=comment) as file:
            for piece in pieces:
                file.write(piece[np.newaxis])
        os.replace(part, path)
    except OSError as error:
        raise not_written(path, error) from error
    finally:
        part.unlink(missing_ok=True)


def not_written(path: Path, error: OSError) -> AudioError:
    """Give the complaint that a file could not be written."""
    reason = (error.strerror or str(error)).lower()
    return AudioError(
        Complaint(str(path), f"cannot be written: {reason}.",
                  "Check that the folder may be written to and that the disk has room.",
                  "RS-L28")
    )  # fmt: skip


def _head(
    size: int, n_sample: int, n_channel: int, rate: int, form: str, comment: str
) -> bytes:
    """Give all that stands before the samples: RIFF, fmt, fact, LIST INFO ICMT, data."""
    tag, wide = (3, 4) if form == "float" else (1, 3)
    frame = wide * n_channel
    described = struct.pack("<HHIIHHH", tag, n_channel, rate, rate * frame, frame, 8 * wide, 0)
    text = comment.encode() + b"\0"
    chunks = b"".join(
        (
            _chunk(b"fmt ", described),
            _chunk(b"fact", struct.pack("<I", n_sample)),
            _chunk(b"LIST", b"INFO" + _chunk(b"ICMT", text)),
        )
    )
    whole = 4 + len(chunks) + 8 + size + size % 2
    return (
        b"RIFF" + struct.pack("<I", whole) + b"WAVE" + chunks
        + b"data" + struct.pack("<I", size)
    )  # fmt: skip


def _chunk(name: bytes, content: bytes) -> bytes:
    return name + struct.pack("<I", len(content)) + content + b"\0" * (len(content) % 2)
