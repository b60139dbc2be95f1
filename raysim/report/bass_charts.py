"""The bass in pictures: level over frequency, what rings how long, and where it is even.

Layouts differ by dash and shape as well as by colour, and the classes of the map by how
dark they are, so all can be read in grey.
"""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from raysim.measures.bass import (
    NAMED_HZ,
    START_DB,
    WELL_DB,
    Extreme,
    SeatLevels,
    judged_hz,
    ringing_band_s,
    seat_quality,
)
from raysim.records import SeatMap
from raysim.report.drawing import Place
from raysim.report.numbers import amount, level
from raysim.report.shell import Shell, cut_segments
from raysim.report.svg import SHAPES, Canvas, Figure
from raysim.units import Float

_WIDTH = 460.0
#: Frequencies that are written on an axis.
_TICKS_HZ = (20, 30, 40, 50, 60, 80, 100, 150, 200, 300, 400, 500, 700)
#: Classes of the map: highest over lowest level up to so many dB. Two of the steps are
#: those that levels at a place are judged by.
CLASSES_DB = (WELL_DB, START_DB, 25.0, 30.0)
#: Modes that join source and receiver more weakly than this are drawn hollow, dB.
_FAINT_DB = -10.0
#: Dips and peaks named in a picture, the largest first; nearer than this share to one that
#: is named, they are the same in another layout.
_NAMED, _SAME = 5, 0.05


@dataclass(frozen=True, slots=True)
class LevelLine:
    """The bass of one layout at one place."""

    name: str
    levels: SeatLevels
    extremes: tuple[Extreme, ...]


@dataclass(frozen=True, slots=True)
class RingingDots:
    """The modes of one layout, as one source and one receiver meet them."""

    name: str
    freq_hz: Float  # (n_mode,)
    decay_s: Float
    joined_db: Float  # how strongly each joins the two, re places of mean strength


@dataclass(frozen=True, slots=True)
class _Axis:
    """Frequency to the right, an octave everywhere as wide."""

    low_hz: float
    high_hz: float
    left: float
    right: float

    def x(self, freq_hz: Float | float) -> Float:
        share = np.log(np.asarray(freq_hz) / self.low_hz) / math.log(self.high_hz / self.low_hz)
        return np.asarray(self.left + (self.right - self.left) * share)

    def draw(self, canvas: Canvas, top: float, base: float) -> None:
        """Draw lines and numbers, and name the axis."""
        last = -1e9
        for f in _TICKS_HZ:
            if not self.low_hz * 0.999 <= f <= self.high_hz * 1.001:
                continue
            x = float(self.x(f))
            canvas.line(x, top, x, base, "grid")
            if x - last > 26.0:
                canvas.text(x, base + 16, str(f), "tick", "middle")
                last = x
        middle = 0.5 * (self.left + self.right)
        canvas.text(middle, base + 33, "pitch of the sound, Hz", "axis", "middle")


def level_chart(ident: str, lines: Sequence[LevelLine]) -> Figure:
    """Draw level over frequency at one place, all layouts on one scale.

    The range within 10 cm is shaded for the first layout and the last.
    """
    height, left, right, base = 272.0, 38.0, _WIDTH - 8.0, 232.0
    top = 22.0 + 17.0 * (len(lines) > 1) * -(-len(lines) // 2)
    canvas = Canvas(_WIDTH, height)
    freq = lines[0].levels.freq_hz
    axis = _Axis(float(freq[0]), float(freq[-1]), left, right)
    highest = max(float(one.levels.high_db.max()) for one in lines)
    lowest = max(min(float(one.levels.level_db.min()) for one in lines), highest - 60.0)
    high, low = 10.0 * math.ceil(highest / 10.0), 10.0 * math.floor(lowest / 10.0)

    def y_of(level_db: Float | float) -> Float:
        return np.asarray(
            top + (base - top) * (high - np.clip(level_db, low, high)) / (high - low)
        )

    axis.draw(canvas, top, base)
    for value in np.arange(low, high + 1.0, 10.0).tolist():
        canvas.line(left, float(y_of(value)), right, float(y_of(value)), "grid")
        canvas.text(left - 6, float(y_of(value)) + 4, level(value, 1.0), "tick", "end")
    canvas.text(4, 12, "dB", "axis")
    shaded = {0, len(lines) - 1}
    for i, one in enumerate(lines):
        x = axis.x(one.levels.freq_hz)
        if i in shaded:
            ring = np.concatenate([
                np.stack([x, y_of(one.levels.high_db)], 1),
                np.stack([x, y_of(one.levels.low_db)], 1)[::-1],
            ])  # fmt: skip
            canvas.path(ring, f"near l{i % len(SHAPES)}", close=True)
    for i, one in enumerate(lines):
        points = np.stack([axis.x(one.levels.freq_hz), y_of(one.levels.level_db)], 1)
        canvas.path(points, f"seat l{i % len(SHAPES)}")
        canvas.avoid(np.stack([points[:-1], points[1:]], axis=1))
    if len(lines) > 1:
        for i, one in enumerate(lines):
            at, y = left + (i % 2) * 212.0, 28.0 + 17.0 * (i // 2)
            canvas.path([(at, y - 4), (at + 30, y - 4)], f"seat l{i % len(SHAPES)}")
            canvas.text(at + 36, y, _short(one.name), "key")
    canvas.bounds = (left + 2, top, right, base)
    said: list[float] = []
    for one in lines:
        largest = sorted(one.extremes, key=lambda e: -e.size_db)[:_NAMED]
        for e in sorted(largest, key=lambda e: e.freq_hz):
            at, y = float(axis.x(e.freq_hz)), float(y_of(e.level_db))
            canvas.mark("triangle" if e.is_dip else "wedge", at, y, 3.4, "named")
            if all(abs(e.freq_hz / f - 1.0) > _SAME for f in said):
                canvas.label(at, y, f"{e.freq_hz:.0f}", "mark-name", 11.0)
                said.append(e.freq_hz)
    ranges = ", ".join(f"{one.name} {amount(one.levels.range_db, 1.0)} dB" for one in lines)
    caption = (
        "Level at the microphone re 1 m from the same source in the open, each point the mean "
        "of a twelfth of an octave"
        + ("; shaded, what is met within 10 cm" if len(lines) == 1 else
           "; shaded, what is met within 10 cm, of the first and the last")
        + ". Marked with their pitch: the largest dips (▴) and peaks (▾) up to "
        f"{NAMED_HZ:.0f} Hz. Even is better than loud: no equaliser fills a dip."
    )  # fmt: skip
    return canvas.figure(
        ident, "Bass at this place",
        f"Level over frequency. Highest over lowest to {NAMED_HZ:.0f} Hz: {ranges}.", caption,
    )  # fmt: skip


def ringing_chart(ident: str, layouts: Sequence[RingingDots]) -> Figure:
    """Draw how long each standing wave rings, against the band where it may be heard."""
    height, left, right, base = 272.0, 38.0, _WIDTH - 8.0, 232.0
    top = 22.0 + 17.0 * (len(layouts) > 1) * -(-len(layouts) // 2)
    canvas = Canvas(_WIDTH, height)
    every = np.concatenate([one.freq_hz for one in layouts])
    lowest = min(28.0, float(every.min(initial=28.0)))
    axis = _Axis(0.95 * lowest, 1.03 * max(150.0, float(every.max(initial=150.0))), left, right)
    times = np.concatenate([one.decay_s for one in layouts])
    high = 5.0 if times.size and float(times.max()) > 2.6 else 2.6
    low = 0.05

    def y_of(time_s: Float | float) -> Float:
        share = np.log(np.clip(time_s, low, high) / low) / math.log(high / low)
        return np.asarray(base - (base - top) * share)

    axis.draw(canvas, top, base)
    freq = np.geomspace(axis.low_hz, axis.high_hz, 80)
    below, above = ringing_band_s(freq)
    across = axis.x(freq)
    ring = np.concatenate(
        [np.stack([across, y_of(above)], 1), np.stack([across, y_of(below)], 1)[::-1]]
    )
    canvas.path(ring, "disputed", close=True)
    for value in (0.05, 0.1, 0.2, 0.5, 1.0, 2.0, 5.0):
        if value <= high:
            canvas.line(left, float(y_of(value)), right, float(y_of(value)), "grid")
            canvas.text(left - 6, float(y_of(value)) + 4, f"{value:g}", "tick", "end")
    canvas.text(4, 12, "seconds", "axis")
    for i, one in enumerate(layouts):
        shape = SHAPES[i % len(SHAPES)]
        for f, time_s, joined in zip(one.freq_hz, one.decay_s, one.joined_db, strict=True):
            faint = joined < _FAINT_DB
            at, y = float(axis.x(f)), float(y_of(time_s))
            size, css = (2.2, "mode") if faint else (4.0, f"s{i % 6}")
            canvas.mark(shape, at, y, size, css)
        if len(layouts) > 1:
            at, y = left + (i % 2) * 212.0, 28.0 + 17.0 * (i // 2)
            canvas.mark(shape, at + 6, y - 4, 4.0, f"s{i % 6}")
            canvas.text(at + 18, y, _short(one.name), "key")
    canvas.text(right - 4, top + 12.0, "heard to ring: all agree", "tick", "end")
    canvas.text(right - 4, base - 8.0, "not heard: all agree", "tick", "end")
    caption = (
        "Time for each standing wave to fall by 60 dB. Shaded: published listening tests "
        "disagree whether a note is heard to ring on (0.2 s above 100 Hz rising to 0.85 s at "
        "32 Hz in one, 0.4 s at 100 Hz and 2 s at 50 Hz in another). Small hollow dots are "
        "waves that hardly join this source and this microphone."
    )
    return canvas.figure(
        ident, "What rings on",
        f"Decay time of {every.size} standing waves over their frequency.", caption,
    )  # fmt: skip


def seat_chart(
    ident: str, name: str, seats: SeatMap, shell: Shell, sources: Sequence[Place],
    receivers: Sequence[Place],
) -> Figure:  # fmt: skip
    """Draw on the plan how even the bass is at each place, in five classes."""
    low, high = shell.vertices_m.min(axis=0), shell.vertices_m.max(axis=0)
    margin, top = 14.0, 14.0
    scale = min(
        (_WIDTH - 2 * margin) / float(high[0] - low[0]), 420.0 / float(high[1] - low[1])
    )
    base = top + scale * float(high[1] - low[1])
    left = 0.5 * (_WIDTH - scale * float(high[0] - low[0]))
    canvas = Canvas(_WIDTH, base + 62.0)

    def lay(points_m: Float) -> Float:
        points = np.asarray(points_m, dtype=np.float64)
        x, y = (
            left + scale * (points[..., 0] - low[0]),
            base - scale * (points[..., 1] - low[1]),
        )
        return np.stack([x, y], axis=-1)

    quality = seat_quality(seats)
    kind = np.digitize(quality.range_db, CLASSES_DB)
    dx, dy = (float(np.diff(a).mean()) if a.size > 1 else 0.1 for a in (seats.x_m, seats.y_m))
    for i in range(len(CLASSES_DB) + 1):
        bars = []
        for row in range(seats.y_m.size):
            here = (kind[row] == i) & np.isfinite(quality.range_db[row])
            edge = np.flatnonzero(np.diff(np.concatenate([[0], here.astype(int), [0]])))
            bars += [(row, int(a), int(b)) for a, b in edge.reshape(-1, 2)]
        if bars:
            canvas.parts.append(f'<path class="m{i}" d="{_bars(bars, seats, dx, dy, lay)}"/>')
    cut, _ = cut_segments(shell.triangles_m, 2, seats.height_m)
    canvas.segments(lay(cut), "cut")
    canvas.avoid(lay(cut))
    row, column = quality.best
    best = np.array([seats.x_m[column], seats.y_m[row]])
    sounding = [s for s in sources if s.name == seats.source]
    spots = [(best, "best", "diamond", "best")]
    spots += [(r.position_m, r.name, "circle", "receiver") for r in receivers]
    spots += [(s.position_m, s.name, "circle", "source") for s in sounding]
    for at, _, shape, css in spots:
        x, y = map(float, lay(at))
        canvas.keep_off(x - 7, y - 7, 14, 14)
        canvas.mark(shape, x, y, 5.6 if shape == "diamond" else 4.6, css)
    canvas.bounds = (2.0, 2.0, _WIDTH - 2.0, base + 10.0)
    for at, said, _, css in spots:
        x, y = map(float, lay(at))
        if css == "source":
            canvas.label(x, y, said, "source-name", 13.0)
        else:
            canvas.label(x, y, said, "receiver-name")
    _key(canvas, base + 24.0)
    low_hz, high_hz = judged_hz(seats)
    words = (
        f"Highest over lowest level from {low_hz:.0f} to {high_hz:.0f} Hz, for {seats.source}, "
        f"at {seats.height_m:.2f} m height. The most even place (◆) has "
        f"{amount(float(quality.range_db[row, column]), 1.0)} dB, its worst dip at "
        f"{quality.dip_hz[row, column]:.0f} Hz"
    )
    words += "".join(
        f"; {text}" for text in map(lambda r: at_receiver(seats, r), receivers) if text
    )
    title = f"Where the bass of {seats.source} is even{f', {name}' if name else ''}"
    return canvas.figure(
        ident, title, f"{words}.",
        f"{words}. White: within 0.3 m of a surface, or not to sit. Places change by "
        "centimetres what panels change by square metres.",
    )  # fmt: skip


def at_receiver(seats: SeatMap, place: Place) -> str:
    """Say how even the bass is where a receiver stands, if the map reaches there."""
    row = int(np.abs(seats.y_m - place.position_m[1]).argmin())
    column = int(np.abs(seats.x_m - place.position_m[0]).argmin())
    quality = seat_quality(seats)
    value = float(quality.range_db[row, column])
    if not math.isfinite(value) or abs(float(place.position_m[2]) - seats.height_m) > 0.3:
        return ""
    return f"{place.name} has {amount(value, 1.0)} dB, at {quality.dip_hz[row, column]:.0f} Hz"


def _bars(
    bars: list[tuple[int, int, int]],
    seats: SeatMap,
    dx: float,
    dy: float,
    lay: Callable[[Float], Float],
) -> str:
    """Give rows of cells of one class as one outline each."""
    parts = []
    for row, first, end in bars:
        x1, x2 = seats.x_m[first] - 0.5 * dx, seats.x_m[end - 1] + 0.5 * dx
        y1, y2 = seats.y_m[row] - 0.5 * dy, seats.y_m[row] + 0.5 * dy
        (ax, ay), (bx, by) = lay(np.array([(x1, y1), (x2, y2)]))
        parts.append(f"M{ax:.1f} {ay:.1f}H{bx:.1f}V{by:.1f}H{ax:.1f}z")
    return "".join(parts)


def _key(canvas: Canvas, y: float) -> None:
    """Draw the classes of the map side by side with their bounds."""
    wide = (_WIDTH - 28.0) / (len(CLASSES_DB) + 1)
    bounds = [f"{b:.0f}" for b in CLASSES_DB]
    words = [
        f"under {bounds[0]} dB",
        *(f"{a} to {b}" for a, b in pairwise(bounds)),
    ]
    for i, text in enumerate([*words, f"over {bounds[-1]}"]):
        canvas.rect(14.0 + i * wide, y, wide - 3.0, 10.0, f"m{i} framed")
        canvas.text(14.0 + i * wide, y + 25.0, text, "tick")


def _short(name: str, most: int = 27) -> str:
    return name if len(name) <= most else f"{name[: most - 1]}…"
