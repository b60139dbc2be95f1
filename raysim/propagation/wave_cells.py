"""Loops over cut cells and their walls, for processors: no physics here.

Arrays go whole from loop to loop, with a place to begin at: a slice of each would cost as much
as a short loop. Places are unsigned: with a check for negative ones there is
no machine code for several cells at once. A step of one cell is said apart, for its sake too.
"""

from numba import float32, uint64

from raysim.core.compile import inner_stencil_kernel, stencil_kernel, summing_kernel
from raysim.core.stencil import (
    at_wall,
    bent_cell,
    closed_cell,
    drawing,
    rise_of,
    whole_cell,
    yielding,
)

#: States of so many cells are stepped at once: groups begin at, and branches and runs go on to,
#: a multiple of it.
WIDE = 16
#: Columns of coefficients after those of neighbours; then one for each kind of wall. Said here
#: and not where tables are made, as machine code that is kept is named after this file's text.
WANE, EASE, SHUT, STEADY, VOLUME, WEIGHT = range(6, 12)
_NONE = float32(0.0)


@stencil_kernel
def step_run(now, new, first, last, stride_y, stride_z, middle, x, y, z):
    """Step cells from one place to another as whole ones  (W1)."""
    one, sy, sz = uint64(1), uint64(stride_y), uint64(stride_z)
    for c in range(uint64(first), uint64(last)):
        new[c] = whole_cell(
            now[c], new[c], now[c - one], now[c + one], now[c - sy], now[c + sy],
            now[c - sz], now[c + sz], middle, x, y, z,
        )  # fmt: skip


@summing_kernel
def _sum(taken, n):
    total = _NONE
    for i in range(n):
        total += taken[i]
    return total


@inner_stencil_kernel
def _flat_stretch(now, new, c, step, kept, pending, i, rise, at, m, wane, ease, shut):
    """Step cells of a stretch that have been stepped as whole ones: what their walls add."""
    for j in range(m):
        own, before = now[c + j * step], kept[i + j]
        after = at_wall(new[c + j * step], before, own, pending[i + j], wane, shut, ease)
        new[c + j * step], kept[i + j] = after, own
        rise[at + j] = rise_of(after, before)


@inner_stencil_kernel
def _closed_stretch(now, new, c, step, kept, pending, i, rise, at, m, wane, ease):
    """Step cells of a stretch whose faces all have pores."""
    for j in range(m):
        own, before = now[c + j * step], kept[i + j]
        plain = closed_cell(own, before)
        after = at_wall(plain, before, own, pending[i + j], wane, _NONE, ease)
        new[c + j * step], kept[i + j] = after, own
        rise[at + j] = rise_of(after, before)


@inner_stencil_kernel
def _bent_stretch(
    now, new, c, step, stride_y, stride_z, kept, pending, i, rise, at, m,
    w, e, s, n, b, a, wane, ease,
):  # fmt: skip
    """Step cells of a stretch with openings of their own."""
    one, sy, sz = uint64(1), uint64(stride_y), uint64(stride_z)
    for j in range(m):
        d = c + j * step
        own, before = now[d], kept[i + j]
        plain = bent_cell(
            own, before, now[d - one], now[d + one], now[d - sy], now[d + sy],
            now[d - sz], now[d + sz], w, e, s, n, b, a,
        )  # fmt: skip
        after = at_wall(plain, before, own, pending[i + j], wane, _NONE, ease)
        new[d], kept[i + j] = after, own
        rise[at + j] = rise_of(after, before)


@inner_stencil_kernel
def _flat(now, new, cell, code, table, kept, pending, rise, first, last, a):
    """Step cells that have been stepped as whole ones: what their walls add."""
    for i in range(uint64(first), uint64(last)):
        c, k = uint64(cell[i]), uint64(code[i])
        own, before = now[c], kept[i]
        after = at_wall(
            new[c], before, own, pending[i], table[k, WANE], table[k, SHUT], table[k, EASE]
        )
        new[c], kept[i] = after, own
        rise[i - uint64(a)] = rise_of(after, before)


@inner_stencil_kernel
def _bent(
    now, new, stride_y, stride_z, cell, code, table, kept, pending, rise, first, last, a
):  # fmt: skip
    """Step cells with openings of their own."""
    one, sy, sz = uint64(1), uint64(stride_y), uint64(stride_z)
    for i in range(uint64(first), uint64(last)):
        c, k = uint64(cell[i]), uint64(code[i])
        own, before = now[c], kept[i]
        plain = bent_cell(
            own, before, now[c - one], now[c + one], now[c - sy], now[c + sy],
            now[c - sz], now[c + sz],
            table[k, 0], table[k, 1], table[k, 2], table[k, 3], table[k, 4], table[k, 5],
        )  # fmt: skip
        after = at_wall(plain, before, own, pending[i], table[k, WANE], _NONE, table[k, EASE])
        new[c], kept[i] = after, own
        rise[i - uint64(a)] = rise_of(after, before)


@inner_stencil_kernel
def _inflow_one(first, m, pending, flow, a, weight):
    """Take what flows in through a face with pores off what walls draw, along a stretch."""
    for i in range(m):
        pending[first + i] -= weight * flow[a + i]


@inner_stencil_kernel
def _inflow_six(first, m, pending, flow, a, b, c, d, e, f, w, v, u, t, s, r):
    """Do the same through six faces."""
    for i in range(m):
        pending[first + i] -= (w * flow[a + i] + v * flow[b + i] + u * flow[c + i]) + (
            t * flow[d + i] + s * flow[e + i] + r * flow[f + i]
        )


@inner_stencil_kernel
def _inflows(inflow, first, last, start, face, weight, flow, pending):
    """Take what flows in off what walls draw, in all cells with pores of a group."""
    for s in range(first, last):
        i, m = uint64(inflow[s, 0]), uint64(inflow[s, 1] - inflow[s, 0])
        f, end = uint64(start[i]), uint64(start[i + uint64(1)])
        if inflow[s, 2] == 0:
            for j in range(i, i + m):
                total = pending[j]
                for f in range(uint64(start[j]), uint64(start[j + uint64(1)])):
                    total -= weight[f] * flow[uint64(face[f])]
                pending[j] = total
        elif end - f == 6:
            g, h, k, p, q = (
                f + uint64(1), f + uint64(2), f + uint64(3), f + uint64(4), f + uint64(5)
            )  # fmt: skip
            _inflow_six(
                i, m, pending, flow, uint64(face[f]), uint64(face[g]), uint64(face[h]),
                uint64(face[k]), uint64(face[p]), uint64(face[q]),
                weight[f], weight[g], weight[h], weight[k], weight[p], weight[q],
            )  # fmt: skip
        else:
            for k in range(f, end):
                _inflow_one(i, m, pending, flow, uint64(face[k]), weight[k])


@stencil_kernel
def together(branch, m, last):
    """Give how many branches from one on, of those of a kind of wall, are stepped at once.

    Their speeds and places lie by turns, for `WIDE` cells each, so that what a step reads
    lies in one row. A branch without mass is by itself: it has no use for its speed.
    """
    n = 0
    while n < 4 and m + n < last and branch[m + n, 0] != 0.0:
        n += 1
    return 1 if n < 2 else (2 if n < 4 else 4)


@inner_stencil_kernel
def _spring(rise, state, at, m, drawn, lost, e, ease, r):
    """Step a branch without mass of the walls of many cells."""
    for i in range(m):
        gain, _, far = yielding(rise[i], _NONE, state[at + i], _NONE, e, ease)
        state[at + i] = far
        drawn[i] += drawing(_NONE, far, _NONE, e, ease)
        lost[i] += r * gain * gain


@inner_stencil_kernel
def _yield(rise, state, at, l2, e, ease):
    """Step a branch of one cell; give its gain, and what it draws in the next step."""
    there = at + uint64(WIDE)
    gain, speed, place = yielding(rise, state[at], state[there], l2, e, ease)
    state[at], state[there] = speed, place
    return gain, drawing(speed, place, l2, e, ease)


@inner_stencil_kernel
def _branch(rise, state, at, m, drawn, lost, l2, e, ease, r):
    """Step one branch of the walls of many cells."""
    for block in range(m // uint64(WIDE)):
        a = block * uint64(WIDE)
        for i in range(uint64(WIDE)):
            gain, draws = _yield(rise[a + i], state, at + i, l2, e, ease)
            drawn[a + i] += draws
            lost[a + i] += r * gain * gain
        at += uint64(2 * WIDE)


@inner_stencil_kernel
def _two(rise, state, at, m, drawn, lost, l2, e, ease, r, l2_b, e_b, ease_b, r_b):
    """Step two branches of the walls of many cells."""
    b = uint64(2 * WIDE)
    for block in range(m // uint64(WIDE)):
        a = block * uint64(WIDE)
        for i in range(uint64(WIDE)):
            q, draws = _yield(rise[a + i], state, at + i, l2, e, ease)
            q_b, draws_b = _yield(rise[a + i], state, at + b + i, l2_b, e_b, ease_b)
            drawn[a + i] += draws + draws_b
            lost[a + i] += r * q * q + r_b * q_b * q_b
        at += uint64(4 * WIDE)


@inner_stencil_kernel
def _four(
    rise, state, at, m, drawn, lost, l2, e, ease, r, l2_b, e_b, ease_b, r_b,
    l2_c, e_c, ease_c, r_c, l2_d, e_d, ease_d, r_d,
):  # fmt: skip
    """Step four branches of the walls of many cells."""
    b, c, d = uint64(2 * WIDE), uint64(4 * WIDE), uint64(6 * WIDE)
    for block in range(m // uint64(WIDE)):
        a = block * uint64(WIDE)
        for i in range(uint64(WIDE)):
            q, draws = _yield(rise[a + i], state, at + i, l2, e, ease)
            q_b, draws_b = _yield(rise[a + i], state, at + b + i, l2_b, e_b, ease_b)
            q_c, draws_c = _yield(rise[a + i], state, at + c + i, l2_c, e_c, ease_c)
            q_d, draws_d = _yield(rise[a + i], state, at + d + i, l2_d, e_d, ease_d)
            drawn[a + i] += (draws + draws_b) + (draws_c + draws_d)
            lost[a + i] += (r * q * q + r_b * q_b * q_b) + (r_c * q_c * q_c + r_d * q_d * q_d)
        at += uint64(8 * WIDE)


@inner_stencil_kernel
def _clear(first, n, values):
    for i in range(n):
        values[first + i] = _NONE


@inner_stencil_kernel
def _clear_both(n, drawn, lost):
    for i in range(n):
        drawn[i], lost[i] = _NONE, _NONE


@inner_stencil_kernel
def _steady(at, m, steady, rise, taken):
    """Give what the constant part of walls takes, along a stretch."""
    for j in range(at, at + m):
        taken[j] = steady * rise[j] * rise[j]


@inner_stencil_kernel
def _settle(i, at, m, steady, weight, volume, rise, drawn, lost, pending, taken):
    """Give that and what walls of the first kind draw next and have lost."""
    for j in range(m):
        k = at + j
        pending[i + j] = weight * drawn[k]
        taken[k] = steady * rise[k] * rise[k] + weight * volume * lost[k]


@inner_stencil_kernel
def _settle_more(i, at, m, weight, volume, drawn, lost, pending, taken):
    """Add what walls of another kind draw next and have lost."""
    for j in range(m):
        k = at + j
        pending[i + j] += weight * drawn[k]
        taken[k] += weight * volume * lost[k]


@inner_stencil_kernel
def _weigh(
    g, w, group, stretch, code, table, rise, drawn, lost, pending, taken
):  # fmt: skip
    """Weigh what walls of one kind draw and have lost; -1 for a constant part alone.

    Coefficients are read once for a stretch.
    """
    a = uint64(group[g, 0])
    for s in range(group[g, 5], group[g, 7]):
        i, m = uint64(stretch[s, 0]), uint64(stretch[s, 1] - stretch[s, 0])
        k = uint64(code[i])
        steady, volume, weight = table[k, STEADY], table[k, VOLUME], table[k, WEIGHT + w]
        if w < 0:
            _steady(i - a, m, table[k, STEADY], rise, taken)
        elif w == 0:
            _settle(i, i - a, m, steady, weight, volume, rise, drawn, lost, pending, taken)
        else:
            _settle_more(i, i - a, m, weight, volume, drawn, lost, pending, taken)
    for column in (1, 3):
        for i in range(uint64(group[g, column]), uint64(group[g, column + 1])):
            k, at = uint64(code[i]), i - a
            if w < 1:
                taken[at] = table[k, STEADY] * rise[at] * rise[at]
            if w == 0:
                pending[i] = table[k, WEIGHT] * drawn[at]
            elif w > 0:
                pending[i] += table[k, WEIGHT + w] * drawn[at]
            if w >= 0:
                taken[at] += table[k, WEIGHT + w] * table[k, VOLUME] * lost[at]


@inner_stencil_kernel
def _group(
    g, group, now, new, stride_y, stride_z, cell, code, table, kept, pending, stretch, inflow,
    face_start, face, face_weight, gain, kind, branch_start, branch, state,
    rise, taken, drawn, lost,
):  # fmt: skip
    """Step cut cells whose walls are of the same kinds; give the energy these took."""
    a, b, c, d, end = group[g, 0], group[g, 1], group[g, 2], group[g, 3], group[g, 4]
    n = uint64(end - a)
    wide = (n + uint64(WIDE - 1)) // uint64(WIDE) * uint64(WIDE)
    _inflows(inflow, group[g, 12], group[g, 13], face_start, face, face_weight, gain, pending)
    for s in range(group[g, 5], group[g, 6]):
        i, m = uint64(stretch[s, 0]), uint64(stretch[s, 1] - stretch[s, 0])
        at, first, k = i - uint64(a), uint64(cell[i]), uint64(code[i])
        wane, ease, shut = table[k, WANE], table[k, EASE], table[k, SHUT]
        if stretch[s, 2] == 1:  # said apart, for the sake of several cells at once
            _flat_stretch(
                now, new, first, uint64(1), kept, pending, i, rise, at, m, wane, ease, shut
            )
        else:
            _flat_stretch(
                now, new, first, uint64(stretch[s, 2]), kept, pending, i, rise, at, m, wane,
                ease, shut,
            )  # fmt: skip
    _flat(now, new, cell, code, table, kept, pending, rise, b, c, a)
    for s in range(group[g, 6], group[g, 7]):
        i, m = uint64(stretch[s, 0]), uint64(stretch[s, 1] - stretch[s, 0])
        at, first, k = i - uint64(a), uint64(cell[i]), uint64(code[i])
        wane, ease, step = table[k, WANE], table[k, EASE], uint64(stretch[s, 2])
        if stretch[s, 3] == 1 and step == 1:
            _closed_stretch(
                now, new, first, uint64(1), kept, pending, i, rise, at, m, wane, ease
            )
        elif stretch[s, 3] == 1:
            _closed_stretch(now, new, first, step, kept, pending, i, rise, at, m, wane, ease)
        elif step == 1:
            _bent_stretch(
                now, new, first, uint64(1), stride_y, stride_z, kept, pending, i, rise, at, m,
                table[k, 0], table[k, 1], table[k, 2], table[k, 3], table[k, 4], table[k, 5],
                wane, ease,
            )  # fmt: skip
        else:
            _bent_stretch(
                now, new, first, step, stride_y, stride_z, kept, pending, i, rise, at, m,
                table[k, 0], table[k, 1], table[k, 2], table[k, 3], table[k, 4], table[k, 5],
                wane, ease,
            )  # fmt: skip
    _bent(now, new, stride_y, stride_z, cell, code, table, kept, pending, rise, d, end, a)
    if group[g, 11] == 0:
        _clear(uint64(a), n, pending)
        return _NONE
    _clear(n, wide - n, rise)
    at, w, last_kind = uint64(group[g, 9]), group[g, 8], group[g, 10]
    if w == last_kind:  # a constant part alone
        _clear(uint64(a), n, pending)
        w -= 1
    while w < last_kind:
        if w >= group[g, 8]:
            _clear_both(wide, drawn, lost)
            m, last = branch_start[kind[w]], branch_start[kind[w] + 1]
            while m < last:
                count = together(branch, m, last)
                if branch[m, 0] == 0.0:
                    _spring(
                        rise, state, at, wide, drawn, lost, branch[m, 1], branch[m, 2],
                        branch[m, 3],
                    )  # fmt: skip
                    at += wide
                elif count == 4:
                    _four(
                        rise, state, at, wide, drawn, lost,
                        branch[m, 0], branch[m, 1], branch[m, 2], branch[m, 3],
                        branch[m + 1, 0], branch[m + 1, 1], branch[m + 1, 2], branch[m + 1, 3],
                        branch[m + 2, 0], branch[m + 2, 1], branch[m + 2, 2], branch[m + 2, 3],
                        branch[m + 3, 0], branch[m + 3, 1], branch[m + 3, 2], branch[m + 3, 3],
                    )  # fmt: skip
                    at += uint64(8) * wide
                elif count == 2:
                    _two(
                        rise, state, at, wide, drawn, lost,
                        branch[m, 0], branch[m, 1], branch[m, 2], branch[m, 3],
                        branch[m + 1, 0], branch[m + 1, 1], branch[m + 1, 2], branch[m + 1, 3],
                    )  # fmt: skip
                    at += uint64(4) * wide
                else:
                    _branch(
                        rise, state, at, wide, drawn, lost,
                        branch[m, 0], branch[m, 1], branch[m, 2], branch[m, 3],
                    )  # fmt: skip
                    at += uint64(2) * wide
                m += count
        _weigh(
            g, w - group[g, 8], group, stretch, code, table, rise, drawn, lost, pending, taken
        )
        w += 1
    return _sum(taken, n)


@stencil_kernel
def cell_tasks(
    begin, end, back, now, new, stride_y, stride_z, middle, x, y, z, run, task_run, clear,
    task_clear, cell, code, table, kept, pending, stretch, inflow, face_start, face,
    face_weight, group, task_group, gain, kind, branch_start, branch, state, work, taken,
):  # fmt: skip
    """Do some tasks of cells: whole ones, if they have any, then cut ones."""
    rise, takes, drawn, lost = work[0], work[1], work[2], work[3]
    for i_task in range(begin, end):
        # There and back: what was stepped last is still in the cache.
        k = begin + end - 1 - i_task if back else i_task
        if k < task_run.size - 1:
            for r in range(task_run[k], task_run[k + 1]):
                step_run(now, new, run[r, 0], run[r, 1], stride_y, stride_z, middle, x, y, z)
            for i in range(task_clear[k], task_clear[k + 1]):
                new[clear[i]] = _NONE
        total = 0.0
        for g in range(task_group[k], task_group[k + 1]):
            total += _group(
                g, group, now, new, stride_y, stride_z, cell, code, table, kept, pending,
                stretch, inflow, face_start, face, face_weight, gain, kind, branch_start,
                branch, state, rise, takes, drawn, lost,
            )  # fmt: skip
        taken[k] += total
