"""What ``raysim unknowns`` prints: which doubts move the answer most, and what to check."""

from rich.box import SIMPLE
from rich.console import Group, RenderableType
from rich.table import Table
from rich.text import Text

from raysim.errors import figure
from raysim.planning.unknowns import GROUPS, Unknowns
from raysim.report.numbers import amount
from raysim.units import OCTAVE_LABELS

#: As many are worth a walk through the room.
_N_TO_CHECK = 3
#: Less than this share of the decay time is not worth one.
_SMALL = 0.02


def unknowns_page(found: Unknowns) -> RenderableType:
    """Give the ranking and the range of all together, to print with rich."""
    parts: list[RenderableType] = [_ranking(found), Text(_advice(found)), _together(found)]
    small = [one.name for one in found.ranked if one.moves.max() < _SMALL]
    if small:
        parts.append(Text("Hardly matters here: " + ", ".join(small) + "."))
    if found.unstated:
        parts.append(Text(
            "No spread is stated for " + ", ".join(found.unstated) + ". They count as known "
            "here, which they are not: give alpha_low and alpha_high."
        ))  # fmt: skip
    parts.append(Text(
        "Decay by Eyring's formula, for a diffuse room: a hint only where single modes rule. "
        "Scattering is left as it is. Each unknown runs through all bands from low to high at "
        "once; together they are drawn 400 times, independently, from triangular distributions."
    ))  # fmt: skip
    return Group(*parts)


def _ranking(found: Unknowns) -> RenderableType:
    table = Table(
        box=SIMPLE, pad_edge=False, show_edge=False, title_justify="left",
        title="These unknowns move your answer most (s, most to least absorbing)",
    )  # fmt: skip
    table.add_column("unknown")
    table.add_column("m2", justify="right", no_wrap=True)
    for name in GROUPS:
        table.add_column(name, justify="right", no_wrap=True)
    for one in found.ranked:
        if one.moves.max() < _SMALL:
            continue
        cells = [
            _span(float(a), float(b) if moves >= _SMALL else float(a))
            for a, b, moves in zip(
                one.most_absorbing_s, one.least_absorbing_s, one.moves, strict=True
            )
        ]
        area = figure(one.area_m2) if one.area_m2 else ""
        table.add_row(one.name, area, *cells)
    return table


def _advice(found: Unknowns) -> str:
    lines = ["Go and check them:"]
    worth = [one for one in found.ranked if one.moves.max() >= _SMALL] or found.ranked[:1]
    for i, one in enumerate(worth[:_N_TO_CHECK], 1):
        where = f" ({', '.join(one.where[:4])}{' ...' if len(one.where) > 4 else ''})"
        lines.append(f"  {i}. {one.name}{where if one.where else ''}: {one.look_for}")
    return "\n" + "\n".join(lines) + "\n"


def _together(found: Unknowns) -> RenderableType:
    table = Table(
        box=SIMPLE, pad_edge=False, show_edge=False, title_justify="left",
        title="All unknowns together: decay time, s, that 9 of 10 draws lie between",
    )  # fmt: skip
    table.add_column("")
    octaves = [i for i, x in enumerate(found.labels) if x in OCTAVE_LABELS]
    for i in octaves:
        table.add_column(found.labels[i], justify="right", no_wrap=True)
    first = found.ranked[0].name
    rows = (
        ("likely", found.likely_s, found.likely_s),
        ("all unknown", found.low_s, found.high_s),
        (f"{first} known", found.first_known_low_s, found.first_known_high_s),
    )
    for name, low, high in rows:
        table.add_row(name, *(_span(float(low[i]), float(high[i])) for i in octaves))
    return table


def _span(low_s: float, high_s: float) -> str:
    """Give two times with a dash, or one where both print alike."""
    low, high = amount(low_s, 0.01), amount(high_s, 0.01)
    return low if low == high else f"{low}-{high}"
