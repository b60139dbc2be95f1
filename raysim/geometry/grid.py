"""The room as a Cartesian grid whose outer cells are cut by the walls.

Every cell keeps the volume of its air, every face between cells its opening, every cut
cell the wall areas in it, all exact. The grid fits the room's box, so that walls along
the axes cut no cell. One layer of empty cells lies round it. Cells are numbered flat,
x fastest: (k * n_y + j) * n_x + i. Theory: DEVELOPERS.md, W3 to W6.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from raysim.core.cut import MOST_CORNERS, cut_triangles, pierce
from raysim.geometry.edges import solid_faces
from raysim.geometry.mesh import RoomMesh
from raysim.geometry.planes import back_sides
from raysim.units import Float, Int

#: Corners this near to a face between cells lie in it, cells.
SNAP_CELL = 1e-6
#: Openings and volumes smaller than this are rounding, in units of a whole one.
LEAST_SHARE = 1e-7
#: Solids thinner than this along an axis stop sound as a sheet in their middle, cells.
THIN_CELL = 2.0
#: Rounds of lending volume, and how much more than the least each cell shall have.
_N_ROUND, _MARGIN = 12, 1e-5


@dataclass(frozen=True, slots=True, eq=False)
class CutGrid:
    """Cells, openings and walls of a room; shares are of a whole cell or face."""

    origin_m: Float  # (3,) outer corner of cell (0, 0, 0)
    spacing_m: Float  # (3,)
    n: tuple[int, int, int]  # cells along x, y, z, with the empty layer
    volume: Float  # (n_cell,) share that is air
    opening: Float  # (3, n_cell) share of each cell's lower face that is open
    wall_cell: Int  # (n_wall,)
    wall_side: Int  # (n_wall,) fronts of surfaces, then backs of sheets
    wall_area_m2: Float  # (n_wall,)

    @property
    def stride(self) -> tuple[int, int, int]:
        """How far apart neighbours along x, y, z are in flat numbers."""
        return 1, self.n[0], self.n[0] * self.n[1]

    @property
    def cell_m3(self) -> float:
        """Volume of a whole cell."""
        return float(np.prod(self.spacing_m))

    @property
    def air_volume_m3(self) -> float:
        """Volume of all air in the grid."""
        return float(self.volume.sum() * self.cell_m3)

    def to_cells(self, points_m: Float) -> Float:
        """Give points (..., 3) in cells from the origin."""
        return np.asarray((points_m - self.origin_m) / self.spacing_m)


@dataclass(frozen=True, slots=True, eq=False)
class _Cut:
    """What a set of triangles does to the cells, before thin matter is looked at."""

    volume: Float
    opening: Float
    cell: Int  # of each piece
    face: Int
    share: Float
    way: Int
    leans: Float  # (3, n_cell), or (3, 0) if not asked for


def cut_grid(mesh: RoomMesh, spacing_m: float) -> CutGrid:
    """Cut a room into cells  (W3).

    Parameters
    ----------
    mesh : RoomMesh
        Closed but for sheets.
    spacing_m : float
        Longest side of a cell; each axis has the next whole number of cells.
    """
    low, high = mesh.vertices_m.min(axis=0), mesh.vertices_m.max(axis=0)
    count = np.maximum(np.ceil((high - low) / spacing_m - SNAP_CELL).astype(np.int64), 2)
    step = (high - low) / count
    origin, n = low - step, (int(count[0]) + 2, int(count[1]) + 2, int(count[2]) + 2)
    triangles = (mesh.triangles_m - origin) / step
    solid = solid_faces(mesh)
    sheet = np.setdiff1d(np.arange(len(triangles)), solid)
    cut = _cut(triangles[solid], n)
    opening = cut.opening.copy()
    cell, area = cut.cell, cut.share * mesh.face_area_m2[solid][cut.face]
    blocked = _thin_matter(triangles[solid], n)
    cell = _moved(cell, cut.way, blocked, cut.volume, n)
    for axis in range(3):
        opening[axis, blocked[axis]] = 0.0
    on_sheets = _sheets(mesh, triangles, sheet, n, opening, step)
    walls = (
        np.concatenate([cell, on_sheets[0]]),
        np.concatenate([mesh.face_surface[solid][cut.face], on_sheets[1]]),
        np.concatenate([area, on_sheets[2]]),
    )
    return CutGrid(origin, step, n, cut.volume, opening, *_joined(*walls))


def share_of(grid: CutGrid, triangles_m: Float) -> tuple[Float, Float]:
    """Give how much of each cell lies inside closed triangles (n, 3, 3), and where  (W9).

    Returns
    -------
    share : (n_cell,) float64
        Of the whole cell; normals are outwards.
    upper : (3, n_cell) float64
        The share weighted by the height within the cell, 0 to 1 along each axis.
    """
    inwards = grid.to_cells(triangles_m)[:, ::-1]
    cut = _cut(np.ascontiguousarray(inwards), grid.n, leaning=True)
    upper = -cut.leans
    for axis, stride in enumerate(grid.stride):
        upper[axis, :-stride] += 0.5 * cut.opening[axis, stride:]
    return cut.volume, np.minimum(upper.clip(0.0), cut.volume)


def _cut(triangles: Float, n: tuple[int, int, int], leaning: bool = False) -> _Cut:
    """Give volumes and openings of all cells before closed triangles, normals into the air."""
    near = np.round(triangles)
    triangles = np.where(np.abs(triangles - near) < SNAP_CELL, near, triangles)
    n_cell, n_piece = n[0] * n[1] * n[2], 0
    work = np.zeros((7, MOST_CORNERS + 1, 3))
    while True:
        flux, moment = np.zeros((3, n_cell)), np.zeros(n_cell)
        leans = np.zeros((3, n_cell if leaning else 0))
        cell, face, way = (np.zeros(n_piece, dtype=np.int64) for _ in range(3))
        share = np.zeros(n_piece)
        found = cut_triangles(triangles, *n, work, flux, moment, leans, cell, face, share, way)
        if found <= n_piece:
            break
        n_piece = found
    # Openings and wall of a cell enclose its air: no net area vector, so the opening above
    # is that below and what the wall adds. Outside the room it begins at nothing.
    boxes = flux.reshape(3, n[2], n[1], n[0])
    openings = np.zeros(boxes.shape)
    for axis in range(3):
        above = np.cumsum(boxes[axis], axis=2 - axis)
        inner = [slice(None)] * 3
        inner[2 - axis] = slice(1, None)
        before = [slice(None)] * 3
        before[2 - axis] = slice(None, -1)
        openings[axis][tuple(inner)] = above[tuple(before)]
    opening = openings.reshape(3, n_cell)
    volume = opening[0] + moment
    for whole in (opening, volume):
        whole[np.abs(whole) < LEAST_SHARE] = 0.0
        whole[np.abs(whole - 1.0) < LEAST_SHARE] = 1.0
    return _Cut(volume.clip(0.0), opening.clip(0.0, 1.0), cell, face, share, way, leans)


def _crossings(
    triangles: Float, axis: int, n: tuple[int, int, int]
) -> tuple[Int, Float, Int, Int]:
    """Give line, coordinate, facing and triangle of all crossings of centre lines."""
    n_u, n_v = n[(axis + 1) % 3], n[(axis + 2) % 3]
    size = 0
    while True:
        line, facing, face = (np.zeros(size, dtype=np.int64) for _ in range(3))
        place = np.zeros(size)
        found = pierce(triangles, axis, n_u, n_v, line, place, facing, face)
        if found <= size:
            return line, place, facing, face
        size = found


def _link(axis: int, line: Int, place: Float, n: tuple[int, int, int]) -> Int:
    """Give the cell whose lower face lies nearest to places on centre lines  (W5)."""
    u, v = (axis + 1) % 3, (axis + 2) % 3
    stride = (1, n[0], n[0] * n[1])
    upper = np.clip(np.floor(place + 0.5).astype(np.int64), 1, n[axis] - 1)
    return np.asarray(
        upper * stride[axis] + (line % n[u]) * stride[u] + line // n[u] * stride[v]
    )


def _thin_matter(triangles: Float, n: tuple[int, int, int]) -> list[Int]:
    """Give, for each axis, cells whose lower face is closed by thin solid matter  (W5)."""
    found = []
    for axis in range(3):
        line, place, facing, _ = _crossings(triangles, axis, n)
        order = np.lexsort((place, line))
        line, place, facing = line[order], place[order], facing[order]
        thin = (line[1:] == line[:-1]) & (facing[:-1] < 0) & (facing[1:] > 0)
        thin &= place[1:] - place[:-1] < THIN_CELL
        middle = 0.5 * (place[1:] + place[:-1])[thin]
        found.append(np.unique(_link(axis, line[1:][thin], middle, n)))
    return found


def _moved(
    cell: Int, way: Int, blocked: list[Int], volume: Float, n: tuple[int, int, int]
) -> Int:
    """Give the cells of pieces, moved to the side of thin matter that they face."""
    cell = cell.copy()
    for axis, stride in enumerate((1, n[0], n[0] * n[1])):
        closed = np.zeros(len(volume), dtype=bool)
        closed[blocked[axis]] = True
        down = (way == -axis - 1) & closed[cell] & (volume[cell - stride] > 0.0)
        up = way == axis + 1
        up[up] = closed[cell[up] + stride] & (volume[cell[up] + stride] > 0.0)
        cell[down] -= stride
        cell[up] += stride
    return cell


def faces_at(
    triangles: Float, n: tuple[int, int, int], axis: int
) -> tuple[Int, NDArray[np.bool_], Int]:
    """Give the faces across an axis that thin triangles, in cells, lie nearest to  (W5).

    As the cell above each face, whether the triangle's normal points up the axis, and the
    triangle's number.
    """
    line, place, facing, face = _crossings(triangles, axis, n)
    upper, first = np.unique(_link(axis, line, place, n), return_index=True)
    return upper, facing[first] > 0, face[first]


def _sheets(
    mesh: RoomMesh,
    triangles: Float,
    sheet: Int,
    n: tuple[int, int, int],
    opening: Float,
    step: Float,
) -> tuple[Int, Int, Float]:
    """Close the faces that sheets lie nearest to; give cell, side, area of both sides."""
    back = back_sides(mesh)
    normal = np.abs(mesh.face_normal)
    cells, sides, areas = [], [], []
    for axis, stride in enumerate((1, n[0], n[0] * n[1])):
        upper, up, face = faces_at(triangles[sheet], n, axis)
        wide = opening[axis, upper] > 0.0
        upper, up, row = upper[wide], up[wide], sheet[face[wide]]
        surface = mesh.face_surface[row]
        # A slanted sheet becomes stairs, which are larger by the sum of the cosines.
        area = opening[axis, upper] * np.prod(np.delete(step, axis)) / normal[row].sum(axis=1)
        opening[axis, upper] = 0.0
        cells += [upper, upper - stride]
        sides += [np.where(up, surface, back[surface]), np.where(up, back[surface], surface)]
        areas += [area, area]
    return np.concatenate(cells), np.concatenate(sides), np.concatenate(areas)


def _joined(cell: Int, side: Int, area_m2: Float) -> tuple[Int, Int, Float]:
    """Give one entry for each side in each cell, in the order of cells."""
    n_side = int(side.max()) + 1
    key, which = np.unique(cell * n_side + side, return_inverse=True)
    sums = np.bincount(which, weights=area_m2)
    return np.asarray(key // n_side), np.asarray(key % n_side), np.asarray(sums)


def lend_volume(grid: CutGrid, squares: Sequence[float]) -> tuple[Float, Float, float]:
    """Give volumes and openings with which a step of the solver is stable  (W6).

    Cells too small for their openings borrow volume from their neighbours; the sum stays.
    What cannot be borrowed is made up by narrowing the cell's openings.

    Parameters
    ----------
    grid : CutGrid
    squares : three float
        Squares of the Courant number along each axis.

    Returns
    -------
    volume : (n_cell,) float64
    opening : (3, n_cell) float64
    narrowed : float
        Share of all openings between cells that narrowing took away.
    """
    volume, opening = grid.volume.copy(), grid.opening.copy()
    # A face leads nowhere if either side holds no air.
    for axis, stride in enumerate(grid.stride):
        opening[axis, stride:][(volume[stride:] == 0.0) | (volume[:-stride] == 0.0)] = 0.0
    at = _cut_cells(volume, opening, grid.stride)
    for _ in range(_N_ROUND):
        lack = _least(opening, squares, grid.stride, at) - volume[at]
        short = at[lack > 0.0]
        if not short.size:
            return volume, opening, 0.0
        want = lack[lack > 0.0]
        givers, weights = [], []
        for axis, stride in enumerate(grid.stride):
            for giver, gate in ((short - stride, short), (short + stride, short + stride)):
                spare = volume[giver] - _least(opening, squares, grid.stride, giver)
                givers.append(giver)
                weights.append(opening[axis, gate] * spare.clip(0.0))
        giver, weight = np.stack(givers), np.stack(weights)
        total = weight.sum(axis=0)
        asked = weight * (want / np.where(total > 0.0, total, 1.0))
        # No giver gives more than it can spare, to all who ask it.
        sums = np.bincount(giver.ravel(), weights=asked.ravel(), minlength=len(volume))
        spare = volume[giver] - _least(opening, squares, grid.stride, giver)
        ratio = np.minimum(1.0, spare.clip(0.0) / np.maximum(sums[giver], 1e-300))
        given = asked * ratio
        volume -= np.bincount(giver.ravel(), weights=given.ravel(), minlength=len(volume))
        volume[short] += given.sum(axis=0)
    before = float(opening.sum())
    lack = _least(opening, squares, grid.stride, at) - volume[at]
    short = at[lack > 0.0]
    factor = volume[short] / _least(opening, squares, grid.stride, short)
    for axis, stride in enumerate(grid.stride):
        np.multiply.at(opening[axis], short, factor)
        np.multiply.at(opening[axis], short + stride, factor)
    return volume, opening, 1.0 - float(opening.sum()) / before


def _cut_cells(volume: Float, opening: Float, stride: tuple[int, int, int]) -> Int:
    """Give the cells with air that walls touch."""
    air = np.flatnonzero(volume > 0.0)
    whole = volume[air] >= 1.0
    for axis, step in enumerate(stride):
        whole &= (opening[axis, air] >= 1.0) & (opening[axis, air + step] >= 1.0)
    return np.asarray(air[~whole])


def _least(
    opening: Float,
    squares: Sequence[float],
    stride: tuple[int, int, int],
    cell: NDArray[np.int64],
) -> Float:
    """Give the least volume with which cells are stable  (W6)."""
    least = np.zeros(cell.shape)
    for axis, step in enumerate(stride):
        above = np.minimum(cell + step, opening.shape[1] - 1)  # the empty layer has no next
        least += 0.5 * squares[axis] * (opening[axis, cell] + opening[axis, above])
    return least * (1.0 + _MARGIN)
