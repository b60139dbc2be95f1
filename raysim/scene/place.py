"""Where a scene file said something: file and line, for messages."""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Place:
    """Where something was said: file and line, for messages."""

    file: str
    line: int

    def __str__(self) -> str:
        return f"{self.file}:{self.line}"


#: For scenes built in Python rather than read from a file.
NOWHERE = Place("(python)", 0)
