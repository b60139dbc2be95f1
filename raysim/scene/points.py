"""Sources and receivers as a scene file gives them."""

from collections.abc import Callable

import numpy as np

from raysim.scene.directivity import FIRST_ORDER, KNOWN, directivity
from raysim.scene.model import Bands, Directivity, Receiver, Source
from raysim.scene.names import Names
from raysim.scene.table import Table, frozen, nearest
from raysim.units import Float


def directivity_finder(
    own: dict[str, Directivity | None], bands: Bands
) -> Callable[[Table], tuple[str, Directivity | None]]:
    """Give a function that reads the key ``directivity`` of a source."""
    made: dict[str, Directivity] = {}

    def find(table: Table) -> tuple[str, Directivity | None]:
        name = table.word("directivity", (*KNOWN, *own))
        if name is None:
            name = "omni"  # absent, or wrong and complained about
        if name in own:
            return name, own[name]
        if name not in made:
            made[name] = directivity(name, bands)
        return name, made[name]

    return find


def read_source(
    table: Table,
    find: Callable[[Table], tuple[str, Directivity | None]],
    receivers: Names,
    names: Names,
) -> Source | None:
    """Read one ``[[source]]``."""
    name = table.name()
    position = table.numbers("at_m", 3, required=True)
    word, directed = find(table)
    aim = _read_aim(table, position, is_needed=word != "omni", of=f'directivity "{word}"')
    level_db = table.number("level_db", -50.0, 200.0, "dB at 1 m on the axis")
    heard = table.texts("receivers")
    table.close()
    for i, receiver in enumerate(heard or ()):
        if any(receivers) and receiver not in receivers:  # having none is told already
            wrong = f'there is no receiver "{receiver}".'
            table.complain("receivers", wrong, nearest(receiver, receivers), "RS-S06", i)
    if heard == ():
        table.complain(
            "receivers", "the list is empty.", "Name one, or drop the key.", "RS-S09"
        )
    if name is None or not names.add(name, table, "name"):
        return None
    if position is None or aim is None or directed is None:
        return None
    return Source(name, frozen(position), aim, directed, level_db, heard, table.place())


def read_receiver(table: Table, names: Names) -> Receiver | None:
    """Read one ``[[receiver]]``."""
    name = table.name()
    position = table.numbers("at_m", 3, required=True)
    pattern: float | None = 1.0
    word = ""
    if table.holds_number("pattern"):
        pattern = table.number("pattern", 0.0, 1.0, "(1 omni, 0 figure-of-eight)")
        word = f"{pattern}"
    elif table.has("pattern"):
        word = table.word("pattern", tuple(FIRST_ORDER)) or "omni"
        pattern = float(FIRST_ORDER[word])
    aim = _read_aim(table, position, is_needed=pattern != 1.0, of=f'pattern "{word}"')
    table.close()
    if name is None or not names.add(name, table, "name"):
        return None
    if position is None or aim is None or pattern is None:
        return None
    return Receiver(name, frozen(position), aim, pattern, table.place())


def _read_aim(
    table: Table, position: list[float] | None, is_needed: bool, of: str
) -> Float | None:
    """Give the unit vector of an axis; along x where none is given or needed."""
    if table.has("aim") and table.has("aim_at_m"):
        fix = "Give a direction or a point to look at, not both."
        table.complain("aim_at_m", 'it has both "aim" and "aim_at_m".', fix, "RS-S10")
    direction = table.numbers("aim", 3)
    point = table.numbers("aim_at_m", 3)
    key = "aim" if table.has("aim") else "aim_at_m"
    if not table.has(key):
        if is_needed:
            fix = 'Give "aim", a direction, or "aim_at_m", a point to look at.'
            table.complain(None, f"its {of} needs an axis.", fix, "RS-S03")
        return frozen([1.0, 0.0, 0.0])
    vector = np.zeros(3)
    if key == "aim" and direction is not None:
        vector = np.array(direction)
    elif key == "aim_at_m" and point is not None and position is not None:
        vector = np.array(point) - np.array(position)
    else:
        return frozen([1.0, 0.0, 0.0])  # its mistake is noted already
    length = float(np.linalg.norm(vector))
    if length < 1e-6:
        wrong = "the axis has no direction."
        table.complain(key, wrong, "Give one that is not zero.", "RS-S13")
        return None
    return frozen(vector / length)
