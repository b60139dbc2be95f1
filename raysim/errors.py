"""Every complaint to a user, in one shape: where, what is wrong, what to do, its code.

The meaning of each code, in a paragraph, is in `messages.md` beside this file;
``raysim message RS-S04`` prints it. A test checks that none is missing.
"""

from collections.abc import Iterable
from dataclasses import dataclass
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


class SceneError(RaysimError):
    """The scene file, or the room it describes, cannot be used."""


class SettingsError(RaysimError):
    """An option or setting cannot be used."""


class StoreError(RaysimError):
    """A result file cannot be read or written."""


class AudioError(RaysimError):
    """A sound file cannot be read, written or measured."""


def meaning(code: str) -> str:
    """Give the paragraph of `messages.md` about a code.

    Raises
    ------
    SettingsError
        RS-P02: there is no such code.
    """
    text = (Path(__file__).parent / "messages.md").read_text(encoding="utf-8")
    for section in text.split("\n## ")[1:]:
        name, _, paragraph = section.partition("\n")
        if name.strip().upper() == code.strip().upper():
            return paragraph.strip()
    raise SettingsError(
        Complaint(code, "there is no message of this code.",
                  "Give it as printed in brackets at the end of a message.", "RS-P02")
    )  # fmt: skip
