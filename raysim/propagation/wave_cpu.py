"""The loop over steps, for processors: no physics here.

Tasks write their own places only, so the result does not depend on the number of threads.
"""

import numpy as np
from numba import int64, prange

from raysim.core.compile import loop, stencil_kernel
from raysim.core.stencil import energy
from raysim.propagation.wave_cells import cell_tasks
from raysim.propagation.wave_flow import face_tasks

#: Cut cells to a task where energy is summed.
CHUNK = 512


@stencil_kernel
def _hear(begin, end, cell, weight, p, heard, n):
    """Write what some receivers hear."""
    for i in range(begin, end):
        total = 0.0
        for j in range(cell.shape[1]):
            total += weight[i, j] * p[cell[i, j]]
        heard[i, n] = total


@loop
def advance(
    p, first, n_step, stride_y, stride_z, middle, x, y, z, run, task_run, clear, task_clear,
    cell, code, table, kept, pending, stretch, inflow, face_start, face, face_weight,
    group, task_group, kind, branch_start, branch, state,
    face_group, face_task, face_line, face_part, face_each, face_cells, face_open, face_pull,
    face_kind, face_near, face_near_weight, flow, face_state,
    source_cell, source_weight, source_volume, source_cut, drive,
    hear_cell, hear_weight, heard, put, taken, face_taken, work, n_thread,
):  # fmt: skip
    """Take steps ``first`` to ``first + n_step``, writing what receivers hear.

    ``p`` (2, n_cell): step n reads p[n % 2] and overwrites the other. ``kept`` (n_place,) is
    room for what pressure in the cut cells was a step before, ``pending`` what is to be
    taken off it besides. ``drive`` is the source's pulse, ``source_cut`` the cut cell of
    each of its cells, -1 where whole. ``put`` (1,) gains the energy put in, ``taken``
    (n_task,) and ``face_taken`` what walls and pores took. ``work`` (n_thread, 4, most) is
    room to work in.
    """
    n_main, n_task, n_face_task = task_run.size - 1, task_group.size - 1, face_task.size - 1
    n_ear = hear_cell.shape[0]
    for i in range(cell.size):
        kept[i] = p[1 - first % 2, cell[i]]
    for n in range(first, first + n_step):
        now, new = p[n % 2], p[1 - n % 2]
        sounding = n < drive.size
        before = np.zeros(source_cell.size)
        if sounding:
            for i in range(source_cell.size):
                before[i] = new[source_cell[i]]
                if source_cut[i] >= 0:
                    pending[source_cut[i]] -= source_weight[i] * drive[n]
        # First faces, and cells without pores, which only read what is there before the step;
        # then cells with pores. One loop for both: each is compiled by itself.
        for phase in range(2 if n_task > n_main else 1):
            for i_thread in prange(n_thread):
                t = int64(i_thread)
                begin, end = n_main * t // n_thread, n_main * (t + 1) // n_thread
                if phase == 1:
                    begin = n_main + (n_task - n_main) * t // n_thread
                    end = n_main + (n_task - n_main) * (t + 1) // n_thread
                else:
                    if n > first:
                        _hear(
                            n_ear * t // n_thread, n_ear * (t + 1) // n_thread, hear_cell,
                            hear_weight, now, heard, n - 1,
                        )  # fmt: skip
                    face_tasks(
                        n_face_task * t // n_thread, n_face_task * (t + 1) // n_thread,
                        face_task, face_group, face_line, face_part, face_each, now,
                        face_cells, face_open, face_pull, face_kind, face_near,
                        face_near_weight, flow[1 - n % 2], flow[n % 2], face_state, work[t],
                        face_taken,
                    )  # fmt: skip
                cell_tasks(
                    begin, end, n % 2 == 0, now, new, stride_y, stride_z, middle, x, y, z, run,
                    task_run, clear, task_clear, cell, code, table, kept, pending, stretch,
                    inflow, face_start, face, face_weight, group, task_group, flow[n % 2, 0],
                    kind, branch_start, branch, state, work[t], taken,
                )  # fmt: skip
        if sounding:
            for i in range(source_cell.size):
                if source_cut[i] < 0:
                    new[source_cell[i]] += source_weight[i] * drive[n]
                rise = 0.5 * (new[source_cell[i]] - before[i])
                put[0] += source_volume[i] * source_weight[i] * drive[n] * rise
    if n_step > 0:
        now = p[(first + n_step) % 2]
        _hear(int64(0), int64(n_ear), hear_cell, hear_weight, now, heard, first + n_step - 1)


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
