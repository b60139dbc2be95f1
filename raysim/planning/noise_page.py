"""What ``raysim noise`` prints: no, in numbers, and what would help instead."""

from typing import Final

from rich.box import SIMPLE
from rich.console import Group, RenderableType
from rich.table import Table
from rich.text import Text

from raysim.absorbers.insulation import coincidence_hz, with_opening_db
from raysim.errors import figure
from raysim.planning.cautions import CAUTIONS
from raysim.planning.noise import (
    LABELS,
    Blanket,
    Gain,
    answer,
    blanket_before_window,
    cover_limit_db,
)
from raysim.report.numbers import frequency, level

#: A heavy curtain: kg/m2, metres before the glass, flow resistance in Pa s/m, share of the
#: window open round it where it hangs free; common practice, no source.
_CURTAIN: Final = (0.6, 0.1, 400.0)
_CURTAIN_OPEN: Final = 0.2

#: Mass of glass, kg/m2 for each metre of thickness.
_GLASS_KG_M3: Final = 2500.0

HELPS: Final = (
    "A quieter source, or more distance: ask for it first, it costs least.",
    "Seals: noise comes through gaps long before it comes through glass. Tape one window shut "
    "for an evening and listen; if it helps, seals will. Never tape up a way of escape, an "
    "air vent of a boiler or stove, or the only fresh air.",
    "Mass: a heavier pane, or a second window inside with as much air between as there is "
    "room for, sealed all round.",
    "A wall that shall stop music needs a second skin that touches the first nowhere: weight, "
    "structure and fire are then a licensed builder's and an acoustician's business, and "
    "local codes decide.",
    "At its loudest: protect your ears.",
)


def noise_page(blanket: Blanket) -> RenderableType:
    """Give the answer with its tables, to print with rich."""
    parts: list[RenderableType] = [
        Text(answer(blanket), style="bold"),
        Text(""),
        _gains(blanket),
        _limits(),
        Text(_notes(blanket)),
        Text(""),
        Text("\n".join(["What does help:", *(f"  - {line}" for line in HELPS)])),
        Text(f"\n{CAUTIONS['noise']} This is arithmetic about limp sheets, not a design."),
    ]
    return Group(*parts)


def _gains(blanket: Blanket) -> RenderableType:
    kg, gap_m, flow = _CURTAIN
    sealed = blanket_before_window(blanket.window_kg_m2, kg, gap_m, 0.0, flow)
    loose = blanket_before_window(blanket.window_kg_m2, kg, gap_m, _CURTAIN_OPEN, flow)
    table = Table(
        box=SIMPLE, pad_edge=False, show_edge=False, padding=(0, 1, 0, 0), title_justify="left",
        title=f"dB more than the window of {figure(blanket.window_kg_m2)} kg/m2 alone stops, "
        "by octave",
    )  # fmt: skip
    table.add_column("")
    for label in LABELS:
        table.add_column(label, justify="right", no_wrap=True)
    table.add_column("traffic", justify="right", no_wrap=True)
    alone = (level(float(v), 1.0) for v in blanket.window_db)
    table.add_row("window alone, all it stops", *alone, blanket.window_rated)
    name = f"blanket of {figure(blanket.blanket_kg_m2)} kg/m2, "
    rows = [(name + blanket.lying.what, blanket.lying)]
    if blanket.gap_m > 0.0:
        off = f"{name}{1000 * blanket.gap_m:.0f} mm off, "
        share = f"{100 * blanket.open_share:.0f} % open round it"
        rows += [
            (off + f"air passes, {share}", blanket.hung),
            (off + "tight as a foil and sealed all round", blanket.tight),
        ]
    name = f"heavy curtain of {figure(kg)} kg/m2, {1000 * gap_m:.0f} mm off, "
    rows += [
        (name + f"{100 * _CURTAIN_OPEN:.0f} % open round it", loose.hung),
        (name + "sealed all round", sealed.hung),
    ]
    for words, gain in rows:
        table.add_row(words, *_cells(gain))
    return table


def _cells(gain: Gain) -> list[str]:
    """Give each octave as one number, or as least to most."""
    cells = [
        _span(float(a), float(b)) for a, b in zip(gain.least_db, gain.most_db, strict=True)
    ]
    return [*cells, _span(gain.traffic_least_db, gain.traffic_most_db)]


def _span(least_db: float, most_db: float) -> str:
    low, high = (level(round(v) + 0.0, 1.0) for v in (least_db, most_db))
    return low if low == high else f"{low}..{high}"


def _limits() -> RenderableType:
    table = Table(box=SIMPLE, pad_edge=False, show_edge=False, title_justify="left",
                  title="\nWhat no quality can change")  # fmt: skip
    table.add_column("")
    table.add_column("dB", justify="right", no_wrap=True)
    for share in (0.2, 0.5):
        table.add_row(
            f"foam, felt or panels on {100 * share:.0f} % of a wall, even if nothing at all "
            "came through them: gain at most",
            level(cover_limit_db(share)),
        )
    for share in (0.01, 0.05, 0.1):
        table.add_row(
            f"a partition that stops 20 dB, once {100 * share:.0f} % of it is open: it stops",
            level(float(with_opening_db(20.0, share))),
        )
    return table


def _notes(blanket: Blanket) -> str:
    glass_m = blanket.window_kg_m2 / _GLASS_KG_M3
    notes = [
        "\nSmall print: limp sheets, sound from all sides; traffic is the change of Rw + Ctr "
        "(ISO 717-1), and beside the window alone its Rw(C;Ctr). Two numbers are least and "
        "most: how much sound runs about in the gap is not known. A change under 3 dB is "
        "hardly noticed, 10 dB is about half as loud (rules of thumb, no source). Air passes "
        "through cloth: 1000 Pa s/m for the blanket, 400 for the curtain (common practice, no "
        "source). Numbers above 10 are never met: frame, wall and gaps let more through. Foam "
        "and wool over a whole wall take some of the highs, which the wall already stops best.",
    ]
    if blanket.window_kg_m2 <= 60.0:
        notes.append(
            f"A single pane of {1000 * glass_m:.0f} mm glass does worse than its mass near "
            f"{frequency(coincidence_hz(glass_m))}, where it bends along with the sound."
        )
    return "\n".join(notes)
