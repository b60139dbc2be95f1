"""Results to everything the page shows: sentences, figures and rounded numbers.

All text is ready to print, with unit and uncertainty; the template only lays it out.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np

from raysim.folders import RESPONSES_NAME
from raysim.report.bass import BassPage, bass_page
from raysim.report.charts import arrival_map, decay_panels, energy_over_time, linger
from raysim.report.differences import LayoutLine, layout_lines
from raysim.report.drawing import room_figures
from raysim.report.facts import LayoutFacts, RoomFacts, gather
from raysim.report.finding import KIND_WORDS, VOICE, Finding
from raysim.report.limits import CAUTIONS, limits_of
from raysim.report.mixing import why_apart
from raysim.report.numbers import (
    NOTHING,
    amount,
    beside,
    change,
    frequency,
    index_of_one,
    level,
    with_error,
)
from raysim.report.pairs import PairFacts, mean_of, within
from raysim.report.reflections import pair_findings
from raysim.report.svg import Figure
from raysim.report.tables import Cell, Table, cell_of, measures_table
from raysim.report.verdict import layout_findings, sti_word
from raysim.response.wav import wav_names
from raysim.scene.model import Bands, Material
from raysim.store.file import Results
from raysim.store.key import digest

#: Early arrivals listed in the table of a pair.
_LISTED = 10


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
class PairRow:
    """One line of the list of all pairs, and where its response lies."""

    ident: str  # of the pair's part of the page
    title: str
    t30: Cell
    c50: Cell
    sti: Cell
    strongest: str
    wav: str


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
    overview: tuple[PairRow, ...]
    pairs: tuple[PairPage, ...]


@dataclass(frozen=True, slots=True)
class RoomPage:
    """The room of one layout: drawings, and what its surfaces swallow."""

    name: str  # empty if there is but one layout
    about: str
    looks_like: str  # an earlier layout with the same drawings, which are left out then
    figures: tuple[Figure, ...]
    surfaces: tuple[SurfaceRow, ...]


@dataclass(frozen=True, slots=True)
class ComparedRow:
    """One layout beside the others; a dash where it is not compared."""

    name: str
    t30: Cell
    eyring: Cell
    balance: Cell
    changes: tuple[tuple[Cell, str], ...]  # of T30, C50 and STI, with unit
    strongest: str


@dataclass(frozen=True, slots=True)
class Comparison:
    """All layouts beside each other."""

    rows: tuple[ComparedRow, ...]
    notes: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Page:
    """The whole page."""

    title: str
    about: str
    facts: tuple[tuple[str, str], ...]  # name, number with unit
    comparison: Comparison | None  # with several layouts
    layouts: tuple[LayoutPage, ...]
    bass: BassPage | None
    rooms: tuple[RoomPage, ...]
    materials: tuple[tuple[str, str], ...]  # name, where its numbers come from
    wav_folder: str
    ignored: tuple[str, ...]
    limits: tuple[str, ...]
    cautions: tuple[str, ...]
    footer: tuple[tuple[str, str], ...]
    kind_words: dict[str, str]


def make_page(results: Results, room: RoomFacts | None = None) -> Page:
    """Compute all that the page shows.

    Parameters
    ----------
    results : Results
        An open result file with at least one layout.
    room : RoomFacts, optional
        What `gather` gave for it, to spare measuring again.

    Returns
    -------
    Page
    """
    room = room or gather(results)
    several = len(room.layouts) > 1
    wavs = iter(
        wav_names([(p.layout, p.source, p.receiver) for one in room.layouts for p in one.pairs])
    )
    return Page(
        title=results.title,
        about=results.about,
        facts=_facts(room),
        comparison=_comparison(room, results.bands) if several else None,
        layouts=tuple(
            _layout_page(room, layout, results.bands, f"layout-{i + 1}", several, wavs)
            for i, layout in enumerate(room.layouts)
        ),
        bass=bass_page(results),
        rooms=_rooms(results, room),
        materials=_materials(results, room),
        wav_folder=RESPONSES_NAME,
        ignored=tuple(results.ignored),
        limits=limits_of(room.layouts[0].transition_hz),
        cautions=CAUTIONS,
        footer=_footer(results, room),
        kind_words=KIND_WORDS,
    )


def _facts(room: RoomFacts) -> tuple[tuple[str, str], ...]:
    first = room.layouts[0]
    return (
        ("air in the room", f"{first.volume_m3:.1f} m³"),
        ("all surfaces", f"{first.area_m2:.1f} m²"),
        ("mean free path (4V/S)", f"{first.mean_free_path_m:.2f} m"),
        ("lingering, 500 Hz and 1 kHz (T30)", f"{amount(first.t30_mid_s, 0.01)} s"),
        ("single modes rule below", frequency(first.transition_hz)),
    )


def _comparison(room: RoomFacts, bands: Bands) -> Comparison:
    lines = layout_lines(room, bands)
    first = lines[0]
    notes = [
        "T30 is the mean of 500 Hz and 1 kHz over all pairs, and so is what Eyring's formula "
        "gives for the room with all that is in it; lows over highs is T30 from 125 "
        "to 400 Hz over T30 at 2 kHz, grey where a band of it lies below the transition "
        f"frequency. Changes are from “{first.name}”, mean over the pairs of both; C50 too is "
        "the mean of 500 Hz and 1 kHz.",
        "± is one standard error of the calculation. That of a change is its own: all layouts "
        "are computed with the same chance, which a difference mostly loses. A change within "
        "twice its error may be chance; and what a treatment absorbs is less certain than any "
        "of these numbers.",
    ]
    notes += [
        f"Of “{line.name}” only {line.n_pair} of {most} pairs are computed: simulate it again "
        "to go on."
        for most in [max(line.n_pair for line in lines)]
        for line in lines
        if line.n_pair < most
    ]
    notes[1:1] = [" ".join(apart)] if (apart := why_apart(room.layouts)) else []
    rows = (
        _compared_row(line, layout) for line, layout in zip(lines, room.layouts, strict=True)
    )
    return Comparison(tuple(rows), tuple(notes))


def _compared_row(line: LayoutLine, layout: LayoutFacts) -> ComparedRow:
    def changed(name: str, resolution: float) -> Cell:
        one = line.differences.get(name)
        if one is None:
            return Cell(NOTHING)
        return cell_of(change(one.value, resolution), one.error, resolution)

    found = NOTHING
    if line.strongest is not None:
        one = line.strongest
        found = (
            f"{level(one.arrival.level_db)} dB after {one.arrival.delay_ms:.1f} ms, "
            f"{', then '.join(one.arrival.surfaces)} ({one.source} → {one.receiver})"
        )
    return ComparedRow(
        line.name,
        cell_of(amount(line.t30_mid_s.value, 0.01), line.t30_mid_s.error, 0.01),
        Cell(amount(layout.eyring_mid_s, 0.01)),
        cell_of(
            amount(line.balance.value, 0.01), line.balance.error, 0.01, line.balance_is_hint
        ),
        (
            (changed("t30_mid_s", 0.01), "s"),
            (changed("c50_mid_db", 0.1), "dB"),
            (changed("sti", 0.01), "1"),
        ),
        found,
    )


def _rooms(results: Results, room: RoomFacts) -> tuple[RoomPage, ...]:
    """Show the room of every layout, and draw again only what differs from all before."""
    drawn: dict[str, str] = {}  # shape -> the first layout that has it
    rooms = []
    for i, layout in enumerate(room.layouts):
        held = results.layout(layout.name)
        mesh = held.mesh
        shape = digest(mesh.vertices_m, mesh.faces, [s.name for s in mesh.surfaces])
        first = drawn.setdefault(shape, layout.name)
        is_new = first == layout.name
        ident = "room" if i == 0 else f"room-{i + 1}"
        rooms.append(
            RoomPage(
                name=layout.name if len(room.layouts) > 1 else "",
                about=held.about,
                looks_like="" if is_new else first,
                figures=room_figures(mesh, results.sources, results.receivers, ident)
                if is_new
                else (),
                surfaces=_surfaces(results, layout.name),
            )
        )
    return tuple(rooms)


def _materials(results: Results, room: RoomFacts) -> tuple[tuple[str, str], ...]:
    """Give all materials of all layouts, by name, with where their numbers come from."""
    used = {
        name: material
        for layout in room.layouts
        for name, material in results.materials(layout.name).items()
    }
    return tuple(
        (name.replace("_", " "), ". ".join(part for part in (m.source, m.note) if part))
        for name, m in sorted(used.items())
    )


def _layout_page(
    room: RoomFacts,
    layout: LayoutFacts,
    bands: Bands,
    ident: str,
    several: bool,
    wavs: Iterator[str],
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
        overview=tuple(
            _pair_row(pair, bands, f"{ident}-pair-{i + 1}", next(wavs))
            for i, pair in enumerate(layout.pairs)
        ),
        pairs=tuple(
            _pair_page(layout, pair, bands, f"{ident}-pair-{i + 1}")
            for i, pair in enumerate(layout.pairs)
        ),
    )  # fmt: skip


def _title(pair: PairFacts) -> str:
    return f"{pair.source} → {pair.receiver}"


def _pair_row(pair: PairFacts, bands: Bands, ident: str, wav: str) -> PairRow:
    m, error, middle = pair.measures, pair.measures.error, bands.middle
    strongest = pair.strongest
    found = NOTHING
    if strongest is not None:
        found = (
            f"{level(strongest.level_db)} dB after {strongest.delay_ms:.1f} ms, "
            f"{', then '.join(strongest.surfaces)}"
        )
        if not pair.is_seen:
            found += " (no line of sight: re the first arrival)"
        elif pair.is_turned_away:
            found += " (microphone turned away: re the direct sound as heard all round)"
        if pair.source_is_turned_away:
            found += " (source points away: re the direct sound if it pointed there)"
    return PairRow(
        ident,
        _title(pair),
        cell_of(amount(m.t30_mid_s, 0.01), float(error["t30_mid_s"]), 0.01),
        cell_of(level(pair.c50_mid_db), mean_of(error["c50_db"], middle), 0.1),
        cell_of(index_of_one(m.sti), float(error["sti"]), 0.01),
        found,
        wav,
    )


def _pair_page(layout: LayoutFacts, pair: PairFacts, bands: Bands, ident: str) -> PairPage:
    m = pair.measures
    lingers = with_error(m.t30_mid_s, float(m.error["t30_mid_s"]), 0.01, "s")
    speech = f"early over late sound, C50 {level(pair.c50_mid_db)} dB"
    if pair.sounds == VOICE:
        index = beside(index_of_one(m.sti), float(m.error["sti"]), 0.01)
        speech = f"speech transmission index {index}, {sti_word(m.sti)}"
    return PairPage(
        ident=ident,
        title=_title(pair),
        summary=f"{pair.distance_m:.2f} m apart · lingers {lingers} · {speech}",
        findings=pair_findings(pair),
        figures=(
            arrival_map(f"{ident}-map", pair.early, pair.is_seen, pair.is_listed),
            decay_panels(
                f"{ident}-decay", bands.labels, pair.decay.time_s, pair.decay.level_db,
                pair.decay.error_db, m.t30_s, layout.is_modal, layout.transition_hz,
            ),
            energy_over_time(
                f"{ident}-energy", bands.labels, pair.energy.start_ms, pair.energy.bin_ms,
                pair.energy.total, pair.energy.specular,
            ),
        ),
        measures=measures_table(layout, pair, bands, ident),
        early=_early_rows(pair),
        early_note=_early_note(pair),
    )  # fmt: skip


def _early_rows(pair: PairFacts) -> tuple[EarlyRow, ...]:
    from_loudest = sorted(pair.early, key=lambda a: -a.level_db)[:_LISTED]
    return tuple(
        EarlyRow(
            f"{a.delay_ms:.1f}",
            level(a.level_db),
            ", then ".join(a.surfaces),
            a.is_in_window and pair.is_seen,
        )
        for a in from_loudest
    )


def _early_note(pair: PairFacts) -> str:
    if not pair.is_listed:
        return "Early reflections were not listed one by one: image order 0."
    if not pair.early:
        return "No mirror-like reflection arrives within 50 ms."
    n_more = len(pair.early) - _LISTED
    start = "the direct sound" if pair.is_seen else "the first arrival"
    if pair.is_turned_away:
        start += " as a microphone that hears all round takes it"
    if pair.source_is_turned_away:
        start += ", as it would be if the source pointed this way"
    note = (
        f"Loudest first. Delay and level are re {start}; the level is that of the octave from "
        "1 to 8 kHz where it is highest."
    )
    return note + (f" {n_more} weaker ones within 50 ms are not listed." if n_more > 0 else "")


def _surfaces(results: Results, layout: str) -> tuple[SurfaceRow, ...]:
    """List the surfaces, the largest first, with the range their absorption may have."""
    columns = [int(within(results.bands, f, f)[0]) for f in (125.0, 500.0, 2000.0)]
    sides, materials = results.sides(layout), results.materials(layout)
    rows = []
    for i in np.argsort(-sides.area_m2, kind="stable").tolist():
        material = materials.get(sides.materials[i])
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
