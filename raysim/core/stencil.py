"""One step of sound pressure on a grid: whole cells in rows, then cut cells, walls and pores.

Everything is float32 and without units: pressures are relative to any reference, and the
Courant numbers are in the coefficients. ``now`` is the pressure, ``new`` that before it,
which is overwritten by that after it. Theory: DEVELOPERS.md, W1 and W7 to W9.
"""

from numba import float64

from raysim.core.compile import kernel, stencil_kernel


@stencil_kernel
def whole_cell(own, before, west, east, south, north, below, above, middle, x, y, z):
    """Give the pressure of a whole cell after a step  (W1)."""
    return middle * own + x * (west + east) + y * (south + north) + z * (below + above) - before


@stencil_kernel
def step_row(now, new, start, n, stride_y, stride_z, middle, x, y, z):
    """Step n whole cells in a row along x  (W1)."""
    # Views that begin at zero: without them no machine code for several cells at once.
    own, out = now[start : start + n], new[start : start + n]
    left, right = now[start - 1 : start - 1 + n], now[start + 1 : start + 1 + n]
    south = now[start - stride_y : start - stride_y + n]
    north = now[start + stride_y : start + stride_y + n]
    below = now[start - stride_z : start - stride_z + n]
    above = now[start + stride_z : start + stride_z + n]
    for i in range(n):
        out[i] = whole_cell(
            own[i], out[i], left[i], right[i], south[i], north[i], below[i], above[i],
            middle, x, y, z,
        )  # fmt: skip


@stencil_kernel
def flow(
    first, last, now, cells, openings, pulls, kinds, nears, near_weights, old, new, states, half
):  # fmt: skip
    """Step the flow through some faces with pores; give the energy lost  (W9).

    ``cells`` are those below and above each face. ``kinds``: inverse inertia, drag, hold,
    its rate, slow, its keep, and the losses of held and slow. ``old`` and ``new`` hold the
    gain of velocity in a step and the velocity, ``states`` velocity and gain of what is
    held, pressure and gain of what is slow. ``nears`` are the faces before and behind, -1
    where closed.
    """
    every = 0.0
    for f in range(first, last):
        kind, state, near, near_weight = kinds[f], states[f], nears[f], near_weights[f]
        drop = pulls[f] * (now[cells[f, 0]] - now[cells[f, 1]])
        before, u = old[f, 0], old[f, 1]
        i, i_gain, s, s_gain = state[0], state[1], state[2], state[3]
        spread, work = near_weight[0] * u, near_weight[0] * before
        spread += near_weight[1] * u
        work += near_weight[1] * before
        if near[0] >= 0:
            spread -= near_weight[0] * old[near[0], 1]
            work -= near_weight[0] * old[near[0], 0]
        if near[1] >= 0:
            spread -= near_weight[1] * old[near[1], 1]
            work -= near_weight[1] * old[near[1], 0]
        gain = kind[0] * (
            drop - (kind[1] + kind[2] + kind[4]) * u + kind[2] * i - kind[5] * s + spread
        )
        middle = u + half * gain
        held = kind[3] * (middle - i)
        late = kind[4] * middle + kind[5] * s - s
        late += late
        new[f, 0], new[f, 1] = gain, u + gain
        state[0], state[1] = i + held, held
        state[2], state[3] = s + late, late
        gain, held, late = (
            half * (gain + before),
            half * (held + i_gain),
            half * (late + s_gain),
        )
        lost = kind[1] * gain * gain + kind[6] * (gain - held) ** 2 + kind[7] * late * late
        every += openings[f] * (lost - work * gain)
    return every


@stencil_kernel
def step_cut(
    first_cut, last_cut, now, new, cell, link, damping, push, volume, stride_y, stride_z,
    face_start, face, face_weight, face_flow,
    wall_start, wall_weight, wall_branch, state_start, branch_start, branch, state, half,
):  # fmt: skip
    """Step some cut cells with their walls; give the energy that these took  (W7, W8).

    ``cell`` is the cell below each, without sign; ``link`` rows hold the six coefficients of
    neighbours; ``branch`` rows are 2 l, e and 1/(2 l + r + e/2), r, all per step;
    ``damping`` rows are 1 - H, 1/(1 + H) and the constant part. ``half`` is float32(0.5),
    as a literal would make float64 of everything.
    """
    # Views that begin where counting from zero, without sign, finds its place: a check for
    # negative places at every look-up costs more than the sum itself.
    south, west, here = now[stride_z - stride_y :], now[stride_z - 1 :], now[stride_z:]
    east, north, above = now[stride_z + 1 :], now[stride_z + stride_y :], now[2 * stride_z :]
    out = new[stride_z:]
    cell, push, volume = cell[first_cut:last_cut], push[first_cut:last_cut], volume[first_cut:]
    link, damping, state_start = link[first_cut:], damping[first_cut:], state_start[first_cut:]
    wall_start, face_start = wall_start[first_cut:], face_start[first_cut:]
    every = 0.0
    for b in range(cell.size):
        c = cell[b]
        own, before = here[c], out[c]
        total = (
            link[b, 0] * (west[c] - own)
            + link[b, 1] * (east[c] - own)
            + link[b, 2] * (south[c] - own)
            + link[b, 3] * (north[c] - own)
            + link[b, 4] * (now[c] - own)
            + link[b, 5] * (above[c] - own)
        ) + push[b]
        for f in range(face_start[b], face_start[b + 1]):
            total += face_weight[f] * face_flow[face[f], 0]
        # The states of all walls of a cell follow each other, and so do those of cells.
        first_wall, last_wall, at = wall_start[b], wall_start[b + 1], state_start[b]
        for w in range(first_wall, last_wall):
            weight = wall_weight[w]
            for m in range(branch_start[wall_branch[w]], branch_start[wall_branch[w] + 1]):
                pending = branch[m, 0] * state[at, 0] - branch[m, 1] * state[at, 1]
                total -= weight * branch[m, 2] * pending
                at += 1
        after = (own + own - damping[b, 0] * before + total) * damping[b, 1]
        out[c] = after
        rise = half * (after - before)
        taken = damping[b, 2] * rise * rise
        at = state_start[b]
        for w in range(first_wall, last_wall):
            weight = wall_weight[w]
            for m in range(branch_start[wall_branch[w]], branch_start[wall_branch[w] + 1]):
                speed, place = state[at, 0], state[at, 1]
                gain = branch[m, 2] * (rise + branch[m, 0] * speed - branch[m, 1] * place)
                state[at, 0] = gain + gain - speed
                state[at, 1] = place + gain
                taken += weight * branch[m, 3] * gain * gain
                at += 1
        every += taken * volume[b]
    return every


@kernel
def energy(old, new, c, stride_y, stride_z, x, y, z):
    """Give the energy of a cell's change and of its lower faces, over its volume  (W2)."""
    rise = float64(new[c]) - float64(old[c])
    total = 0.5 * rise * rise
    total += 0.5 * x * (float64(old[c]) - old[c - 1]) * (float64(new[c]) - new[c - 1])
    south, below = c - stride_y, c - stride_z
    total += 0.5 * y * (float64(old[c]) - old[south]) * (float64(new[c]) - new[south])
    total += 0.5 * z * (float64(old[c]) - old[below]) * (float64(new[c]) - new[below])
    return total
