"""Materials: the catalogue of common room surfaces, and a user's own.

``alpha`` is the likely absorption coefficient; ``alpha_low`` and ``alpha_high`` are
the spread of published tables, or a guess that says it is one. Absent in a user's
material, both are the likely value: no spread stated, none shown. Lists of six are
125 Hz to 4 kHz, lists of eight 63 Hz to 8 kHz (`bandwise.py`). Sources: each entry
of ``materials.toml`` names its own.
"""

import re
from collections.abc import Iterable
from difflib import get_close_matches
from functools import cache
from pathlib import Path
from types import MappingProxyType

import numpy as np

from raysim.errors import Complaint
from raysim.scene.bandwise import N_OCTAVE, N_PRINTED, per_band
from raysim.scene.model import Bands, Material
from raysim.scene.table import Table, nearest
from raysim.scene.toml_file import read_table
from raysim.units import Float

CATALOGUE_PATH = Path(__file__).with_name("materials.toml")

#: Of a flat surface; common practice, no source.
_SCATTERING_FLAT = 0.1


def catalogue(bands: Bands) -> dict[str, Material]:
    """Give the built-in materials by name.

    Examples
    --------
    >>> catalogue(Bands())["wood_floor_on_joists"].alpha
    array([0.15, 0.15, 0.11, 0.1 , 0.07, 0.06, 0.07, 0.07])
    """
    return dict(_catalogue(bands))


@cache
def _catalogue(bands: Bands) -> MappingProxyType[str, Material]:
    complaints: list[Complaint] = []
    found = read_table(CATALOGUE_PATH, complaints)
    materials: dict[str, Material] = {}
    if found is not None:
        read_materials(found[0], bands, materials)
        found[0].close()
    if complaints:  # our own file, so not a user's mistake
        raise RuntimeError("\n".join(map(str, complaints)))
    return MappingProxyType(materials)


def read_materials(outer: Table, bands: Bands, known: dict[str, Material]) -> None:
    """Read all tables ``[material.name]`` of a file into ``known``.

    A name that is taken, by the catalogue or another file, is a complaint: a table
    that quietly replaced another would make two scenes with one text differ.
    """
    inside = outer.table("material")
    if inside is None:
        return
    for name in inside:
        entry = inside.table(name)
        if entry is None or not inside.check_name(name, name):
            continue
        material = _read_material(name, entry, bands)
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


def _short(material: Material) -> str:
    if material.place.file == str(CATALOGUE_PATH):
        return "the catalogue"
    return str(material.place)


def _read_material(name: str, entry: Table, bands: Bands) -> Material:
    """Read one material; where a value is wrong a harmless one stands in for it."""
    likely = _coefficients(entry, "alpha", required=True)
    low = _coefficients(entry, "alpha_low")
    high = _coefficients(entry, "alpha_high")
    scattering = _coefficients(entry, "scattering")
    if likely is None:
        likely = np.full(N_OCTAVE, 0.1)
    else:
        _check_order(entry, low, likely, high)
    return Material(
        name=name,
        alpha=per_band(likely, bands),
        alpha_low=per_band(likely if low is None else low, bands),
        alpha_high=per_band(likely if high is None else high, bands),
        scattering=per_band(
            np.array([_SCATTERING_FLAT]) if scattering is None else scattering, bands
        ),
        source=entry.text("source") or "not stated",
        note=entry.text("note") or "",
        place=entry.place(),
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
    table: Table, key: str, known: dict[str, Material], required: bool = True
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
