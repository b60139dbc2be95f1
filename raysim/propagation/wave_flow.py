"""Loops over faces with pores, for processors: no physics here.

Arrays go whole from loop to loop, with a place to begin at: a slice of each would cost as much
as a short loop. Places are unsigned: with a check for negative ones there is
no machine code for several cells at once. A step of one cell is said apart, for its sake too.
"""

from numba import float32, uint64

from raysim.core.compile import inner_stencil_kernel, stencil_kernel, summing_kernel
from raysim.core.stencil import flowing

_NONE = float32(0.0)


@summing_kernel
def _sum_of(weight, first, taken, n):
    total = _NONE
    for i in range(n):
        total += weight[first + i] * taken[i]
    return total


@inner_stencil_kernel
def _drop(at, m, now, low, high, step, pull, drop):
    """Give the difference of pressure that drives the flow through faces of a line."""
    for f in range(m):
        drop[at + f] = pull * (now[low + f * step] - now[high + f * step])


@inner_stencil_kernel
def _uneven(at, m, first, gain, u, a, weight_a, b, weight_b, spread, even):
    """Give what uneven flow has less of drag, and its work, for faces alike."""
    for f in range(m):
        own, rate = u[first + f], gain[first + f]
        spread[at + f] = weight_a * (own - u[a + f]) + weight_b * (own - u[b + f])
        even[at + f] = weight_a * (rate - gain[a + f]) + weight_b * (rate - gain[b + f])


@inner_stencil_kernel
def _uneven_each(at, m, first, gain, u, a, weight_a, b, weight_b, w, spread, even):
    """Give the same for faces whose weights differ."""
    for f in range(m):
        own, rate, x, y = u[first + f], gain[first + f], weight_a[w + f], weight_b[w + f]
        spread[at + f] = x * (own - u[a + f]) + y * (own - u[b + f])
        even[at + f] = x * (rate - gain[a + f]) + y * (rate - gain[b + f])


@inner_stencil_kernel
def _flow(
    first, n, drop, spread, even, gain, u, after_gain, after_u, i, i_gain, s, s_gain, taken,
    inertia, drag, hold, rate, slow, keep, held_loss, slow_loss,
):  # fmt: skip
    """Step the flow through faces of one kind."""
    for at in range(n):
        f = first + at
        (
            after_gain[f], after_u[f], i[f], i_gain[f], s[f], s_gain[f], taken[at],
        ) = flowing(
            drop[at], spread[at], even[at], gain[f], u[f], i[f], i_gain[f], s[f], s_gain[f],
            inertia, drag, hold, rate, slow, keep, held_loss, slow_loss,
        )  # fmt: skip


@inner_stencil_kernel
def _flow_each(
    first, n, drop, spread, even, gain, u, after_gain, after_u, i, i_gain, s, s_gain, taken,
    k, inertia, drag, hold, rate, slow, keep, held_loss, slow_loss,
):  # fmt: skip
    """Step the flow through faces of kinds that differ."""
    for at in range(n):
        f, e = first + at, k + at
        (
            after_gain[f], after_u[f], i[f], i_gain[f], s[f], s_gain[f], taken[at],
        ) = flowing(
            drop[at], spread[at], even[at], gain[f], u[f], i[f], i_gain[f], s[f], s_gain[f],
            inertia[e], drag[e], hold[e], rate[e], slow[e], keep[e], held_loss[e],
            slow_loss[e],
        )  # fmt: skip


@inner_stencil_kernel
def _faces(
    g, group, line, part, each, now, cells, open_, pull, kinds, near, near_weight,
    gain, u, after_gain, after_u, i, i_gain, s, s_gain, drop, spread, even, taken,
):  # fmt: skip
    """Step the flow through faces of a group; give the energy lost.

    What lies apart is brought together first: the rest is done for several at once.
    """
    first, last, k = uint64(group[g, 0]), uint64(group[g, 1]), group[g, 2]
    own = uint64(group[g, 7])
    for p in range(group[g, 3], group[g, 4]):
        f, end, step = uint64(line[p, 0]), uint64(line[p, 1]), line[p, 2]
        if step == 1:  # said apart, for the sake of several faces at once
            low = uint64(cells[f, 0])
            high = low + uint64(line[p, 3])
            _drop(f - first, end - f, now, low, high, uint64(1), pull[f], drop)
        elif step > 1:
            low = uint64(cells[f, 0])
            high = low + uint64(line[p, 3])
            _drop(f - first, end - f, now, low, high, uint64(step), pull[f], drop)
        else:
            for h in range(f, end):
                low, high = uint64(cells[h, 0]), uint64(cells[h, 1])
                drop[h - first] = pull[h] * (now[low] - now[high])
    for p in range(group[g, 5], group[g, 6]):
        f, end = uint64(part[p, 0]), uint64(part[p, 1])
        if k < 0 and part[p, 2] >= 0:
            _uneven_each(
                f - first, end - f, f, gain, u, uint64(part[p, 2]), each[8],
                uint64(part[p, 3]), each[9], own + f - first, spread, even,
            )  # fmt: skip
        elif part[p, 2] >= 0:
            _uneven(
                f - first, end - f, f, gain, u, uint64(part[p, 2]), near_weight[f, 0],
                uint64(part[p, 3]), near_weight[f, 1], spread, even,
            )  # fmt: skip
        else:
            for h in range(f, end):
                a, b, at = uint64(near[h, 0]), uint64(near[h, 1]), h - first
                w, v = near_weight[h, 0], near_weight[h, 1]
                spread[at] = w * (u[h] - u[a]) + v * (u[h] - u[b])
                even[at] = w * (gain[h] - gain[a]) + v * (gain[h] - gain[b])
    if k < 0:
        _flow_each(
            first, last - first, drop, spread, even, gain, u, after_gain, after_u, i, i_gain,
            s, s_gain, taken, own, each[0], each[1], each[2], each[3], each[4], each[5],
            each[6], each[7],
        )  # fmt: skip
        return _sum_of(open_, first, taken, last - first)
    _flow(
        first, last - first, drop, spread, even, gain, u, after_gain, after_u, i, i_gain, s,
        s_gain, taken, kinds[k, 0], kinds[k, 1], kinds[k, 2], kinds[k, 3],
        kinds[k, 4], kinds[k, 5], kinds[k, 6], kinds[k, 7],
    )  # fmt: skip
    return _sum_of(open_, first, taken, last - first)


@stencil_kernel
def face_tasks(
    begin, end, face_task, group, line, part, each, now, cells, open_, pull, kinds, near,
    near_weight, old, new, state, work, face_taken,
):  # fmt: skip
    """Do some tasks of faces with pores."""
    gain, u, after_gain, after_u = old[0], old[1], new[0], new[1]
    i, i_gain, s, s_gain = state[0], state[1], state[2], state[3]
    drop, spread, even, taken = work[0], work[1], work[2], work[3]
    for k in range(begin, end):
        total = 0.0
        for g in range(face_task[k], face_task[k + 1]):
            total += _faces(
                g, group, line, part, each, now, cells, open_, pull, kinds, near, near_weight,
                gain, u, after_gain, after_u, i, i_gain, s, s_gain, drop, spread, even, taken,
            )  # fmt: skip
        face_taken[k] += total
