"""Every treated surface drawn to scale, with the measures by which to mark it out.

Walls and slopes are seen from inside the room and laid flat, floors and ceilings from
above. Measures are whole millimetres along the surface, from the corners that the scene
file names to the nearest edge of each piece.
"""

from collections.abc import Iterable, Sequence
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

_WIDTH: Final = 620.0
_MARGIN: Final = 62.0
_TALLEST: Final = 520.0
#: What lies this close to a surface lies on it, metres.
_ON_M: Final = 0.02


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
    height = sheet.base + _MARGIN
    canvas = Canvas(_WIDTH, height)
    _shape(canvas, sheet, outline, "outline")
    zones = [k for k in kept if k.zone.kind != "access"]  # within reach is not kept clear
    for patch in scene.patches:
        if patch.on == name:
            shape = _of_surface(mesh, [patch.name], sheet)
            _shape(canvas, sheet, shape, "opening")
            if not any(k.zone.around == patch.name for k in zones):
                _write(canvas, sheet, shape, patch.name, "opening-name")
    offset_m = float(placed[0].origin_m @ placed[0].normal)
    for zone in zones:
        shape = _zone_on(zone, sheet, placed[0].normal, offset_m, outline)
        if not shape.is_empty:
            _shape(canvas, sheet, shape, "forbidden")
            _write(canvas, sheet, shape, f"keep clear: {zone.zone.name}", "forbidden-name")
    for one in placed:
        _piece(canvas, sheet, mesh, one)
    level = abs(float(placed[0].normal[2])) > 0.999
    seen = "seen from above" if level else "seen from inside the room, laid flat"
    marks = ", ".join(p.item.name for p in placed)
    caption = (
        f"To scale, {seen}. Millimetres along the surface, from the named corners to the "
        "nearest edge. Hatched: keep clear. Do not drill before you have looked for cables and "
        "pipes."
    )
    return canvas.figure(ident, name, f"{name} with {marks}, to scale.", caption)


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
        canvas.label(float(x), float(y), words, css, 11.0, is_centred=True)


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


def _piece(canvas: Canvas, sheet: _Sheet, mesh: RoomMesh, placed: Placed) -> None:
    """Draw one item with its mark and its distances from the named corners."""
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
    middle = sheet.lay(0.5 * (low + high)[None])[0]
    gap = f", {1000 * item.gap_m:.0f} off" if item.gap_m > 0.0 else ""
    size = f"{1000 * item.size_m[0]:.0f} x {1000 * item.size_m[1]:.0f}{gap}"
    canvas.text(float(middle[0]), float(middle[1]) - 2.0, item.name, "piece-name", "middle")
    canvas.text(float(middle[0]), float(middle[1]) + 11.0, size, "piece-size", "middle")
    for neighbour, distance_m in item.from_m:
        towards = _away_from(mesh, neighbour, sheet)
        axis = int(np.abs(towards).argmax())
        side = 1.0 if towards[axis] > 0 else -1.0
        near = low[axis] if side > 0 else high[axis]
        # Vertical measures beside the middle, level ones below it, so that they part.
        across = low[1 - axis] + (0.5 if axis == 0 else 0.25) * (high - low)[1 - axis]
        ends = np.zeros((2, 2))
        ends[:, axis] = near - side * distance_m, near
        ends[:, 1 - axis] = across
        (x0, y0), (x1, y1) = sheet.lay(ends)
        if distance_m > 0.0:
            canvas.line(float(x0), float(y0), float(x1), float(y1), "measure")
        for x, y in ((x0, y0), (x1, y1)):
            canvas.line(float(x) - 3, float(y) + 3, float(x) + 3, float(y) - 3, "measure")
        words = f"{1000 * distance_m:.0f}"
        x, y = float(x0 + x1) / 2, float(y0 + y1) / 2
        if axis == 0:
            canvas.text(x, y - 4.0, words, "measure-text", "middle")
        else:
            canvas.upright(x - 4.0, y, words, "measure-text")


def _away_from(mesh: RoomMesh, neighbour: str, sheet: _Sheet) -> Float:
    """Give the direction on the sheet that leads away from a neighbouring surface, (2,)."""
    i = [s.name for s in mesh.surfaces].index(neighbour)
    normal = mesh.face_normal[np.flatnonzero(mesh.face_surface == i)[0]]
    return np.array([normal @ sheet.u, normal @ sheet.v])
