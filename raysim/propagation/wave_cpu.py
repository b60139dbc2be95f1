"""Loops around the stencil, for processors: no physics here.

Tasks write their own places only, so the result does not depend on the number of threads.
"""

import numpy as np
from numba import float32, prange, uint64

from raysim.core.compile import loop, stencil_kernel, summing_kernel
from raysim.core.stencil import (
    at_wall,
    bent_cell,
    drawing,
    energy,
    flowing,
    rise_of,
    whole_cell,
    yielding,
)

#: Cut cells to a task where energy is summed.
CHUNK = 512
_NONE = float32(0.0)


@stencil_kernel
def step_run(now, new, first, last, stride_y, stride_z, middle, x, y, z):
    """Step cells from one place to another as whole ones  (W1).

    Places are unsigned: with a check for negative ones there is no machine code for several
    cells at once.
    """
    one, sy, sz = uint64(1), uint64(stride_y), uint64(stride_z)
    for c in range(uint64(first), uint64(last)):
        new[c] = whole_cell(
            now[c], new[c], now[c - one], now[c + one], now[c - sy], now[c + sy],
            now[c - sz], now[c + sz], middle, x, y, z,
        )  # fmt: skip


@summing_kernel
def _sum(volume, taken):
    total = _NONE
    for i in range(taken.size):
        total += volume[i] * taken[i]
    return total


@stencil_kernel
def _flat(now, new, cell, kept, wane, ease, shut, pending, rise):
    """Step cells that have been stepped as whole ones: what their walls add."""
    for i in range(cell.size):
        c = uint64(cell[i])
        own, before = now[c], kept[i]
        after = at_wall(new[c], before, own, pending[i], wane[i], shut[i], ease[i])
        new[c], kept[i], pending[i] = after, own, _NONE
        rise[i] = rise_of(after, before)


@stencil_kernel
def _bent(now, new, stride_y, stride_z, cell, kept, wane, ease, link, pending, rise):
    """Step cells with openings of their own."""
    one, sy, sz = uint64(1), uint64(stride_y), uint64(stride_z)
    for i in range(cell.size):
        c = uint64(cell[i])
        own, before = now[c], kept[i]
        plain = bent_cell(
            own, before, now[c - one], now[c + one], now[c - sy], now[c + sy],
            now[c - sz], now[c + sz],
            link[i, 0], link[i, 1], link[i, 2], link[i, 3], link[i, 4], link[i, 5],
        )  # fmt: skip
        after = at_wall(plain, before, own, pending[i], wane[i], _NONE, ease[i])
        new[c], kept[i], pending[i] = after, own, _NONE
        rise[i] = rise_of(after, before)


@stencil_kernel
def _inflow(start, face, weight, flow, pending):
    """Take what flows in through faces with pores off what walls draw."""
    for i in range(pending.size):
        total = pending[i]
        for f in range(start[i], start[i + 1]):
            total -= weight[f] * flow[face[f]]
        pending[i] = total


@stencil_kernel
def _branch(rise, weight, speed, place, pending, taken, l2, e, ease, r):
    """Step one branch of the walls of many cells."""
    for i in range(rise.size):
        gain, fast, far = yielding(rise[i], speed[i], place[i], l2, e, ease)
        speed[i], place[i] = fast, far
        pending[i] += weight[i] * drawing(fast, far, l2, e, ease)
        taken[i] += weight[i] * r * gain * gain


@stencil_kernel
def _group(
    group, now, new, stride_y, stride_z, cell, kept, wane, ease, shut, steady, volume, link,
    face_start, face, face_weight, gain, pending, slot, weight, branch, state, rise, taken,
):  # fmt: skip
    """Step cut cells whose walls are of the same kinds; give the energy these took."""
    a, b, c, d = group[0], group[1], group[2], group[3]
    if d > c:
        _inflow(face_start[c : d + 1], face, face_weight, gain, pending[c:d])
    if b > a:
        _flat(
            now, new, cell[a:b], kept[a:b], wane[a:b], ease[a:b], shut[a:b], pending[a:b],
            rise[: b - a],
        )  # fmt: skip
    if d > b:
        _bent(
            now, new, stride_y, stride_z, cell[b:d], kept[b:d], wane[b:d], ease[b:d],
            link[b:d], pending[b:d], rise[b - a : d - a],
        )  # fmt: skip
    if group[6] == 0:
        return 0.0
    n = d - a
    rise, taken, pending, steady = rise[:n], taken[:n], pending[a:d], steady[a:d]
    volume = volume[a:d]
    for i in range(n):
        taken[i] = steady[i] * rise[i] * rise[i]
    for s in range(group[4], group[5]):
        m, w, at = slot[s, 0], slot[s, 1], slot[s, 2]
        _branch(
            rise, weight[w : w + n], state[0, at : at + n], state[1, at : at + n], pending,
            taken, branch[m, 0], branch[m, 1], branch[m, 2], branch[m, 3],
        )  # fmt: skip
    return _sum(volume, taken)


@stencil_kernel
def _faces(
    group, now, cells, open_, pull, kinds, near, near_weight, old, new, state, work
):  # fmt: skip
    """Step the flow through faces of one kind; give the energy lost.

    What lies here and there is gathered first: the rest is done for several at once.
    """
    first, last, k = group[0], group[1], group[2]
    n = last - first
    drop, spread, even, taken = work[0, :n], work[1, :n], work[2, :n], work[3, :n]
    cells, near, near_weight = cells[first:last], near[first:last], near_weight[first:last]
    open_, pull = open_[first:last], pull[first:last]
    gain, u = old[0, first:last], old[1, first:last]
    every_gain, every_u = old[0], old[1]
    for f in range(n):
        drop[f] = pull[f] * (now[uint64(cells[f, 0])] - now[uint64(cells[f, 1])])
        a, b = uint64(near[f, 0]), uint64(near[f, 1])
        spread[f] = near_weight[f, 0] * (u[f] - every_u[a]) + near_weight[f, 1] * (
            u[f] - every_u[b]
        )
        even[f] = near_weight[f, 0] * (gain[f] - every_gain[a]) + near_weight[f, 1] * (
            gain[f] - every_gain[b]
        )
    after_gain, after_u = new[0, first:last], new[1, first:last]
    i, i_gain = state[0, first:last], state[1, first:last]
    s, s_gain = state[2, first:last], state[3, first:last]
    inertia, drag, hold, rate = kinds[k, 0], kinds[k, 1], kinds[k, 2], kinds[k, 3]
    slow, keep, held_loss, slow_loss = kinds[k, 4], kinds[k, 5], kinds[k, 6], kinds[k, 7]
    for f in range(n):
        (
            after_gain[f], after_u[f], i[f], i_gain[f], s[f], s_gain[f], taken[f],
        ) = flowing(
            drop[f], spread[f], even[f], gain[f], u[f], i[f], i_gain[f], s[f], s_gain[f],
            inertia, drag, hold, rate, slow, keep, held_loss, slow_loss,
        )  # fmt: skip
    return _sum(open_, taken)


@loop
def advance(
    p, first, n_step, stride_y, stride_z, middle, x, y, z, run, task_run, clear, task_clear,
    cell, kept, wane, ease, shut, steady, volume, link, face_start, face, face_weight, pending,
    group, task_group, slot, weight, branch, state,
    face_group, face_task, face_cells, face_open, face_pull, face_kind, face_near,
    face_near_weight, flow, face_state,
    source_cell, source_weight, source_volume, source_cut, drive,
    hear_cell, hear_weight, heard, put, taken, face_taken, work,
):  # fmt: skip
    """Take steps ``first`` to ``first + n_step``, writing what receivers hear.

    ``p`` (2, n_cell): step n reads p[n % 2] and overwrites the other. ``kept`` (n_cut,) is
    room for what pressure in the cut cells was a step before, ``pending`` what is to be
    taken off it besides. ``drive`` is the source's pulse, ``source_cut`` the cut cell of
    each of its cells, -1 where whole. ``put`` (1,) gains the energy put in, ``taken``
    (n_task,) and ``face_taken`` what walls and pores took. ``work`` (n_task, 4, most) is
    room to work in.
    """
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
        if face_task.size > 1:
            for t in prange(face_task.size - 1):
                for g in range(face_task[t], face_task[t + 1]):
                    face_taken[t] += _faces(
                        face_group[g], now, face_cells, face_open, face_pull, face_kind,
                        face_near, face_near_weight, flow[1 - n % 2], flow[n % 2], face_state,
                        work[t],
                    )  # fmt: skip
        for t in prange(task_run.size - 1):
            for r in range(task_run[t], task_run[t + 1]):
                step_run(now, new, run[r, 0], run[r, 1], stride_y, stride_z, middle, x, y, z)
            for i in range(task_clear[t], task_clear[t + 1]):
                new[clear[i]] = 0.0
            total = 0.0
            for g in range(task_group[t], task_group[t + 1]):
                total += _group(
                    group[g], now, new, stride_y, stride_z, cell, kept, wane, ease, shut,
                    steady, volume, link, face_start, face, face_weight, flow[n % 2, 0],
                    pending, slot, weight, branch, state, work[t, 0], work[t, 1],
                )  # fmt: skip
            taken[t] += total
        if sounding:
            for i in range(source_cell.size):
                if source_cut[i] < 0:
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
