"""The folder that a run writes to: made if it must be, refused if it is someone else's.

What raysim makes has fixed names. A folder is ours if a result file of ours lies in it, or
a table that says so; without either, files of these names are left alone unless they say
themselves that they are ours.
"""

import json
import os
from pathlib import Path

from raysim.errors import Complaint, StoreError
from raysim.response.wav import is_wav_of_ours
from raysim.store.opening import open_to_read

#: Files of a run, in the folder the user named.
RESULTS_NAME, PAGE_NAME, RESPONSES_NAME = "results.h5", "index.html", "responses"
#: The result file as it was before a run that replaces complete layouts of it.
BEFORE_NAME = "results-before.h5"
_TABLE_NAMES = ("measures.csv", "measures.json")
#: How our table begins.
_CSV_HEAD = b"layout,source,receiver,measure,band_hz,"


def refuse_foreign(folder: Path) -> None:
    """Make sure that nothing in a folder would be lost that raysim did not write.

    Raises
    ------
    StoreError
        RS-F06: there are files of our names, and no sign that they are ours.
    """
    if _is_result_of_ours(folder / RESULTS_NAME) or _is_table_of_ours(folder / "measures.json"):
        return
    names = (PAGE_NAME, *_TABLE_NAMES, RESPONSES_NAME)
    found = [name for name in names if _holds_foreign(folder / name)]
    if found:
        listed = ", ".join(f'"{name}"' for name in found)
        raise StoreError(
            Complaint(
                where=str(folder),
                wrong=f"it holds files that raysim did not write: {listed}.",
                fix="Name another folder.",
                code="RS-F06",
            )
        )


def _holds_foreign(path: Path) -> bool:
    """Tell if something is there that could be lost: an empty folder is not.

    Nor are sounds and the table of measures that a run left which was stopped before it
    wrote what makes a folder ours.
    """
    # not Path.is_dir, which raises where a folder above may not be searched
    if not os.path.isdir(path):
        return os.path.exists(path) and not _begins(path, _CSV_HEAD)
    try:
        return not all(is_wav_of_ours(one) for one in path.iterdir())
    except OSError:  # what cannot be seen is not taken for ours
        return True


def _begins(path: Path, head: bytes) -> bool:
    try:
        with path.open("rb") as file:
            return file.read(len(head)) == head
    except OSError:
        return False


def _is_result_of_ours(path: Path) -> bool:
    """Tell if a file is a result file, of this or another version of raysim."""
    try:
        open_to_read(path).close()
    except StoreError as error:
        return error.complaints[0].code == "RS-H04"
    return True


def _is_table_of_ours(path: Path) -> bool:
    try:
        content = json.loads(path.read_text(encoding="utf-8"))
        return "raysim_version" in content["provenance"]
    except (OSError, ValueError, KeyError, TypeError):
        return False


def make_folder(folder: Path) -> bool:
    """Make a folder and those above it; tell if it was not there.

    Raises
    ------
    StoreError
        RS-F05: a file stands in the way, or it may not be written there.
    """
    is_new = not os.path.exists(folder)
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise StoreError(
            Complaint(
                where=str(folder),
                wrong=f"this folder cannot be made: {_hindrance(folder, error)}.",
                fix="Name a folder in a place you may write to.",
                code="RS-F05",
            )
        ) from error
    return is_new


def _hindrance(folder: Path, error: OSError) -> str:
    """Say why a folder cannot be made: the file in its place, or the system's word."""
    for path in (folder, *folder.parents):
        if os.path.exists(path):
            is_folder = os.path.isdir(path)
            return (error.strerror or "?").lower() if is_folder else f'"{path}" is a file'
    return (error.strerror or "?").lower()
