"""What a standing wave is in words, and the surfaces it stands between, from its shape alone.

A box has three kinds: along one side, along two, along all three. In any other room the
same is told from which way the air moves, wherever it moves. Theory: DEVELOPERS.md, W53
and W54.
"""

import math
from dataclasses import dataclass

import numpy as np
from scipy import sparse
from scipy.sparse.csgraph import connected_components

from raysim.geometry.grid import CutGrid
from raysim.geometry.mesh import RoomMesh
from raysim.units import Float, Int

#: Share of the motion in one direction, or in one plane, from which a mode is named so.
_AXIAL, _PLANAR = 0.90, 0.90
#: From this share on, the half waves along it can be counted.
_PURE = 0.95
#: Directions nearer than this to an axis, as a cosine, are called by it.
_NEAR_AXIS = 0.95
#: Parts of one sign smaller than this share of the air do not count.
_LEAST_PART = 0.01
#: Air with less headroom than this share of the room's is under the eaves, if it is so
#: much of the air at least; a mode is there if it is so many times as strong there.
_LOW, _SOME, _GATHERED = 0.6, 0.03, 2.5
#: A wall has to have this share of all walls to be the end of something.
_LEAST_END = 0.02

_ORDINALS = ("", "first", "second", "third", "fourth", "fifth", "sixth")


@dataclass(frozen=True, slots=True)
class ModeNames:
    """Direction, kind and ends of each mode, as in `raysim.records.Modes`."""

    along: Float
    kind: tuple[str, ...]
    between: tuple[tuple[str, ...], ...]


@dataclass(frozen=True, slots=True, eq=False)
class _Walls:
    """Pieces of wall by side: names, cells, areas, normals into the air."""

    names: tuple[str, ...]
    cell: Int  # index among the cells with air
    side: Int
    area_m2: Float
    normal: Float


def name_modes(mesh: RoomMesh, grid: CutGrid, cell: Int, opening: Float, p: Float) -> ModeNames:
    """Name modes by their shapes.

    Parameters
    ----------
    mesh : RoomMesh
    grid : CutGrid
    cell : (n_air,) int64
        Flat numbers of the cells with air.
    opening : (3, n_cell) float64
        Share of each cell's lower face that leads on.
    p : (n_air, n_mode) float64
    """
    walls = _walls(mesh, grid, cell)
    slope = _slope(grid, cell, opening, p)
    volume = grid.volume[cell]
    low = _low_places(mesh, grid, cell)
    words = _direction_words(mesh)
    along, kind, between = [], [], []
    for i in range(p.shape[1]):
        flow = slope[:, :, i]
        tensor = (flow * volume) @ flow.T
        tensor /= max(np.trace(tensor), 1e-300)
        along.append(np.diag(tensor))
        n_part = _n_part(p[:, i], grid, cell, opening, volume)
        said, ends = _name_one(p[:, i], tensor, n_part, i == 0, walls, words)
        if low is not None:
            inside = (volume * p[:, i] ** 2)[low].sum() / volume[low].sum()
            if inside > _GATHERED:
                said += ", strongest under the eaves"
        kind.append(said)
        between.append(ends)
    return ModeNames(np.array(along).reshape(-1, 3), tuple(kind), tuple(between))


def _name_one(
    p: Float,
    tensor: Float,
    n_part: int,
    is_lowest: bool,
    walls: _Walls,
    words: tuple[str, str, str],
) -> tuple[str, tuple[str, ...]]:
    """Give kind and ends of one mode  (W53)."""
    share, axes = np.linalg.eigh(tensor)
    share, axes = share[::-1], axes[:, ::-1]
    if share[0] > _AXIAL:
        ends = _ends(walls, p, axes[:, 0])
        nth = _ORDINALS[n_part - 1] if share[0] > _PURE and 1 < n_part <= len(_ORDINALS) else ""
        return f"{nth} axial, {_said(axes[:, 0], words)}".strip(), ends
    if is_lowest and n_part == 2:
        return "first axial, round the bend", _far_ends(walls, p)
    if share[0] + share[1] > _PLANAR:
        across = axes[:, 2]
        pair = [axes[:, 0], axes[:, 1]]
        # Two equal shares have no directions of their own.
        if np.abs(across).max() > _NEAR_AXIS:
            flat = [i for i in range(3) if i != int(np.abs(across).argmax())]
            pair = [np.eye(3)[i] for i in sorted(flat, key=lambda i: -tensor[i, i])]
        said = " and ".join(dict.fromkeys(_said(d, words) for d in pair))
        ends = tuple(dict.fromkeys(name for d in pair for name in _ends(walls, p, d)))
        return f"tangential, {said}", ends
    return "oblique, in all three directions", ()


def _direction_words(mesh: RoomMesh) -> tuple[str, str, str]:
    """Call x, y, z by the room's size."""
    size = np.ptp(mesh.vertices_m, axis=0)
    if abs(size[0] - size[1]) < 0.03 * size[0]:
        return "along x", "along y", "over the height"
    long, wide = "along the length", "across the width"
    return (
        (long, wide, "over the height")
        if size[0] > size[1]
        else (wide, long, "over the height")
    )


def _said(direction: Float, words: tuple[str, str, str]) -> str:
    """Say a direction in words."""
    i = int(np.abs(direction).argmax())
    if abs(direction[i]) > _NEAR_AXIS:
        return words[i]
    flat = math.hypot(float(direction[0]), float(direction[1]))
    if flat < math.sin(math.radians(20.0)):
        return words[2]
    if abs(direction[2]) < math.sin(math.radians(20.0)):
        return "diagonally in plan"
    j = int(np.abs(direction[:2]).argmax())
    return f"{words[j]}, tilted" if abs(direction[j]) > 0.8 * flat else "diagonally"


def _walls(mesh: RoomMesh, grid: CutGrid, cell: Int) -> _Walls:
    """Gather the walls of cells with air, with the mean normal of each side."""
    index = np.full(grid.volume.size, -1, dtype=np.int64)
    index[cell] = np.arange(cell.size)
    names = [s.name for s in mesh.surfaces]
    normal = [
        (mesh.face_normal * mesh.face_area_m2[:, None])[mesh.face_surface == i].sum(axis=0)
        for i in range(len(names))
    ]
    for i, surface in enumerate(mesh.surfaces):
        if surface.back_name is not None:
            names.append(surface.back_name)
            normal.append(-normal[i])
    unit = np.array([n / max(float(np.linalg.norm(n)), 1e-12) for n in normal])
    own = index[grid.wall_cell] >= 0
    side = grid.wall_side[own]
    return _Walls(
        tuple(names), index[grid.wall_cell[own]], side, grid.wall_area_m2[own], unit[side]
    )


def _ends(walls: _Walls, p: Float, direction: Float) -> tuple[str, ...]:
    """Give the surfaces that face a direction and back where pressure is high  (W54)."""
    facing = walls.normal @ direction
    load = walls.area_m2 * p[walls.cell] ** 2 * np.abs(facing)
    names = []
    for sign in (1.0, -1.0):
        there = sign * facing > 0.1
        if there.any():
            sums = np.bincount(
                walls.side[there], weights=load[there], minlength=len(walls.names)
            )
            names.append(walls.names[int(sums.argmax())])
    return tuple(dict.fromkeys(names))


def _far_ends(walls: _Walls, p: Float) -> tuple[str, ...]:
    """Give the surfaces with the highest mean pressure of either sign  (W54)."""
    n = len(walls.names)
    area = np.bincount(walls.side, weights=walls.area_m2, minlength=n)
    force = np.bincount(walls.side, weights=walls.area_m2 * p[walls.cell], minlength=n)
    mean = np.where(area > _LEAST_END * area.sum(), force / np.maximum(area, 1e-12), 0.0)
    return walls.names[int(mean.argmax())], walls.names[int(mean.argmin())]


def _slope(grid: CutGrid, cell: Int, opening: Float, p: Float) -> Float:
    """Give the slope of pressure at cells, (3, n_air, n_mode): the mean of both faces."""
    index = np.full(grid.volume.size, -1, dtype=np.int64)
    index[cell] = np.arange(cell.size)
    slope = np.zeros((3, *p.shape))
    for axis, stride in enumerate(grid.stride):
        upper = np.flatnonzero(opening[axis] > 0.0)
        through = (p[index[upper]] - p[index[upper - stride]]) / grid.spacing_m[axis]
        half = 0.5 * opening[axis, upper, None] * through
        slope[axis][index[upper]] += half
        slope[axis][index[upper - stride]] += half
    return slope


def _n_part(p: Float, grid: CutGrid, cell: Int, opening: Float, volume: Float) -> int:
    """Count the parts of the room in which pressure has one sign."""
    index = np.full(grid.volume.size, -1, dtype=np.int64)
    index[cell] = np.arange(cell.size)
    links = []
    for axis, stride in enumerate(grid.stride):
        upper = np.flatnonzero(opening[axis] > 0.0)
        links.append(np.stack([index[upper], index[upper - stride]]))
    a, b = np.concatenate(links, axis=1)
    same = (p[a] > 0.0) == (p[b] > 0.0)
    graph = sparse.coo_array((np.ones(same.sum()), (a[same], b[same])), shape=(cell.size,) * 2)
    _, label = connected_components(graph, directed=False)
    size = np.bincount(label, weights=volume)
    return int((size > _LEAST_PART * volume.sum()).sum())


def _low_places(mesh: RoomMesh, grid: CutGrid, cell: Int) -> Int | None:
    """Give the cells under a sloping ceiling with little headroom, if there are enough."""
    slopes = (mesh.face_normal[:, 2] < -0.1) & (mesh.face_normal[:, 2] > -0.95)
    if not slopes.any():
        return None
    n_flat = grid.stride[2]
    headroom = np.bincount(cell % n_flat, weights=grid.volume[cell], minlength=n_flat)
    low = np.flatnonzero(headroom[cell % n_flat] < _LOW * headroom.max())
    share = grid.volume[cell[low]].sum() / grid.volume[cell].sum()
    return low if share > _SOME else None
