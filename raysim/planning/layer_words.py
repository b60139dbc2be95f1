"""Layers as a person types them: "wool 100 mm 10000", "air 50 mm", from the room to the wall.

One word for the kind, then its numbers with units, in any order: lengths in mm, cm or m,
masses in g or kg (per m2), densities in kg/m3; a number without a unit is a length in mm
the first time, then a flow resistivity (Pa s/m2) or resistance (Pa s/m). "10k" is 10 000,
"5000-20000" a range. The words become the same list of layers as in a file and are checked
as one (`raysim.scene.layers`).
"""

import math
import re
import tomllib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Final

from raysim.absorbers.layers import Stack
from raysim.absorbers.resistivity import range_from_density
from raysim.errors import Complaint, SettingsError
from raysim.scene.layers import read_layers
from raysim.scene.lines import KeyLines
from raysim.scene.table import Table, nearest


@dataclass(frozen=True, slots=True)
class _Kind:
    """What a word stands for in a file, and where its numbers go, in order."""

    kind: str
    lengths: tuple[str, ...] = ()
    mass: str = ""
    number: str = ""  # of what has no unit, or Pa s
    usual: tuple[float, float, float] | None = None  # flow resistivity if none is said


_WOOL: Final = _Kind(
    "porous", ("thickness_mm",), number="resistivity_pa_s_m2", usual=(5e3, 1e4, 2e4)
)
_FELT: Final = _Kind(
    "porous", ("thickness_mm",), number="resistivity_pa_s_m2", usual=(8e3, 1.5e4, 3e4)
)
_FOAM: Final = _Kind(
    "porous", ("thickness_mm",), number="resistivity_pa_s_m2", usual=(4e3, 8e3, 1.5e4)
)
_AIR: Final = _Kind("air", ("thickness_mm",))
_CLOTH: Final = _Kind("cloth", mass="mass_kg_m2", number="resistance_pa_s_m")
_FOIL: Final = _Kind("foil", mass="mass_kg_m2")
_BOARD: Final = _Kind("membrane", mass="mass_kg_m2", number="loss_pa_s_m")
_HOLES: Final = _Kind(
    "holes", ("thickness_mm", "diameter_mm", "spacing_mm"), number="resistance_pa_s_m"
)
_SLATS: Final = _Kind(
    "slots", ("thickness_mm", "slot_mm", "spacing_mm"), number="resistance_pa_s_m"
)

#: Flow resistivities where none is said: common practice, no source.
KINDS: Final = {
    "wool": _WOOL, "slab": _WOOL, "porous": _WOOL, "felt": _FELT, "foam": _FOAM,
    "air": _AIR, "gap": _AIR, "cloth": _CLOTH, "fabric": _CLOTH, "foil": _FOIL,
    "film": _FOIL, "membrane": _BOARD, "board": _BOARD, "holes": _HOLES,
    "perforated": _HOLES, "slats": _SLATS, "slots": _SLATS,
}  # fmt: skip

_FORMS: Final = (
    '"wool 100 mm 10000", "air 50 mm", "cloth 200", "foil 0.2 kg", "board 8 kg", '
    '"holes 6 mm 5 mm 20 mm", "slats 18 mm 15 mm 60 mm"'
)
_NUMBER: Final = r"(?:\d+(?:\.\d+)?|\.\d+)k?"
_TOKEN: Final = re.compile(
    rf"({_NUMBER}(?:\s*(?:-|\.\.|/|–)\s*{_NUMBER}){{0,2}})\s*"
    r"(kg/m3|kg/m³|kg/m2|kg/m²|g/m2|g/m²|kg|g|mm|cm|m|Pa(?:\s?s(?:/m[23²³]?)?)?)?(?![\w.])"
)
_TO_MM: Final = {"mm": 1.0, "cm": 10.0, "m": 1000.0}


@dataclass(frozen=True, slots=True)
class Typed:
    """A stack as typed, and what was assumed for what was not said."""

    stack: Stack
    assumed: tuple[str, ...]


def is_layer(words: str) -> bool:
    """Tell if words describe a layer rather than name a material: they hold a number apart.

    Examples
    --------
    >>> is_layer("wool 100 mm"), is_layer("rock_wool_100")
    (True, False)
    """
    return bool(re.search(r"(^|\s)\d", words))


def split(words: Sequence[str]) -> list[str]:
    """Take layers apart that were typed as one text, with + or ; between.

    Words that lost their quotation marks, one number or word each, are put together again.

    Examples
    --------
    >>> split(["wool", "100", "mm", "air", "50"])
    ['wool 100 mm', 'air 50']
    """
    if len(words) > 1 and words[0].lower() in KINDS and not any(" " in w for w in words):
        starts = [i for i, w in enumerate(words) if w.lower() in KINDS or w in "+;"]
        ends = [*starts[1:], len(words)]
        words = [" ".join(words[a:b]) for a, b in zip(starts, ends, strict=True)]
    return [part.strip() for text in words for part in re.split(r"[+;]", text) if part.strip()]


def typed_stack(words: Sequence[str]) -> Typed:
    """Make a stack of layers as typed.

    Parameters
    ----------
    words : sequence of str
        One text per layer, the room's side first.

    Returns
    -------
    Typed

    Raises
    ------
    SettingsError
        RS-M20: words that make no layer; RS-M05, RS-S03 and RS-S07 as in a file: all at once.
    """
    complaints: list[Complaint] = []
    lines, assumed = ["layers = ["], []
    for text in words:
        found = _parse(text, complaints)
        if found is None:
            continue
        entry, said = found
        keys = ", ".join(f"{key} = {value}" for key, value in entry.items())
        lines.append(f"{{{keys}}},")
        assumed += said
    if complaints:
        raise SettingsError(complaints)
    source = "\n".join([*lines, "]"])
    table = Table(tomllib.loads(source), "layer", KeyLines(source), complaints)
    layers = read_layers(table)
    if complaints or layers is None:
        raise SettingsError([_named(c, words) for c in complaints])
    return Typed(Stack(layers), tuple(assumed))


def _named(complaint: Complaint, words: Sequence[str]) -> Complaint:
    """Say which words a complaint is about, where a file would have a line."""
    line = int(complaint.where.rpartition(":")[2])
    where = f'"{words[line - 2]}"' if 2 <= line < len(words) + 2 else "layers"
    return Complaint(where, complaint.wrong, complaint.fix, complaint.code)


def _parse(text: str, complaints: list[Complaint]) -> tuple[dict[str, str], list[str]] | None:
    """Give the keys of one layer as a file would have them, or complain."""
    word, _, rest = text.strip().partition(" ")
    kind = KINDS.get(word.lower())
    if kind is None:
        fix = f"{nearest(word.lower(), KINDS)} For example: {_FORMS}."
        complaints.append(
            Complaint(f'"{text}"', f'"{word}" is no kind of layer.', fix, "RS-M20")
        )
        return None
    rest = re.sub(r"(?<=\d),(?=\d)", ".", rest)
    leftover = _TOKEN.sub("", rest).strip(" ,")
    entry: dict[str, str] = {"kind": f'"{kind.kind}"'}
    lengths = iter(kind.lengths)
    wrong = f'"{leftover}" is not understood.' if leftover else ""
    for number, unit in _TOKEN.findall(rest):
        values = [_value(v) for v in re.findall(_NUMBER, number)]
        key = _place(kind, unit, lengths)
        if key is None or key in entry:
            wrong = f'there is no use for "{number}{" " if unit else ""}{unit}" here.'
            break
        factor = _TO_MM.get(unit, 0.001 if unit in ("g", "g/m2", "g/m²") else 1.0)
        entry[key] = _written(key, [factor * v for v in values])
    if wrong:
        fix = f"Lengths are in mm, cm or m, masses in kg or g. For example: {_FORMS}."
        complaints.append(Complaint(f'"{text}"', wrong, fix, "RS-M20"))
        return None
    return entry, _assume(kind, word.lower(), entry)


def _place(kind: _Kind, unit: str, lengths: Iterator[str]) -> str | None:
    """Say which key a number belongs to, by its unit or else by what is still open."""
    if unit in _TO_MM:
        return next(lengths, None)
    if unit in ("kg/m3", "kg/m³"):
        return "density_kg_m3" if kind.kind == "porous" else None
    if unit in ("kg", "g", "kg/m2", "kg/m²", "g/m2", "g/m²"):
        return kind.mass or None
    if not unit:
        if (key := next(lengths, None)) is not None:
            return key
        if kind.mass and not kind.number:
            return kind.mass
    return kind.number or None


def _value(text: str) -> float:
    return 1000.0 * float(text[:-1]) if text.endswith("k") else float(text)


def _written(key: str, values: list[float]) -> str:
    """Write one number, or a range of two or three as low, likely, high."""
    if len(values) == 2 and key == "resistivity_pa_s_m2":
        values.insert(1, math.sqrt(values[0] * values[1]))
    shown = [f"{v:.10g}" for v in values]
    return shown[0] if len(shown) == 1 else f"[{', '.join(shown)}]"


def _assume(kind: _Kind, word: str, entry: dict[str, str]) -> list[str]:
    """Fill in a flow resistivity that was not said; say what was assumed."""
    key = "resistivity_pa_s_m2"
    if kind.usual is None or key in entry:
        return []
    if "density_kg_m3" in entry and word in ("wool", "slab"):
        usual = tuple(range_from_density(float(entry["density_kg_m3"])))
        why = "from its density, as of glass wool of unknown fibre"
    else:
        usual, why = kind.usual, "common practice, no source"
    low, likely, high = (float(f"{v:.2g}") for v in usual)
    entry[key] = _written(key, [low, likely, high])
    return [
        f"{word}: flow resistivity {likely:.0f} Pa s/m2 ({low:.0f} to {high:.0f}), {why}; ask "
        "the maker."
    ]
