"""Layers of an absorber as a TOML file lists them, from the room's side to the wall.

Files say millimetres, micrometres for pores, kg/m2 and Pa s; the records hold metres. A
flow resistivity is one number, or three: low, likely, high. Limits are wide bounds of
what is sold as felt, wool, foam, cloth, foil and board: common practice, no source.
"""

from collections.abc import Callable

from raysim.absorbers.layers import (
    POROUS_MODELS,
    AirGap,
    Holes,
    Layer,
    Membrane,
    Pores,
    Porous,
    Sheet,
    Slots,
)
from raysim.errors import figure
from raysim.scene.table import Table

#: Pa s/m2: from the loosest fill to the densest felt.
RESISTIVITY_PA_S_M2 = (500.0, 200_000.0)

_THICK_MM = (1.0, 1000.0)
_GAP_MM = (1.0, 3000.0)
_PLATE_MM = (0.1, 100.0)
_RESISTIVITY_HINT = (
    "Give Pa s/m2, {:g} to {:g}: 5000 to 40000 for most wool and foam, not 5 to 40."
)


def read_layers(table: Table, key: str = "layers") -> tuple[Layer, ...] | None:
    """Read a list of layers.

    Parameters
    ----------
    table : Table
        What holds the list.
    key : str

    Returns
    -------
    tuple of Layer, or None
        None if the list is absent or has a mistake, which is then noted.
    """
    if not table.has(key):
        return None
    entries = table.tables(key)
    if table.length(key) == 0:
        table.complain(key, f'"{key}" is empty.', "Give at least one layer.", "RS-S09")
    read = [_read_layer(entry) for entry in entries]
    layers = tuple(layer for layer in read if layer is not None)
    if not layers or len(layers) != table.length(key):
        return None
    return layers if _can_work(table, key, entries, layers) else None


def _read_layer(entry: Table) -> Layer | None:
    kind = entry.word("kind", tuple(_KINDS), required=True)
    if kind is None:  # what the other keys should be is not known either
        return None
    layer = _KINDS[kind](entry)
    entry.close()
    return layer


def _thickness_m(entry: Table, limits: tuple[float, float]) -> float | None:
    hint = f"Give {limits[0]:g} to {limits[1]:g} millimetres: 100 for a slab of 10 cm."
    return _metres(entry.number("thickness_mm", *limits, required=True, hint=hint))


def _metres(length_mm: float | None) -> float | None:
    return None if length_mm is None else length_mm / 1000.0


def _porous(entry: Table) -> Layer | None:
    thickness_m = _thickness_m(entry, _THICK_MM)
    resistivity = _resistivity(entry)
    model = entry.word("model", POROUS_MODELS)
    density = entry.number(
        "density_kg_m3", 2.0, 500.0, hint="Give kg/m3, 2 to 500: most wool has 10 to 100."
    )
    pores = _pores(entry)
    needs = "johnson-champoux-allard"
    if entry.has("pores") and model != needs and not (entry.has("model") and model is None):
        fix = f'Say model = "{needs}", or leave "pores" out.'
        entry.complain("pores", '"pores" are not used by this model.', fix, "RS-M05")
        return None
    if model == needs and not entry.has("pores"):
        fix = "Give pores = {porosity, tortuosity, viscous_length_um, thermal_length_um}."
        entry.complain("model", f'the model "{needs}" needs "pores".', fix, "RS-M05")
        return None
    if thickness_m is None or resistivity is None or (entry.has("pores") and pores is None):
        return None
    low, likely, high = resistivity
    return Porous(
        thickness_m, likely, model or POROUS_MODELS[0], low, high, density or 0.0, pores
    )


def _resistivity(entry: Table) -> tuple[float, float, float] | None:
    """Give low, likely and high flow resistivity; low and high are 0 if one is given."""
    key = "resistivity_pa_s_m2"
    hint = _RESISTIVITY_HINT.format(*RESISTIVITY_PA_S_M2)
    if not entry.has(key) or entry.holds_number(key):
        likely = entry.number(key, *RESISTIVITY_PA_S_M2, required=True, hint=hint)
        return None if likely is None else (0.0, likely, 0.0)
    row = entry.numbers(key, 3, *RESISTIVITY_PA_S_M2, required=True, hint=hint)
    if row is None:
        return None
    low, likely, high = row
    if not low <= likely <= high:
        shown = ", ".join(figure(v, 6) for v in row)
        fix = "Give low, likely and high in this order."
        entry.complain(key, f'"{key}" is [{shown}].', fix, "RS-M02")
        return None
    return low, likely, high


def _pores(entry: Table) -> Pores | None:
    inner = entry.table("pores")
    if inner is None:
        return None
    porosity = inner.number("porosity", 0.1, 1.0, required=True)
    tortuosity = inner.number("tortuosity", 1.0, 10.0, required=True)
    viscous_um = inner.number("viscous_length_um", 1.0, 5000.0, "micrometres", required=True)
    thermal_um = inner.number("thermal_length_um", 1.0, 5000.0, "micrometres", required=True)
    inner.close()
    if porosity is None or tortuosity is None or viscous_um is None or thermal_um is None:
        return None
    return Pores(porosity, tortuosity, viscous_um * 1e-6, thermal_um * 1e-6)


def _air(entry: Table) -> Layer | None:
    thickness_m = _thickness_m(entry, _GAP_MM)
    return None if thickness_m is None else AirGap(thickness_m)


def _cloth(entry: Table) -> Layer | None:
    hint = "Give Pa s/m, 1 to 10000: thin cloth that one breathes through easily has under 100."
    resistance = entry.number("resistance_pa_s_m", 1.0, 10_000.0, required=True, hint=hint)
    given = entry.has("mass_kg_m2")
    mass = _mass(entry, 0.01, 10.0, required=False)
    if resistance is None or (given and mass is None):
        return None
    return Sheet(mass or 0.0, resistance)


def _foil(entry: Table) -> Layer | None:
    mass = _mass(entry, 0.005, 10.0)
    return None if mass is None else Sheet(mass, None)


def _membrane(entry: Table) -> Layer | None:
    mass = _mass(entry, 0.1, 50.0)
    given = entry.has("loss_pa_s_m")
    loss = entry.number("loss_pa_s_m", 0.0, 10_000.0, "Pa s/m")
    if mass is None or (given and loss is None):
        return None
    return Membrane(mass, loss or 0.0)


def _mass(entry: Table, low: float, high: float, required: bool = True) -> float | None:
    hint = f"Give {low:g} to {high:g} kg per m2: 0.3 for cloth of 300 g/m2."
    return entry.number("mass_kg_m2", low, high, required=required, hint=hint)


def _plate(entry: Table, opening: str, limits_mm: tuple[float, float]) -> list[float] | None:
    """Give thickness, opening and spacing in m and resistance of a plate with openings."""
    hint = "Give millimetres, {:g} to {:g}."
    thickness_m = _thickness_m(entry, _PLATE_MM)
    open_m = _metres(
        entry.number(opening, *limits_mm, required=True, hint=hint.format(*limits_mm))
    )
    spacing_mm = (1.0, 1000.0)
    spacing_m = _metres(
        entry.number("spacing_mm", *spacing_mm, required=True, hint=hint.format(*spacing_mm))
    )
    given = entry.has("resistance_pa_s_m")
    resistance = entry.number("resistance_pa_s_m", 0.0, 10_000.0, "Pa s/m")
    if thickness_m is None or open_m is None or spacing_m is None:
        return None
    if given and resistance is None:
        return None
    if spacing_m <= open_m:
        wrong = f'"spacing_mm" is {1000 * spacing_m:g} and "{opening}" {1000 * open_m:g}.'
        fix = "Spacing is from middle to middle, so it is the larger of the two."
        entry.complain("spacing_mm", wrong, fix, "RS-M05")
        return None
    return [thickness_m, open_m, spacing_m, resistance or 0.0]


def _holes(entry: Table) -> Layer | None:
    row = _plate(entry, "diameter_mm", (0.05, 300.0))
    return None if row is None else Holes(*row)


def _slots(entry: Table) -> Layer | None:
    row = _plate(entry, "slot_mm", (0.05, 300.0))
    return None if row is None else Slots(*row)


_KINDS: dict[str, Callable[[Table], Layer | None]] = {
    "porous": _porous,
    "air": _air,
    "cloth": _cloth,
    "foil": _foil,
    "membrane": _membrane,
    "holes": _holes,
    "slots": _slots,
}


def _can_work(table: Table, key: str, entries: list[Table], layers: tuple[Layer, ...]) -> bool:
    """Complain about layers that can do nothing where they are."""
    if all(isinstance(layer, AirGap) for layer in layers):
        table.complain(key, "the layers are air alone.", "Give a layer that absorbs.", "RS-M05")
        return False
    if isinstance(layers[-1], Porous | AirGap):
        return True
    entries[-1].complain(
        "kind",
        "the last layer lies on the wall, with no room to move or to breathe.",
        'Put it first, or add {kind = "air", thickness_mm = 50} behind it.',
        "RS-M05",
    )
    return False
