"""What the page says of the bass: sentences on evenness, named dips, ringing, and the figures.

Every limit is said beside its number.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from raysim.measures.bass import (
    NAMED_HZ,
    START_DB,
    WELL_DB,
    ByMode,
    ByReflection,
    Extreme,
    SeatLevels,
    extremes,
    mode_levels_db,
    moved_hz,
    nearest_louder,
    ringing_band_s,
    seat_levels,
)
from raysim.records import Arrivals, Bass, BassResponse, Modes, SeatMap
from raysim.report.bass_charts import (
    LevelLine,
    RingingDots,
    level_chart,
    ringing_chart,
    seat_chart,
)
from raysim.report.drawing import Place
from raysim.report.finding import Finding
from raysim.report.numbers import amount
from raysim.report.shell import Shell
from raysim.report.svg import Figure
from raysim.scene.air import speed_m_s
from raysim.store.file import Results
from raysim.units import Float

#: How far a move is tried, m, and how many dips are told of.
_STEP_M, _TOLD = 0.2, 4
#: Modes that join source and microphone at least so strongly are judged, dB.
_JOINED_DB = -10.0
#: An absorber is at its best a quarter of a wavelength deep, and begins to help at about a
#: sixteenth: common practice, no source.
_FULL, _BEGIN = 0.25, 1.0 / 16.0


@dataclass(frozen=True, slots=True)
class BassLayout:
    """What is said of one pair in one layout."""

    name: str  # empty if there is but one layout
    findings: tuple[Finding, ...]


@dataclass(frozen=True, slots=True)
class BassPair:
    """The bass from one source to one receiver, in all layouts."""

    ident: str
    title: str
    summary: str
    figures: tuple[Figure, ...]
    layouts: tuple[BassLayout, ...]


@dataclass(frozen=True, slots=True)
class BassPage:
    """The part of the page about the bass."""

    lead: str
    pairs: tuple[BassPair, ...]
    maps: tuple[Figure, ...]
    limits: tuple[str, ...]


@dataclass(frozen=True, slots=True, eq=False)
class BassRoom:
    """All that sentences about one pair in one layout are made of."""

    bass: Bass
    pair: BassResponse
    arrivals: Arrivals
    surfaces: tuple[str, ...]
    source: Place
    receiver: Place
    at: tuple[int, int]  # of source and receiver in the modes
    shell: Shell
    air_volume_m3: float
    speed_m_s: float
    band_hz: Float

    @property
    def seats(self) -> SeatMap | None:
        """The map at the height of the receiver, if there is one."""
        near = [
            m for m in self.bass.maps
            if m.source == self.source.name
            and abs(m.height_m - float(self.receiver.position_m[2])) < 0.3
        ]  # fmt: skip
        return near[0] if near else None

    def named(self, levels: SeatLevels) -> tuple[Extreme, ...]:
        """Give dips and peaks with their causes."""
        return extremes(
            levels, self.pair, self.arrivals, self.surfaces,
            (self.source.position_m, self.receiver.position_m), self.bass.modes, self.at,
            self.air_volume_m3, self.speed_m_s, self.band_hz,
        )  # fmt: skip


def bass_page(results: Results, layouts: Sequence[str] = ()) -> BassPage | None:
    """Gather all that the page shows of the bass; None if no layout has any.

    Parameters
    ----------
    results : Results
    layouts : sequence of str
        Those to show; none: all of the file.
    """
    held = {name: results.bass(name) for name in layouts or results.layout_names}
    known = {name: bass for name, bass in held.items() if bass is not None}
    if not known:
        return None
    rooms = [
        (name, room) for name, bass in known.items() for room in _rooms(results, name, bass)
    ]
    titles = list(dict.fromkeys((r.source.name, r.receiver.name) for _, r in rooms))
    several = len(held) > 1
    pairs = tuple(
        bass_pair(
            f"bass-{i + 1}",
            [(n, r) for n, r in rooms if (r.source.name, r.receiver.name) == title],
            several,
        )
        for i, title in enumerate(titles)
    )
    maps = tuple(
        seat_chart(
            f"bass-map-{i + 1}", name if several else "", seats, results.room(name),
            results.sources,
            [r for r in results.receivers if (seats.source, r.name) in titles],
        )
        for i, (name, seats) in enumerate((n, m) for n, b in known.items() for m in b.maps)
    )  # fmt: skip
    first = next(iter(known.values()))
    return BassPage(_lead(first), pairs, maps, _limits(first))


def _rooms(results: Results, layout: str, bass: Bass) -> list[BassRoom]:
    sources = {s.name: (i, s) for i, s in enumerate(results.sources)}
    receivers = {r.name: (i, r) for i, r in enumerate(results.receivers)}
    mesh = results.room(layout)
    found = []
    for pair in bass.pairs:
        (i, source), (j, receiver) = sources[pair.source], receivers[pair.receiver]
        found.append(
            BassRoom(
                bass, pair, results.pair(layout, pair.source, pair.receiver).arrivals,
                results.sides(layout).names, source, receiver, (i, j), mesh,
                mesh.air_volume_m3, speed_m_s(results.air), results.bands.centre_hz,
            )
        )  # fmt: skip
    return found


def _lead(bass: Bass) -> str:
    top = max((p.crossover_hz for p in bass.pairs), default=0.0)
    return (
        f"Below {top:.0f} Hz the room is computed as waves, not as rays: here a single wall or "
        "a single standing wave decides, and thirty centimetres may matter more than a wall "
        "of panels."
    )


def _limits(bass: Bass) -> tuple[str, ...]:
    return (
        "Pitch of dips and modes follows the room's size: one per cent of length is one per "
        "cent of pitch. Depth of dips and times of ringing follow what walls absorb below "
        "125 Hz, which hardly any table gives: take them to a third.",
        "Sources and microphones are taken to favour no direction here, and walls to give way "
        "only where sound presses. Doors, stairs and hollow floors that are not drawn are "
        "missing.",
        f"The grid has cells of {100.0 * bass.spacing_m:.1f} cm; energy that came in and "
        f"energy found agree to {max(100.0 * bass.imbalance, 1e-4):.2g} %.",
    )


def bass_pair(ident: str, rooms: Sequence[tuple[str, BassRoom]], several: bool) -> BassPair:
    """Draw and judge one pair; ``rooms`` are its layouts by name."""
    lines, dots, said = [], [], []
    for name, room in rooms:
        levels = seat_levels(room.pair)
        named = room.named(levels)
        lines.append(LevelLine(name, levels, named))
        modes = room.bass.modes
        dots.append(
            RingingDots(name, modes.freq_hz, modes.decay_s, mode_levels_db(modes, room.at))
        )
        said.append(BassLayout(name if several else "", findings_of(room, levels, named)))
    first = rooms[0][1]
    ranges = [amount(line.levels.range_db, 1.0) for line in lines]
    summary = f"from highest to lowest {ranges[0]} dB"
    if len(lines) > 1:
        summary += f"; at best {min(ranges, key=float)} dB of {len(lines)} layouts"
    return BassPair(
        ident, f"{first.source.name} → {first.receiver.name}", summary,
        (level_chart(f"{ident}-level", lines), ringing_chart(f"{ident}-ringing", dots)),
        tuple(said),
    )  # fmt: skip


def findings_of(
    room: BassRoom, levels: SeatLevels, named: Sequence[Extreme]
) -> tuple[Finding, ...]:
    """Say how even the bass is, what the largest dips and peaks come from, and what rings."""
    dips = sorted((e for e in named if e.is_dip), key=lambda e: -e.size_db)[:_TOLD]
    peaks = sorted((e for e in named if not e.is_dip), key=lambda e: -e.size_db)[:1]
    dips.sort(key=lambda e: e.freq_hz)
    told = [e for e in dips if e.cause is not None]
    others = [e for e in dips if e.cause is None]
    return (
        _evenness(levels),
        *(_dip(room, e) for e in told),
        *((_without_cause(room, others),) if others else ()),
        *(_peak(e) for e in peaks),
        _ringing(room),
    )


def _evenness(levels: SeatLevels) -> Finding:
    value = levels.range_db
    kind = "fine" if value < WELL_DB else "watch" if value < START_DB else "fault"
    word = {
        "fine": "even, as in a well treated room", "watch": "a good start", "fault": "uneven",
    }[kind]  # fmt: skip
    up_to = levels.freq_hz <= NAMED_HZ
    spread = (levels.high_db - levels.low_db)[up_to]
    worst = int(spread.argmax())
    return Finding(
        kind,
        f"The bass is {word}: {amount(value, 1.0)} dB from highest to lowest",
        f"From {levels.freq_hz[0]:.0f} to {levels.freq_hz[up_to][-1]:.0f} Hz, in twelfths of "
        f"an octave. Under {WELL_DB:.0f} dB counts as well treated and under {START_DB:.0f} dB "
        "as a good start: common practice. Ten centimetres to any side change it by up to "
        f"{amount(float(spread[worst]), 1.0)} dB, most at {levels.freq_hz[worst]:.0f} Hz.",
    )


def _dip(room: BassRoom, dip: Extreme) -> Finding:
    if isinstance(dip.cause, ByReflection):
        head, text = f"the {dip.cause.surface}", _by_reflection(room, dip, dip.cause)
    else:
        assert dip.cause is not None
        head, text = f"a null of the wave {_wave(dip.cause)}", _by_mode(room, dip, dip.cause)
    return Finding(_grave(dip), f"The dip at {dip.freq_hz:.0f} Hz is {head}", text)


def _grave(dip: Extreme) -> str:
    """Call a dip of more than 12 dB a fault: common practice, no source."""
    return "fault" if dip.size_db > 12.0 else "watch"


def _without_cause(room: BassRoom, dips: Sequence[Extreme]) -> Finding:
    """Say of all dips that nothing makes alone how deep they are, and where it is louder."""
    largest = max(dips, key=lambda e: e.size_db)
    many = len(dips) > 1
    each = _listed([f"{e.freq_hz:.0f} Hz" for e in dips])
    depth = _listed([f"{e.size_db:.0f}" for e in dips])
    louder = _louder_at(room, largest)
    at = f" At {largest.freq_hz:.0f} Hz: {louder[0].lower()}{louder[1:]}" if louder else ""
    return Finding(
        _grave(largest),
        f"The {'dips' if many else 'dip'} at {each} {'have' if many else 'has'} no one cause",
        f"{depth} dB deep. No one wall and no one standing wave makes "
        f"{'any of them' if many else 'it'} alone: several meet there.{at}",
    )


def _listed(words: Sequence[str]) -> str:
    return " and ".join(part for part in (", ".join(words[:-1]), words[-1]) if part)


def _by_reflection(room: BassRoom, dip: Extreme, cause: ByReflection) -> str:
    source, receiver = room.source.position_m, room.receiver.position_m
    # Whatever is nearer to the surface is what one would move.
    is_source = cause.source_off_m < cause.receiver_off_m
    off = cause.source_off_m if is_source else cause.receiver_off_m
    name = room.source.name if is_source else room.receiver.name
    half = cause.later_m / (room.speed_m_s / dip.freq_hz)
    moved = []
    for by, word in ((_STEP_M, "further off"), (-_STEP_M, "nearer")):
        if off + by > 0.05:
            new = moved_hz(cause, dip.freq_hz, source, receiver, by, is_source)
            if 0.5 < new / dip.freq_hz < 2.0:
                moved.append(f"20 cm {word} to {new:.0f} Hz")
    wave = room.speed_m_s / dip.freq_hz
    return " ".join(
        part
        for part in (
            f"{dip.size_db:.0f} dB deep. The {cause.surface} is {off:.2f} m "
            f"{_side(room, cause, is_source)} {name}; sound by way of it comes "
            f"{cause.later_m:.2f} m later, {half:.1f} of a wavelength, against the direct "
            f"sound. The two alone would dip by {cause.alone_db:.0f} dB.",
            f"Moving {name} shifts it: {', '.join(moved)}." if moved else "",
            _louder_at(room, dip),
            f"A panel there takes all of it only at {_FULL * wave:.1f} m depth and begins to "
            f"help at about {100.0 * _BEGIN * wave:.0f} cm; an equaliser does not fill it.",
        )
        if part
    )


def _side(room: BassRoom, cause: ByReflection, is_source: bool) -> str:
    """Say on which side of source or receiver a surface lies, as seen from the other."""
    normal = cause.mirror_m - room.source.position_m
    normal = normal / np.linalg.norm(normal)
    if abs(float(normal[2])) > 0.9:
        return "above" if normal[2] > 0.0 else "below"
    way = room.receiver.position_m - room.source.position_m
    cosine = float(normal @ way) / max(float(np.linalg.norm(way)), 1e-9)
    if is_source:
        cosine = -cosine
    return "behind" if cosine > 0.6 else "beside" if cosine > -0.6 else "in front of"


def _wave(cause: ByMode) -> str:
    """Name a standing wave by the surfaces it stands between, or by its kind."""
    f = f"at {cause.freq_hz:.0f} Hz"
    if len(cause.between) == 2:
        return f"{f} between {cause.between[0]} and {cause.between[1]}"
    return f"{f} ({cause.kind})"


def _by_mode(room: BassRoom, dip: Extreme, cause: ByMode) -> str:
    places = {"source": room.source.name, "receiver": room.receiver.name}
    null = " and ".join(places[p] for p in cause.missing_at)
    verb = "stand" if len(cause.missing_at) > 1 else "stands"
    return " ".join(
        part
        for part in (
            f"{dip.size_db:.0f} dB deep. {null} {verb} where this wave has no pressure; "
            f"with it the level would be {cause.gain_db:.0f} dB higher.",
            _louder_at(room, dip),
            "Absorbers lower a standing wave but leave its null where it is: move, or bring a "
            "second source.",
        )
        if part
    )


def _louder_at(room: BassRoom, dip: Extreme) -> str:
    """Say where to go for more, by the map."""
    seats = room.seats
    if seats is None:
        return ""
    receiver = room.receiver.position_m
    move = nearest_louder(seats, receiver, dip.freq_hz)
    if move is None:
        return "Within 70 cm of the microphone it does not get 6 dB better."
    way = np.array([move.x_m, move.y_m, 0.0])
    far = float(np.linalg.norm(way))
    towards = _surface_ahead(room.shell, receiver, way / max(far, 1e-9))
    return (
        f"{100.0 * far:.0f} cm from the microphone towards the {towards} it is "
        f"{move.gain_db:.0f} dB louder."
    )


def _surface_ahead(shell: Shell, at_m: Float, way: Float) -> str:
    """Give the name of the surface that one walks towards."""
    t = shell.triangles_m
    normal = np.cross(t[:, 1] - t[:, 0], t[:, 2] - t[:, 0])
    slant = normal @ way
    with np.errstate(divide="ignore", invalid="ignore"):
        far = np.einsum("ij,ij->i", normal, t[:, 0] - at_m) / slant
        hit = at_m + far[:, None] * way
        inside = np.ones(len(t), dtype=bool)
        for i in range(3):
            edge = t[:, (i + 1) % 3] - t[:, i]
            side = np.einsum("ij,ij->i", np.cross(edge, hit - t[:, i]), normal)
            inside &= side >= -1e-9 * np.einsum("ij,ij->i", normal, normal)
    met = inside & np.isfinite(far) & (far > 1e-6)
    if not met.any():
        return "middle"
    return shell.surfaces[
        int(shell.face_surface[int(np.where(met, far, np.inf).argmin())])
    ].name


def _peak(peak: Extreme) -> Finding:
    f = f"{peak.freq_hz:.0f} Hz"
    if isinstance(peak.cause, ByMode):
        text = (
            f"{peak.size_db:.0f} dB above both sides. It is the standing wave "
            f"{_wave(peak.cause)}. Depth at the ends of this wave lowers it; an "
            "equaliser lowers it at one place only and does not shorten it."
        )
        return Finding("watch", f"{f} booms", text)
    return Finding(
        "watch",
        f"{f} stands out by {peak.size_db:.0f} dB",
        "Several standing waves meet there.",
    )


def _ringing(room: BassRoom) -> Finding:
    """Judge the mode that outlasts the published band by most, of those that are heard."""
    modes: Modes = room.bass.modes
    heard = np.flatnonzero(mode_levels_db(modes, room.at) > _JOINED_DB)
    if not heard.size:
        return Finding("note", "No standing wave joins these two places", "None was found.")
    low, high = ringing_band_s(modes.freq_hz[heard])
    over = (modes.decay_s[heard] > high).any()
    worst = int(np.argmax(modes.decay_s[heard] / (high if over else low)))
    i = int(heard[worst])
    time_s, f = float(modes.decay_s[i]), float(modes.freq_hz[i])
    n_over = int((modes.decay_s[heard] > high).sum())
    n_open = int(((modes.decay_s[heard] > low) & (modes.decay_s[heard] <= high)).sum())
    kind = "fault" if n_over else "watch" if n_open else "fine"
    head = {
        "fault": f"{f:.0f} Hz rings on: {amount(time_s, 0.01)} s",
        "watch": f"{f:.0f} Hz may be heard to ring: {amount(time_s, 0.01)} s",
        "fine": "No note rings on in the bass",
    }[kind]
    ends = f", between {' and '.join(modes.between[i])}" if len(modes.between[i]) == 2 else ""
    text = (
        f"Of {heard.size} standing waves that join the two, {n_over} ring longer than any "
        f"published limit and {n_open} lie where listening tests disagree. The longest for "
        f"its pitch is {modes.kind[i]}{ends}; tests put the limit at {f:.0f} Hz between "
        f"{low[worst]:.2f} and {high[worst]:.2f} s."
    )
    return Finding(kind, head, text)
