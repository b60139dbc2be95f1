"""The catalogue of treatments: what can be put up, of what goods, with what cautions.

Files say millimetres, the records hold metres. Which families there are and how each is
fixed is common practice; the layers name their own sources where they have any.
"""

import math
from collections.abc import Collection, Mapping
from functools import cache
from pathlib import Path

from raysim.absorbers.layers import Stack
from raysim.errors import Complaint
from raysim.scene.layers import read_layers
from raysim.scene.materials import catalogue as materials_catalogue
from raysim.scene.materials import material_or_complain
from raysim.scene.model import Bands, Material
from raysim.scene.plan import FAMILIES, FIXINGS, PER, Amount, Treatment
from raysim.scene.table import Table, nearest
from raysim.scene.toml_file import read_table

TREATMENTS_PATH = Path(__file__).with_name("treatments.toml")

#: What a treatment may warn of; `raysim.planning.cautions` has the texts.
HAZARDS = (
    "foam", "cloth", "fibre", "overhead", "weight", "tipping", "floor", "heater", "escape",
    "detector", "damp", "drilling", "landlord", "air", "noise",
)  # fmt: skip

#: Lie on their surface and take up no room in it.
FLAT_FAMILIES = ("cover", "rug")

_KEY_OF_PER = {f"per_{per.replace(' ', '_')}": per for per in PER}
_SCATTERING_FLAT = 0.1
_DEPTH_WITHIN_M = 1e-6


def treatments_catalogue() -> dict[str, Treatment]:
    """Give the treatments that come along, by name.

    Examples
    --------
    >>> treatments_catalogue()["wool_panel_100"].size_m
    (1.2, 0.6)
    """
    return dict(_catalogue())


@cache
def _catalogue() -> dict[str, Treatment]:
    complaints: list[Complaint] = []
    found = read_table(TREATMENTS_PATH, complaints)
    known: dict[str, Treatment] = {}
    if found is not None:
        read_treatments(found[0], known, materials_catalogue(Bands()), complaints)
        found[0].close()
    if complaints:  # our own file, so not a user's mistake
        raise RuntimeError("\n".join(map(str, complaints)))
    return known


def read_treatments(
    outer: Table,
    known: dict[str, Treatment],
    materials: Mapping[str, Material],
    complaints: list[Complaint],
) -> tuple[list[tuple[Table, Treatment]], set[str]]:
    """Read all tables ``[treatment.NAME]`` of a file into ``known``.

    A name that is taken is a complaint, as for materials.

    Parameters
    ----------
    outer : Table
    known : dict of str to Treatment
        Grows.
    materials : dict of str to Material
    complaints : list of Complaint
        Where the table's complaints go.

    Returns
    -------
    list of (Table, Treatment)
        Those read, with their tables, for `check_goods`.
    set of str
        Names of those with a mistake, which are not read.
    """
    inside = outer.table("treatment")
    read, spoilt = [], set()
    for name in inside or ():
        before = len(complaints)
        entry = inside.table(name) if inside is not None else None
        if inside is None or entry is None or not inside.check_name(name, name):
            spoilt.add(name)
            continue
        treatment = _read_treatment(name, entry, materials)
        if name in known:
            wrong = f'the treatment "{name}" exists already, in {_short(known[name])}.'
            entry.complain(None, wrong, "Give this one another name.", "RS-S05")
        elif treatment is None or len(complaints) > before:
            spoilt.add(name)
        else:
            known[name] = treatment
            read.append((entry, treatment))
    return read, spoilt


def check_goods(read: list[tuple[Table, Treatment]], goods: Collection[str]) -> None:
    """Complain about goods of treatments that no price file has."""
    for entry, treatment in read:
        inside = entry.table("goods")
        for good in dict.fromkeys(amount.good for amount in treatment.goods):
            if good not in goods and inside is not None:
                wrong = f'no price file has "{good}".'
                inside.complain(good, wrong, nearest(good, goods), "RS-T04")


def _short(treatment: Treatment) -> str:
    if treatment.place.file == str(TREATMENTS_PATH):
        return "the catalogue"
    return str(treatment.place)


def _read_treatment(
    name: str, entry: Table, materials: Mapping[str, Material]
) -> Treatment | None:
    family = entry.word("family", FAMILIES, required=True)
    about = entry.text("about", required=True)
    stack, material = _read_substance(entry, materials)
    depth_m = _read_depth(entry, family, stack)
    size_m = read_pair_mm(entry, "size_mm", 20.0, 10_000.0)
    two_sided = entry.flag("two_sided") or False
    goods = _read_goods(entry)
    fixings = _read_words(entry, "fixings", FIXINGS)
    cautions = _read_words(entry, "cautions", HAZARDS)
    leaves = entry.text("leaves", required=True)
    resists_fire = entry.flag("resists_fire") or False
    scattering = entry.number("scattering", 0.0, 1.0)
    source = entry.text("source") or "not stated"
    entry.close()
    if family is None or depth_m is None or (stack is None and material is None):
        return None
    if fixings == () and entry.has("fixings"):
        return None
    return Treatment(
        name, family, about or "", stack, material, size_m, depth_m, two_sided, goods,
        fixings or ("standing",), leaves or "", cautions, resists_fire,
        _SCATTERING_FLAT if scattering is None else scattering, source, entry.place(),
    )  # fmt: skip


def _read_substance(
    entry: Table, materials: Mapping[str, Material]
) -> tuple[Stack | None, str | None]:
    """Give the stack or the name of a tabled material: one of the two."""
    layers = read_layers(entry, "layers")
    local = entry.word("reaction", ("local", "extended"))
    material = material_or_complain(entry, "material", materials, required=False)
    if entry.has("layers") and entry.has("material"):
        wrong = 'it has both "layers" and "material".'
        entry.complain("material", wrong, "Give what it is made of once.", "RS-S10")
        return None, None
    if not entry.has("layers") and not entry.has("material"):
        wrong = "nothing says what it is made of."
        entry.complain(None, wrong, 'Give "layers", or "material", a tabled one.', "RS-S03")
    return None if layers is None else Stack(layers, local == "local"), material


def _read_depth(entry: Table, family: str | None, stack: Stack | None) -> float | None:
    """Give the depth of the piece: as stated, or else that of its layers."""
    depth_mm = read_mm(entry, "depth_mm", 2000.0)
    if family in FLAT_FAMILIES:
        if entry.has("depth_mm"):
            wrong = f'"depth_mm" has no meaning for a {family}, which takes up no room.'
            entry.complain("depth_mm", wrong, "Drop it.", "RS-T02")
        return 0.0
    layers_m = stack.depth_m if stack is not None else 0.0
    if depth_mm is None:
        if not entry.has("depth_mm") and stack is None and family is not None:
            entry.complain(None, '"depth_mm" is missing.', "Give millimetres.", "RS-S03")
        return layers_m or None
    if depth_mm / 1000.0 < layers_m - _DEPTH_WITHIN_M:
        wrong = f'"depth_mm" is {depth_mm:g}, and the layers are {1000.0 * layers_m:g} mm.'
        entry.complain("depth_mm", wrong, "Let the layers fit into the piece.", "RS-T02")
        return None
    return depth_mm / 1000.0


def _read_goods(entry: Table) -> tuple[Amount, ...]:
    """Read ``goods``: of each good how much per piece, metre, area, volume."""
    inside = entry.table("goods")
    amounts = []
    for good in inside or ():
        table = inside.table(good) if inside is not None else None
        if table is None:
            continue
        given = [key for key in _KEY_OF_PER if table.has(key)]
        for key, per in _KEY_OF_PER.items():
            quantity = table.number(key, 0.0, 1e4)
            if quantity is not None:
                amounts.append(Amount(good, quantity, per))
        table.close()
        if not given:
            wrong = f'nothing says how much of "{good}" it takes.'
            fix = f"Give one of {', '.join(_KEY_OF_PER)}."
            table.complain(None, wrong, fix, "RS-S03")
    return tuple(amounts)


def _read_words(entry: Table, key: str, known: tuple[str, ...]) -> tuple[str, ...]:
    words = entry.texts(key) or ()
    for i, word in enumerate(words):
        if word not in known:
            wrong = f'"{key}" has "{word}", which is not known.'
            entry.complain(key, wrong, nearest(word, known), "RS-S08", i)
    return tuple(word for word in words if word in known)


def read_mm(table: Table, key: str, high_mm: float) -> float | None:
    """Give a length in millimetres from 0 up, or complain if it is in metres.

    A fraction of a millimetre is never meant: 0.1 is a tenth of a metre.
    """
    value = table.number(key, 0.0, high_mm, "mm", hint=_hint_mm(0.0, high_mm))
    if value is not None and 0.0 < value < 1.0:
        fix = f"Give millimetres: {1000.0 * value:g}?"
        table.complain(key, f'"{key}" is {value:g}.', fix, "RS-S07")
        return None
    return value


def read_pair_mm(
    table: Table, key: str, low_mm: float, high_mm: float
) -> tuple[float, float] | None:
    """Give a width and height in metres from a pair of millimetres."""
    pair = table.numbers(key, 2, low_mm, high_mm, hint=_hint_mm(low_mm, high_mm))
    return None if pair is None else (pair[0] / 1000.0, pair[1] / 1000.0)


def _hint_mm(low_mm: float, high_mm: float) -> str:
    least = f"{low_mm:g}" if math.isfinite(low_mm) else "0"
    return f"Give millimetres, {least} to {high_mm:g}: 100 for 10 cm."
