"""Porous bodies and thin cloths in the wave solver: what they do to faces and to cells.

Flow through a face with pores has drag and mass of its own; a cell with pores gives way
more than air, some of it late. Theory: DEVELOPERS.md, W9.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from raysim.absorbers.volume import PorousFit
from raysim.geometry.grid import CutGrid, faces_at, share_of
from raysim.propagation.wave_lines import in_lines, like
from raysim.units import Float, Int

Single = NDArray[np.float32]
Short = NDArray[np.int32]  # half the memory to read: lists are bound by that
#: Faces with pores of one kind are put together from so many on.
RARE = 64


@dataclass(frozen=True, slots=True, eq=False)
class Fill:
    """A body that sound goes into: closed triangles (n, 3, 3), normals outwards."""

    triangles_m: Float
    medium: PorousFit


@dataclass(frozen=True, slots=True, eq=False)
class Veil:
    """A thin sheet (n, 3, 3) that air flows through, or that moves, or both.

    ``resistance_pa_s_m`` None: nothing flows through. ``mass_kg_m2`` 0: it is held still.
    One of both must be given.
    """

    triangles_m: Float
    resistance_pa_s_m: float | None
    mass_kg_m2: float


@dataclass(frozen=True, slots=True, eq=False)
class Pores:
    """What pores and veils do, per step: to each cell, and to each face by its upper cell."""

    more: Float  # (n_cell,) volume that softness adds
    #: share of volume by cell; gives and delays in steps, (n, 2)
    late: list[tuple[Float, Float]]
    porous: NDArray[np.bool_]  # (3, n_cell)
    mass: Float  # (3, n_cell) and so on: of the terms of W9, mass without the 1 of air
    drag: Float
    held: Float
    held_rate: Float
    slow: Float
    slow_steps: Float
    spread_drag: Float  # (3, n_cell) what even flow within a cell has less of drag


def spread(
    grid: CutGrid,
    volume: Float,
    opening: Float,
    fills: Sequence[Fill],
    veils: Sequence[Veil],
    step_s: float,
    density_kg_m3: float,
) -> Pores:
    """Spread porous bodies and veils over faces and cells  (W9)."""
    n_cell, shape = volume.size, opening.shape
    mass, drag, held, held_loss, slow, slow_share = (np.zeros(shape) for _ in range(6))
    porous = np.zeros(shape, dtype=bool)
    more, spread_drag = np.zeros(n_cell), np.zeros(shape)
    late: list[tuple[Float, Float]] = []
    for fill in fills:
        m = fill.medium
        share, lean = share_of(grid, fill.triangles_m)
        # Of the air of the cell: what stands out of the room does not count.
        part = np.divide(share, grid.volume, out=np.zeros(n_cell), where=grid.volume > 0.0)
        whole = np.maximum(part, 1.0)
        above = lean / np.maximum(share, 1e-12) * part / whole
        part = part / whole
        more += (m.give - 1.0) * part * volume
        late.append(
            (part * volume, np.stack([m.late_give, np.array(m.late_s) / step_s], axis=1))
        )
        # No more than the bound under which flow always loses energy  (W9).
        lasting = min(m.drag_per_s + m.slow_drag_per_s, 1.5 * m.drag_per_s)
        for axis, stride in enumerate(grid.stride):
            # Flow runs evenly from one face of a cell to the next: what it meets between is
            # shared by how near to either it lies, less what the square of that overstates.
            low, high = part - above[axis], above[axis]
            x = low.copy()
            x[stride:] += high[:-stride]
            x[opening[axis] == 0.0] = 0.0
            bound = np.divide(low * high, part, out=np.zeros(n_cell), where=part > 0.0)
            spread_drag[axis] += np.minimum(part / 6.0, 2.0 / 3.0 * bound) * lasting * step_s
            mass[axis] += x * (m.mass - 1.0)
            drag[axis] += x * m.drag_per_s * step_s
            held[axis] += x * m.held_mass
            held_loss[axis] += x * m.held_mass * step_s / m.held_s
            slow[axis] += x * m.slow_drag_per_s * step_s
            slow_share[axis] += x * m.slow_drag_per_s * m.slow_s
            porous[axis] |= x > 0.0
    for veil in veils:
        for axis in range(3):
            upper, _, face = faces_at(grid.to_cells(veil.triangles_m), grid.n, axis)
            gate = opening[axis, upper] > 0.0
            upper, face = upper[gate], face[gate]
            t = veil.triangles_m[face]
            normal = np.cross(t[:, 1] - t[:, 0], t[:, 2] - t[:, 0])
            cosines = np.abs(normal).sum(axis=1) / np.linalg.norm(normal, axis=1)
            # Stairs are larger than the sheet by the sum of its cosines, so each is more.
            per = cosines / (density_kg_m3 * grid.spacing_m[axis])
            if veil.resistance_pa_s_m is None:
                mass[axis, upper] += veil.mass_kg_m2 * per
            elif veil.mass_kg_m2 == 0.0:
                drag[axis, upper] += veil.resistance_pa_s_m * per * step_s
            else:  # one pair of a mass and a drag to a face: what pores hold becomes mass
                mass[axis, upper] += held[axis, upper]
                held[axis, upper] = veil.mass_kg_m2 * per
                held_loss[axis, upper] = veil.resistance_pa_s_m * per * step_s
            porous[axis, upper] = True
    rate = np.divide(held_loss, held, out=np.zeros(shape), where=held > 0.0)
    steps = np.divide(slow_share, slow, out=np.zeros(shape), where=slow > 0.0)
    return Pores(more, late, porous, mass, drag, held, rate, slow, steps, spread_drag)


def porous_faces(
    grid: CutGrid,
    volume: Float,
    opening: Float,
    index: Int,
    n_cut: int,
    pores: Pores,
    courant: Float,
) -> dict[str, Any]:
    """List the faces with pores, and which of them each cut cell has  (W9)."""
    axis, upper = np.nonzero(pores.porous & (opening > 0.0))
    lower = upper - np.array(grid.stride)[axis]
    open_, pull = opening[axis, upper], courant[axis]
    mass, drag, held, rate, slow, steps = (
        a[axis, upper]
        for a in (
            pores.mass,
            pores.drag,
            pores.held,
            pores.held_rate,
            pores.slow,
            pores.slow_steps,
        )
    )
    held_step = rate / (1.0 + 0.5 * rate)
    hold, keep = held * held_step, 2.0 * steps / (1.0 + 2.0 * steps)
    late = slow / (1.0 + 2.0 * steps)
    inertia = 1.0 / (1.0 + mass + 0.5 * (drag + hold + late))
    late_loss = np.divide(1.0, slow, out=np.zeros(slow.size), where=slow > 0.0)
    kind = np.stack(
        [inertia, drag, hold, held_step, late, keep, held * rate, late_loss], axis=1
    )
    late_store = np.divide(steps, slow, out=np.zeros(slow.size), where=slow > 0.0)
    store = np.stack([1.0 + mass, held, late_store], axis=1)
    open_, pull = open_.astype(np.float32), pull.astype(np.float32)
    # Where there is no next face, one after the last stands for it, in which nothing flows.
    number = np.full(opening.shape, upper.size, dtype=np.int64)
    number[axis, upper] = np.arange(upper.size)
    stride = np.array(grid.stride)[axis]
    near, spread_ = np.zeros((upper.size, 2), dtype=np.int64), np.zeros((upper.size, 2))
    for i, (cell, gate) in enumerate(((lower, lower), (upper, upper + stride))):
        near[:, i] = number[axis, gate]
        other = np.where(near[:, i] < upper.size, opening[axis, gate], open_)
        spread_[:, i] = pores.spread_drag[axis, cell] * np.minimum(1.0, other / open_)
    # Faces of one kind follow each other, as its constants are then read once for all; among
    # these the faces of a line, of one opening and one spread, so that they go several at once.
    # Last come those of kinds that are rare, by line alone.
    kinds, of, count = np.unique(
        kind.astype(np.float32), axis=0, return_inverse=True, return_counts=True
    )
    of, spread_ = of.ravel(), spread_.astype(np.float32)
    rare = count[of] < RARE
    order = in_lines(
        grid,
        upper,
        like([np.where(rare, len(kinds), of), axis, *np.where(rare, 0.0, [open_, *spread_.T])]),
    )
    place = np.full(upper.size + 1, upper.size)
    place[order] = np.arange(upper.size)
    axis, upper, lower, store = axis[order], upper[order], lower[order], store[order]
    of = of[order]
    open_, pull, near, spread_ = open_[order], pull[order], place[near[order]], spread_[order]
    # What flows up through a face leaves the cell below and enters the one above.
    cell, sign = np.concatenate([lower, upper]), np.repeat([-1.0, 1.0], upper.size)
    face = np.tile(np.arange(upper.size), 2)
    weight = sign * np.tile(pull.astype(np.float64) * open_, 2) / volume[cell]
    order = np.lexsort((np.tile(axis, 2), sign, index[cell]))
    start = np.searchsorted(index[cell[order]], np.arange(n_cut + 1))
    return {
        "face_start": start.astype(np.int32),
        "face": face[order].astype(np.int32),
        "face_weight": weight[order].astype(np.float32),
        "face_cells": np.stack([lower, upper], axis=1).astype(np.int32),
        "face_open": open_,
        "face_pull": pull,
        "face_kind": kinds,
        "face_kind_of": of.astype(np.int32),
        "face_near": near.astype(np.int32),
        "face_near_weight": spread_,
        "face_store": store,
    }
