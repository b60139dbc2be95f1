"""Names that must differ: who took one first, and a complaint for who comes second."""

from collections.abc import Iterator

from raysim.scene.place import Place
from raysim.scene.table import Table


class Names:
    """The names of one kind of thing in a scene."""

    def __init__(self, kind: str) -> None:
        self._kind = kind
        self._taken: dict[str, Place] = {}

    def add(self, name: str, table: Table, key: str, *inside: int) -> bool:
        """Take a name; complain and give False if it is taken."""
        if name in self._taken:
            table.complain(
                key,
                f'{self._kind} "{name}" exists already, on line {self._taken[name].line}.',
                "Give each a name of its own.",
                "RS-S05",
                *inside,
            )
            return False
        self._taken[name] = table.place(key, *inside)
        return True

    def __iter__(self) -> Iterator[str]:
        return iter(self._taken)
