"""A TOML table that is asked for what it should hold, and complains about the rest.

Every question takes one key; what is wrong with its value becomes a complaint with
the key's line and the answer is then None, so that reading goes on and all mistakes
of a file are found at once. `close` complains about keys that nobody asked for.
"""

import difflib
import math
from collections.abc import Iterable, Iterator, Sequence
from typing import Any

import numpy as np

from raysim.errors import Complaint, figure
from raysim.scene.lines import KeyLines
from raysim.scene.place import Place
from raysim.units import Float

_KINDS = {bool: "true or false", str: "a text", int: "a number", float: "a number",
          list: "a list", dict: "a table"}  # fmt: skip
_LONGEST_QUOTE = 48
_LARGEST = 1e300


def nearest(name: str, known: Iterable[str]) -> str:
    """Say what to do about an unknown name: the nearest known one, or a choice.

    Examples
    --------
    >>> nearest("oak_flor", ["oak_floor", "plaster"])
    'Did you mean "oak_floor"?'
    """
    known = list(known)
    close = difflib.get_close_matches(name, known, n=1)
    if close:
        return f'Did you mean "{close[0]}"?'
    if not known:
        return "There is none to choose from."
    shown = ", ".join(f'"{k}"' for k in known[:8])
    return f"Choose from {shown}{' and others' if len(known) > 8 else ''}."


def show(value: object) -> str:
    """Give a value as the file has it, cut to a length that a message can bear."""
    if isinstance(value, str):
        shown = f'"{value}"'
    elif isinstance(value, bool):
        shown = str(value).lower()
    else:
        shown = str(value)
    return shown if len(shown) <= _LONGEST_QUOTE else shown[: _LONGEST_QUOTE - 3] + "..."


def frozen(values: object) -> Float:
    """Give a read-only float64 array."""
    array = np.array(values, dtype=np.float64)
    array.setflags(write=False)
    return array


class Table:
    """One table of a TOML file, with its place and the list its complaints go to."""

    def __init__(
        self,
        content: dict[str, Any],
        file: str,
        lines: KeyLines,
        complaints: list[Complaint],
        path: tuple[str | int, ...] = (),
    ) -> None:
        self._content = content
        self._file = file
        self._lines = lines
        self._complaints = complaints
        self._path = path
        self._asked: list[str] = []
        self._missing: dict[str, Complaint] = {}

    def place(self, key: str | None = None, *inside: int) -> Place:
        """Give the place of this table, of a key, or of an element of its list."""
        path = self._path if key is None else (*self._path, key, *inside)
        return Place(self._file, self._lines.line(*path))

    def complain(self, key: str | None, wrong: str, fix: str, code: str, *inside: int) -> None:
        """Note a mistake at a key, or at the table itself."""
        self._complaints.append(Complaint(str(self.place(key, *inside)), wrong, fix, code))

    def __iter__(self) -> Iterator[str]:
        return iter(self._content)

    def has(self, key: str) -> bool:
        """Say whether a key is present; this does not count as asking for it."""
        return key in self._content

    def _take(self, key: str, kinds: tuple[type, ...], wanted: str, required: bool) -> Any:  # noqa: ANN401  TOML
        """Give a value of the right kind, or None after complaining."""
        self._asked.append(key)
        if key not in self._content:
            if required:
                self.complain(None, f'"{key}" is missing.', f"Give {wanted}.", "RS-S03")
                self._missing[key] = self._complaints[-1]
            return None
        value = self._content[key]
        # In Python True is a whole number; in a scene file it is a mistake.
        if not isinstance(value, kinds) or (isinstance(value, bool) and bool not in kinds):
            self._wrong_kind(key, value, wanted)
            return None
        return value

    def _wrong_kind(self, key: str, value: object, wanted: str, *inside: int) -> None:
        kind = _KINDS.get(type(value), "a date or time")
        wrong = f'"{key}" is {kind}, {show(value)}.'
        self.complain(key, wrong, f"Give {wanted}.", "RS-S04", *inside)

    def text(self, key: str, required: bool = False) -> str | None:
        """Give a text that is not blank."""
        value = self._take(key, (str,), "a text in quotes", required)
        if value is not None and not value.strip():
            self.complain(key, f'"{key}" is blank.', "Write something.", "RS-S12")
            return None
        return None if value is None else str(value)

    def name(self, key: str = "name", required: bool = True) -> str | None:
        """Give a text that can name something in lists, messages and result files."""
        value = self.text(key, required)
        return value if value is None or self.check_name(key, value) else None

    def check_name(self, key: str, value: str, *inside: int) -> bool:
        """Complain about a name that lists and result files cannot hold."""
        if "/" not in value and value == value.strip() and value.isprintable():
            return True
        self.complain(
            key,
            f"{show(value)} cannot be a name.",
            "Use letters, digits, spaces and signs, but no slash, line break or outer space.",
            "RS-S12",
            *inside,
        )
        return False

    def word(self, key: str, known: Sequence[str], required: bool = False) -> str | None:
        """Give one of some known words."""
        value = self._take(key, (str,), f'one of "{", ".join(known)}"', required)
        if value is not None and value not in known:
            self.complain(
                key, f"{key} = {show(value)} is not known.", nearest(value, known), "RS-S08"
            )
            return None
        return None if value is None else str(value)

    def holds_number(self, key: str) -> bool:
        """Say whether a key holds a number where a list would do too."""
        value = self._content.get(key)
        return isinstance(value, (int, float)) and not isinstance(value, bool)

    def length(self, key: str) -> int | None:
        """Say how many elements a key's list has; None if it holds no list."""
        value = self._content.get(key)
        return len(value) if isinstance(value, list) else None

    def flag(self, key: str) -> bool | None:
        """Give true or false."""
        value = self._take(key, (bool,), "true or false", False)
        return None if value is None else bool(value)

    def number(
        self,
        key: str,
        low: float,
        high: float,
        unit: str = "",
        required: bool = False,
        whole: bool = False,
        hint: str = "",
    ) -> float | None:
        """Give a finite number from low to high, both allowed."""
        lowest, highest = figure(low, 15), figure(high, 15)
        wanted = f"{'a whole' if whole else 'a'} number from {lowest} to {highest}"
        wanted = f"{wanted} {unit}".rstrip()
        value = self._take(key, (int,) if whole else (int, float), wanted, required)
        if unit == "m" and not hint and isinstance(value, (int, float)) and value > high:
            guess = "millimetres" if value >= 1000.0 else "centimetres"
            hint = f"Give {wanted}: is this in {guess}?"
        if value is None or self._check_number(key, value, low, high, wanted, hint):
            return None if value is None else float(value)
        return None

    def _check_number(
        self,
        key: str,
        value: float,
        low: float,
        high: float,
        wanted: str,
        hint: str,
        *inside: int,
    ) -> bool:
        # A chain of comparisons, as NaN fails it and whole numbers may be too long to convert.
        if max(low, -_LARGEST) <= value <= min(high, _LARGEST):
            return True
        shown = show(value) if isinstance(value, int) else figure(value, 10)
        self.complain(key, f'"{key}" is {shown}.', hint or f"Give {wanted}.", "RS-S07", *inside)
        return False

    def numbers(
        self,
        key: str,
        n: int | Sequence[int] | None,
        low: float = -math.inf,
        high: float = math.inf,
        required: bool = False,
        hint: str = "",
    ) -> list[float] | None:
        """Give a list of n finite numbers; n None is any number of them but none."""
        value = self._take(key, (list,), "a list of numbers", required)
        if value is None:
            return None
        return self._check_row(key, value, n, low, high, hint=hint)

    def _check_row(
        self,
        key: str,
        row: list[Any],
        n: int | Sequence[int] | None,
        low: float = -math.inf,
        high: float = math.inf,
        *inside: int,
        hint: str = "",
    ) -> list[float] | None:
        allowed = (n,) if isinstance(n, int) else n
        if not row or (allowed is not None and len(row) not in allowed):
            counts = " or ".join(str(a) for a in allowed) if allowed is not None else "some"
            doubled = allowed is not None and len(row) in [2 * a for a in allowed if a < 6]
            point = " Decimals take a point: 2.4." if doubled else ""
            wrong = f'"{key}" has {len(row)} numbers.'
            self.complain(key, wrong, f"Give {counts}.{point}", "RS-S09", *inside)
            return None
        is_bounded = math.isfinite(low) or math.isfinite(high)
        limits = f"numbers from {figure(low)} to {figure(high)}"
        wanted = limits if is_bounded else "finite numbers"
        good = True
        for i, value in enumerate(row):
            if isinstance(value, bool) or not isinstance(value, (int, float)):
                self._wrong_kind(key, value, "numbers alone", *inside, i)
                good = False
            else:
                good &= self._check_number(key, value, low, high, wanted, hint, *inside, i)
        return [float(v) for v in row] if good else None

    def rows(
        self, key: str, n_column: int | None, n_row: int | Sequence[int] | None = None,
        fewest: int = 1, required: bool = False,
        low: float = -math.inf, high: float = math.inf,
    ) -> Float | None:  # fmt: skip
        """Give a list of equally long lists of finite numbers as a read-only array.

        Parameters
        ----------
        key : str
        n_column : int or None
            How many numbers each row has; None is any number, the same in all.
        n_row : int, sequence of int or None
            How many rows; None is any number.
        fewest : int
            The smallest number of rows.
        required : bool
        low, high : float
            The smallest and the largest number allowed.

        Returns
        -------
        (n_row, n_column) float64, or None after a complaint
        """
        value = self._take(key, (list,), "a list of lists of numbers", required)
        if value is None:
            return None
        allowed = (n_row,) if isinstance(n_row, int) else n_row
        if len(value) < fewest or (allowed is not None and len(value) not in allowed):
            counts = " or ".join(map(str, allowed)) if allowed else f"at least {fewest}"
            self.complain(
                key, f'"{key}" has {len(value)} entries.', f"Give {counts}.", "RS-S09"
            )
            return None
        found: list[list[float] | None] = []
        for i, row in enumerate(value):
            if isinstance(row, list):
                width = n_column or (len(value[0]) if isinstance(value[0], list) else None)
                found.append(self._check_row(key, row, width, low, high, i))
            else:
                self._wrong_kind(key, row, "a list of lists of numbers", i)
                found.append(None)
        return None if any(row is None for row in found) else frozen(found)

    def texts(self, key: str, required: bool = False) -> tuple[str, ...] | None:
        """Give a list of texts that are not blank."""
        value = self._take(key, (list,), "a list of texts", required)
        if value is None:
            return None
        good = True
        for i, text in enumerate(value):
            if not isinstance(text, str) or not text.strip():
                self._wrong_kind(key, text, "texts in quotes alone", i)
                good = False
        return tuple(value) if good else None

    def wholes(self, key: str) -> tuple[int, ...] | None:
        """Give a list of whole numbers from 0 up."""
        row = self.numbers(key, None, low=0.0, high=1e9)
        if row is not None and any(value != int(value) for value in row):
            wrong = f'"{key}" has numbers with a fraction.'
            self.complain(key, wrong, "Give whole numbers.", "RS-S04")
            return None
        return None if row is None else tuple(int(value) for value in row)

    def table(self, key: str, required: bool = False) -> "Table | None":
        """Give a table inside this one."""
        value = self._take(key, (dict,), f"a table [{key}]", required)
        return None if value is None else self._inner(value, key)

    def tables(self, key: str, required: bool = False) -> list["Table"]:
        """Give the tables of an array of tables; none if it is absent."""
        wanted = f"tables [[{key}]] with two brackets"
        value = self._take(key, (list,), wanted, required)
        found = []
        for i, inner in enumerate(value or ()):
            if isinstance(inner, dict):
                found.append(self._inner(inner, key, i))
            else:
                self._wrong_kind(key, inner, wanted, i)
        return found

    def _inner(self, content: dict[str, Any], *step: str | int) -> "Table":
        return Table(content, self._file, self._lines, self._complaints, self._path + step)

    def allow(self, *keys: str) -> None:
        """Let keys be present without reading them."""
        self._asked += keys

    def close(self) -> None:
        """Complain about every key that was not asked for: an unused key is a mistake.

        A slip in a key that must be there is one mistake, not also a missing key.
        """
        known = list(dict.fromkeys(self._asked))
        for key in self._content:
            if key not in known:
                for meant in difflib.get_close_matches(key, known, n=1):
                    lacking = self._missing.pop(meant, None)
                    self._complaints[:] = [c for c in self._complaints if c is not lacking]
                inside = f" in [{self._title()}]" if self._path else ""
                self.complain(
                    key, f'"{key}" is not a known key{inside}.', nearest(key, known), "RS-S02"
                )

    def _title(self) -> str:
        return ".".join(step for step in self._path if isinstance(step, str))
