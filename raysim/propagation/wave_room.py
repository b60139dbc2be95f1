"""The room as the wave solver reads it: rows of whole cells, cut cells, walls and pores.

Everything is float32 but volumes; coefficients hold the Courant numbers. Theory:
DEVELOPERS.md, W1 and W6 to W9.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Any

import numpy as np

from raysim.absorbers.admittance import Admittance
from raysim.core.cut import ON_FACE_CELL
from raysim.geometry.grid import CutGrid, cut_grid, lend_volume
from raysim.geometry.mesh import RoomMesh
from raysim.propagation.wave_pores import Fill, Pores, Short, Single, Veil, porous_faces, spread
from raysim.units import Float, Int

#: Square of the Courant number, of at most 1: what is left is volume to lend  (W6).
COURANT2 = 0.85
#: Cells per wavelength at the highest frequency: 0.2 per cent of pitch  (W12).
PER_WAVELENGTH = 17.0
#: Rows of so many cells in a body of wool are too short to be stepped several at once.
_SHORT_CELLS = 12


@dataclass(frozen=True, slots=True, eq=False)
class WaveRoom:
    """A room ready to be stepped. Lists of cut cells are in the order of cells."""

    grid: CutGrid
    turn: int  # its axes are the room's, shifted on by so many
    speed_m_s: float
    density_kg_m3: float
    step_s: float
    volume: Float  # (n_cell,) after lending; with what pores add
    opening: Float  # (3, n_cell) after lending
    narrowed: float  # share of openings taken away for stability, usually 0
    row_start: Int
    row_length: Int
    plane_row: Int  # (n_z + 1,)
    cut_cell: Short  # (n_cut,)
    link: Single  # (n_cut, 6) neighbours below and above along x, y, z
    damping: Single  # (n_cut, 3)
    wall_start: Short  # (n_cut + 1,)
    wall_weight: Single  # (n_wall,) c dt area / volume, one of each kind to a cell
    wall_branch: Short  # (n_wall,) row of branch_start, rising within a cell
    state_start: Short  # (n_cut + 1,)
    branch_start: Int
    branch: Single  # (n_branch, 4) 2 l, e, 1/(2 l + r + e/2), r, per step
    face_start: Short  # (n_cut + 1,) faces with pores of each cut cell
    face: Short
    face_weight: Single
    face_cells: Short  # (n_face, 2)
    face_open: Single
    face_pull: Single
    face_kind: Single  # (n_kind, 8)
    face_kind_of: Short  # (n_face,) row of face_kind; those of one kind follow each other,
    # then those of rare kinds
    face_near: Short  # (n_face, 2) next faces with pores along the axis, n_face where none
    face_near_weight: Single  # (n_face, 2)
    face_store: Float  # (n_face, 3) inertia, held and slow storage: for the energy

    @property
    def courant(self) -> Float:
        """Courant number along each axis, (3,)."""
        return np.asarray(self.speed_m_s * self.step_s / self.grid.spacing_m)

    @property
    def whole(self) -> tuple[np.float32, ...]:
        """Coefficients of a whole cell: of its own pressure, of neighbours along x, y, z.

        They sum to 2 as nearly as can be: what is over holds pressure like a spring.
        """
        x, y, z = (np.float32(c * c) for c in self.courant)
        middle = np.float32(2.0 - 2.0 * (float(x) + float(y) + float(z)))
        return middle, x, y, z

    def turned(self, points_m: Float) -> Float:
        """Give points (..., 3) of the room along the axes of the grid."""
        return _turned(np.asarray(points_m, dtype=np.float64), self.turn)

    @property
    def n_air(self) -> int:
        """How many cells are stepped."""
        return int(self.row_length.sum() + self.cut_cell.size)


def default_spacing_m(high_hz: float, speed_m_s: float) -> float:
    """Give the side of a cell that keeps pitch to 0.2 per cent up to a frequency  (W12)."""
    return speed_m_s / (PER_WAVELENGTH * high_hz)


def wave_room(
    mesh: RoomMesh,
    sides: Sequence[Admittance],
    spacing_m: float,
    speed_m_s: float = 343.2,
    density_kg_m3: float = 1.204,
    fills: Sequence[Fill] = (),
    veils: Sequence[Veil] = (),
    courant2: float = COURANT2,
) -> WaveRoom:
    """Prepare a room for the wave solver.

    Parameters
    ----------
    mesh : RoomMesh
        Without the things that ``fills`` and ``veils`` describe.
    sides : sequence of Admittance
        One per side: fronts of the mesh's surfaces, then backs of its sheets.
    spacing_m : float
        Longest side of a cell; see `default_spacing_m`.
    speed_m_s, density_kg_m3 : float
        Of the air.
    fills : sequence of Fill
        Porous bodies.
    veils : sequence of Veil
        Cloth, foil, facings: each is set into the nearest faces between cells.
    courant2 : float
        Square of the Courant number, below 1.

    Returns
    -------
    WaveRoom

    Raises
    ------
    ValueError
        A body begins before the room along all three axes, so that it could not be counted.
    """
    turn = -_rows_along(mesh, fills, spacing_m)
    mesh = replace(mesh, vertices_m=_turned(mesh.vertices_m, turn))
    fills = [replace(f, triangles_m=_turned(f.triangles_m, turn)) for f in fills]
    veils = [replace(v, triangles_m=_turned(v.triangles_m, turn)) for v in veils]
    grid = cut_grid(mesh, spacing_m)
    rate = float(np.sqrt((1.0 / grid.spacing_m**2).sum()))
    step_s = math.sqrt(courant2) / (speed_m_s * rate)
    courant = speed_m_s * step_s / grid.spacing_m
    volume, opening, narrowed = lend_volume(grid, (courant**2).tolist())
    pores = spread(grid, volume, opening, fills, veils, step_s, density_kg_m3)
    volume = volume + pores.more
    rows, cut = _rows_and_cut(grid, volume, opening, pores)
    index = np.full(volume.size, -1, dtype=np.int64)
    index[cut] = np.arange(cut.size)
    walls = _walls(grid, volume, index, cut.size, sides, pores, step_s, speed_m_s)
    faces = porous_faces(grid, volume, opening, index, cut.size, pores, courant)
    link = np.zeros((cut.size, 6))
    for axis, stride in enumerate(grid.stride):
        for way, gate in enumerate((cut, cut + stride)):
            free = opening[axis, gate] * ~pores.porous[axis, gate]
            link[:, 2 * axis + way] = courant[axis] ** 2 * free / volume[cut]
    return WaveRoom(
        grid=grid,
        turn=turn,
        speed_m_s=speed_m_s,
        density_kg_m3=density_kg_m3,
        step_s=step_s,
        volume=volume,
        opening=opening,
        narrowed=narrowed,
        row_start=rows[0],
        row_length=rows[1],
        plane_row=rows[2],
        cut_cell=cut.astype(np.int32),
        link=link.astype(np.float32),
        **walls,
        **faces,
    )


def _rows_along(mesh: RoomMesh, fills: Sequence[Fill], spacing_m: float) -> int:
    """Give the axis along which rows of cells leave the fewest cut cells on their own.

    Those at a wall lie along it, so walls across the axis count, and bodies that are short
    along it with all their cells. In an empty box it is the longest side.
    """
    short = np.zeros(3)
    for triangles_m in (mesh.vertices_m[mesh.faces], *(f.triangles_m for f in fills)):
        edge_m = triangles_m[:, 1:] - triangles_m[:, :1]
        vector_m2 = 0.5 * np.cross(edge_m[:, 0], edge_m[:, 1])
        short += np.abs(vector_m2).sum(axis=0) / spacing_m**2
    for fill in fills:
        corner_m = fill.triangles_m.reshape(-1, 3)
        volume_m3 = float(np.linalg.det(fill.triangles_m - corner_m[0]).sum()) / 6.0
        thin = np.ptp(corner_m, axis=0) < _SHORT_CELLS * spacing_m
        short += np.where(thin, abs(volume_m3) / spacing_m**3, 0.0)
        # Air in a body is counted from where rows begin  (W3), so none may begin before.
        before = corner_m.min(axis=0) < mesh.vertices_m.min(axis=0) - spacing_m * ON_FACE_CELL
        if before.all():
            raise ValueError("a porous body begins before the room along all three axes")
        short += np.where(before, 1e9, 0.0)
    return int(np.argmax(short < short.min() * (1.0 + 1e-9)))


def _turned(points_m: Float, turn: int) -> Float:
    """Give points with their axes shifted on; two swapped would turn solids inside out."""
    return np.roll(points_m, turn, axis=-1)


def _rows_and_cut(
    grid: CutGrid, volume: Float, opening: Float, pores: Pores
) -> tuple[tuple[Int, Int, Int], Int]:
    """Give rows of whole cells as start, length and first row of each plane; the cut cells."""
    air = volume > 0.0
    whole = air & (volume == 1.0)
    for axis, stride in enumerate(grid.stride):
        free = (opening[axis] == 1.0) & ~pores.porous[axis]
        whole[:-stride] &= free[:-stride] & free[stride:]
    whole[grid.wall_cell] = False
    change = np.diff(np.concatenate([[0], whole.astype(np.int8)]))
    start, end = np.flatnonzero(change == 1), np.flatnonzero(change == -1)
    # No row runs on into the next: the empty layer lies between.
    plane = start // grid.stride[2]
    plane_row = np.searchsorted(plane, np.arange(grid.n[2] + 1))
    return (start, end - start, plane_row), np.flatnonzero(air & ~whole)


def _walls(
    grid: CutGrid,
    volume: Float,
    index: Int,
    n_cut: int,
    sides: Sequence[Admittance],
    pores: Pores,
    step_s: float,
    speed_m_s: float,
) -> dict[str, Any]:
    """Give damping, and walls with their branches, by cut cell  (W7, W8)."""
    in_air = volume[grid.wall_cell] > 0.0
    cell, kind = grid.wall_cell[in_air], grid.wall_side[in_air]
    weight = speed_m_s * step_s * grid.wall_area_m2[in_air] / (volume[cell] * grid.cell_m3)
    constant = [s.g for s in sides]
    branches = [np.stack([s.l / step_s, s.e * step_s, s.r], axis=1) for s in sides]
    for share, late in pores.late:  # a give that comes late is a spring with a drag
        some = np.flatnonzero((share > 0.0) & (volume > 0.0))
        cell = np.concatenate([cell, some])
        kind = np.concatenate([kind, np.full(some.size, len(branches))])
        weight = np.concatenate([weight, share[some] / volume[some]])
        constant.append(0.0)
        give, steps = late.T
        branches.append(np.stack([np.zeros(give.size), 1.0 / give, steps / give], axis=1))
    every = np.concatenate(branches)
    mass, spring, drag = every.T
    ease = 1.0 / (2.0 * mass + drag + 0.5 * spring)
    first = np.cumsum([0, *(len(b) for b in branches)])
    eases = np.array([ease[i:j].sum() for i, j in pairwise(first)])
    steady = np.bincount(
        index[cell], weights=weight * np.array(constant)[kind], minlength=n_cut
    )
    whole = np.bincount(index[cell], weights=weight * eases[kind], minlength=n_cut)
    half = 0.5 * (steady + whole)
    damping = np.stack([1.0 - half, 1.0 / (1.0 + half), steady], axis=1)
    # Walls without branches have told all by their constant. Those alike in all that moves
    # see one pressure and so keep one state.
    alike = _first_alike(branches)
    kept = np.flatnonzero(np.diff(first)[kind] > 0)
    every_wall = index[cell[kept]] * len(alike) + alike[kind[kept]]
    both, of = np.unique(every_wall, return_inverse=True)
    joined = np.bincount(of, weights=weight[kept], minlength=both.size)
    own_kind = both % len(alike)
    start = np.searchsorted(both // len(alike), np.arange(n_cut + 1))
    state_start = np.concatenate([[0], np.cumsum(np.diff(first)[own_kind])])[start]
    table = np.stack([2.0 * mass, spring, ease, drag], axis=1)
    return {
        "damping": damping.astype(np.float32),
        "wall_start": start.astype(np.int32),
        "wall_weight": joined.astype(np.float32),
        "wall_branch": own_kind.astype(np.int32),
        "state_start": state_start.astype(np.int32),
        "branch_start": first,
        "branch": table.astype(np.float32),
    }


def _first_alike(branches: Sequence[Float]) -> Int:
    """Give the first kind of wall that has the same branches as each."""
    first: dict[bytes, int] = {}
    return np.array([first.setdefault(b.tobytes(), i) for i, b in enumerate(branches)])
