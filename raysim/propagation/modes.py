"""The standing waves of a room: at which frequency, how long each rings, and where.

First those of the room with hard walls, then what walls and porous bodies make of them.
Air between the walls takes nothing: at these frequencies it is far less than any wall.
Theory: DEVELOPERS.md, W50 to W54.
"""

import math
from collections.abc import Sequence
from itertools import pairwise

import numpy as np

from raysim.absorbers.admittance import Admittance, Complex
from raysim.algebra import one_blas_thread
from raysim.geometry.mesh import RoomMesh
from raysim.propagation.hard_modes import REACH, Shapes, hard_modes
from raysim.propagation.mode_losses import Lossy, lossy
from raysim.propagation.mode_names import name_modes
from raysim.propagation.wave_points import point_weights
from raysim.propagation.wave_pores import Fill
from raysim.records import Modes
from raysim.units import LN_60_DB, Float

#: Spans of frequency in which walls are held constant to find a start, and their overlap.
_N_SPAN, _OVERLAP = 3, 0.1
#: Rounds of refining one mode, and when it is at rest.
_N_ROUND, _REST = 12, 1e-9
#: Two results closer than this, as a share, are one mode found from two spans.
_SAME = 1e-6
#: A mode that rings shorter than this many of its own periods is no mode.
_LEAST_PERIODS = 1.0


@one_blas_thread()
def room_modes(
    mesh: RoomMesh,
    sides: Sequence[Admittance],
    fills: Sequence[Fill],
    sources: Float,
    receivers: Float,
    speed_m_s: float,
    up_to_hz: float = 200.0,
) -> Modes:
    """Find the modes of a room, how long they ring, what they are and where they are heard.

    Parameters
    ----------
    mesh : RoomMesh
        Without the bodies that ``fills`` describe.
    sides : sequence of Admittance
        One per side: fronts of the mesh's surfaces, then backs of its sheets; as they
        are, not as a grid of some spacing sees them.
    fills : sequence of Fill
        Porous bodies.
    sources, receivers : (n, 3) float64
        Where a mode's level is asked for.
    speed_m_s : float
    up_to_hz : float

    Returns
    -------
    Modes
        By rising frequency. Thin cloths and foils are left out.

    Raises
    ------
    WaveError
        RS-B02: a point is not in the air.
    """
    shapes = hard_modes(mesh, REACH * up_to_hz, speed_m_s)
    equation = lossy(shapes, mesh, sides, fills, speed_m_s)
    found, mixes = _refined(equation, up_to_hz, speed_m_s)
    mixed = _real(equation.p @ mixes, shapes.volume_m3)
    names = name_modes(mesh, shapes.grid, shapes.cell, shapes.opening, mixed)
    decay_s = 0.5 * LN_60_DB / (speed_m_s * found.imag)
    return Modes(
        found.real * speed_m_s / (2.0 * math.pi), decay_s,
        names.along, names.kind, names.between,
        _read(shapes, mixed, sources, "source"), _read(shapes, mixed, receivers, "receiver"),
    )  # fmt: skip


def _refined(room: Lossy, up_to_hz: float, speed_m_s: float) -> tuple[Complex, Complex]:
    """Give complex wavenumbers and mixes of shapes, (n_mode,) and (n_shape, n_mode)  (W51)."""
    per_hz = 2.0 * math.pi / speed_m_s
    lowest = 0.3 * room.lowest_k
    edges = np.linspace(lowest, up_to_hz * per_hz, _N_SPAN + 1)
    found: list[tuple[complex, Complex]] = []
    for low, high in pairwise(edges.tolist()):
        k_mid, more = 0.5 * (low + high), _OVERLAP * (high - low)
        stiff, drain, mass = room.terms(k_mid / per_hz)
        # k D is (k^2 + m^2) D / 2m near the middle m, which leaves only squares of k.
        squares, mixes = np.linalg.eig(
            np.linalg.solve(mass - 0.5j / k_mid * drain, stiff + 0.5j * k_mid * drain)
        )
        k = np.sqrt(squares.astype(np.complex128))
        for i in np.flatnonzero((k.real > low - more) & (k.real < high + more)):
            one = _at_rest(room, complex(k[i]), mixes[:, i], per_hz)
            if one is None or not lowest < one[0].real <= edges[-1]:
                continue
            rings = 0.5 * LN_60_DB / max(one[0].imag, 1e-300) * one[0].real / (2.0 * math.pi)
            twice = any(
                abs(one[0] - k) < _SAME * abs(k) and _alike(one[1], x) for k, x in found
            )
            if rings > _LEAST_PERIODS and not twice:
                found.append(one)
    found.sort(key=lambda one: one[0].real)
    n = len(room.stiff)
    k = np.array([one[0] for one in found], dtype=np.complex128)
    mixes = np.array([one[1] for one in found], dtype=np.complex128).reshape(-1, n).T
    # Without any loss nothing falls: the decay is then without end.
    return k.real + 1j * k.imag.clip(1e-12), mixes


def _alike(a: Complex, b: Complex) -> bool:
    return bool(abs(np.vdot(a, b)) > 0.9 * np.linalg.norm(a) * np.linalg.norm(b))


def _at_rest(
    room: Lossy, k: complex, mix: Complex, per_hz: float
) -> tuple[complex, Complex] | None:
    """Refine one mode at its own frequency: inverse iteration, then the root it implies."""
    for _ in range(_N_ROUND):
        stiff, drain, mass = room.terms(max(k.real, 1e-3) / per_hz)
        a, b, d = (complex(mix @ (m @ mix)) for m in (stiff, mass, drain))
        root = complex(np.sqrt(4.0 * a * b - d * d))
        new = min(((1j * d + r) / (2.0 * b) for r in (root, -root)), key=lambda x: abs(x - k))
        if abs(new - k) < _REST * abs(new):
            return new, mix
        k = new
        push = (2.0 * k * mass - 1j * drain) @ mix
        matrix = stiff - k * k * mass + 1j * k * drain
        matrix[np.diag_indices_from(matrix)] += 1e-12 * abs(k * k)
        mix = np.asarray(np.linalg.solve(matrix, push), dtype=np.complex128)
        mix /= np.linalg.norm(mix)
    return None


def _real(p: Complex, volume_m3: Float) -> Float:
    """Turn each shape until it is as real as can be; mean square 1."""
    square = (volume_m3[:, None] * p * p).sum(axis=0)
    turned = (p * np.exp(-0.5j * np.angle(square))).real
    mean = (volume_m3[:, None] * turned**2).sum(axis=0) / volume_m3.sum()
    return np.asarray(turned / np.sqrt(mean))


def _read(shapes: Shapes, p: Float, points_m: Float, name: str) -> Float:
    """Give shapes at points, (n_mode, n_point)."""
    points = np.asarray(points_m, dtype=np.float64).reshape(-1, 3)
    index = np.full(shapes.grid.volume.size, -1, dtype=np.int64)
    index[shapes.cell] = np.arange(shapes.cell.size)
    read = np.zeros((p.shape[1], len(points)))
    for i, point in enumerate(points):
        cells, weights = point_weights(
            shapes.grid, shapes.grid.volume, shapes.opening, point, f"{name} {i + 1}"
        )
        read[:, i] = weights @ p[index[cells]]
    return np.asarray(read)
