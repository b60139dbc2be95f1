"""Results to everything the page shows: sentences, figures and rounded numbers.

All text is ready to print, with unit and uncertainty; the template only lays it out.
"""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np

from raysim.report.charts import arrival_map, decay_panels, energy_over_time, linger
from raysim.report.drawing import room_figures
from raysim.report.facts import LayoutFacts, PairFacts, RoomFacts, gather, within
from raysim.report.limits import CAUTIONS, limits_of
from raysim.report.numbers import (
    NOTHING,
    amount,
    band_name,
    beside,
    frequency,
    index_of_one,
    level,
    plus_minus,
    share_pct,
    with_error,
)
from raysim.report.svg import Figure
from raysim.report.verdict import KIND_WORDS, Finding, layout_findings, pair_findings, sti_word
from raysim.scene.model import Bands, Material
from raysim.store.file import Results
from raysim.units import Float

#: Early arrivals listed in the table of a pair.
_LISTED = 10


@dataclass(frozen=True, slots=True)
class Cell:
    """One number of a table and its standard error, as text; the row has the unit."""

    text: str
    error: str = ""
    is_hint: bool = False  # below the transition frequency
    why: str = ""  # why there is no number


@dataclass(frozen=True, slots=True)
class Row:
    """One measure: its everyday name, its symbol, its unit, a number per column."""

    name: str
    symbol: str
    unit: str
    cells: tuple[Cell, ...]


@dataclass(frozen=True, slots=True)
class Table:
    """Rows under columns, with what the columns are."""

    ident: str
    title: str
    columns: tuple[str, ...]
    rows: tuple[Row, ...]
    caption: str


@dataclass(frozen=True, slots=True)
class EarlyRow:
    """One line of the list of early arrivals."""

    delay: str
    level: str
    way: str
    in_window: bool


@dataclass(frozen=True, slots=True)
class SurfaceRow:
    """One surface of the room."""

    name: str
    material: str
    area: str
    alpha: tuple[Cell, ...]  # with the range instead of an error


@dataclass(frozen=True, slots=True)
class PairPage:
    """All that is shown of one pair."""

    ident: str
    title: str
    summary: str
    findings: tuple[Finding, ...]
    figures: tuple[Figure, ...]
    measures: Table
    early: tuple[EarlyRow, ...]
    early_note: str


@dataclass(frozen=True, slots=True)
class LayoutPage:
    """All that is shown of one layout."""

    ident: str
    name: str
    findings: tuple[Finding, ...]
    linger: Figure
    pairs: tuple[PairPage, ...]


@dataclass(frozen=True, slots=True)
class Page:
    """The whole page."""

    title: str
    about: str
    facts: tuple[tuple[str, str], ...]  # name, number with unit
    layouts: tuple[LayoutPage, ...]
    room_figures: tuple[Figure, ...]
    surfaces: tuple[SurfaceRow, ...]
    materials: tuple[tuple[str, str], ...]  # name, where its numbers come from
    ignored: tuple[str, ...]
    limits: tuple[str, ...]
    cautions: tuple[str, ...]
    footer: tuple[tuple[str, str], ...]
    kind_words: dict[str, str]


def make_page(results: Results) -> Page:
    """Compute all that the page shows.

    Parameters
    ----------
    results : Results
        An open result file with at least one layout.

    Returns
    -------
    Page
    """
    room = gather(results)
    several = len(room.layouts) > 1
    return Page(
        title=results.title,
        about=results.about,
        facts=_facts(room),
        layouts=tuple(
            _layout_page(room, layout, results.bands, f"layout-{i + 1}", several)
            for i, layout in enumerate(room.layouts)
        ),
        room_figures=room_figures(results.room, results.sources, results.receivers),
        surfaces=_surfaces(results),
        materials=tuple(
            (name.replace("_", " "), ". ".join(part for part in (m.source, m.note) if part))
            for name, m in sorted(results.materials.items())
            if name in results.sides.materials
        ),
        ignored=tuple(results.ignored),
        limits=limits_of(room.layouts[0].transition_hz),
        cautions=CAUTIONS,
        footer=_footer(results, room),
        kind_words=KIND_WORDS,
    )


def _facts(room: RoomFacts) -> tuple[tuple[str, str], ...]:
    first = room.layouts[0]
    return (
        ("air in the room", f"{room.volume_m3:.1f} m³"),
        ("all surfaces", f"{room.area_m2:.1f} m²"),
        ("mean free path (4V/S)", f"{room.mean_free_path_m:.2f} m"),
        ("lingering, 500 Hz and 1 kHz (T30)", f"{amount(first.t30_mid_s, 0.01)} s"),
        ("single modes rule below", frequency(first.transition_hz)),
    )


def _layout_page(
    room: RoomFacts, layout: LayoutFacts, bands: Bands, ident: str, several: bool
) -> LayoutPage:
    each = np.stack([p.measures.t30_s for p in layout.pairs])
    return LayoutPage(
        ident=ident,
        name=layout.name if several else "",
        findings=layout_findings(room, layout, bands),
        linger=linger(
            f"{ident}-linger", bands.labels, layout.t30_s, layout.t30_error_s, each,
            layout.is_modal, room.target,
        ),
        pairs=tuple(
            _pair_page(layout, pair, bands, f"{ident}-pair-{i + 1}")
            for i, pair in enumerate(layout.pairs)
        ),
    )  # fmt: skip


def _pair_page(layout: LayoutFacts, pair: PairFacts, bands: Bands, ident: str) -> PairPage:
    m = pair.measures
    lingers = with_error(m.t30_mid_s, float(m.error["t30_mid_s"]), 0.01, "s")
    speech = beside(index_of_one(m.sti), float(m.error["sti"]), 0.01)
    return PairPage(
        ident=ident,
        title=f"{pair.source} → {pair.receiver}",
        summary=(
            f"{pair.distance_m:.2f} m apart · lingers {lingers} · speech transmission index "
            f"{speech}, {sti_word(m.sti)}"
        ),
        findings=pair_findings(pair),
        figures=(
            arrival_map(f"{ident}-map", pair.early, pair.is_seen),
            decay_panels(
                f"{ident}-decay", bands.labels, pair.decay.time_s, pair.decay.level_db,
                pair.decay.error_db, m.t30_s, layout.is_modal, layout.transition_hz,
            ),
            energy_over_time(
                f"{ident}-energy", bands.labels, pair.energy.start_ms, pair.energy.bin_ms,
                pair.energy.total, pair.energy.specular,
            ),
        ),
        measures=_measures(layout, pair, bands, ident),
        early=_early_rows(pair),
        early_note=_early_note(pair),
    )  # fmt: skip


#: Everyday name, symbol, unit, attribute, how to print, resolution. In the order shown.
_Print = Callable[[float, float], str]
_MEASURES: tuple[tuple[str, str, str, str, _Print, float, float], ...] = (
    ("How long it lingers", "T30", "s", "t30_s", amount, 0.01, 1.0),
    ("… from the first 20 dB of it", "T20", "s", "t20_s", amount, 0.01, 1.0),
    ("First impression of decay", "EDT", "s", "edt_s", amount, 0.01, 1.0),
    ("Unevenness of the decay", "C", "%", "curvature_pct", level, 1.0, 1.0),
    ("Speech: early over late", "C50", "dB", "c50_db", level, 0.1, 1.0),
    ("Music: early over late", "C80", "dB", "c80_db", level, 0.1, 1.0),
    ("Share that comes early", "D50", "%", "d50", lambda v, _: share_pct(v), 1.0, 100.0),
    (
        "Centre of the energy",
        "Ts",
        "ms",
        "ts_s",
        lambda v, r: amount(1000.0 * v, r),
        1.0,
        1000.0,
    ),
    ("Strength re 10 m in the open", "G", "dB", "g_db", level, 0.1, 1.0),
    ("Share from the sides", "J_LF", "%", "j_lf", lambda v, _: share_pct(v), 1.0, 100.0),
)


def _measures(layout: LayoutFacts, pair: PairFacts, bands: Bands, ident: str) -> Table:
    rows = []
    for name, symbol, unit, attribute, show, resolution, factor in _MEASURES:
        values: Float = getattr(pair.measures, attribute)
        errors = pair.measures.error[attribute] * factor
        why = pair.measures.why.get(attribute, ("",) * len(values))
        rows.append(
            Row(
                name,
                symbol,
                unit,
                tuple(
                    Cell(
                        show(float(v), resolution),
                        plus_minus(float(e), resolution) if np.isfinite(v) else "",
                        bool(layout.is_modal[i]),
                        "" if np.isfinite(v) else why[i],
                    )
                    for i, (v, e) in enumerate(zip(values, errors, strict=True))
                ),
            )
        )
    return Table(
        f"{ident}-measures",
        "Measures by band",
        tuple(band_name(label) for label in bands.labels),
        tuple(rows),
        "ISO 3382-1 and -2; ± is one standard error of the calculation, not of the room's "
        "data. Grey columns lie below the transition frequency. "
        f"{NOTHING} marks what could not be had; the reason is shown on pointing at it.",
    )


def _early_rows(pair: PairFacts) -> tuple[EarlyRow, ...]:
    from_loudest = sorted(pair.early, key=lambda a: -a.level_db)[:_LISTED]
    return tuple(
        EarlyRow(
            f"{a.delay_ms:.1f}",
            level(a.level_db),
            ", then ".join(a.surfaces),
            a.is_in_window,
        )
        for a in from_loudest
    )


def _early_note(pair: PairFacts) -> str:
    n_more = len(pair.early) - _LISTED
    start = "the direct sound" if pair.is_seen else "the first arrival"
    if pair.is_turned_away:
        start += " as a microphone that hears all round takes it"
    note = (
        f"Loudest first. Delay and level are re {start}; the level is that of the octave from "
        "1 to 8 kHz where it is highest."
    )
    return note + (f" {n_more} weaker ones within 50 ms are not listed." if n_more > 0 else "")


def _surfaces(results: Results) -> tuple[SurfaceRow, ...]:
    """List the surfaces, the largest first, with the range their absorption may have."""
    columns = [int(within(results.bands, f, f)[0]) for f in (125.0, 500.0, 2000.0)]
    sides = results.sides
    rows = []
    for i in np.argsort(-sides.area_m2, kind="stable").tolist():
        material = results.materials.get(sides.materials[i])
        rows.append(
            SurfaceRow(
                sides.names[i],
                sides.materials[i].replace("_", " "),
                amount(float(sides.area_m2[i]), 0.01),
                tuple(
                    Cell(
                        amount(float(sides.alpha[i, k]), 0.01),
                        _range_of(material, k) if material is not None else "",
                    )
                    for k in columns
                ),
            )
        )
    return tuple(rows)


def _range_of(material: Material, i_band: int) -> str:
    low, high = float(material.alpha_low[i_band]), float(material.alpha_high[i_band])
    texts = amount(low, 0.01), amount(high, 0.01)
    return "" if texts[0] == texts[1] else f"{texts[0]} to {texts[1]}"


def _footer(results: Results, room: RoomFacts) -> tuple[tuple[str, str], ...]:
    provenance: dict[str, Any] = dict(results.provenance)
    settings = results.settings
    air = results.air
    width = "octave" if results.bands.fraction == 1 else "one-third-octave"
    n_ray = sum(layout.n_ray for layout in room.layouts)
    n_lost = sum(layout.n_lost for layout in room.layouts)
    goal = (
        f"until T30 is certain to {settings.until_t30_pct:g} %, at most "
        f"{settings.max_ray:,} rays per source".replace(",", " ")
        if settings.until_t30_pct is not None
        else "one round"
    )
    return (
        ("raysim", str(provenance["raysim_version"])),
        ("computed", str(provenance["created_utc"])),
        (
            "scene file",
            f"{provenance['scene_file']}, SHA-256 {str(provenance['scene_hash'])[:16]}",
        ),
        ("seed", str(settings.seed)),
        ("rays", f"{n_ray:,} sent, {n_lost:,} lost; {goal}".replace(",", " ", 2)),
        (
            "settings",
            f"image sources to order {settings.image_order}, time bins of "
            f"{1000.0 * settings.bin_s:g} ms, {width} bands",
        ),
        (
            "air",
            f"{air.temperature_c:g} °C, {air.humidity_pct:g} % humidity, "
            f"{air.pressure_pa / 1000.0:g} kPa; sound travels {room.speed_m_s:.1f} m/s",
        ),
    )
