"""Put a file in the place of another in one step, alone, or leave the other as it is.

The new content is written beside the old as ``<name>.part``, made durable, and moved
over it: a killed writer leaves the old file whole, and at worst a ``.part`` that the
next writer takes over. A lock on the ``.part`` keeps a second writer out; on Windows,
where no file in use can be replaced, the system itself does.
"""

import contextlib
import errno
import io
import os
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import NoReturn

from raysim.errors import Complaint, StoreError

if sys.platform != "win32":
    import fcntl

#: How long to wait for another writer; writing takes seconds at most.
WAIT_S = 10.0

_CHUNK = 1 << 20
_FULL = (errno.ENOSPC, errno.EDQUOT)


def replacement_target(path: str | os.PathLike[str]) -> Path:
    """Give the file that a write to ``path`` replaces, links followed.

    Raises
    ------
    StoreError
        RS-H05: it is a folder or a device, or the folder it should be in does not exist
        or may not be searched.
    """
    target = Path(os.path.realpath(path))
    try:
        os.stat(target)
    except (FileNotFoundError, NotADirectoryError):
        pass
    except OSError as error:
        _not_writable(target, error)
    if target.is_dir():
        _refuse(path, "is a folder, not a file.", "Give the name of a file.")
    if target.exists() and not target.is_file():
        _refuse(path, "is a device, not a file.", "Give the name of a file.")
    if not target.parent.is_dir():
        folder = target.parent
        what = "is not a folder" if folder.exists() else "does not exist"
        _refuse(path, f"cannot be written: {str(folder)!r} {what}.", "Make the folder first.")
    return target


def replace_file(target: Path, content: Callable[[], bytes]) -> None:
    """Replace a file by what ``content`` gives, called when no other writer can come in.

    Parameters
    ----------
    target : Path
        Of `replacement_target`.
    content : callable
        May read the target, and may raise: the target then stays as it is.

    Raises
    ------
    StoreError
        RS-H05: the folder does not let us write. RS-H06: the disk is full or fails.
        RS-H07: another process is writing.
    """
    with _sole_writer(target) as (stream, part):
        new = memoryview(content())
        try:
            stream.truncate(0)
            while new:
                new = new[stream.write(new[:_CHUNK]) :]
            os.fsync(stream.fileno())
        except OSError as error:
            _disk_failed(target, error)
        if sys.platform == "win32":
            stream.close()
        try:
            os.replace(part, target)
        except OSError as error:
            with contextlib.suppress(OSError):
                part.unlink()
            _not_writable(target, error)
    if sys.platform != "win32":
        # The new name is durable only when its folder is; some network disks cannot
        # do that, and the file is whole all the same.
        with contextlib.suppress(OSError):
            folder = os.open(target.parent, os.O_RDONLY)
            try:
                os.fsync(folder)
            finally:
                os.close(folder)


def check_replaceable(target: Path) -> None:
    """Raise now what `replace_file` would later; leaves nothing behind."""
    with _sole_writer(target):
        pass


@contextlib.contextmanager
def _sole_writer(target: Path) -> Iterator[tuple[io.FileIO, Path]]:
    """Open and lock ``<target>.part``; remove it unless it was moved away."""
    part = target.with_name(target.name + ".part")
    stream = open_locked(part, target)
    try:
        yield stream, part
    finally:
        # While the lock is held and the name is still ours: never another writer's.
        ours = not stream.closed and _is_same(stream, part)
        if sys.platform == "win32":
            stream.close()
        if ours:
            with contextlib.suppress(OSError):
                part.unlink()
        stream.close()


def open_locked(part: Path, target: Path) -> io.FileIO:
    """Open a file and lock it for as long as it is open; wait a while if another has it.

    Raises
    ------
    StoreError
        RS-H05: it cannot be opened. RS-H07: another process has ``target``, which the lock
        stands for.
    """
    until_s = time.monotonic() + WAIT_S
    while True:
        try:
            # To append: what is there may be another writer's. Unbuffered: close()
            # then has nothing left to write, so it cannot fail on a full disk.
            stream = io.FileIO(part, "ab")
        except OSError as error:
            _not_writable(target, error)
        if sys.platform == "win32":
            return stream
        try:
            fcntl.flock(stream.fileno(), fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            stream.close()
            if time.monotonic() >= until_s:
                raise StoreError(
                    Complaint(
                        where=str(target),
                        wrong=f"another process is writing it (waited {WAIT_S:g} s).",
                        fix="Wait until that has ended, or give another name.",
                        code="RS-H07",
                    )
                ) from None
            time.sleep(0.02)
            continue
        except OSError:
            # A disk without locks: keeping two runs apart is left to the user.
            return stream
        # The lock may be on a file that its writer has meanwhile moved away.
        if _is_same(stream, part):
            return stream
        stream.close()


def _is_same(stream: io.FileIO, path: Path) -> bool:
    try:
        return os.path.samestat(os.fstat(stream.fileno()), os.stat(path))
    except FileNotFoundError:
        return False


def _refuse(path: object, wrong: str, fix: str) -> NoReturn:
    raise StoreError(Complaint(where=str(path), wrong=wrong, fix=fix, code="RS-H05"))


def _not_writable(target: Path, error: OSError) -> NoReturn:
    """Complain that a file can be neither made nor replaced in this folder."""
    if error.errno in _FULL:
        _disk_failed(target, error)
    raise StoreError(
        Complaint(
            where=str(target),
            wrong=f"cannot be written: {_reason(error)}.",
            fix="Give a name in a folder where you may write, and close programs that use it.",
            code="RS-H05",
        )
    ) from error


def _disk_failed(target: Path, error: OSError) -> NoReturn:
    """Complain that writing began but could not end."""
    what = "the disk is full" if error.errno in _FULL else f"the disk fails: {_reason(error)}"
    raise StoreError(
        Complaint(
            where=str(target),
            wrong=f"could not be written: {what}. What was there before is untouched.",
            fix="Make room or give a name on another disk; complete layouts are not lost.",
            code="RS-H06",
        )
    ) from error


def _reason(error: OSError) -> str:
    text = error.strerror or str(error)
    return text[:1].lower() + text[1:]
