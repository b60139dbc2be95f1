"""Decay times that were measured in a room, from a table of the user's.

The table is a CSV file with the columns of raysim's own `measures.csv`, of which these are
read: ``layout`` (as results are called; may be left out), ``source`` and ``receiver`` (empty:
mean over all), ``measure`` (edt_s, t20_s, t30_s), ``band_hz`` (63 to 8k), ``value``, ``error``
(one standard error; may be empty or left out) and ``unit`` (s). Lines of other measures are
passed over.
"""

import csv
import io
import math
from collections.abc import Sequence
from dataclasses import dataclass
from difflib import get_close_matches
from pathlib import Path
from typing import Final

from raysim.errors import Complaint, SceneError
from raysim.measures.pair import BAND_MEASURES, SINGLE_MEASURES
from raysim.units import OCTAVE_LABELS

#: What is fitted to.
DECAYS: Final = ("edt_s", "t20_s", "t30_s")
_NEEDED: Final = ("measure", "band_hz", "value", "unit")
_KNOWN: Final = ("layout", "source", "receiver", *_NEEDED, "error", "modal")
_OTHER: Final = {*BAND_MEASURES, *SINGLE_MEASURES} - {*DECAYS}
#: Decay times that a room can have, seconds.
_LIMITS_S: Final = (0.02, 30.0)
_BAND: Final = {
    **{label: i for i, label in enumerate(OCTAVE_LABELS)},
    **{str(round(62.5 * 2**i)): i for i in range(1, len(OCTAVE_LABELS))},
}


@dataclass(frozen=True, slots=True)
class MeasuredDecay:
    """One decay time of the real room."""

    layout: str  # as results are called; empty: the table does not say
    source: str  # empty: mean over all pairs
    receiver: str
    measure: str  # of `DECAYS`
    band: int  # octave, 0 is 63 Hz
    value_s: float
    error_s: float  # one standard error; NaN: not stated
    where: str = ""  # file and line


def read_measured(path: Path, complaints: list[Complaint]) -> list[MeasuredDecay]:
    """Read a table of decay times.

    Parameters
    ----------
    path : Path
    complaints : list of Complaint
        Grows by RS-C01 (not such a table) and RS-C02 (a line of it that is wrong).

    Returns
    -------
    list of MeasuredDecay
    """
    try:
        text = path.read_text(encoding="utf-8-sig")
    except (OSError, UnicodeDecodeError) as error:
        reason = (getattr(error, "strerror", None) or "it is not UTF-8 text").lower()
        fix = "Give a CSV file of decay times."
        complaints.append(Complaint(str(path), f"cannot be read: {reason}.", fix, "RS-C01"))
        return []
    lines = csv.DictReader(io.StringIO(text))
    columns = [c.strip() for c in lines.fieldnames or ()]
    lines.fieldnames = columns
    lacking = [c for c in _NEEDED if c not in columns]
    foreign = [c for c in columns if c not in _KNOWN]
    if lacking or foreign:
        wrong = f"it has no column {_listed(lacking)}." if lacking else (
            f"it has a column {_listed(foreign)} that means nothing here."
        )  # fmt: skip
        fix = f"Its columns are {', '.join(_KNOWN[:-1])}; the first line names them."
        complaints.append(Complaint(f"{path}:1", wrong, fix, "RS-C01"))
        return []
    found = []
    before = len(complaints)
    for line in lines:
        one = _decay(line, f"{path}:{lines.line_num}", complaints)
        found += [] if one is None else [one]
    if not found and len(complaints) == before:
        fix = f"Give lines of {', '.join(DECAYS)}."
        complaints.append(Complaint(str(path), "there is no decay time in it.", fix, "RS-C01"))
    return found


def _decay(
    line: dict[str, str], where: str, complaints: list[Complaint]
) -> MeasuredDecay | None:
    """Read one line; None if it is of something else, empty or wrong."""

    def complain(wrong: str, fix: str) -> None:
        complaints.append(Complaint(where, wrong, fix, "RS-C02"))

    cell = {k: (v or "").strip() for k, v in line.items() if isinstance(k, str)}
    if None in line:
        complain("it has more cells than there are columns.", "Quote names with commas.")
        return None
    measure = cell["measure"]
    if measure in _OTHER or not cell["value"]:
        return None
    if measure not in DECAYS:
        near = get_close_matches(measure.lower(), DECAYS, n=1)
        fix = f'Did you mean "{near[0]}"?' if near else f"Measures are {', '.join(DECAYS)}."
        complain(f'there is no measure "{measure}".', fix)
        return None
    told = len(complaints)
    band = _BAND.get(cell["band_hz"])
    if band is None:
        complain(
            f'"{cell["band_hz"]}" is no octave.', f"Octaves are {', '.join(OCTAVE_LABELS)}."
        )
    if cell["unit"] != "s":
        complain(f'the unit is "{cell["unit"]}".', "Give seconds, and say so: s.")
    value_s = _number(cell["value"])
    least, most = _LIMITS_S
    if not least <= value_s <= most:  # nor NaN
        complain(
            f'"{cell["value"]}" is no decay time.', f"Give {least:g} to {most:g}, in seconds."
        )
    error_s = _number(cell["error"]) if cell.get("error") else math.nan
    if cell.get("error") and not 0.0 <= error_s <= most:
        complain(f'"{cell["error"]}" is no standard error.', "Give seconds, or leave it empty.")
    if len(complaints) > told or band is None:
        return None
    layout, source, receiver = (cell.get(c, "") for c in ("layout", "source", "receiver"))
    return MeasuredDecay(layout, source, receiver, measure, band, value_s, error_s, where)


def _number(text: str) -> float:
    try:
        return float(text)
    except ValueError:
        return math.nan


def _listed(names: Sequence[str]) -> str:
    return ", ".join(f'"{name}"' for name in names)


def refuse(complaints: Sequence[Complaint]) -> None:
    """Raise if there is something to complain of."""
    if complaints:
        raise SceneError(complaints)
