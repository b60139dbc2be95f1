"""Open result files to read, and say what is wrong with a file that cannot be.

A file is never changed in place, so it is read without a lock.
"""

import contextlib
import difflib
import os
from collections.abc import Iterator

import h5py

from raysim.errors import Complaint, StoreError
from raysim.store import layouts, schema

StrPath = str | os.PathLike[str]

_SIGNATURE = b"\x89HDF\r\n\x1a\n"

#: What h5py raises on reading a file whose inside is broken.
_BROKEN = (OSError, KeyError, RuntimeError, ValueError, TypeError, AttributeError)


def open_to_read(path: StrPath) -> h5py.File:
    """Open one of our files.

    Raises
    ------
    StoreError
        RS-H01: there is none, or it cannot be read. RS-H02 to RS-H04: not ours,
        damaged, or of another version.
    """
    if os.path.exists(path) and not os.path.isfile(path):
        raise no_file(path, "this is a folder or a device, not a result file.")
    try:
        with open(path, "rb") as stream:
            begin = stream.read(len(_SIGNATURE))
    except FileNotFoundError:
        raise no_file(path, "there is no such file.") from None
    except OSError as error:
        raise no_file(path, f"cannot be read: {(error.strerror or '').lower()}.") from error
    if begin != _SIGNATURE:
        raise _foreign(path)
    with damage_reported(path):
        file = h5py.File(path, "r", locking=False)
    try:
        with damage_reported(path):
            ours = file.attrs.get("format") == schema.FORMAT
            found = int(file.attrs["schema_version"]) if ours else 0
        if not ours:
            raise _foreign(path)
        _check_version(path, found)
    except BaseException:
        file.close()
        raise
    return file


@contextlib.contextmanager
def damage_reported(path: StrPath) -> Iterator[None]:
    """Turn what h5py says of a broken file into RS-H03."""
    try:
        yield
    except _BROKEN as error:
        raise StoreError(
            Complaint(
                where=str(path),
                wrong="the file is damaged or cut short.",
                fix="Copy it again if it was copied; else delete it and simulate again.",
                code="RS-H03",
            )
        ) from error


def check_held(path: StrPath, file: h5py.File, layout: str, *pair: str) -> None:
    """Complain of a layout, or a source and a receiver, that the file does not hold.

    Raises
    ------
    StoreError
        RS-H08: not held. RS-H03: damaged.
    """
    with damage_reported(path):
        known = list(layouts.take_layout_keys(file))
        held = layouts.take_pair_names(file, layout) if layout in known else []
    if layout not in known:
        raise _not_held(path, "layout", layout, known)
    if not pair:
        return
    source, receiver = pair
    if source not in [s for s, _ in held]:
        raise _not_held(path, "source", source, list(dict.fromkeys(s for s, _ in held)))
    if (source, receiver) not in held:
        raise _not_held(path, "receiver", receiver, [r for s, r in held if s == source])


def no_file(path: StrPath, wrong: str) -> StoreError:
    """Give the complaint that there is nothing to read."""
    fix = "Check the name, or simulate the scene first."
    return StoreError(Complaint(where=str(path), wrong=wrong, fix=fix, code="RS-H01"))


def _not_held(path: StrPath, what: str, name: str, known: list[str]) -> StoreError:
    near = difflib.get_close_matches(name, known, n=1)
    if near:
        fix = f'Did you mean "{near[0]}"?'
    elif known:
        fix = f"It has: {', '.join(known)}."
    else:
        fix = "It has none."
    wrong = f'there is no {what} "{name}" here.'
    return StoreError(Complaint(where=str(path), wrong=wrong, fix=fix, code="RS-H08"))


def _foreign(path: StrPath) -> StoreError:
    return StoreError(
        Complaint(
            where=str(path),
            wrong="this is not a raysim result file; it is left as it is.",
            fix="Check the name, or give one that is not taken.",
            code="RS-H02",
        )
    )


def _check_version(path: StrPath, found: int) -> None:
    if found != schema.SCHEMA_VERSION:
        age, fix = "newer", "Use a raysim of its own age, or give another name."
        if found < schema.SCHEMA_VERSION:
            age = "older"
            fix = "Simulate the scene again: into another folder, or move this file away first."
        raise StoreError(
            Complaint(
                where=str(path),
                wrong=f"its layout is version {found}, {age} than the "
                f"{schema.SCHEMA_VERSION} that this raysim knows.",
                fix=fix,
                code="RS-H04",
            )
        )
