"""Every complaint to a user, in one shape: where, what is wrong, what to do, its code.

The meaning of each code, in a paragraph, is in `messages.md` beside this file;
``raysim message RS-S04`` prints it. A test checks that none is missing.
"""

import math
import re
from collections.abc import Iterable
from dataclasses import dataclass
from decimal import Decimal
from pathlib import Path


@dataclass(frozen=True, slots=True)
class Complaint:
    """One mistake in what a user gave."""

    where: str  # "scenes/attic/scene.toml:14" or a file, option or value
    wrong: str  # one sentence with the offending value
    fix: str  # one sentence that says what to do
    code: str  # "RS-S04"

    def __str__(self) -> str:
        return f"{self.where}: {self.wrong} {self.fix} [{self.code}]"


class RaysimError(Exception):
    """What raysim could not accept, as one or more complaints.

    Only this class is shown to a user without a traceback. ``exit_code`` is
    what the command line returns: 2 for input that cannot be used.
    """

    exit_code = 2

    def __init__(self, complaints: Complaint | Iterable[Complaint]) -> None:
        if isinstance(complaints, Complaint):
            complaints = (complaints,)
        self.complaints: tuple[Complaint, ...] = tuple(complaints)
        super().__init__("\n".join(str(c) for c in self.complaints))

    def __reduce__(self) -> tuple[type["RaysimError"], tuple[tuple[Complaint, ...]]]:
        """Travel between processes as what it was made of, not as its text."""
        return type(self), (self.complaints,)


class SceneError(RaysimError):
    """The scene file, or the room it describes, cannot be used."""


class SettingsError(RaysimError):
    """An option or setting cannot be used."""


class AbsorberError(RaysimError):
    """A stack of layers cannot be computed as asked."""


class WaveError(RaysimError):
    """The bass cannot be computed as asked, or its computation was stopped."""


class StoreError(RaysimError):
    """A result file cannot be read or written."""


class SpreadError(RaysimError):
    """Work could not be spread over processes or a cluster."""


class AudioError(RaysimError):
    """A sound file cannot be read, written or measured."""


class Stopped(KeyboardInterrupt):
    """A run was stopped by Ctrl-C: so many of its sources, of all its layouts, are kept."""

    def __init__(self, kept: int, n_source: int, n_layout: int = 1) -> None:
        super().__init__()
        self.kept, self.n_source, self.n_layout = kept, n_source, n_layout

    def __str__(self) -> str:
        if not self.kept:
            return "stopped; nothing was complete yet"
        are = "source is" if self.n_source == 1 else "sources are"
        if self.n_layout > 1:
            are = f"sources in {self.n_layout} layouts are"
        return f"stopped; {self.kept} of {self.n_source} {are} kept. The same command goes on."


def figure(value: float, digits: int = 3) -> str:
    """Give a number for a message: rounded to some digits, never with an exponent.

    Examples
    --------
    >>> figure(3400.4), figure(0.00012345), figure(2.0), figure(-0.0), figure(float("nan"))
    ('3400', '0.000123', '2', '0', 'nan')
    """
    if not math.isfinite(value):
        return str(value)
    return format(Decimal(f"{value + 0.0:.{digits}g}"), "f")


def meaning(code: str) -> str:
    """Give the paragraph of `messages.md` about a code: "RS-S04", or "s4" for short.

    Raises
    ------
    SettingsError
        RS-P02: there is no such code.
    """
    text = (Path(__file__).parent / "messages.md").read_text(encoding="utf-8")
    asked = code.strip(" []").upper().removeprefix("RS").strip("- ")
    if re.fullmatch("[A-Z][0-9]", asked):
        asked = f"{asked[0]}0{asked[1]}"
    for section in text.split("\n## ")[1:]:
        name, _, paragraph = section.partition("\n")
        if asked and name.strip() == f"RS-{asked}":
            return paragraph.strip()
    raise SettingsError(
        Complaint(code, "there is no message of this code.",
                  "Give it as printed in brackets at the end of a message.", "RS-P02")
    )  # fmt: skip
