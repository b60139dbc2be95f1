"""From a TOML file to a `Table`, or to a complaint about the file as a whole."""

import difflib
import tomllib
from pathlib import Path

from raysim.errors import Complaint
from raysim.scene.lines import KeyLines
from raysim.scene.table import Table


def read_table(path: Path, complaints: list[Complaint]) -> tuple[Table, str] | None:
    """Read a TOML file whole, or complain and give None.

    Parameters
    ----------
    path : pathlib.Path
    complaints : list of Complaint
        Grows by one if the file is missing, a folder, unreadable, empty, not UTF-8
        or not TOML.

    Returns
    -------
    (Table, str) or None
        The outermost table, and the text.
    """
    text = _read_text(path, complaints)
    if text is None:
        return None
    try:
        content = tomllib.loads(text)
    except ValueError as error:  # TOMLDecodeError, or a number of thousands of digits
        # The message ends "(at line 3, column 7)" or "(at end of document)".
        cause, _, where = str(error).rpartition(" (at ")
        digits = where.partition("line ")[2].partition(",")[0]
        line = int(digits) if digits.isdigit() else text.rstrip().count("\n") + 1
        wrong = f"this is not TOML: {cause[:1].lower()}{cause[1:]}."
        fix = "Look for a missing quote, bracket, comma or equals sign here or just above."
        complaints.append(Complaint(f"{path}:{line}", wrong, fix, "RS-S01"))
        return None
    return Table(content, str(path), KeyLines(text), complaints), text


def _read_text(path: Path, complaints: list[Complaint]) -> str | None:
    def complain(wrong: str, fix: str, code: str, line: int | None = None) -> None:
        where = str(path) if line is None else f"{path}:{line}"
        complaints.append(Complaint(where, wrong, fix, code))

    try:
        raw = path.read_bytes()
    except FileNotFoundError:
        complain("there is no such file.", _similar(path), "RS-F01")
        return None
    except OSError as error:
        reason = (error.strerror or str(error)).lower()
        complain(f"this cannot be read as a file: {reason}.", "Give a TOML file.", "RS-F02")
        return None
    try:
        text = raw.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        complain(
            f"byte {raw[error.start]:#04x} is not UTF-8 text.",
            "Save the file as plain text in UTF-8.",
            "RS-F03",
            raw.count(b"\n", 0, error.start) + 1,
        )
        return None
    if not text.strip():
        complain("the file is empty.", "Write the scene into it.", "RS-F04")
        return None
    return text


def _similar(path: Path) -> str:
    """Say which file was perhaps meant."""
    if not path.parent.is_dir():
        return f'There is no folder "{path.parent}" either.'
    close = difflib.get_close_matches(path.name, [p.name for p in path.parent.iterdir()], n=1)
    return f'Did you mean "{close[0]}"?' if close else "Look for a slip in its name."
