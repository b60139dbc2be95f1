"""What is on and in the room: patches of surfaces, and things that stand there."""

from collections.abc import Collection, Mapping

import numpy as np

from raysim.errors import figure
from raysim.scene.materials import material_or_complain
from raysim.scene.model import Material, Patch, Thing
from raysim.scene.names import Names
from raysim.scene.shape import (
    read_flat_corners,
    read_outline,
    read_pair,
    shell_outline,
    turned_box,
)
from raysim.scene.table import Table, frozen, nearest
from raysim.units import Float

KINDS = ("box", "prism", "shell", "sheet")
_OF_SOME_KIND = (
    "from_m", "to_m", "turn_deg", "plan_m", "z_m", "centre_m", "radius_m", "thickness_m",
    "from_deg", "to_deg", "pieces", "corners_m", "material_top", "material_back",
)  # fmt: skip

Solid = tuple[Float, tuple[float, float]]  # plan outline, heights


def read_patch(
    table: Table,
    materials: Mapping[str, Material],
    surfaces: Collection[str] | None,
    names: Names,
    stand_in: str,
) -> Patch | None:
    """Read one ``[[patch]]``.

    Parameters
    ----------
    table : Table
    materials : dict of str to Material
    surfaces : collection of str or None
        The surfaces that may be patched; None if only the mesh file knows.
    names : Names
        Of surfaces; the patch's name is added.
    stand_in : str
        A material that takes the place of an unknown one, so that geometry can be
        checked all the same.
    """
    name = table.name()
    on = table.text("on", required=True)
    material = material_or_complain(table, "material", materials)
    x_m, y_m, z_m, up_m = (read_pair(table, key) for key in ("x_m", "y_m", "z_m", "up_m"))
    faces = table.wholes("faces")
    table.close()
    if name is not None:
        names.add(name, table, "name")
    if on is not None and surfaces is not None and on not in surfaces:
        table.complain("on", f'there is no surface "{on}".', nearest(on, surfaces), "RS-S06")
        return None
    pairs = {"x_m": x_m, "y_m": y_m, "z_m": z_m, "up_m": up_m}
    asked = [key for key in (*pairs, "faces") if table.has(key)]
    if not asked:
        wrong = "nothing says which part of the surface it is."
        fix = 'Give one or more of "x_m", "y_m", "z_m", "up_m", or "faces".'
        table.complain(None, wrong, fix, "RS-S03")
    if "faces" in asked and len(asked) > 1:
        wrong = f'it has both "faces" and "{asked[0]}".'
        table.complain("faces", wrong, "Pick faces by number or by place, not both.", "RS-S10")
        return None
    is_whole = all(pairs.get(key) or (key == "faces" and faces) for key in asked)
    if name is None or on is None or not asked or not is_whole:
        return None
    return Patch(
        name, on, material or stand_in, x_m, y_m, z_m, up_m, faces, place=table.place()
    )


def read_thing(
    table: Table, materials: Mapping[str, Material], names: Names, stand_in: str
) -> Thing | None:
    """Read one ``[[thing]]``; arguments as for `read_patch`."""
    name = table.name()
    material = material_or_complain(table, "material", materials) or stand_in
    kind = table.word("kind", KINDS, required=True)
    if kind is None:  # which keys belong here is not known
        table.allow(*_OF_SOME_KIND)
        table.close()
        return None
    shape: Solid | None
    corners: Float | None
    material_top = material_back = None
    z_m: tuple[float, float] | None = None
    if kind == "sheet":
        corners = read_flat_corners(table, "corners_m")
        material_back = material_or_complain(table, "material_back", materials, False)
    else:
        shape = {"box": _read_box, "prism": _read_prism, "shell": _read_shell}[kind](table)
        corners, z_m = shape if shape is not None else (None, None)
        material_top = material_or_complain(table, "material_top", materials, False)
    table.close()
    if name is not None and names.add(name, table, "name"):
        for side in thing_surfaces(name, kind):
            names.add(side, table, "name")
    if name is None or corners is None:
        return None
    return Thing(name, kind, corners, z_m, material, material_top, material_back, table.place())


def thing_surfaces(name: str, kind: str) -> tuple[str, ...]:
    """Give the names of a thing's surfaces."""
    sides = {"sheet": ("front", "back"), "slab": ("front", "edge", "back")}
    return tuple(f"{name} {side}" for side in sides.get(kind, ("top", "bottom", "side")))


def _read_box(table: Table) -> Solid | None:
    low = table.numbers("from_m", 3, required=True)
    high = table.numbers("to_m", 3, required=True)
    turn_deg = table.number("turn_deg", -360.0, 360.0, "degrees")
    if low is None or high is None:
        return None
    flat = [axis for axis, a, b in zip("xyz", low, high, strict=True) if a >= b]
    if flat:
        i = "xyz".index(flat[0])
        ends = f"from {figure(low[i], 6)} to {figure(high[i], 6)}"
        wrong = f"along {flat[0]} the box runs {ends}."
        table.complain("to_m", wrong, 'Every number of "to_m" is the greater one.', "RS-S13")
        return None
    outline = turned_box(np.array(low[:2]), np.array(high[:2]), turn_deg or 0.0)
    return outline, (low[2], high[2])


def _read_prism(table: Table) -> Solid | None:
    outline = read_outline(table, "plan_m")
    z_m = read_pair(table, "z_m", required=True)
    return None if outline is None or z_m is None else (outline, z_m)


def _read_shell(table: Table) -> Solid | None:
    centre = table.numbers("centre_m", 2, required=True)
    radius_m = table.number("radius_m", 0.05, 50.0, "m", required=True)
    thickness_m = table.number("thickness_m", 0.001, 5.0, "m", required=True)
    from_deg = table.number("from_deg", -360.0, 360.0, "degrees", required=True)
    to_deg = table.number("to_deg", -360.0, 360.0, "degrees", required=True)
    pieces = table.number("pieces", 1, 90, whole=True)
    z_m = read_pair(table, "z_m", required=True)
    if centre is None or radius_m is None or thickness_m is None or z_m is None:
        return None
    if from_deg is None or to_deg is None:
        return None
    if not 1.0 <= to_deg - from_deg <= 350.0:
        table.complain(
            "to_deg",
            f"the arc runs from {from_deg:g} to {to_deg:g} degrees.",
            "Let it climb by 1 to 350 degrees; a closed ring has no way in.",
            "RS-S13",
        )
        return None
    n = int(pieces or 8)
    outline = shell_outline(frozen(centre), radius_m, thickness_m, from_deg, to_deg, n)
    return outline, z_m
