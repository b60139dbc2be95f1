"""A drawn room as facets: floor, walls, slopes, flat ceiling, dormers.

The room is what lies over the plan between z = 0 and h(x, y), where h is the least
of the flat height and the roof planes, or a dormer's flat ceiling where that is
higher. The plan is divided along every line where two of these planes cross; in
each cell one plane is the top, and walls follow from the edges of the cells.
"""

from dataclasses import dataclass
from itertools import combinations, pairwise

import numpy as np
import shapely
from shapely.geometry import LineString, Polygon

from raysim.errors import Complaint, figure
from raysim.geometry.polygons import GRID_M, SLIVER_M, Facet, facet_from, joined, parts_of
from raysim.scene.model import Dormer, DrawnRoom, RoofPlane
from raysim.units import Float


@dataclass(frozen=True, slots=True)
class Top:
    """A plane z = a x + b y + c that may be the top of the room."""

    surface: str
    a: float
    b: float
    c: float
    dormer: Dormer | None = None

    def z_m(self, xy: Float) -> Float:
        """Height over points (n, 2), (n,)."""
        return np.asarray(self.a * xy[:, 0] + self.b * xy[:, 1] + self.c)


#: The top of the parts of the plan where a roof plane is below the floor.
NOTHING = Top("", 0.0, 0.0, 0.0)


@dataclass(frozen=True, slots=True)
class Cell:
    """A part of the plan under one top; ``roof`` is the top without dormers."""

    shape: Polygon
    top: Top
    roof: Top


def draw_facets(room: DrawnRoom, complaints: list[Complaint]) -> list[Facet] | None:
    """Give the facets of a drawn room, or None after complaining.

    Parameters
    ----------
    room : DrawnRoom
    complaints : list of Complaint
        Mistakes are appended: RS-G01 the plan, RS-G02 height, roof and dormers,
        RS-G03 a room with no or divided space.
    """
    n_before = len(complaints)
    plan = _checked_plan(room, complaints)
    roofs = _tops(room, complaints)
    if len(complaints) > n_before or plan is None:
        return None
    for dormer in room.dormers:
        if Polygon(dormer.plan_m).difference(plan).area > 1e-6:
            complaints.append(
                Complaint(
                    str(dormer.place),
                    f'dormer "{dormer.name}": part of its plan lies outside the room\'s plan.',
                    "Draw the dormer within the walls of the room.",
                    "RS-G02",
                )
            )
    raised = [Top(f"{d.name} ceiling", 0.0, 0.0, d.ceiling_m, d) for d in room.dormers]
    cells = _cells(plan, roofs, raised)
    _check_use(room, cells, complaints)
    if len(complaints) > n_before:
        return None

    open_cells = [c for c in cells if c.top is not NOTHING]
    facets: list[Facet] = []
    for part in parts_of(joined(c.shape for c in open_cells)):
        facets += _level_or_sloped(part, NOTHING, room.floor_name, upward=True)
    facets += _walls(room, open_cells)
    for top in [*roofs, *raised]:
        shapes = [c.shape for c in open_cells if c.top is top]
        for part in parts_of(joined(shapes)):
            facets += _level_or_sloped(part, top, top.surface, upward=False)
    return facets + _steps(cells)


def _checked_plan(room: DrawnRoom, complaints: list[Complaint]) -> Polygon | None:
    """Give the plan as a polygon, corners in the user's order, or complain."""
    wrong = ""
    corners = np.asarray(room.plan_m, dtype=np.float64)
    if corners.ndim != 2 or corners.shape[-1] != 2 or len(corners) < 3:
        wrong = f"the plan needs at least 3 corners [x, y], got {len(corners)}."
    elif not np.isfinite(corners).all():
        wrong = "the plan has a corner that is not a finite number."
    else:
        step = np.linalg.norm(np.roll(corners, -1, axis=0) - corners, axis=1)
        if step.min() < 1e-3:
            i = int(step.argmin())
            wrong = f"wall {i + 1} of the plan is {figure(1000 * step[i])} mm long."
        elif not Polygon(corners).is_valid:
            reason = shapely.is_valid_reason(Polygon(corners))
            wrong = f"the outline of the plan meets itself ({reason})."
        elif Polygon(corners).area < 0.01:
            wrong = f"the plan has an area of {Polygon(corners).area:.3g} m2."
    if wrong:
        fix = "Give the corners in order around the room, each once."
        complaints.append(Complaint(str(room.place), wrong, fix, "RS-G01"))
        return None
    if len(room.wall_names) != len(corners):
        complaints.append(
            Complaint(
                str(room.place),
                f"the plan has {len(corners)} walls, but {len(room.wall_names)} wall names.",
                "Name each wall: wall i runs from corner i to corner i + 1.",
                "RS-G01",
            )
        )
    return Polygon(corners)


def _tops(room: DrawnRoom, complaints: list[Complaint]) -> list[Top]:
    """Give the flat ceiling and the roof planes, or complain."""
    if not (np.isfinite(room.height_m) and room.height_m > 0.0):
        complaints.append(
            Complaint(
                str(room.place),
                f"the room is {room.height_m:g} m high.",
                "Give the height of the flat ceiling over the floor.",
                "RS-G02",
            )
        )
    tops = [Top(room.ceiling_name, 0.0, 0.0, room.height_m)]
    for roof in room.roof:
        top = _roof_top(roof)
        if top is None:
            complaints.append(
                Complaint(
                    str(roof.place),
                    f'slope "{roof.name}": its three points give no plane, or an upright one.',
                    "Give three points of the slope that are not on one line seen from above.",
                    "RS-G02",
                )
            )
        else:
            tops.append(top)
    for dormer in room.dormers:
        corners = np.asarray(dormer.plan_m, dtype=np.float64)
        sound = corners.ndim == 2 and len(corners) > 2 and bool(np.isfinite(corners).all())
        if not (sound and Polygon(corners).is_valid and np.isfinite(dormer.ceiling_m)):
            complaints.append(
                Complaint(
                    str(dormer.place),
                    f'dormer "{dormer.name}": its plan is no polygon or its height no number.',
                    "Give the corners of its plan in order around it, each once.",
                    "RS-G02",
                )
            )
    return tops


def _roof_top(roof: RoofPlane) -> Top | None:
    p = np.asarray(roof.points_m, dtype=np.float64)
    if p.shape != (3, 3) or not np.isfinite(p).all():
        return None
    normal = np.cross(p[1] - p[0], p[2] - p[0])
    scale = np.linalg.norm(p[1] - p[0]) * np.linalg.norm(p[2] - p[0])
    if abs(normal[2]) <= 1e-9 * scale:
        return None
    a, b = -normal[:2] / normal[2]
    return Top(roof.name, float(a), float(b), float(p[0, 2] - a * p[0, 0] - b * p[0, 1]))


def _cells(plan: Polygon, roofs: list[Top], raised: list[Top]) -> list[Cell]:
    """Divide the plan so that no two planes cross inside a cell  (G1)."""
    x0, y0, x1, y1 = plan.bounds
    middle = np.array([0.5 * (x0 + x1), 0.5 * (y0 + y1)])
    reach = np.hypot(x1 - x0, y1 - y0)
    lines = [plan.boundary]
    lines += [Polygon(t.dormer.plan_m).boundary for t in raised if t.dormer is not None]
    for p, q in combinations([NOTHING, *roofs, *raised], 2):
        g = np.array([p.a - q.a, p.b - q.b])
        size = np.hypot(*g)
        if size > 1e-9:
            foot = middle - g * (g @ middle + p.c - q.c) / size**2
            along = np.array([-g[1], g[0]]) / size
            lines.append(LineString([foot - reach * along, foot + reach * along]))
    inside = plan.buffer(SLIVER_M)
    net = shapely.intersection(shapely.union_all(lines, grid_size=GRID_M), inside)
    net = shapely.union_all([net], grid_size=GRID_M)
    cells = []
    for shape in parts_of(shapely.polygonize([net])):
        point = np.array(shape.representative_point().coords)
        if not plan.contains(shapely.Point(point[0])):
            continue
        roof = min(roofs, key=lambda t: float(t.z_m(point)[0]))
        over = [
            t
            for t in raised
            if t.dormer is not None
            and Polygon(t.dormer.plan_m).contains(shapely.Point(point[0]))
        ]
        top = max([roof, *over], key=lambda t: float(t.z_m(point)[0]))
        cells.append(Cell(shape, top if float(top.z_m(point)[0]) > 0.0 else NOTHING, roof))
    return cells


def _check_use(room: DrawnRoom, cells: list[Cell], complaints: list[Complaint]) -> None:
    """Complain if there is no room, more than one, or a plane that is not part of it."""
    space = parts_of(joined(c.shape for c in cells if c.top is not NOTHING))
    if len(space) != 1:
        found = "no space between floor and roof" if not space else f"{len(space)} rooms"
        complaints.append(
            Complaint(
                str(room.place),
                f"the slopes leave {found}.",
                "Check the points of the slopes: heights are over the floor.",
                "RS-G03",
            )
        )
        return
    used = {c.top.surface for c in cells}
    planes = [(r.name, "slope", r.name, r.place) for r in room.roof]
    planes += [(d.name, "dormer", f"{d.name} ceiling", d.place) for d in room.dormers]
    for name, kind, surface, place in planes:
        if surface not in used:
            complaints.append(
                Complaint(
                    str(place),
                    f'{kind} "{name}" is nowhere the ceiling of the room.',
                    "A slope must pass below the flat ceiling, a dormer rise above the slope.",
                    "RS-G02",
                )
            )


def _level_or_sloped(shape: Polygon, top: Top, surface: str, upward: bool) -> list[Facet]:
    """Give the facet that lies on a plane over a part of the plan."""
    normal = np.array([-top.a, -top.b, 1.0]) / np.sqrt(top.a**2 + top.b**2 + 1.0)
    xy = np.asarray(shape.exterior.coords)[:-1]
    outline = np.column_stack([xy, top.z_m(xy)])
    frame = facet_from(
        outline if upward else outline[::-1], surface, normal if upward else -normal
    )
    holes = []
    for ring in shape.interiors:
        xy = np.asarray(ring.coords)[:-1]
        holes.append(frame.to_plane(np.column_stack([xy, top.z_m(xy)])))
    return frame.cut_to(Polygon(frame.polygon.exterior, holes))


def _upright(a: Float, b: Float, low: Float, high: Float, surface: str) -> Facet | None:
    """Give the upright facet over a-b, its air on the left; low and high at a and b."""
    high = np.maximum(low, high)
    if (high - low).max() < SLIVER_M:
        return None
    ends = [(a, low[0]), (a, high[0]), (b, high[1]), (b, low[1])]
    ring = np.array([[*p, z] for p, z in ends])
    ring = ring[np.linalg.norm(ring - np.roll(ring, 1, axis=0), axis=1) > 1e-9]
    d = (b - a) / np.hypot(*(b - a))
    return facet_from(ring, surface, np.array([-d[1], d[0], 0.0]))


def _merged(facets: list[Facet | None]) -> list[Facet]:
    """Join upright facets of one surface and one plane."""
    groups: list[list[Facet]] = []
    for facet in facets:
        if facet is None:
            continue
        for group in groups:
            head = group[0]
            if (
                head.surface == facet.surface
                and head.normal @ facet.normal > 1.0 - 1e-12
                and np.abs(head.distance_m(facet.corners_m())).max() < SLIVER_M
            ):
                group.append(facet)
                break
        else:
            groups.append([facet])
    return [f for g in groups for f in g[0].cut_to(joined(g[0].shape_of(f) for f in g))]


def _sides(cell: Cell) -> list[tuple[Float, Float]]:
    """Give the edges of a cell, the cell on their left."""
    rings = (cell.shape.exterior, *cell.shape.interiors)  # anticlockwise, then clockwise
    points = [np.asarray(r.coords) for r in rings]
    return [(a, b) for p in points for a, b in pairwise(p)]


def _walls(room: DrawnRoom, cells: list[Cell]) -> list[Facet]:
    """Give the walls along the plan, and dormer fronts where they rise above the roof."""
    corners = np.asarray(room.plan_m, dtype=np.float64)
    facets: list[Facet] = []
    for i, name in enumerate(room.wall_names):
        start, end = corners[i], corners[(i + 1) % len(corners)]
        wall = LineString([start, end])
        parts: list[Facet | None] = []
        for cell in cells:
            for a, b in _sides(cell):
                if max(wall.distance(shapely.Point(p)) for p in (a, b)) > SLIVER_M:
                    continue
                ends = np.array([a, b])
                roof = np.maximum(cell.roof.z_m(ends), 0.0)
                top = np.maximum(cell.top.z_m(ends), 0.0)
                if cell.top.dormer is None:
                    parts.append(_upright(a, b, np.zeros(2), top, name))
                else:
                    parts.append(_upright(a, b, np.zeros(2), roof, name))
                    parts.append(_upright(a, b, roof, top, f"{cell.top.dormer.name} front"))
        facets += _merged(parts)
    return facets


def _steps(cells: list[Cell]) -> list[Facet]:
    """Give the upright faces between cells of different height: the dormers' cheeks."""
    beyond: dict[tuple[float, ...], Cell] = {}
    for cell in cells:
        for a, b in _sides(cell):
            beyond[(*b, *a)] = cell
    parts: list[Facet | None] = []
    for cell in cells:
        if cell.top.dormer is None:
            continue
        for a, b in _sides(cell):
            other = beyond.get((*a, *b))
            if other is not None:
                ends = np.array([a, b])
                low = np.maximum(other.top.z_m(ends), 0.0)
                surface = f"{cell.top.dormer.name} cheeks"
                parts.append(_upright(a, b, low, cell.top.z_m(ends), surface))
    return _merged(parts)
