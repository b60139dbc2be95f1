"""Every treated surface drawn to scale, with the measures by which to mark it out.

Walls and slopes are seen from inside the room and laid flat, floors and ceilings from
above. Measures are whole millimetres along the surface, from the corners that the scene
file names to the nearest edge of each piece.
"""

import re
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry

from raysim.geometry.mesh import RoomMesh
from raysim.geometry.placed import Placed
from raysim.geometry.polygons import axes_of
from raysim.planning.clearance import Kept
from raysim.report.svg import Canvas, Figure
from raysim.scene.model import Scene
from raysim.units import Float

#: What holds for every drawing of a layout.
HOW_TO_READ: Final = (
    "To scale. Millimetres along the surface, from the corners named in the table below to the "
    "nearest edge. Hatched: keep clear. A mark with “!” stands on each piece that takes a "
    "check before anything is drilled or hung; what to check stands below the drawing. Cross "
    "it off when it is done."
)
#: What goes into the surface, or hangs from what does.
DRILLED: Final = ("screwed", "hung", "on rail")
#: Shape of the mark, and what to check before: on walls, and over heads.
_CHECKS: Final = {
    "diamond": "Check before drilling: cables, pipes, asbestos, what the wall is.",
    "triangle": "Check before hanging: structure, second tie, cables, pipes, asbestos.",
}

_WIDTH: Final = 620.0
_MARGIN: Final = 62.0
_TALLEST: Final = 520.0
#: What lies this close to a surface lies on it, metres.
_ON_M: Final = 0.02
#: Height of the small type, drawing units.
_TYPE: Final = 14.5
#: Where along the edge of its piece a measure may start.
_SHARES: Final = (0.5, 0.3, 0.7, 0.15, 0.85, 0.4, 0.6)
#: Half the height of a mark to check before, and the height of its line below the drawing.
_MARK, _ROW = 9.0, 24.0
#: How many lines may run beside it, on each side.
_N_BESIDE: Final = 5


@dataclass(frozen=True, slots=True)
class _Sheet:
    """How a surface lies on paper."""

    origin_m: Float  # (3,)
    u: Float  # (3,) to the right
    v: Float  # (3,) upwards
    low: Float  # (2,)
    scale: float
    base: float

    def flat(self, points_m: Float) -> Float:
        """Give points (n, 3) in the surface's own axes, (n, 2), metres."""
        d = np.atleast_2d(points_m) - self.origin_m
        return np.stack([d @ self.u, d @ self.v], axis=-1)

    def lay(self, flat_m: Float) -> Float:
        """Give points (n, 2) of the surface on paper."""
        x = _MARGIN + self.scale * (flat_m[:, 0] - self.low[0])
        y = self.base - self.scale * (flat_m[:, 1] - self.low[1])
        return np.stack([x, y], axis=-1)


def elevations(
    scene: Scene, mesh: RoomMesh, placed: Sequence[Placed], kept: Sequence[Kept], ident: str
) -> tuple[Figure, ...]:
    """Draw each surface that carries an item.

    Parameters
    ----------
    scene : Scene
    mesh : RoomMesh
        The room as described.
    placed : sequence of Placed
    kept : sequence of Kept
        Drawn hatched where they lie on the surface or just before it.
    ident : str
        Begins the identifiers of the figures.

    Returns
    -------
    tuple of Figure
        In the order in which the layout names the surfaces.
    """
    names = dict.fromkeys(p.item.on for p in placed)
    return tuple(
        _elevation(
            scene, mesh, name, [p for p in placed if p.item.on == name], kept, f"{ident}-{i}"
        )
        for i, name in enumerate(names)
    )


def _elevation(
    scene: Scene,
    mesh: RoomMesh,
    name: str,
    placed: Sequence[Placed],
    kept: Sequence[Kept],
    ident: str,
) -> Figure:
    sheet, outline = _lay_out(scene, mesh, name, placed[0].normal)
    asked = [shape for shape in _CHECKS if any(_check(p) == shape for p in placed)]
    height = sheet.base + _MARGIN
    canvas = Canvas(_WIDTH, height + _ROW * len(asked))
    for i, shape in enumerate(asked):
        _legend(canvas, height + _ROW * i, shape)
    _shape(canvas, sheet, outline, "outline")
    zones = [k for k in kept if k.zone.kind != "access"]  # within reach is not kept clear
    names: list[tuple[BaseGeometry, str, str]] = []
    for patch in scene.patches:
        if patch.on == name:
            shape = _of_surface(mesh, [patch.name], sheet)
            _shape(canvas, sheet, shape, "opening")
            if not any(k.zone.around == patch.name for k in zones):
                names.append((shape, patch.name, "opening-name"))
    offset_m = float(placed[0].origin_m @ placed[0].normal)
    for zone in zones:
        shape = _zone_on(zone, sheet, placed[0].normal, offset_m, outline)
        if not shape.is_empty:
            _shape(canvas, sheet, shape, "forbidden")
            names.append((shape, zone.zone.name, "forbidden-name"))
    for one in placed:
        _piece(canvas, sheet, one)
    _measures(canvas, sheet, mesh, placed)
    covered = shapely.union_all(
        [shapely.Polygon(sheet.flat(p.footprint_m)).buffer(0.0) for p in placed]
    )
    for shape, words, css in names:  # last, so that they find the room that is left
        seen_of_it = shapely.difference(shape, covered)
        _write(canvas, sheet, shape if seen_of_it.is_empty else seen_of_it, words, css)
    level = abs(float(placed[0].normal[2])) > 0.999
    seen = "seen from above" if level else "seen from inside the room, laid flat"
    marks = ", ".join(p.item.name for p in placed)
    about = " ".join([f"{name} with {marks}, to scale, {seen}.", *(_CHECKS[a] for a in asked)])
    return canvas.figure(ident, name, about, f"{seen[0].upper()}{seen[1:]}.")


def _lay_out(
    scene: Scene, mesh: RoomMesh, name: str, normal: Float
) -> tuple[_Sheet, BaseGeometry]:
    """Choose axes and scale so that the whole surface fits."""
    if abs(float(normal[2])) > 0.999:
        u, v = np.array([1.0, 0.0, 0.0]), np.array([0.0, 1.0, 0.0])
    else:
        u, v = axes_of(normal)
    frame = _Sheet(np.zeros(3), u, v, np.zeros(2), 1.0, 0.0)
    names = [name, *(p.name for p in scene.patches if p.on == name)]
    outline = _of_surface(mesh, names, frame)
    x0, y0, x1, y1 = outline.bounds
    scale = min(
        (_WIDTH - 2 * _MARGIN) / max(x1 - x0, 1e-6),
        (_TALLEST - 2 * _MARGIN) / max(y1 - y0, 1e-6),
    )
    base = scale * (y1 - y0) + _MARGIN * 0.6
    return _Sheet(np.zeros(3), u, v, np.array([x0, y0]), scale, base), outline


def _of_surface(mesh: RoomMesh, names: Iterable[str], sheet: _Sheet) -> BaseGeometry:
    """Give what some surfaces cover, in the sheet's axes."""
    wanted = set(names)
    mine = [i for i, s in enumerate(mesh.surfaces) if s.name in wanted]
    triangles = mesh.triangles_m[np.isin(mesh.face_surface, mine)]
    flat = [shapely.Polygon(sheet.flat(t)) for t in triangles]
    return shapely.union_all(flat, grid_size=1e-6)


def _shape(canvas: Canvas, sheet: _Sheet, shape: BaseGeometry, css: str) -> None:
    for part in getattr(shape, "geoms", [shape]):
        if isinstance(part, shapely.Polygon) and not part.is_empty:
            for ring in (part.exterior, *part.interiors):
                canvas.path(sheet.lay(np.asarray(ring.coords)[:-1, :2]), css, close=True)


def _write(canvas: Canvas, sheet: _Sheet, shape: BaseGeometry, words: str, css: str) -> None:
    if not shape.is_empty:
        spot = shape.representative_point()
        x, y = sheet.lay(np.array([[spot.x, spot.y]]))[0]
        canvas.label(float(x), float(y), words, css, _TYPE, is_centred=True)


def _zone_on(
    kept: Kept, sheet: _Sheet, normal: Float, offset_m: float, outline: BaseGeometry
) -> BaseGeometry:
    """Give what a zone with its clearance takes of the surface: a section of its rim."""
    away = np.maximum(kept.points_m @ normal - offset_m, 0.0)
    near_m = float(away.min()) if len(away) else np.inf
    if near_m > max(kept.clear_m, _ON_M):
        return shapely.Polygon()
    body = shapely.convex_hull(shapely.MultiPoint(sheet.flat(kept.points_m)))
    reach_m = float(np.sqrt(max(kept.clear_m**2 - near_m**2, _ON_M**2)))
    return shapely.intersection(body.buffer(reach_m), outline)


def _piece(canvas: Canvas, sheet: _Sheet, placed: Placed) -> None:
    """Draw one item with its mark and size."""
    item = placed.item
    flat = sheet.flat(placed.footprint_m)
    canvas.path(sheet.lay(flat), "piece", close=True)
    low, high = flat.min(axis=0), flat.max(axis=0)
    for axis in (0, 1):
        for i in range(1, item.count[axis]):
            ends = np.array([low, high])
            ends[:, axis] = low[axis] + i / item.count[axis] * (high - low)[axis]
            (x0, y0), (x1, y1) = sheet.lay(ends)
            canvas.line(float(x0), float(y0), float(x1), float(y1), "joint")
    x, y = (float(v) for v in sheet.lay(0.5 * (low + high)[None])[0])
    gap = f", {1000 * item.gap_m:.0f} off" if item.gap_m > 0.0 else ""
    size = f"{1000 * item.size_m[0]:.0f} x {1000 * item.size_m[1]:.0f}{gap}"
    room = sheet.scale * float(high[0] - low[0])
    rows = next(
        (r for r in ([size], re.split(r"(?<=,) ", size)) if max(map(_width, r)) <= room),
        re.split(r"(?<= x) |(?<=,) ", size),
    )
    canvas.text(x, y - 3.0, item.name, "piece-name", "middle")
    for i, row in enumerate(rows):
        canvas.text(x, y + 0.9 * _TYPE + _TYPE * i, row, "piece-size", "middle")
    wide = max(_width(row) for row in (item.name, *rows))
    canvas.keep_off(x - 0.5 * wide, y - 18.0, wide, 22.0 + _TYPE * len(rows))
    shape = _check(placed)
    if shape:
        _check_marks(canvas, sheet, low, high, item.count, shape)


def _check(placed: Placed) -> str:
    """Give the shape that marks what to check before, or nothing if nothing is fixed."""
    if placed.overhead:
        return "triangle"
    return "diamond" if placed.item.fixing in DRILLED else ""


def _check_marks(
    canvas: Canvas, sheet: _Sheet, low: Float, high: Float, count: tuple[int, int], shape: str
) -> None:
    """Put a mark into the upper right corner of each piece."""
    side = (high - low) / np.array(count)
    inset = np.minimum(1.4 * _MARK / sheet.scale, 0.5 * side)
    for i in range(count[0]):
        for j in range(count[1]):
            corner = low + side * (i + 1, j + 1) - inset
            x, y = sheet.lay(corner[None])[0].tolist()
            _check_mark(canvas, x, y, shape)


def _check_mark(canvas: Canvas, x: float, y: float, shape: str) -> None:
    canvas.mark(shape, x, y, _MARK, "check")
    canvas.text(x, y + 4.5, "!", "check-text", "middle")
    canvas.keep_off(x - _MARK, y - _MARK, 2.0 * _MARK, 2.0 * _MARK)


def _legend(canvas: Canvas, top: float, shape: str) -> None:
    """Say below the drawing what a mark asks for."""
    y = top + 0.5 * _ROW - 4.0
    _check_mark(canvas, _MARGIN + _MARK, y, shape)
    canvas.text(_MARGIN + 3.0 * _MARK, y + 5.0, _CHECKS[shape], "check-words")
    canvas.keep_off(0.0, top - 4.0, _WIDTH, _ROW)


def _width(words: str) -> float:
    return 0.56 * _TYPE * len(words)


@dataclass(frozen=True, slots=True)
class _Measure:
    """A line with a number, from a corner to the edge of a piece."""

    axis: int  # 0 runs level on paper, 1 upright
    ends: Float  # (2, 2) on paper
    words: str
    foot: Float | None = None  # (2,) where its piece ends, if the line runs beside it

    @property
    def words_at(self) -> tuple[float, float]:
        """Middle of the base line of its number, beside the line."""
        x, y = (float(v) for v in self.ends.mean(axis=0))
        return (x, y - 4.0) if self.axis == 0 else (x - 4.0, y)

    @property
    def words_box(self) -> tuple[float, float, float, float]:
        """Left, top, width and height of its number."""
        (x, y), long = self.words_at, _width(self.words)
        if self.axis == 0:
            return x - 0.5 * long, y - _TYPE, long, _TYPE + 2.0
        return x - _TYPE, y - 0.5 * long, _TYPE + 2.0, long

    @property
    def line_box(self) -> tuple[float, float, float, float]:
        """Left, top, width and height of the line."""
        low, high = self.ends.min(axis=0), self.ends.max(axis=0)
        wide, tall = (float(v) for v in high - low)
        return float(low[0]), float(low[1]), wide, tall

    def too_near(self, other: "_Measure") -> bool:
        """Tell if two parallel lines run so close that they read as one."""
        across = 1 - self.axis
        if self.axis != other.axis or abs(self.ends[0, across] - other.ends[0, across]) > _TYPE:
            return False
        mine, its = np.sort(self.ends[:, self.axis]), np.sort(other.ends[:, self.axis])
        return bool(mine[1] > its[0] and its[1] > mine[0])


def _measures(canvas: Canvas, sheet: _Sheet, mesh: RoomMesh, placed: Sequence[Placed]) -> None:
    """Draw the distances of all items from the named corners, short ones first.

    Each line may leave its piece at several places, or run beside it: it takes the one where
    it crosses the fewest numbers and marks, and lies on no other line.
    """
    drawn: list[_Measure] = []
    asked = [(d, neighbour, p) for p in placed for neighbour, d in p.item.from_m]
    for distance_m, neighbour, one in sorted(asked, key=lambda a: a[0]):
        choices = list(_choices(sheet, mesh, one, neighbour, distance_m))

        def cost(m: _Measure) -> int:
            on_words = not canvas.is_free(*m.words_box)
            on_line = not canvas.is_free(*m.line_box)
            near = any(m.too_near(o) for o in drawn)
            return 4 * on_words + 2 * on_line + 4 * near + (m.foot is not None)

        best = min(choices, key=cost)
        drawn.append(best)
        canvas.keep_off(*best.words_box)
        _draw(canvas, best, distance_m)


def _choices(
    sheet: _Sheet, mesh: RoomMesh, placed: Placed, neighbour: str, distance_m: float
) -> Iterator[_Measure]:
    flat = sheet.flat(placed.footprint_m)
    low, high = flat.min(axis=0), flat.max(axis=0)
    towards = _away_from(mesh, neighbour, sheet)
    axis = int(np.abs(towards).argmax())
    side = 1.0 if towards[axis] > 0 else -1.0
    near = low[axis] if side > 0 else high[axis]
    for share in _SHARES:
        ends = np.zeros((2, 2))
        ends[:, axis] = near - side * distance_m, near
        ends[:, 1 - axis] = low[1 - axis] + share * (high - low)[1 - axis]
        yield _Measure(axis, sheet.lay(ends), f"{1000 * distance_m:.0f}")
    for i in range(1, _N_BESIDE + 1):  # beside the piece, with a line that leads there
        for edge, sign in ((high, 1.0), (low, -1.0)):
            foot = np.zeros((1, 2))
            foot[0, axis], foot[0, 1 - axis] = near, edge[1 - axis]
            ends[:, 1 - axis] = edge[1 - axis] + sign * i * 1.2 * _TYPE / sheet.scale
            beside = sheet.lay(ends.copy())
            yield _Measure(axis, beside, f"{1000 * distance_m:.0f}", sheet.lay(foot)[0])


def _draw(canvas: Canvas, measure: _Measure, distance_m: float) -> None:
    (x0, y0), (x1, y1) = ((float(a), float(b)) for a, b in measure.ends)
    if distance_m > 0.0:
        canvas.line(x0, y0, x1, y1, "measure")
    if measure.foot is not None:
        canvas.line(float(measure.foot[0]), float(measure.foot[1]), x1, y1, "measure")
    for x, y in ((x0, y0), (x1, y1)):
        canvas.line(x - 3, y + 3, x + 3, y - 3, "measure")
    x, y = measure.words_at
    if measure.axis == 0:
        canvas.text(x, y, measure.words, "measure-text", "middle")
    else:
        canvas.upright(x, y, measure.words, "measure-text")


def _away_from(mesh: RoomMesh, neighbour: str, sheet: _Sheet) -> Float:
    """Give the direction on the sheet that leads away from a neighbouring surface, (2,)."""
    i = [s.name for s in mesh.surfaces].index(neighbour)
    normal = mesh.face_normal[np.flatnonzero(mesh.face_surface == i)[0]]
    return np.array([normal @ sheet.u, normal @ sheet.v])
