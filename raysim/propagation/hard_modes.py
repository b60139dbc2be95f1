"""The standing waves of a room with hard walls, on the cut cells of the wave solver, coarser.

Theory: DEVELOPERS.md, W50.
"""

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy import sparse
from scipy.sparse.linalg import splu

from raysim.geometry.grid import CutGrid, cut_grid
from raysim.geometry.mesh import RoomMesh
from raysim.units import Float, Int

#: Cells per wavelength at the highest frequency, and the most cells: what is left of the
#: grid's error is in W50.
_PER_WAVELENGTH, _MOST_CELLS = 8.0, 12_000
#: Vectors at once in the search for shapes, and what one that is asked for may miss, re
#: the highest: its frequency then misses the square.
_BLOCK, _MISSED = 24, 1e-3
#: Shapes up to this many times the highest frequency serve only to mix.
REACH = 1.15

#: scipy's sparse arrays carry no types.
Sparse = Any


@dataclass(frozen=True, slots=True, eq=False)
class Shapes:
    """Standing waves of the hard room on the cells with air, mean square 1.

    ``step`` takes pressure to its slope through each open face, along one axis after the
    other; ``face_m3`` is the volume that a face stands for.
    """

    grid: CutGrid
    cell: Int  # (n_air,) flat numbers
    volume_m3: Float  # (n_air,)
    opening: Float  # (3, n_cell)
    k2: Float  # (n_shape,) squared wavenumbers, the grid's error taken out
    p: Float  # (n_air, n_shape)
    step: tuple[Sparse, ...]
    face_m3: tuple[Float, ...]

    def stiffness(self) -> Float:
        """Give, by axis, the integral of slope squared, (3, n_shape)."""
        return np.stack([
            (weight[:, None] * (step @ self.p) ** 2).sum(axis=0)
            for step, weight in zip(self.step, self.face_m3, strict=True)
        ])  # fmt: skip


def hard_modes(mesh: RoomMesh, up_to_hz: float, speed_m_s: float) -> Shapes:
    """Find the standing waves of a room with hard walls, the constant first  (W50)."""
    wave_m = speed_m_s / up_to_hz
    finest_m = (mesh.envelope_volume_m3 / _MOST_CELLS) ** (1.0 / 3.0)
    grid = cut_grid(mesh, max(wave_m / _PER_WAVELENGTH, finest_m))
    opening = grid.opening.copy()
    for axis, stride in enumerate(grid.stride):
        opening[axis, stride:][
            (grid.volume[stride:] == 0.0) | (grid.volume[:-stride] == 0.0)
        ] = 0.0
        opening[axis, :stride] = 0.0
    cell = np.flatnonzero(grid.volume > 0.0)
    volume = grid.volume[cell] * grid.cell_m3
    step, face = [], []
    for axis in range(3):
        slopes, weight = _slopes(grid, cell, opening, axis)
        step.append(slopes)
        face.append(weight)
    stiff = sum(s.T @ sparse.diags_array(f) @ s for s, f in zip(step, face, strict=True))
    k2, p = _lowest(
        sparse.csc_array(stiff), volume, (2.0 * math.pi / wave_m) ** 2,
        _about(mesh, up_to_hz, speed_m_s),
    )  # fmt: skip
    p *= math.sqrt(volume.sum())
    shapes = Shapes(grid, cell, volume, opening, k2, p, (*step,), (*face,))
    along = shapes.stiffness()
    along = along / np.maximum(along.sum(axis=0), 1e-300)
    # Each axis slows its own share of the wave, as in a box.
    slowed = (along**2 * (grid.spacing_m**2)[:, None]).sum(axis=0) * k2**2 / 12.0
    right = k2 + slowed
    order = np.argsort(right, kind="stable")
    return Shapes(grid, cell, volume, opening, right[order], p[:, order], (*step,), (*face,))


def _slopes(grid: CutGrid, cell: Int, opening: Float, axis: int) -> tuple[Sparse, Float]:
    """Give the slope through each open face of an axis, and the volume of each face."""
    index = np.full(grid.volume.size, -1, dtype=np.int64)
    index[cell] = np.arange(cell.size)
    upper = np.flatnonzero(opening[axis] > 0.0)
    n, h = upper.size, grid.spacing_m[axis]
    row = np.tile(np.arange(n), 2)
    column = np.concatenate([index[upper], index[upper - grid.stride[axis]]])
    value = np.repeat([1.0 / h, -1.0 / h], n)
    slopes = sparse.csr_array((value, (row, column)), shape=(n, cell.size))
    return slopes, opening[axis, upper] * grid.cell_m3


def _about(mesh: RoomMesh, up_to_hz: float, speed_m_s: float) -> int:
    """Give about how many modes there are, by volume and surface."""
    ratio = up_to_hz / speed_m_s
    count = 4.0 / 3.0 * math.pi * mesh.envelope_volume_m3 * ratio**3
    return int(count + 0.25 * math.pi * mesh.envelope_area_m2 * ratio**2) + _BLOCK


def _lowest(
    stiff: sparse.csc_array, volume: Float, k2: float, about: int
) -> tuple[Float, Float]:
    """Give the eigenvalues below one, and shapes whose square times volume sums to 1.

    Block Lanczos on the inverse: the low end is at rest long before the rest is. ``about``
    is how many are expected.
    """
    scale = sparse.diags_array(1.0 / np.sqrt(volume))
    matrix = sparse.csc_array(scale @ stiff @ scale)
    # A shift below all eigenvalues keeps the matrix positive.
    shifted = sparse.csc_array(matrix + 0.02 * k2 * sparse.eye_array(volume.size))
    factors = splu(
        shifted, permc_spec="MMD_AT_PLUS_A", diag_pivot_thresh=0.0,
        options={"SymmetricMode": True},
    )  # fmt: skip
    block = np.random.default_rng(1).standard_normal((volume.size, _BLOCK))
    basis = np.zeros((volume.size, 0))
    while True:
        while basis.shape[1] < min(2 * about, volume.size - _BLOCK):
            for _ in range(2):  # twice is enough
                block -= basis @ (basis.T @ block)
                spread, turn = np.linalg.eigh(block.T @ block)
                block = block @ (turn / np.sqrt(spread))
            basis = np.hstack([basis, block])
            block = factors.solve(block)
        values, mixes = np.linalg.eigh(basis.T @ (matrix @ basis))
        low = values < k2
        vectors = basis @ mixes[:, low]
        asked = vectors[:, values[low] < k2 / REACH**2]
        missed = np.linalg.norm(matrix @ asked - asked * values[: asked.shape[1]], axis=0)
        if (missed < _MISSED * k2).all() or 2 * about >= volume.size - _BLOCK:
            return values[low].clip(0.0), vectors / np.sqrt(volume)[:, None]
        about = int(1.25 * about)
