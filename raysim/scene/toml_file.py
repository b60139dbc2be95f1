"""From a TOML file to a `Table`, or to a complaint about the file as a whole."""

import difflib
import os
import re
import tomllib
from pathlib import Path

from raysim.errors import Complaint
from raysim.scene.lines import KeyLines
from raysim.scene.table import Table

#: How every HDF5 file begins.
_HDF5 = b"\x89HDF\r\n\x1a\n"


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
        slip = _slip(text.splitlines()[line - 1])
        complaints.append(Complaint(f"{path}:{line}", wrong, slip, "RS-S01"))
        return None
    return Table(content, str(path), KeyLines(text), complaints), text


#: Texts in straight quotes, and comments, where no slip is looked for.
_QUOTED = re.compile(r""""(?:[^"\\]|\\.)*"|'[^']*'|\#.*""")
_DECIMAL_COMMA = re.compile(r"=\s*[-+]?\d+,\d+\s*$")
_WORDS = r"[^\W\d][\w-]*"
_SPACED = re.compile(rf"^\s*(?:{_WORDS}(?:[ \t]+[\w-]+)+\s*=|\[.*{_WORDS}[ \t]+{_WORDS}.*\])")
_BARE_TEXT = re.compile(rf"=\s*(?!(?:true|false|nan|inf)\b){_WORDS}")


def _slip(line: str) -> str:
    """Say what to look for in a line that is not TOML: what people often write.

    Examples
    --------
    >>> _slip("height_m = 2,4")
    'Decimals take a point: 2.4.'
    >>> _slip("big wall = 3"), _slip("floor = oak")
    ('Names with spaces stand in quotes: "big wall".', 'Texts stand in quotes: "oak".')
    """
    plain = _QUOTED.sub(lambda m: "" if m[0].startswith("#") else '""', line)
    if re.search("[\u201c\u201d\u201e\u201f\u2018\u2019\u00ab\u00bb]", plain):
        return 'Use straight quotes: "...".'
    if found := _DECIMAL_COMMA.search(plain):
        number = found.group().strip("= \t").replace(",", ".")
        return f"Decimals take a point: {number}."
    if found := _SPACED.search(plain):
        name = found.group().strip("[]= \t").rpartition(".")[2]
        return f'Names with spaces stand in quotes: "{name}".'
    if found := _BARE_TEXT.search(plain):
        return f'Texts stand in quotes: "{plain[found.start() + 1 :].strip()}".'
    return "Look for a missing quote, bracket, comma or equals sign here or just above."


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
        may_not = isinstance(error, PermissionError)
        fix = "Ask for the right to read it." if may_not else "Give a TOML file."
        complain(f"this cannot be read as a file: {reason}.", fix, "RS-F02")
        return None
    if raw.startswith(_HDF5):
        complain(
            "this is a result file, not a scene.",
            "Use `raysim page` for it, or name the scene's folder.",
            "RS-F03",
        )
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
    if not os.path.isdir(path.parent):
        return f'There is no folder "{path.parent}" either.'
    try:
        names = os.listdir(path.parent)
    except OSError:  # a folder may be searched and yet not be listed
        names = []
    close = difflib.get_close_matches(path.name, names, n=1)
    return f'Did you mean "{close[0]}"?' if close else "Look for a slip in its name."
