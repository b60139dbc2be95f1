"""Materials: the catalogue of common room surfaces, and a user's own.

``alpha`` is the likely absorption coefficient; ``alpha_low`` and ``alpha_high`` are
the spread of published tables, or a guess that says it is one. Absent in a user's
material, both are the likely value: no spread stated, none shown. Lists of six are
125 Hz to 4 kHz, lists of eight 63 Hz to 8 kHz (`bandwise.py`). Instead of ``alpha`` a
material may list its layers; all three are then computed (`layered.py`). Sources: each
entry of ``materials.toml`` names its own.
"""

import re
from collections.abc import Iterable, Mapping, MutableMapping
from dataclasses import replace
from difflib import get_close_matches
from functools import cache
from pathlib import Path
from types import MappingProxyType

import numpy as np

from raysim.absorbers.layers import Stack
from raysim.errors import AbsorberError, Complaint
from raysim.scene.bandwise import N_OCTAVE, N_PRINTED, per_band
from raysim.scene.layered import Materials, before, completed, draft
from raysim.scene.layers import read_layers
from raysim.scene.model import Air, Bands, Material
from raysim.scene.table import Table, nearest
from raysim.scene.toml_file import read_table
from raysim.units import Float

CATALOGUE_PATH = Path(__file__).with_name("materials.toml")

#: Of a flat surface; common practice, no source.
_FLAT = np.array([0.1])
#: Absorption that stands in for a wrong one while further mistakes are looked for.
_STAND_IN = np.array([0.1])


#: Air of whoever asks without a scene.
_USUAL_AIR = Air()


def catalogue(bands: Bands, air: Air = _USUAL_AIR) -> Materials:
    """Give the built-in materials by name; what is made of layers is computed in ``air``.

    Examples
    --------
    >>> catalogue(Bands())["wood_floor_on_joists"].alpha
    array([0.15, 0.15, 0.11, 0.1 , 0.07, 0.06, 0.07, 0.07])
    """
    return Materials(_catalogue(bands), bands, air)


@cache
def _catalogue(bands: Bands) -> MappingProxyType[str, Material]:
    """Read the catalogue; those made of layers are drafts."""
    complaints: list[Complaint] = []
    found = read_table(CATALOGUE_PATH, complaints)
    materials: dict[str, Material] = {}
    if found is not None:
        read_materials(found[0], bands, materials, None)
        found[0].close()
    if complaints:  # our own file, so not a user's mistake
        raise RuntimeError("\n".join(map(str, complaints)))
    return MappingProxyType(materials)


def read_materials(
    outer: Table,
    bands: Bands,
    known: MutableMapping[str, Material],
    air: Air | None = _USUAL_AIR,
) -> None:
    """Read all tables ``[material.name]`` of a file into ``known``.

    A name that is taken, by the catalogue or another file, is a complaint: a table
    that quietly replaced another would make two scenes with one text differ.

    Parameters
    ----------
    outer : Table
        The outermost table of the file.
    bands : Bands
    known : dict of Material
        Grows by what is read.
    air : Air or None
        In which materials made of layers are computed; None leaves them drafts.
    """
    inside = outer.table("material")
    if inside is None:
        return
    covers: dict[str, Table] = {}
    for name in inside:
        entry = inside.table(name)
        if entry is None or not inside.check_name(name, name):
            continue
        material = _read_material(name, entry, bands)
        if air is not None:
            entry.allow("behind")
            material = _completed(material, entry, bands, air)
        entry.close()
        if name in known:
            entry.complain(
                None,
                f'the material "{name}" exists already, at {_short(known[name])}.',
                "Give this one another name.",
                "RS-S05",
            )
        else:
            known[name] = material
            if entry.has("behind"):
                covers[name] = entry
    _add_walls_behind(covers, known)


def _completed(material: Material, entry: Table, bands: Bands, air: Air) -> Material:
    """Compute what layers absorb, or complain of what cannot be computed."""
    try:
        return completed(material, bands, air)
    except AbsorberError as error:
        for c in error.complaints:
            entry.complain("layers", f"{c.where}: {c.wrong}", c.fix, c.code)
        return _tabled(material.name, _STAND_IN, None, None, material.scattering, bands)


def _add_walls_behind(covers: dict[str, Table], known: MutableMapping[str, Material]) -> None:
    """Let each cover keep what the wall it names absorbs, wherever the file has that."""
    for name, entry in covers.items():
        behind = material_or_complain(entry, "behind", known)
        if behind is None:
            continue
        if behind in covers or known[behind].behind_alpha is not None:
            wrong = f'"{behind}" has a wall behind it already.'
            entry.complain("behind", wrong, "Name the bare wall.", "RS-M04")
            continue
        known[name] = before(known[name], known[behind])


def _short(material: Material) -> str:
    if material.place.file == str(CATALOGUE_PATH):
        return "the catalogue"
    return str(material.place)


def _read_material(name: str, entry: Table, bands: Bands) -> Material:
    """Read one material; where a value is wrong a harmless one stands in for it."""
    scattered = _coefficients(entry, "scattering")
    scattering = per_band(_FLAT if scattered is None else scattered, bands)
    layers = read_layers(entry)
    reaction = entry.word("reaction", ("extended", "local"))
    if entry.has("layers"):
        _check_alone(entry)
        material = _tabled(name, _STAND_IN, None, None, scattering, bands)
        if layers is not None:
            material = draft(name, Stack(layers, local=reaction == "local"), scattering)
    else:
        if entry.has("reaction"):
            fix = 'Leave "reaction" out.'
            entry.complain("reaction", '"reaction" is of layers alone.', fix, "RS-M03")
        material = _read_tabled(name, entry, scattering, bands)
    return replace(
        material,
        source=entry.text("source") or material.source,
        note=entry.text("note") or "",
        place=entry.place(),
        density_kg_m3=entry.number("density_kg_m3", 1.0, 25_000.0, "kg/m3"),
        fire=entry.text("fire") or "",
        handling=entry.text("handling") or "",
    )


def _check_alone(entry: Table) -> None:
    """Complain about coefficients beside the layers from which they are computed."""
    for key in ("alpha", "alpha_low", "alpha_high"):
        entry.allow(key)
        if entry.has(key):
            wrong = f'"{key}" stands beside "layers", from which it is computed.'
            entry.complain(key, wrong, "Keep one of the two.", "RS-M03")


def _read_tabled(name: str, entry: Table, scattering: Float, bands: Bands) -> Material:
    likely = _coefficients(entry, "alpha", required=True)
    low = _coefficients(entry, "alpha_low")
    high = _coefficients(entry, "alpha_high")
    if likely is not None:
        _check_order(entry, low, likely, high)
    return _tabled(name, _STAND_IN if likely is None else likely, low, high, scattering, bands)


def _tabled(
    name: str, likely: Float, low: Float | None, high: Float | None,
    scattering: Float, bands: Bands,
) -> Material:  # fmt: skip
    """Give a material by its coefficients; a bound that is not stated is the likely value."""
    return Material(
        name=name,
        alpha=per_band(likely, bands),
        alpha_low=per_band(likely if low is None else low, bands),
        alpha_high=per_band(likely if high is None else high, bands),
        scattering=scattering,
        source="not stated",
    )


def _coefficients(entry: Table, key: str, required: bool = False) -> Float | None:
    """Give one number, six or eight, all 0 to 1."""
    if entry.holds_number(key):
        number = entry.number(key, 0.0, 1.0)
        return None if number is None else np.array([number])
    row = entry.numbers(key, (N_PRINTED, N_OCTAVE), 0.0, 1.0, required=required)
    return None if row is None else np.array(row)


def _check_order(entry: Table, low: Float | None, likely: Float, high: Float | None) -> None:
    octaves = Bands()
    middle = per_band(likely, octaves)
    for key, bound, sign in (("alpha_low", low, 1.0), ("alpha_high", high, -1.0)):
        if bound is None:
            continue
        wrong = np.flatnonzero(sign * (middle - per_band(bound, octaves)) < 0.0)
        if wrong.size:
            i = int(wrong[0])
            side = "above" if sign > 0 else "below"
            entry.complain(
                key,
                f'"{key}" is {per_band(bound, octaves)[i]:g} at {octaves.labels[i]} Hz, '
                f"{side} the likely {middle[i]:g}.",
                "The likely value lies between the low and the high one.",
                "RS-M02",
            )


def material_or_complain(
    table: Table, key: str, known: Mapping[str, Material], required: bool = True
) -> str | None:
    """Give the name of a known material, or complain with the nearest one."""
    name = table.text(key, required)
    if name is not None and name not in known:
        hint = f"{_nearest_material(name, known)} `raysim materials` lists all."
        table.complain(key, f'there is no material "{name}".', hint, "RS-M01")
        return None
    return name


def _nearest_material(name: str, known: Iterable[str]) -> str:
    """Say which material was perhaps meant: spelt nearly so, or with words in common.

    Examples
    --------
    >>> _nearest_material("wooden floor", ["painted_plaster", "wood_floor_on_joists"])
    'Did you mean "wood_floor_on_joists"?'
    >>> _nearest_material("wood_linnig", ["wood_floor_on_joists", "wood_lining"])
    'Did you mean "wood_lining"?'
    """
    known = list(known)
    if get_close_matches(name, known, n=1, cutoff=0.8):
        return nearest(name, known)
    asked = _words(name)
    shared = {k: sum(any(_kin(a, b) for b in _words(k)) for a in asked) for k in known}
    most = max(shared.values(), default=0)
    best = [f'"{k}"' for k, n in shared.items() if n == most][:4]
    if most == 0:
        return nearest(name, known)
    return f"Did you mean {' or '.join(filter(None, [', '.join(best[:-1]), best[-1]]))}?"


def _words(name: str) -> list[str]:
    return [w for w in re.split(r"[\W_]+", name.lower()) if len(w) > 2]


def _kin(one: str, other: str) -> bool:
    """Tell if two words are forms of one: wood and wooden, door and doors."""
    short, long = sorted((one, other), key=len)
    return len(short) > 3 and long.startswith(short)
