"""Loops around the stencil, for processors: no physics here.

Planes of rows, faces and cut cells are tasks that write their own places only, so the
result does not depend on the number of threads.
"""

import numpy as np
from numba import prange

from raysim.core.compile import loop
from raysim.core.stencil import energy, flow, step_cut, step_row

#: Cut cells or faces to a task.
CHUNK = 512


@loop
def advance(
    p, first, n_step, stride_y, stride_z, middle, x, y, z, row_start, row_length, plane_row,
    part, cell, link, damping, push, volume,
    face_start, face, face_weight, face_cells, face_open, face_pull, face_kind, face_near,
    face_near_weight, face_flow, face_state,
    wall_start, wall_weight, wall_branch, state_start, branch_start, branch, state,
    source_cell, source_weight, source_volume, source_cut, drive,
    hear_cell, hear_weight, heard, put, taken, face_taken,
):  # fmt: skip
    """Take steps ``first`` to ``first + n_step``, writing what receivers hear.

    ``p`` (2, n_cell): step n reads p[n % 2] and overwrites the other; it writes
    ``face_flow[n % 2]`` (n_face, 2) from the other. ``drive`` is the
    source's pulse, ``source_cut`` the cut cell of each of its cells, -1 where whole.
    ``part`` (n_part, 2) are first and last cut cells of each plane, then of other tasks.
    ``put`` (1,) gains the energy put in, ``taken`` (n_part,) and ``face_taken`` (n_chunk,)
    what walls and pores took.
    """
    half = np.float32(0.5)
    for n in range(first, first + n_step):
        now, new = p[n % 2], p[1 - n % 2]
        sounding = n < drive.size
        before = np.zeros(source_cell.size)
        if sounding:
            for i in range(source_cell.size):
                before[i] = new[source_cell[i]]
                if source_cut[i] >= 0:
                    push[source_cut[i]] = source_weight[i] * drive[n]
        for k in prange((face_cells.shape[0] + CHUNK - 1) // CHUNK):
            face_taken[k] += flow(
                k * CHUNK, min((k + 1) * CHUNK, face_cells.shape[0]), now, face_cells,
                face_open, face_pull, face_kind, face_near, face_near_weight,
                face_flow[1 - n % 2], face_flow[n % 2], face_state, half,
            )  # fmt: skip
        # Cut cells of a plane are stepped while its pressures are at hand in the cache, but
        # for planes that lie along a wall, which would keep one thread too long.
        for k in prange(plane_row.size - 1):
            for r in range(plane_row[k], plane_row[k + 1]):
                step_row(
                    now, new, row_start[r], row_length[r], stride_y, stride_z, middle, x, y, z
                )
            taken[k] += step_cut(
                part[k, 0], part[k, 1], now, new, cell, link, damping,
                push, volume, stride_y, stride_z,
                face_start, face, face_weight, face_flow[n % 2],
                wall_start, wall_weight, wall_branch, state_start, branch_start, branch,
                state, half,
            )  # fmt: skip
        for k in prange(plane_row.size - 1, part.shape[0]):
            taken[k] += step_cut(
                part[k, 0], part[k, 1], now, new, cell, link, damping,
                push, volume, stride_y, stride_z,
                face_start, face, face_weight, face_flow[n % 2],
                wall_start, wall_weight, wall_branch, state_start, branch_start, branch,
                state, half,
            )  # fmt: skip
        if sounding:
            for i in range(source_cell.size):
                if source_cut[i] >= 0:
                    push[source_cut[i]] = np.float32(0.0)
                else:
                    new[source_cell[i]] += source_weight[i] * drive[n]
                rise = 0.5 * (new[source_cell[i]] - before[i])
                put[0] += source_volume[i] * source_weight[i] * drive[n] * rise
        for i in range(hear_cell.shape[0]):
            total = 0.0
            for j in range(hear_cell.shape[1]):
                total += hear_weight[i, j] * new[hear_cell[i, j]]
            heard[i, n] = total


@loop
def stored(
    p,
    n,
    stride_y,
    stride_z,
    x,
    y,
    z,
    row_start,
    row_length,
    plane_row,
    cell,
    link,
    volume,
    sums,
):
    """Sum the energy of cells and open faces between steps n - 1 and n into tasks' sums.

    ``sums`` (n_plane + n_chunk,). Each cell counts itself and its lower faces.
    """
    old, new = p[1 - n % 2], p[n % 2]
    n_plane = plane_row.size - 1
    for k in prange(n_plane):
        total = 0.0
        for r in range(plane_row[k], plane_row[k + 1]):
            for c in range(row_start[r], row_start[r] + row_length[r]):
                total += energy(old, new, c, stride_y, stride_z, x, y, z)
        sums[k] = total
    for k in prange((cell.size + CHUNK - 1) // CHUNK):
        total = 0.0
        for b in range(k * CHUNK, min((k + 1) * CHUNK, cell.size)):
            total += volume[b] * energy(
                old, new, cell[b], stride_y, stride_z, link[b, 0], link[b, 2], link[b, 4]
            )
        sums[n_plane + k] = total
