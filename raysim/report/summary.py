"""The page's numbers without the page: a table for the terminal, and two files.

`measures.csv` has one line per layout, source, receiver, measure and band, for
spreadsheets; `measures.json` has the same and the early arrivals, for programs.
Numbers in files are not rounded to what is known, have units in their own column or
name, and are empty, in JSON null, where they could not be had.
"""

import csv
import io
import json
import math
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from rich import box
from rich.console import Group, RenderableType
from rich.table import Table
from rich.text import Text

from raysim.measures.pair import BAND_MEASURES
from raysim.report.differences import LayoutLine, layout_lines
from raysim.report.facts import LayoutFacts, RoomFacts, gather
from raysim.report.numbers import (
    NOTHING,
    amount,
    change,
    frequency,
    index_of_one,
    level,
    plus_minus,
    share_pct,
)
from raysim.report.pairs import PairFacts, mean_of
from raysim.scene.model import Bands
from raysim.store.file import Results, open_results
from raysim.store.replace import replace_file, replacement_target
from raysim.units import Float

#: Unit of each measure in the files; the name already holds it where it is not 1.
_UNITS = {"s": "s", "db": "dB", "permille": "permille", "pct": "%"}

#: Early arrivals that the terminal lists per pair.
_LISTED = 3


def summary_table(results: Results, room: RoomFacts | None = None) -> RenderableType:
    """Give the main numbers and the strongest early arrivals, to print with rich.

    Parameters
    ----------
    results : Results
        An open result file with at least one layout.
    room : RoomFacts, optional
        What `gather` gave for it, to spare measuring again.

    Returns
    -------
    rich renderable
        One table per layout, and one of all if there are several; numbers are means of
        500 Hz and 1 kHz but for STI.
    """
    room = room or gather(results)
    tables = [_layout_table(layout, results.bands) for layout in room.layouts]
    if len(tables) > 1:
        tables.append(_compared(layout_lines(room, results.bands)))
    return Group(*tables)


def _compared(lines: tuple[LayoutLine, ...]) -> RenderableType:
    """Put all layouts beside each other, with their changes from the first."""
    table = Table(
        title=Text(f"All layouts; changes are from {lines[0].name}"),
        caption="± of a change is its own: all layouts share their chance. A change within "
        "twice its error may be chance.",
        title_justify="left",
        caption_justify="left",
        box=box.SIMPLE_HEAD,
    )
    table.add_column("layout")
    for head in ("T30, s", "change, s", "C50 change, dB", "STI change"):
        table.add_column(head, justify="right")
    for line in lines:
        cells = []
        for name, resolution in (("t30_mid_s", 0.01), ("c50_mid_db", 0.1), ("sti", 0.01)):
            one = line.differences.get(name)
            shown = NOTHING if one is None else change(one.value, resolution)
            cells.append(NOTHING if one is None else _cell(shown, one.error, resolution))
        t30 = line.t30_mid_s
        table.add_row(Text(line.name), _cell(amount(t30.value, 0.01), t30.error, 0.01), *cells)
    return table


def _layout_table(layout: LayoutFacts, bands: Bands) -> RenderableType:
    middle = bands.middle
    hidden = any(room_cell(p, middle) != NOTHING for p in layout.pairs)
    numbers = Table(
        title=Text(
            f"{layout.name}: {layout.volume_m3:.1f} m³, single modes below "
            f"{frequency(layout.transition_hz)}"
        ),
        caption="T30 to G: mean of 500 Hz and 1 kHz; ± is one standard error."
        + ("\n‡ without the direct sound, which hides the rest" if hidden else ""),
        title_justify="left",
        caption_justify="left",
        box=box.SIMPLE_HEAD,
    )
    numbers.add_column("from → to")
    for head in ("T30, s", "EDT, s", "C50, dB", "D50, %", "G, dB", "STI"):
        numbers.add_column(head, justify="right")
    notes = []
    if any(p.is_turned_away for p in layout.pairs):
        notes.append(
            "* the microphone points away from this source: dB re the direct sound as one "
            "that hears all round would take it"
        )
    if not all(p.is_seen for p in layout.pairs):
        notes.append("† no line of sight: dB and ms re the first arrival")
    if any(p.source_is_turned_away for p in layout.pairs):
        notes.append("§ the source points away: dB re the direct sound if it pointed there")
    if not any(p.is_listed for p in layout.pairs):
        notes.append("Early reflections were not listed one by one: image order 0.")
    early = Table(
        title=Text("Strongest early arrivals, after the direct sound and re it"),
        caption="\n".join(notes) or None,
        title_justify="left",
        caption_justify="left",
        box=box.SIMPLE_HEAD,
    )
    early.add_column("from → to")
    early.add_column("ms", justify="right")
    early.add_column("dB", justify="right")
    early.add_column("over")
    for pair in layout.pairs:
        m, error = pair.measures, pair.measures.error
        marks = (" *" if pair.is_turned_away else "") + ("" if pair.is_seen else " †")
        marks += " §" if pair.source_is_turned_away else ""
        name = Text(f"{pair.source} → {pair.receiver}{marks}")

        def mean(values: Float) -> float:
            return mean_of(values, middle)

        numbers.add_row(
            name,
            room_cell(pair, middle)
            if math.isnan(m.t30_mid_s)
            else _cell(amount(m.t30_mid_s, 0.01), float(error["t30_mid_s"]), 0.01),
            _cell(amount(mean(m.edt_s), 0.01), mean(error["edt_s"]), 0.01),
            _cell(level(mean(m.c50_db)), mean(error["c50_db"]), 0.1),
            _cell(share_pct(mean(m.d50)), 100.0 * mean(error["d50"]), 1.0),
            _cell(level(mean(m.g_db)), mean(error["g_db"]), 0.1),
            _cell(index_of_one(m.sti), float(error["sti"]), 0.01),
        )
        loudest = sorted(pair.early, key=lambda a: -a.level_db)[:_LISTED]
        for i, a in enumerate(loudest):
            early.add_row(
                name if i == 0 else "",
                f"{a.delay_ms:.1f}",
                level(a.level_db),
                Text(", then ".join(a.surfaces)),
            )
    return Group(numbers, early if early.row_count else Text("\n".join(notes)))


def room_cell(pair: PairFacts, middle: NDArray[np.intp]) -> str:
    """Give T30 without the direct sound, marked, where only that could be read off."""
    decay = pair.room_decay
    if not (math.isnan(pair.measures.t30_mid_s) and decay.hidden):
        return NOTHING
    text = _cell(
        amount(mean_of(decay.t30_s, middle), 0.01), mean_of(decay.error_s, middle), 0.01
    )
    return text if text == NOTHING else f"{text} ‡"


def _cell(text: str, error: float, resolution: float) -> str:
    return text if text == NOTHING else f"{text} {plus_minus(error, resolution)}".rstrip()


def write_tables(results_path: Path, folder: Path, room: RoomFacts | None = None) -> list[Path]:
    """Write `measures.csv` and `measures.json`.

    Parameters
    ----------
    results_path : Path
        Result file.
    folder : Path
        Where to write them; files there are replaced.
    room : RoomFacts, optional
        What `gather` gave for the file, to spare measuring again.

    Returns
    -------
    list of Path
        The two files.

    Raises
    ------
    StoreError
        The result file cannot be read, or (RS-H05, RS-H06) a table cannot be written.
    """
    targets = [replacement_target(folder / name) for name in ("measures.csv", "measures.json")]
    with open_results(results_path) as results:
        room = room or gather(results)
        texts = (_as_csv(room, results.bands), _as_json(room, results))
    for target, text in zip(targets, texts, strict=True):
        replace_file(target, text.encode)
    return [folder / target.name for target in targets]


def _unit_of(name: str) -> str:
    return _UNITS.get(name.rsplit("_", 1)[-1], "1") if "_" in name else "1"


def _lines(pair: PairFacts, bands: Bands) -> Iterator[tuple[str, str, float, float]]:
    """Give measure, band, value and standard error, line by line."""
    for name in BAND_MEASURES:
        values, errors = getattr(pair.measures, name), pair.measures.error[name]
        for i, label in enumerate(bands.labels):
            yield name, label, float(values[i]), float(errors[i])
    for name in ("t30_mid_s", "sti"):
        error = float(pair.measures.error[name])
        yield name, "", float(getattr(pair.measures, name)), error


def _as_csv(room: RoomFacts, bands: Bands) -> str:
    text = io.StringIO()
    table = csv.writer(text, lineterminator="\n")
    table.writerow(
        [
            "layout",
            "source",
            "receiver",
            "measure",
            "band_hz",
            "value",
            "error",
            "unit",
            "modal",
        ]
    )
    for layout in room.layouts:
        modal = dict(zip(bands.labels, layout.is_modal.tolist(), strict=True))
        for pair in layout.pairs:
            for name, label, value, error in _lines(pair, bands):
                table.writerow(
                    [
                        layout.name,
                        pair.source,
                        pair.receiver,
                        name,
                        label,
                        *(f"{x:.6g}" if math.isfinite(x) else "" for x in (value, error)),
                        _unit_of(name),
                        "yes" if label and modal[label] else "",
                    ]
                )
    return text.getvalue()


def _as_json(room: RoomFacts, results: Results) -> str:
    bands = results.bands
    content: dict[str, Any] = {
        "title": results.title,
        "provenance": {
            key: results.provenance[key]
            for key in ("raysim_version", "created_utc", "scene_hash", "seed")
        },
        "bands": list(bands.labels),
        "centre_hz": [_number(f) for f in bands.centre_hz.tolist()],
        "layouts": [
            _layout_content(layout, line, bands)
            for layout, line in zip(room.layouts, layout_lines(room, bands), strict=True)
        ],
    }
    return json.dumps(content, indent=1, ensure_ascii=False, allow_nan=False) + "\n"


def _layout_content(layout: LayoutFacts, line: LayoutLine, bands: Bands) -> dict[str, Any]:
    return {
        "name": layout.name,
        "volume_m3": _number(layout.volume_m3),
        "area_m2": _number(layout.area_m2),
        "mean_free_path_m": _number(layout.mean_free_path_m),
        "from_first_layout": {
            name: {"value": _number(one.value), "error": _number(one.error)}
            for name, one in line.differences.items()
        },
        "transition_hz": _number(layout.transition_hz),
        "modal": layout.is_modal.tolist(),
        "flutter": [
            {
                "between": [p.first, p.second],
                "distance_m": _number(p.distance_m),
                "claps_per_s": _number(p.rate_hz),
                "decay_s": _number(p.decay_s),
            }
            for p in layout.flutter
        ],
        "pairs": [_pair_content(pair, bands) for pair in layout.pairs],
    }


def _pair_content(pair: PairFacts, bands: Bands) -> dict[str, Any]:
    measures: dict[str, Any] = {}
    for name, label, value, error in _lines(pair, bands):
        one = {"value": _number(value), "error": _number(error)}
        if label:
            measures.setdefault(name, {})[label] = one
        else:
            measures[name] = one
    return {
        "source": pair.source,
        "receiver": pair.receiver,
        "distance_m": _number(pair.distance_m),
        "line_of_sight": pair.is_seen,
        "measures": measures,
        "early_arrivals": [
            {
                "delay_ms": _number(a.delay_ms),
                "level_db": _number(a.level_db),
                "surfaces": list(a.surfaces),
            }
            for a in pair.early
        ],
    }


def _number(value: float) -> float | None:
    """Give a number that JSON can hold, to six figures."""
    return float(f"{value:.6g}") if math.isfinite(value) else None
