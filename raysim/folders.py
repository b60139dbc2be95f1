"""The folder that a run writes to: made if it must be, refused if it is someone else's.

What raysim makes has fixed names. A folder is ours if a result file lies in it, or a table
that says so; files of these names without either are left alone.
"""

import json
from pathlib import Path

from raysim.errors import Complaint, StoreError

#: Files of a run, in the folder the user named.
RESULTS_NAME, PAGE_NAME, RESPONSES_NAME = "results.h5", "index.html", "responses"
_TABLE_NAMES = ("measures.csv", "measures.json")


def refuse_foreign(folder: Path) -> None:
    """Make sure that nothing in a folder would be lost that raysim did not write.

    Raises
    ------
    StoreError
        RS-F06: there are files of our names, and no sign that they are ours.
    """
    if (folder / RESULTS_NAME).exists() or _is_table_of_ours(folder / "measures.json"):
        return
    names = (PAGE_NAME, *_TABLE_NAMES, RESPONSES_NAME)
    found = [name for name in names if _holds(folder / name)]
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


def _holds(path: Path) -> bool:
    """Tell if something is there that could be lost: an empty folder is not."""
    return any(path.iterdir()) if path.is_dir() else path.exists()


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
    is_new = not folder.exists()
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
        if path.exists():
            return (error.strerror or "?").lower() if path.is_dir() else f'"{path}" is a file'
    return (error.strerror or "?").lower()
