"""Where in a TOML text each key stands: the line numbers that `tomllib` does not give.

A key path is a tuple of names and list positions, such as ``("source", 1, "at_m")``.
The text must be one that `tomllib` has accepted: this is a locator, not a checker.
Source: the grammar of TOML 1.0.
"""

import re
import tomllib
from bisect import bisect_left

KeyPath = tuple[str | int, ...]

_SPACE = re.compile(r"[ \t]*")
_FILLER = re.compile(r"(?:[ \t\r\n]|#[^\n]*)*")
_BARE_KEY = re.compile(r"[A-Za-z0-9_-]+")
_STRING = re.compile(
    r'"""(?:[^\\]|\\.)*?"{3,5}' r"|'''.*?'{3,5}" r'|"(?:[^"\\\n]|\\.)*"' r"|'[^'\n]*'",
    re.DOTALL,
)
_SCALAR = re.compile(r"[^,\]}#\n]+")


class KeyLines:
    r"""Line numbers of all keys and list elements of one text.

    Examples
    --------
    >>> lines = KeyLines("a = 1\n[[source]]\nat_m = [\n  1, 2,\n  3]\n")
    >>> lines.line("source", 0, "at_m"), lines.line("source", 0, "at_m", 2)
    (3, 5)
    >>> lines.line("source", 0, "name")  # absent: the line of what should hold it
    2
    """

    def __init__(self, text: str) -> None:
        self._text = text
        self._at = 0
        self._newlines = [i for i, letter in enumerate(text) if letter == "\n"]
        self._line_of: dict[KeyPath, int] = {(): 1}
        self._n_table: dict[KeyPath, int] = {}  # arrays of tables: how many so far
        self._scan()

    def line(self, *path: str | int) -> int:
        """Give the line of a key, or of the nearest thing around it that exists."""
        for length in range(len(path), 0, -1):
            if path[:length] in self._line_of:
                return self._line_of[path[:length]]
        return 1

    def _here(self) -> int:
        return bisect_left(self._newlines, self._at) + 1

    def _note(self, path: KeyPath) -> None:
        # The first mention wins: a header [a.b] must not move the line of [a].
        for length in range(1, len(path) + 1):
            self._line_of.setdefault(path[:length], self._here())

    def _skip(self, pattern: re.Pattern[str]) -> str:
        found = pattern.match(self._text, self._at)
        if found is None:
            return ""
        self._at = found.end()
        return found.group()

    def _peek(self, n: int = 1) -> str:
        return self._text[self._at : self._at + n]

    def _scan(self) -> None:
        table: KeyPath = ()
        self._skip(_FILLER)
        while self._at < len(self._text):
            if self._peek() == "[":
                table = self._header()
            else:
                self._pair(table)
            self._skip(_FILLER)

    def _header(self) -> KeyPath:
        is_array = self._peek(2) == "[["
        self._at += 2 if is_array else 1
        names = self._key()
        path = self._resolve(names[:-1]) + names[-1:]
        if is_array:
            n = self._n_table.get(path, 0)
            self._n_table[path] = n + 1
            path = (*path, n)
        else:
            path = self._resolve(names)
        self._note(path)
        self._at += 2 if is_array else 1
        return path

    def _resolve(self, names: KeyPath) -> KeyPath:
        """Point names that go through an array of tables at its latest element."""
        path: KeyPath = ()
        for name in names:
            path = (*path, name)
            if path in self._n_table:
                path = (*path, self._n_table[path] - 1)
        return path

    def _key(self) -> KeyPath:
        names: list[str] = []
        while True:
            self._skip(_SPACE)
            if self._peek() in ("'", '"'):
                names.append(tomllib.loads(f"key = {self._skip(_STRING)}")["key"])
            else:
                names.append(self._skip(_BARE_KEY))
            self._skip(_SPACE)
            if self._peek() != ".":
                return tuple(names)
            self._at += 1

    def _pair(self, table: KeyPath) -> None:
        start = self._at
        path = table + self._key()
        end, self._at = self._at, start
        self._note(path)
        self._at = end + 1  # past the equals sign
        self._skip(_SPACE)
        self._value(path)

    def _value(self, path: KeyPath) -> None:
        self._note(path)
        opening = self._peek()
        if opening in ("[", "{"):
            self._at += 1
            self._members(path, "]" if opening == "[" else "}")
        elif opening in ("'", '"'):
            self._skip(_STRING)
        else:
            self._skip(_SCALAR)

    def _members(self, path: KeyPath, closing: str) -> None:
        i_element = 0
        self._skip(_FILLER)
        while self._peek() != closing:
            if closing == "]":
                self._value((*path, i_element))
                i_element += 1
            else:
                self._pair(path)
            self._skip(_FILLER)
            if self._peek() == ",":
                self._at += 1
                self._skip(_FILLER)
        self._at += 1
