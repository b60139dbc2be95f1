"""What walls and porous bodies make of the standing waves of a hard room.

The wave equation with all its losses, between shapes of the hard room and, where there
are porous bodies, the bends that these need. Theory: DEVELOPERS.md, W51 and W52.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy import sparse
from scipy.sparse.linalg import splu

from raysim.absorbers.admittance import Admittance, Complex
from raysim.absorbers.volume import PorousFit
from raysim.geometry.grid import CutGrid, share_of
from raysim.geometry.mesh import RoomMesh
from raysim.geometry.planes import back_sides
from raysim.propagation.hard_modes import Shapes, Sparse
from raysim.propagation.wave_pores import Fill
from raysim.units import Float, Int

#: Frequencies at which the bends of porous bodies are found, Hz: about half octaves of
#: the range in which modes are told apart.
_BENDS_HZ = (35.0, 60.0, 100.0, 160.0)
#: Bends smaller than this, re the largest, say nothing new; and the most of them.
_NEW, _MOST_BENDS = 1e-3, 150
#: Shares of porous body are rounded to this, so that faces fall into a few classes.
_CLASS = 0.05


@dataclass(frozen=True, slots=True, eq=False)
class _Body:
    """All porous bodies of one medium: the share that each face and each cell has."""

    medium: PorousFit
    face: tuple[Float, ...]  # by axis, of the way between two middles of cells
    cell: Float  # (n_air,)

    def ease(self, share: Float, freq_hz: float) -> Complex:
        """Give what faces with some shares let through re air: both lie in a row."""
        return np.asarray(1.0 / (1.0 + share * (complex(self.medium.density(freq_hz)) - 1.0)))


@dataclass(frozen=True, slots=True, eq=False)
class Lossy:
    """The wave equation of the room between some shapes, each term over volume  (W51)."""

    p: Float  # (n_air, n_shape) the shapes
    lowest_k: float  # wavenumber of the lowest mode of the hard room
    stiff: Float  # of the hard room
    mass: Float
    walls: tuple[tuple[Admittance, Float], ...]  # with products over the surface
    faces: tuple[tuple[_Body, Float, Float], ...]  # shares, and products of slopes there
    cells: tuple[tuple[_Body, Float], ...]  # products of pressure in the body

    def terms(self, freq_hz: float) -> tuple[Complex, Complex, Complex]:
        """Give stiffness, drain and mass matrices at a frequency."""
        stiff, mass = self.stiff.astype(np.complex128), self.mass.astype(np.complex128)
        drain = np.zeros_like(stiff)
        for admittance, surface in self.walls:
            _add(drain, complex(admittance.at(freq_hz)), surface)
        for body, share, slopes in self.faces:
            less = body.ease(share, freq_hz) - 1.0
            stiff.real += np.tensordot(less.real, slopes, 1)
            stiff.imag += np.tensordot(less.imag, slopes, 1)
        for body, inside in self.cells:
            _add(mass, complex(body.medium.softness(freq_hz)) - 1.0, inside)
        return stiff, drain, mass


def _add(whole: Complex, factor: complex, part: Float) -> None:
    """Add a real matrix times a complex number, without making it complex first."""
    whole.real += factor.real * part
    whole.imag += factor.imag * part


def lossy(
    shapes: Shapes,
    mesh: RoomMesh,
    sides: Sequence[Admittance],
    fills: Sequence[Fill],
    speed_m_s: float,
) -> Lossy:
    """Integrate products of shapes over all sides and all bodies  (W51)."""
    total = float(shapes.volume_m3.sum())
    at_walls = _at_walls(shapes, mesh)
    walls = _walls(shapes, at_walls, sides)
    bodies = _bodies(shapes, fills)
    bends = np.zeros((shapes.cell.size, 0))
    if bodies:
        bends = _bends(shapes, at_walls, walls, bodies, speed_m_s)
    p, n = np.hstack([shapes.p, bends]), shapes.k2.size
    stiff, mass = np.zeros((p.shape[1],) * 2), np.eye(p.shape[1])
    # The shapes' own part has the grid's error taken out; to them bends are orthogonal.
    stiff[:n, :n] = np.diag(shapes.k2)
    slope = [step @ p for step in shapes.step]
    stiff[n:, n:] = (
        sum(
            s[:, n:].T @ (f[:, None] * s[:, n:])
            for s, f in zip(slope, shapes.face_m3, strict=True)
        )
        / total
    )
    mass[n:, n:] = bends.T @ (shapes.volume_m3[:, None] * bends) / total
    faces = []
    for body in bodies:
        rounded = [np.rint(x / _CLASS).astype(np.int64) for x in body.face]
        held = [i for i in np.unique(np.concatenate(rounded)).tolist() if i > 0]
        products = np.zeros((len(held), *stiff.shape))
        for product, i in zip(products, held, strict=True):
            for s, f, r in zip(slope, shapes.face_m3, rounded, strict=True):
                product += s[r == i].T @ (f[r == i, None] * s[r == i])
        faces.append((body, _CLASS * np.array(held, dtype=np.float64), products / total))
    return Lossy(
        p, math.sqrt(float(shapes.k2[shapes.k2 > 1e-3 * shapes.k2[-1]].min())), stiff, mass,
        tuple((w, (at_walls @ p).T @ (area[:, None] * (at_walls @ p)) / total)
              for w, area in walls),
        tuple(faces),
        tuple((b, p.T @ ((b.cell * shapes.volume_m3)[:, None] * p) / total) for b in bodies),
    )  # fmt: skip


def _walls(
    shapes: Shapes, at_walls: Sparse, sides: Sequence[Admittance]
) -> list[tuple[Admittance, Float]]:
    """Give each kind of wall that takes something, with the area of its pieces."""
    alike: dict[int, list[int]] = {}
    for i, side in enumerate(sides):
        alike.setdefault(id(side), []).append(i)
    walls = []
    for members in alike.values():
        wall = sides[members[0]]
        if wall.g > 0.0 or wall.n_branch:
            own = np.isin(shapes.grid.wall_side, members)
            walls.append((wall, np.where(own, shapes.grid.wall_area_m2, 0.0)))
    return walls


def _bodies(shapes: Shapes, fills: Sequence[Fill]) -> list[_Body]:
    """Give what porous bodies fill of faces and cells, bodies of one medium together  (W52).

    Between two faces of a cell flow changes evenly, so a body counts by how near to either
    face it lies; next to a wall, where flow ends, by the square of that.
    """
    grid = shapes.grid
    of_medium: dict[int, list[Fill]] = {}
    for fill in fills:
        of_medium.setdefault(id(fill.medium), []).append(fill)
    bodies = []
    for members in of_medium.values():
        share, lean = np.zeros(grid.volume.size), np.zeros((3, grid.volume.size))
        for fill in members:
            one, upper = share_of(grid, fill.triangles_m)
            share, lean = share + one, lean + upper
        held = np.maximum(grid.volume, 1e-9)
        share, lean = np.minimum(share / held, 1.0), np.minimum(lean / held, share / held)
        face = []
        for axis, stride in enumerate(grid.stride):
            up = np.minimum(lean[axis], share)
            middle = up / np.maximum(share, 1e-9)
            square = share * (middle**2 + share**2 / 12.0)  # of a slab across the axis
            shut = np.ones(grid.volume.size, dtype=bool)
            shut[:-stride] = shapes.opening[axis, stride:] == 0.0
            below = np.where(shapes.opening[axis] == 0.0, np.minimum(square, up), up)
            above = np.where(shut, (share - 2.0 * up + square).clip(0.0), share - up)
            gate = np.flatnonzero(shapes.opening[axis] > 0.0)
            face.append(np.minimum(below[gate - stride] + above[gate], 1.0))
        bodies.append(_Body(members[0].medium, tuple(face), share[shapes.cell]))
    return bodies


def _bends(
    shapes: Shapes,
    at_walls: Sparse,
    walls: list[tuple[Admittance, Float]],
    bodies: list[_Body],
    speed_m_s: float,
) -> Float:
    """Give how porous bodies bend the shapes, orthogonal to them, mean square 1  (W51).

    From the answer of the room, with all its losses, to being driven in each of its hard
    shapes of about that frequency.
    """
    volume, found = shapes.volume_m3, []
    freq_hz = np.sqrt(shapes.k2) * speed_m_s / (2.0 * math.pi)
    for f in _BENDS_HZ:
        some = shapes.p[:, np.abs(np.log2(np.maximum(freq_hz, 1.0) / f)) < 0.75]
        if not some.shape[1]:
            continue
        k = 2.0 * math.pi * f / speed_m_s
        matrix = sum(
            s.T @ sparse.diags_array(w * _product([b.ease(b.face[i], f) for b in bodies])) @ s
            for i, (s, w) in enumerate(zip(shapes.step, shapes.face_m3, strict=True))
        )
        taken = sum((complex(w.at(f)) * area for w, area in walls), np.zeros(1))
        if walls:
            matrix = matrix + 1j * k * at_walls.T @ sparse.diags_array(taken) @ at_walls
        soft = 1.0 + sum(b.cell * (complex(b.medium.softness(f)) - 1.0) for b in bodies)
        matrix = matrix - sparse.diags_array(k * k * volume * soft)
        factors = splu(sparse.csc_array(matrix), permc_spec="MMD_AT_PLUS_A")
        answer = factors.solve((volume[:, None] * some).astype(np.complex128))
        found += [answer.real, answer.imag]
    bent = np.hstack(found)
    bent = bent - shapes.p @ (shapes.p.T @ (volume[:, None] * bent)) / volume.sum()
    size = np.sqrt((volume[:, None] * bent**2).sum(axis=0) / volume.sum())
    whole = np.sqrt(volume / volume.sum())
    left, strength, _ = np.linalg.svd(
        whole[:, None] * bent / np.maximum(size, 1e-12), full_matrices=False
    )
    kept = strength[:_MOST_BENDS] > _NEW * strength[0]
    return np.asarray(left[:, :_MOST_BENDS][:, kept] / whole[:, None])


def _product(parts: Sequence[Complex]) -> Complex:
    """Give the product: a face hardly ever lies in two media."""
    whole = parts[0]
    for part in parts[1:]:
        whole = whole * part
    return whole


def _at_walls(shapes: Shapes, mesh: RoomMesh) -> Sparse:
    """Give pressure at each piece of wall from that of cells  (W52).

    Half a cell off a wall along an axis the pressure is on a parabola whose slope is zero
    there: p + (p - next)/8.
    """
    grid = shapes.grid
    index = np.full(grid.volume.size, -1, dtype=np.int64)
    index[shapes.cell] = np.arange(shapes.cell.size)
    towards = _inwards(mesh, grid)[grid.wall_side]
    cell = grid.wall_cell
    deep = (towards != 0) & (grid.volume[cell] > 0.999)
    deep[deep] &= grid.volume[cell[deep] + towards[deep]] > 0.999
    rows = np.arange(cell.size)
    value = np.concatenate([np.where(deep, 1.125, 1.0), np.full(deep.sum(), -0.125)])
    column = np.concatenate([index[cell], index[cell[deep] + towards[deep]]])
    row, held = np.concatenate([rows, rows[deep]]), column >= 0
    return sparse.csr_array(
        (value[held], (row[held], column[held])), shape=(cell.size, shapes.cell.size)
    )


def _inwards(mesh: RoomMesh, grid: CutGrid) -> Int:
    """Give, for each side along an axis, the way to the next cell from it; else 0."""
    back = back_sides(mesh)
    way = np.zeros(len(mesh.surfaces) + int((back >= 0).sum()), dtype=np.int64)
    for i in range(len(mesh.surfaces)):
        normals = mesh.face_normal[mesh.face_surface == i]
        for axis, stride in enumerate(grid.stride):
            for sign in (-1, 1):
                if len(normals) and (sign * normals[:, axis] > 0.9999).all():
                    way[i] = sign * stride
                    if back[i] >= 0:
                        way[back[i]] = -sign * stride
    return way
