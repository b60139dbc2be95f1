"""Layouts and states as a scene file gives them: what is put up where, what is open or out.

Lengths in the room are metres, depths and gaps millimetres in the file; the records hold
metres. Whether a piece fits where it is put is geometry, and told by
`raysim.geometry.furnish`; what can be seen in the text alone is told here.
"""

from collections.abc import Collection, Mapping
from dataclasses import dataclass

from raysim.scene.materials import material_or_complain
from raysim.scene.model import Material
from raysim.scene.names import Names
from raysim.scene.plan import FIXINGS, Item, Layout, State, Treatment
from raysim.scene.table import Table, nearest
from raysim.scene.treatments import FLAT_FAMILIES, read_mm

#: Names that commands and result files use for something else.
RESERVED_NAMES = ("as described", "all")

_CORNER_FAMILIES = ("corner panel", "corner stack")
_SIZE_M = (0.02, 20.0)
_FAR_M = 50.0
_MOST_PIECES = 500
_DEPTH_WITHIN_M = 1e-6


@dataclass(frozen=True, slots=True)
class Around:
    """What layouts may name. None: not known for sure, because of another mistake."""

    treatments: dict[str, Treatment]
    spoilt: Collection[str]  # names of treatments that have a mistake
    surfaces: Collection[str] | None  # of the room
    parts: Collection[str] | None  # things and patches
    patches: Collection[str] | None
    taken: Collection[str]  # every name of a surface, patch or thing


def read_layouts(outer: Table, around: Around) -> tuple[tuple[Layout, ...], bool]:
    """Read all ``[[layout]]``.

    Returns
    -------
    tuple of Layout
        Without layouts and items that have a mistake.
    bool
        Whether none is missing.
    """
    names = Names("a layout")
    tables = outer.tables("layout")
    read = [_read_layout(table, around, names) for table in tables]
    layouts = tuple(layout for layout in read if layout is not None)
    n_item = sum(table.length("item") or 0 for table in tables)
    return layouts, n_item == sum(len(layout.items) for layout in layouts)


def _read_layout(table: Table, around: Around, names: Names) -> Layout | None:
    name = _read_own_name(table, names)
    about = table.text("about") or ""
    item_names = Names("in this layout an item")
    read = [_read_item(t, around, item_names) for t in table.tables("item")]
    without = table.texts("without") or ()
    complain_unknown(table, "without", without, around.parts, "thing or patch")
    table.close()
    items = tuple(item for item in read if item is not None)
    return None if name is None else Layout(name, about, items, without, table.place())


def _read_own_name(table: Table, names: Names) -> str | None:
    """Give the name of a layout or state, which commands and result files go by."""
    name = table.name()
    if name is None:
        return None
    if name in RESERVED_NAMES or "," in name:
        wrong = f'"{name}" cannot be the name of a layout or state.'
        fix = 'Use no comma, and neither "as described" nor "all": these mean something else.'
        table.complain("name", wrong, fix, "RS-S12")
        return None
    names.add(name, table, "name")
    return name


def complain_unknown(
    table: Table, key: str, given: Collection[str], known: Collection[str] | None, kind: str
) -> None:
    """Complain about names in a list that nothing of a kind has; None knows all."""
    for i, name in enumerate(given):
        if known is not None and name not in known:
            wrong = f'there is no {kind} "{name}".'
            table.complain(key, wrong, nearest(name, known), "RS-T05", i)


def _read_item(table: Table, around: Around, names: Names) -> Item | None:
    """Read one ``[[layout.item]]``."""
    name = table.name()
    treatment = _read_treatment_name(table, around)
    on = _read_surface(table, "on", around, required=True)
    corner = _read_surface(table, "corner", around)
    family = treatment.family if treatment is not None else ""
    across = family in _CORNER_FAMILIES or (not family and table.has("corner"))
    from_m = _read_from(table, around, on, corner, across)
    count = _read_count(table)
    size_m = _read_size(table, treatment, count)
    gap_mm = read_mm(table, "gap_mm", 1000.0)
    depth_m = _read_depth(table, treatment)
    turn_deg = table.number("turn_deg", -360.0, 360.0, "degrees")
    fixing = _read_fixing(table, treatment)
    drawn_aside = table.flag("drawn_aside") or False
    table.close()
    if name is not None and names.add(name, table, "name") and name in around.taken:
        wrong = f'the room has a surface, patch or thing "{name}" already.'
        table.complain("name", wrong, "Give the item a name of its own.", "RS-S05")
    if treatment is not None:
        _check_family(table, treatment)
    if name is None or treatment is None or on is None or size_m is None:
        return None
    if from_m is None or depth_m is None or count is None:
        return None
    return Item(
        name, treatment, on, from_m, size_m, (gap_mm or 0.0) / 1000.0, depth_m,
        turn_deg or 0.0, fixing or treatment.fixings[0], count[0] * count[1], corner or "",
        drawn_aside, table.place(), count,
    )  # fmt: skip


def _read_treatment_name(table: Table, around: Around) -> Treatment | None:
    name = table.text("treatment", required=True)
    if name is None:
        return None
    if name not in around.treatments and name not in around.spoilt:
        hint = f"{nearest(name, around.treatments)} `raysim treatments` lists all."
        table.complain("treatment", f'there is no treatment "{name}".', hint, "RS-T01")
    return around.treatments.get(name)


def _read_surface(table: Table, key: str, around: Around, required: bool = False) -> str | None:
    name = table.text(key, required)
    if name is not None and around.surfaces is not None and name not in around.surfaces:
        wrong = f'the room has no surface "{name}".'
        table.complain(key, wrong, nearest(name, around.surfaces), "RS-S06")
        return None
    return name


def _read_from(
    table: Table, around: Around, on: str | None, corner: str | None, across: bool
) -> tuple[tuple[str, float], ...] | None:
    """Read ``from_m``: how far from which surfaces; across a corner one distance says where.

    That a corner is missing, or given in vain, is told by `_check_family`.
    """
    inside = table.table("from_m", required=True)
    if inside is None:
        return None
    pairs, n_given = [], 0
    for surface in inside:
        n_given += 1
        distance_m = inside.number(surface, 0.0, _FAR_M, "m")
        if around.surfaces is not None and surface not in around.surfaces:
            wrong = f'the room has no surface "{surface}".'
            inside.complain(surface, wrong, nearest(surface, around.surfaces), "RS-S06")
        elif surface == on:
            wrong = f'it is on "{on}" and measured from the same.'
            fix = "Measure from surfaces that meet it."
            inside.complain(surface, wrong, fix, "RS-T03")
        elif distance_m is not None:
            pairs.append((surface, distance_m))
    n_wanted = 1 if across else 2
    if n_given != n_wanted and (across == table.has("corner")):
        wrong = f'"from_m" has {n_given or "no"} distance{"" if n_given == 1 else "s"}.'
        fix = 'Give two from surfaces that meet it: {floor = 0.7, "south wall" = 1.2}.'
        if across:
            fix = "Give one in a corner, from the surface at its end: {floor = 0.1}."
        table.complain("from_m", wrong, fix, "RS-T03")
        return None
    if corner is not None and corner == on:
        wrong = f'its corner is of "{on}" with itself.'
        table.complain("corner", wrong, "Name the other surface of the corner.", "RS-T03")
        return None
    return tuple(pairs) if len(pairs) == n_given else None


def _read_count(table: Table) -> tuple[int, int] | None:
    """Read ``count``: pieces along the two sides of the item, edge to edge."""
    if not table.has("count"):
        return (1, 1)
    row = table.numbers("count", 2, 1.0, _MOST_PIECES)
    if row is None:
        return None
    if row[0] != int(row[0]) or row[1] != int(row[1]) or row[0] * row[1] > _MOST_PIECES:
        wrong = f'"count" is [{row[0]:g}, {row[1]:g}].'
        fix = f"Give whole numbers of pieces along and up, {_MOST_PIECES} in all at most."
        table.complain("count", wrong, fix, "RS-S07")
        return None
    return int(row[0]), int(row[1])


def _read_size(
    table: Table, treatment: Treatment | None, count: tuple[int, int] | None
) -> tuple[float, float] | None:
    """Give width and height of all pieces together."""
    hint = f"Give metres, {_SIZE_M[0]:g} to {_SIZE_M[1]:g}: 1.2 for 1200 millimetres."
    row = table.numbers("size_m", 2, *_SIZE_M, hint=hint)
    upright = table.flag("upright") or False
    if table.has("size_m") and table.has("count"):
        wrong = 'it has both "size_m" and "count".'
        fix = "Give the size of it all, or how many pieces it is made of."
        table.complain("count", wrong, fix, "RS-S10")
        return None
    if table.has("size_m") and table.has("upright"):
        wrong = 'it has both "size_m" and "upright".'
        fix = "Give the size as it hangs: along, then up."
        table.complain("upright", wrong, fix, "RS-S10")
        return None
    if table.has("size_m"):
        return None if row is None else (row[0], row[1])
    if treatment is None or count is None:
        return None
    if treatment.size_m is None:
        wrong = f'"{treatment.name}" has no size of its own.'
        table.complain(None, wrong, "Give size_m = [along, up] in metres.", "RS-S03")
        return None
    along, up = treatment.size_m[::-1] if upright else treatment.size_m
    return along * count[0], up * count[1]


def _read_depth(table: Table, treatment: Treatment | None) -> float | None:
    depth_mm = read_mm(table, "depth_mm", 2000.0)
    if treatment is None or (depth_mm is None and table.has("depth_mm")):
        return None
    if depth_mm is None:
        return treatment.depth_m
    layers_m = treatment.stack.depth_m if treatment.stack is not None else 0.0
    if depth_mm / 1000.0 < layers_m - _DEPTH_WITHIN_M:
        wrong = f'"depth_mm" is {depth_mm:g}, but its layers are {1000.0 * layers_m:g} mm.'
        fix = "Choose a thinner treatment, or define one in [treatment.NAME]."
        table.complain("depth_mm", wrong, fix, "RS-T02")
        return None
    return depth_mm / 1000.0


def _read_fixing(table: Table, treatment: Treatment | None) -> str | None:
    fixing = table.word("fixing", FIXINGS)
    if fixing is not None and treatment is not None and fixing not in treatment.fixings:
        wrong = f'"{treatment.name}" cannot be {fixing}.'
        table.complain("fixing", wrong, nearest(fixing, treatment.fixings), "RS-T02")
        return None
    return fixing


def _check_family(table: Table, treatment: Treatment) -> None:
    """Complain about keys that mean nothing for a family, and those it needs."""
    family = treatment.family
    is_flat = family in (*FLAT_FAMILIES, "foam")
    refused = {
        "gap_mm": is_flat,
        "depth_mm": family in FLAT_FAMILIES,
        "turn_deg": family in _CORNER_FAMILIES,
        "corner": family not in _CORNER_FAMILIES,
        "drawn_aside": family != "curtain",
    }
    for key in refused:
        if refused[key] and table.has(key):
            wrong = f'"{key}" has no meaning for "{treatment.name}", a {family}.'
            table.complain(key, wrong, "Drop it, or choose another treatment.", "RS-T02")
    if family in _CORNER_FAMILIES and not table.has("corner"):
        wrong = f'"{treatment.name}" needs a corner.'
        table.complain(None, wrong, 'Give corner = "the other surface".', "RS-T02")


def read_states(
    outer: Table,
    around: Around,
    layouts: tuple[Layout, ...],
    whole: bool,
    materials: Mapping[str, Material],
) -> tuple[State, ...]:
    """Read all ``[[state]]``; not whole: items are missing, so unknown ones are let pass."""
    names = Names("a state")
    items = [item for layout in layouts for item in layout.items]
    curtains = {item.name for item in items if item.treatment.family == "curtain"}
    read = []
    for table in outer.tables("state"):
        name = _read_own_name(table, names)
        about = table.text("about") or ""
        drawn = table.texts("drawn_aside") or ()
        complain_unknown(table, "drawn_aside", drawn, curtains if whole else None, "curtain")
        without = table.texts("without") or ()
        known = None
        if whole and around.parts is not None:
            known = {*around.parts, *(item.name for item in items)}
        complain_unknown(table, "without", without, known, "thing, patch or item")
        material = _read_other_materials(table, around, materials)
        table.close()
        if name is not None:
            state = State(name, about, drawn, without, material, table.place())
            read.append(state)
    return tuple(read)


def _read_other_materials(
    table: Table, around: Around, materials: Mapping[str, Material]
) -> tuple[tuple[str, str], ...]:
    """Read ``material``: which patch is of what material in this state."""
    inside = table.table("material")
    found = []
    for patch in inside or ():
        if inside is None:
            break
        material = material_or_complain(inside, patch, materials)
        if around.patches is not None and patch not in around.patches:
            hint = nearest(patch, around.patches)
            inside.complain(patch, f'there is no patch "{patch}".', hint, "RS-T05")
        elif material is not None:
            found.append((patch, material))
    return tuple(found)
