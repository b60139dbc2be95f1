"""How far all units together are."""

from collections.abc import Sequence

from raysim.spread.units import Unit
from raysim.tracing import Tell


class Overall:
    """Adds up what units tell of themselves; the share never falls.

    Parameters
    ----------
    units : sequence of Unit
        All of a run.
    tell : callable
        Called with the share of all of them.
    several : bool
        Layouts are named.
    """

    def __init__(self, units: Sequence[Unit], tell: Tell, several: bool) -> None:
        self._total = sum(unit.weight for unit in units)
        self._tell, self._several = tell, several
        self._done = 0.0
        self._most = 0.0
        self._part: dict[int, float] = {}  # by unit

    def step(self, unit: Unit, share: float, known: str) -> None:
        """Take what a unit tells."""
        self._part[id(unit)] = share * unit.weight
        self._most = max(
            self._most, min(1.0, (self._done + sum(self._part.values())) / self._total)
        )
        self._tell(self._most, f"{unit.layout}: {known}" if self._several else known)

    def begin_again(self, unit: Unit) -> None:
        """Forget what was told of a unit."""
        self._part.pop(id(unit), None)

    def complete(self, unit: Unit) -> None:
        """Count a unit as done."""
        self._part.pop(id(unit), None)
        self._done += unit.weight

    @property
    def left(self) -> float:
        """The weight of what is not complete."""
        return self._total - self._done
