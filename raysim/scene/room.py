"""The shell of the room as a scene file gives it: a mesh file, or a drawing.

Also the names of its surfaces: known here for a drawn room, and only in
`raysim.geometry` for a mesh file.
"""

from dataclasses import dataclass
from pathlib import Path

from raysim.scene.model import Dormer, DrawnRoom, MeshRoom, RoofPlane
from raysim.scene.names import Names
from raysim.scene.shape import read_outline, read_roof_points
from raysim.scene.table import Table

UNITS = ("m", "cm", "mm", "in", "ft")
_DRAWING = ("plan_m", "height_m", "wall_names", "floor_name", "ceiling_name", "slope", "dormer")


@dataclass(frozen=True, slots=True)
class SurfaceNames:
    """The surfaces of a drawn room: those it surely has, and those it may have.

    Whether a ceiling is left between slopes, or a dormer has a front, is geometry.
    """

    sure: tuple[str, ...]
    possible: tuple[str, ...]


def read_room(outer: Table, folder: Path, names: Names) -> DrawnRoom | MeshRoom | None:
    """Read the table ``[room]``; None if no room can be made of it."""
    table = outer.table("room", required=True)
    if table is None:
        return None
    drawn = [key for key in _DRAWING if table.has(key)]
    if table.has("mesh") and drawn:
        table.complain(
            drawn[0],
            f'the room has both a mesh file and "{drawn[0]}".',
            "Give a mesh file or a drawing, not both.",
            "RS-S10",
        )
        return None
    if not table.has("mesh") and not drawn:
        table.complain(
            None,
            "the room has no shape.",
            'Give "mesh" and "unit", or "plan_m", "height_m" and "wall_names".',
            "RS-S03",
        )
        return None
    room = _read_mesh(table, folder) if table.has("mesh") else _read_drawing(table, names)
    table.close()
    return room


def _read_mesh(table: Table, folder: Path) -> MeshRoom | None:
    file = table.text("mesh", required=True)
    unit = table.word("unit", UNITS, required=True)
    repair = table.flag("repair") or False
    if file is None or unit is None:
        return None
    return MeshRoom(folder / file, unit, repair, table.place("mesh"))


def _read_drawing(table: Table, names: Names) -> DrawnRoom | None:
    plan = read_outline(table, "plan_m")
    height_m = table.number("height_m", 0.1, 100.0, "m", required=True)
    walls = table.texts("wall_names", required=True)
    floor = table.name("floor_name", required=False) or "floor"
    ceiling = table.name("ceiling_name", required=False) or "ceiling"
    for i, wall in enumerate(walls or ()):
        if table.check_name("wall_names", wall, i):
            names.add(wall, table, "wall_names", i)
    names.add(floor, table, "floor_name")
    names.add(ceiling, table, "ceiling_name")
    roof = tuple(_read_slope(t, names) for t in table.tables("slope"))
    dormers = tuple(_read_dormer(t, names) for t in table.tables("dormer"))
    if plan is None or height_m is None or walls is None:
        return None
    if len(walls) != len(plan):
        table.complain(
            "wall_names",
            f"there are {len(walls)} names for {len(plan)} walls.",
            "Name the wall from each corner of the plan to the next, and back to the first.",
            "RS-S09",
        )
        return None
    if None in roof or None in dormers:
        return None
    return DrawnRoom(
        plan_m=plan,
        height_m=height_m,
        wall_names=walls,
        floor_name=floor,
        ceiling_name=ceiling,
        roof=tuple(r for r in roof if r is not None),
        dormers=tuple(d for d in dormers if d is not None),
        place=table.place(),
    )


def _read_slope(table: Table, names: Names) -> RoofPlane | None:
    name = table.name()
    points = read_roof_points(table, "points_m")
    table.close()
    if name is None or points is None:
        return None
    names.add(name, table, "name")
    return RoofPlane(name, points, table.place())


def _read_dormer(table: Table, names: Names) -> Dormer | None:
    name = table.name()
    plan = read_outline(table, "plan_m")
    ceiling_m = table.number("ceiling_m", 0.1, 100.0, "m", required=True)
    table.close()
    if name is None or plan is None or ceiling_m is None:
        return None
    dormer = Dormer(name, plan, ceiling_m, table.place())
    if names.add(name, table, "name"):
        for surface in dormer_surfaces(dormer):
            names.add(surface, table, "name")
    return dormer


def dormer_surfaces(dormer: Dormer) -> tuple[str, str, str]:
    """Give the names of a dormer's ceiling, front and cheeks."""
    return f"{dormer.name} ceiling", f"{dormer.name} front", f"{dormer.name} cheeks"


def surface_names(room: DrawnRoom) -> SurfaceNames:
    """Give the names of a drawn room's surfaces."""
    sure = [*room.wall_names, room.floor_name, *(slope.name for slope in room.roof)]
    possible: list[str] = []
    # Slopes may leave no ceiling.
    (possible if room.roof else sure).append(room.ceiling_name)
    for dormer in room.dormers:
        ceiling, front, cheeks = dormer_surfaces(dormer)
        sure.append(ceiling)
        possible += [front, cheeks]
    return SurfaceNames(tuple(sure), tuple(possible))
