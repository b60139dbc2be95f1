"""Zones to keep clear and the rules of whoever owns the room, as a scene file gives them.

Lengths are metres; a floor load is given in kPa and held in Pa.
"""

from raysim.scene.layouts import Around, complain_unknown
from raysim.scene.names import Names
from raysim.scene.plan import ZONE_KINDS, Rules, Zone
from raysim.scene.table import Table, nearest

_PA_PER_KPA = 1000.0
_ANYWHERE_M = 1000.0


def read_zones(outer: Table, around: Around) -> tuple[Zone, ...]:
    """Read all ``[[zone]]``."""
    names = Names("a zone")
    read = [_read_zone(table, around, names) for table in outer.tables("zone")]
    return tuple(zone for zone in read if zone is not None)


def _read_zone(table: Table, around: Around, names: Names) -> Zone | None:
    name = table.name()
    kind = table.word("kind", ZONE_KINDS, required=True)
    part = table.text("around")
    at_m = table.numbers("at_m", 3, -_ANYWHERE_M, _ANYWHERE_M)
    box_m = _read_box(table)
    clear_m = table.number("clear_m", 0.0, 20.0, "m")
    table.close()
    if name is not None:
        names.add(name, table, "name")
    if part is not None and around.parts is not None and part not in around.parts:
        wrong = f'there is no thing or patch "{part}".'
        table.complain("around", wrong, nearest(part, around.parts), "RS-T05")
    given = [key for key in ("around", "at_m", "from_m") if table.has(key)]
    if not given and not table.has("to_m"):
        fix = 'Give "around", a thing or patch; or "at_m", a point; or "from_m" and "to_m".'
        table.complain(None, "nothing says where the zone is.", fix, "RS-S03")
        return None
    if len(given) > 1:
        wrong = f'it has both "{given[0]}" and "{given[1]}".'
        table.complain(given[1], wrong, "Say once where it is.", "RS-S10")
        return None
    if name is None or kind is None or (part is None and at_m is None and box_m is None):
        return None
    point = None if at_m is None else (at_m[0], at_m[1], at_m[2])
    return Zone(name, kind, part, point, box_m, clear_m, table.place())


def _read_box(
    table: Table,
) -> tuple[tuple[float, float, float], tuple[float, float, float]] | None:
    low = table.numbers("from_m", 3, -_ANYWHERE_M, _ANYWHERE_M, table.has("to_m"))
    high = table.numbers("to_m", 3, -_ANYWHERE_M, _ANYWHERE_M, table.has("from_m"))
    if low is None or high is None:
        return None
    for i, axis in enumerate("xyz"):
        if low[i] > high[i]:
            wrong = f"along {axis} the zone runs from {low[i]:g} to {high[i]:g}."
            table.complain("to_m", wrong, 'Let "to_m" hold the greater numbers.', "RS-S13")
            return None
    return (low[0], low[1], low[2]), (high[0], high[1], high[2])


def read_rules(outer: Table, around: Around) -> Rules:
    """Read ``[rules]``; nothing is limited if it is absent."""
    table = outer.table("rules")
    if table is None:
        return Rules()
    budget = table.number("budget", 0.0, 1e9, "in the currency of the prices")
    hung_kg_max = table.number("hung_kg_max", 0.1, 1000.0, "kg")
    hint = "Give kPa, 0.05 to 100: 0.5 is 50 kg on a square metre."
    load_kpa = table.number("floor_load_kpa", 0.05, 100.0, hint=hint)
    total_kg = table.number("floor_total_kg", 1.0, 1e6, "kg")
    no_screws = _read_surfaces(table, "no_screws", around)
    damp = _read_surfaces(table, "damp", around)
    keep_open = table.texts("keep_open") or ()
    complain_unknown(table, "keep_open", keep_open, around.patches, "patch")
    rules = Rules(
        budget=budget,
        hung_kg_max=hung_kg_max,
        floor_load_pa=None if load_kpa is None else load_kpa * _PA_PER_KPA,
        floor_total_kg=total_kg,
        no_screws=no_screws,
        no_glue=table.flag("no_glue") or False,
        damp=damp,
        fire_class=table.flag("fire_class") or False,
        nothing_overhead=table.flag("nothing_overhead") or False,
        keep_open=keep_open,
        place=table.place(),
    )
    table.close()
    return rules


def _read_surfaces(table: Table, key: str, around: Around) -> tuple[str, ...]:
    """Give names of surfaces; "*" alone is all of them."""
    names = table.texts(key) or ()
    if "*" in names and len(names) > 1:
        wrong = f'"{key}" has "*", all surfaces, and others besides.'
        table.complain(key, wrong, 'Give ["*"], or names.', "RS-S10")
    if around.surfaces is not None:
        for i, name in enumerate(names):
            if name != "*" and name not in around.surfaces:
                wrong = f'the room has no surface "{name}".'
                table.complain(key, wrong, nearest(name, around.surfaces), "RS-S06", i)
    return names
