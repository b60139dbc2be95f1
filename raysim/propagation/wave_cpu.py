"""Loops around the stencil, for processors: no physics here.

Tasks write their own places only, so the result does not depend on the number of threads.
"""

import numpy as np
from numba import float32, int64, prange, uint64

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
#: States of so many cells are stepped at once: groups begin at, and branches and runs go on to,
#: a multiple of it.
WIDE = 16
#: Columns of coefficients after those of neighbours; then one for each kind of wall. Said here
#: and not where tables are made, as machine code that is kept is named after this file's text.
WANE, EASE, SHUT, STEADY, VOLUME, WEIGHT = range(6, 12)
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
def _sum(taken):
    total = _NONE
    for i in range(taken.size):
        total += taken[i]
    return total


@summing_kernel
def _sum_of(weight, taken):
    total = _NONE
    for i in range(taken.size):
        total += weight[i] * taken[i]
    return total


@stencil_kernel
def _flat_stretch(now, new, kept, pending, rise, wane, ease, shut):
    """Step cells of a stretch that have been stepped as whole ones: what their walls add."""
    for i in range(rise.size):
        own, before = now[i], kept[i]
        after = at_wall(new[i], before, own, pending[i], wane, shut, ease)
        new[i], kept[i] = after, own
        rise[i] = rise_of(after, before)


@stencil_kernel
def _bent_stretch(
    now, new, first, stride_y, stride_z, kept, pending, rise, w, e, s, n, b, a, wane, ease
):  # fmt: skip
    """Step cells of a stretch with openings of their own."""
    m = rise.size
    west, east = now[first - 1 : first - 1 + m], now[first + 1 : first + 1 + m]
    south, north = now[first - stride_y :][:m], now[first + stride_y :][:m]
    below, above = now[first - stride_z :][:m], now[first + stride_z :][:m]
    here, out = now[first : first + m], new[first : first + m]
    for i in range(m):
        own, before = here[i], kept[i]
        plain = bent_cell(
            own, before, west[i], east[i], south[i], north[i], below[i], above[i],
            w, e, s, n, b, a,
        )  # fmt: skip
        after = at_wall(plain, before, own, pending[i], wane, _NONE, ease)
        out[i], kept[i] = after, own
        rise[i] = rise_of(after, before)


@stencil_kernel
def _flat(now, new, cell, code, table, kept, pending, rise):
    """Step cells that have been stepped as whole ones: what their walls add."""
    for i in range(cell.size):
        c, k = uint64(cell[i]), uint64(code[i])
        own, before = now[c], kept[i]
        after = at_wall(
            new[c], before, own, pending[i], table[k, WANE], table[k, SHUT], table[k, EASE]
        )
        new[c], kept[i] = after, own
        rise[i] = rise_of(after, before)


@stencil_kernel
def _bent(now, new, stride_y, stride_z, cell, code, table, kept, pending, rise):
    """Step cells with openings of their own."""
    one, sy, sz = uint64(1), uint64(stride_y), uint64(stride_z)
    for i in range(cell.size):
        c, k = uint64(cell[i]), uint64(code[i])
        own, before = now[c], kept[i]
        plain = bent_cell(
            own, before, now[c - one], now[c + one], now[c - sy], now[c + sy],
            now[c - sz], now[c + sz],
            table[k, 0], table[k, 1], table[k, 2], table[k, 3], table[k, 4], table[k, 5],
        )  # fmt: skip
        after = at_wall(plain, before, own, pending[i], table[k, WANE], _NONE, table[k, EASE])
        new[c], kept[i] = after, own
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
def _branch(rise, speed, place, drawn, lost, l2, e, ease, r):
    """Step one branch of the walls of many cells."""
    for i in range(rise.size):
        gain, fast, far = yielding(rise[i], speed[i], place[i], l2, e, ease)
        speed[i], place[i] = fast, far
        drawn[i] += drawing(fast, far, l2, e, ease)
        lost[i] += r * gain * gain


@stencil_kernel
def _two_branches(
    rise, speed, place, speed_b, place_b, drawn, lost, l2, e, ease, r, l2_b, e_b, ease_b, r_b
):  # fmt: skip
    """Step two branches of the walls of many cells."""
    for i in range(rise.size):
        gain, fast, far = yielding(rise[i], speed[i], place[i], l2, e, ease)
        speed[i], place[i] = fast, far
        more, fast_b, far_b = yielding(rise[i], speed_b[i], place_b[i], l2_b, e_b, ease_b)
        speed_b[i], place_b[i] = fast_b, far_b
        drawn[i] += drawing(fast, far, l2, e, ease) + drawing(fast_b, far_b, l2_b, e_b, ease_b)
        lost[i] += r * gain * gain + r_b * more * more


@stencil_kernel
def _spread(group, stretch, code, table, column, out):
    """Lay a coefficient of many cells out side by side: once for a stretch."""
    a, b, c, d, end = group[0], group[1], group[2], group[3], group[4]
    for s in range(group[5], group[7]):
        value = table[uint64(code[stretch[s, 0]]), column]
        part = out[stretch[s, 0] - a : stretch[s, 1] - a]
        for i in range(part.size):
            part[i] = value
    for i in range(uint64(b), uint64(c)):
        out[i - uint64(a)] = table[uint64(code[i]), column]
    for i in range(uint64(d), uint64(end)):
        out[i - uint64(a)] = table[uint64(code[i]), column]


@stencil_kernel
def _steady(taken, volume, rise):
    """Give what the constant part of walls takes."""
    for i in range(taken.size):
        taken[i] = volume[i] * rise[i] * rise[i]


@stencil_kernel
def _weigh(weight, volume, drawn, lost, pending, taken):
    """Weigh what walls of one kind draw and have lost."""
    for i in range(taken.size):
        pending[i] += weight[i] * drawn[i]
        taken[i] += weight[i] * volume[i] * lost[i]


@stencil_kernel
def _group(
    group, now, new, stride_y, stride_z, cell, code, table, kept, pending, stretch,
    face_start, face, face_weight, gain, kind, branch_start, branch, state, work,
):  # fmt: skip
    """Step cut cells whose walls are of the same kinds; give the energy these took."""
    a, b, c, d, end = group[0], group[1], group[2], group[3], group[4]
    n = end - a
    wide = (n + WIDE - 1) // WIDE * WIDE
    rise, taken, drawn, lost = work[0, :wide], work[1, :wide], work[2, :wide], work[3, :wide]
    volume, weight = work[4, :wide], work[5, :wide]
    pores = a + group[12]
    if end > pores:
        _inflow(face_start[pores : end + 1], face, face_weight, gain, pending[pores:end])
    for s in range(group[5], group[6]):
        i, j = stretch[s, 0], stretch[s, 1]
        place, k = uint64(cell[i]), uint64(code[i])
        _flat_stretch(
            now[place : place + uint64(j - i)], new[place : place + uint64(j - i)], kept[i:j],
            pending[i:j], rise[i - a : j - a],
            table[k, WANE], table[k, EASE], table[k, SHUT],
        )  # fmt: skip
    if c > b:
        _flat(
            now, new, cell[b:c], code[b:c], table, kept[b:c], pending[b:c], rise[b - a : c - a]
        )
    for s in range(group[6], group[7]):
        i, j = stretch[s, 0], stretch[s, 1]
        k = uint64(code[i])
        _bent_stretch(
            now, new, int64(cell[i]), stride_y, stride_z, kept[i:j], pending[i:j],
            rise[i - a : j - a],
            table[k, 0], table[k, 1], table[k, 2], table[k, 3], table[k, 4], table[k, 5],
            table[k, WANE], table[k, EASE],
        )  # fmt: skip
    if end > d:
        _bent(
            now, new, stride_y, stride_z, cell[d:end], code[d:end], table, kept[d:end],
            pending[d:end], rise[d - a : n],
        )  # fmt: skip
    pending = pending[a : a + wide]
    for i in range(pending.size):
        pending[i] = _NONE
    if group[11] == 0:
        return _NONE
    for i in range(n, wide):
        rise[i] = _NONE
    if group[11] & 1:
        _spread(group, stretch, code, table, STEADY, volume)
        _steady(taken, volume, rise)
    else:
        for i in range(wide):
            taken[i] = _NONE
    if group[10] > group[8]:
        _spread(group, stretch, code, table, VOLUME, volume)
    at = group[9]
    for w in range(group[8], group[10]):
        for i in range(wide):
            drawn[i], lost[i] = _NONE, _NONE
        m, last = branch_start[kind[w]], branch_start[kind[w] + 1]
        while m + 2 <= last:
            _two_branches(
                rise, state[0, at : at + wide], state[1, at : at + wide],
                state[0, at + wide : at + 2 * wide], state[1, at + wide : at + 2 * wide],
                drawn, lost, branch[m, 0], branch[m, 1], branch[m, 2], branch[m, 3],
                branch[m + 1, 0], branch[m + 1, 1], branch[m + 1, 2], branch[m + 1, 3],
            )  # fmt: skip
            at, m = at + 2 * wide, m + 2
        if m < last:
            _branch(
                rise, state[0, at : at + wide], state[1, at : at + wide], drawn, lost,
                branch[m, 0], branch[m, 1], branch[m, 2], branch[m, 3],
            )  # fmt: skip
            at += wide
        _spread(group, stretch, code, table, WEIGHT + w - group[8], weight)
        _weigh(weight, volume, drawn, lost, pending, taken)
    return _sum(taken)


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
    return _sum_of(open_, taken)


@loop
def advance(
    p, first, n_step, stride_y, stride_z, middle, x, y, z, run, task_run, clear, task_clear,
    cell, code, table, kept, pending, stretch, face_start, face, face_weight,
    group, task_group, kind, branch_start, branch, state,
    face_group, face_task, face_cells, face_open, face_pull, face_kind, face_near,
    face_near_weight, flow, face_state,
    source_cell, source_weight, source_volume, source_cut, drive,
    hear_cell, hear_weight, heard, put, taken, face_taken, work, n_thread,
):  # fmt: skip
    """Take steps ``first`` to ``first + n_step``, writing what receivers hear.

    ``p`` (2, n_cell): step n reads p[n % 2] and overwrites the other. ``kept`` (n_place,) is
    room for what pressure in the cut cells was a step before, ``pending`` what is to be
    taken off it besides. ``drive`` is the source's pulse, ``source_cut`` the cut cell of
    each of its cells, -1 where whole. ``put`` (1,) gains the energy put in, ``taken``
    (n_task,) and ``face_taken`` what walls and pores took. ``work`` (n_thread, 6, most) is
    room to work in.
    """
    n_task = task_run.size - 1
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
            for i_thread in prange(n_thread):
                t = int64(i_thread)
                for k in range(
                    (face_task.size - 1) * t // n_thread,
                    (face_task.size - 1) * (t + 1) // n_thread,
                ):
                    for g in range(face_task[k], face_task[k + 1]):
                        face_taken[k] += _faces(
                            face_group[g], now, face_cells, face_open, face_pull, face_kind,
                            face_near, face_near_weight, flow[1 - n % 2], flow[n % 2],
                            face_state, work[t],
                        )  # fmt: skip
        for i_thread in prange(n_thread):
            t = int64(i_thread)
            begin, end = n_task * t // n_thread, n_task * (t + 1) // n_thread
            for i_task in range(begin, end):
                # There and back: what was stepped last is still in the cache.
                k = i_task if n % 2 else begin + end - 1 - i_task
                for r in range(task_run[k], task_run[k + 1]):
                    step_run(
                        now, new, run[r, 0], run[r, 1], stride_y, stride_z, middle, x, y, z
                    )
                for i in range(task_clear[k], task_clear[k + 1]):
                    new[clear[i]] = 0.0
                total = 0.0
                for g in range(task_group[k], task_group[k + 1]):
                    total += _group(
                        group[g], now, new, stride_y, stride_z, cell, code, table, kept,
                        pending, stretch, face_start, face, face_weight, flow[n % 2, 0], kind,
                        branch_start, branch, state, work[t],
                    )  # fmt: skip
                taken[k] += total
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
