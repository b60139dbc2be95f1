"""Loops around the stencil, for a GPU: no physics here.

One launch takes many steps; between the parts of a step all threads wait for each other.
A cut cell or a face belongs to one thread, so pressures do not depend on how many there are;
what walls have taken is summed by each thread over all its cells and steps.
"""

import numpy as np
from numba import cuda, float32, uint64

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
from raysim.propagation.wave import Stepper
from raysim.propagation.wave_cells import EASE, STEADY, VOLUME, WANE, WEIGHT, WIDE, together
from raysim.propagation.wave_room import WaveRoom
from raysim.propagation.wave_tasks import Tasks, share_out

#: Threads to a block, in warps that take one row of cells each.
WARP, BLOCK = 32, 1024
#: The rows of a block lie in a bundle, so many across and so many high: each reads its
#: neighbours, and most of these are in the bundle too.
_ACROSS, _HIGH = 8, 4
_NONE = float32(0.0)


@cuda.jit(device=True)
def _step_rows(
    now, new, stride_y, stride_z, middle, x, y, z, row_start, row_length, first, every
):
    """Step whole cells, a warp to a row.

    Four cells to a thread at a time, all read before any is written: else each waits for
    the one before. Places are unsigned, as in `raysim.core.walk`.
    """
    lane, wide = uint64(cuda.laneid), uint64(WARP)
    one, sy, sz = uint64(1), uint64(stride_y), uint64(stride_z)
    for r in range(first, row_start.size, every):
        c = uint64(row_start[r]) + lane
        end = uint64(row_start[r] + row_length[r])
        while c + uint64(3) * wide < end:
            d = c + wide
            e = d + wide
            f = e + wide
            at_c = whole_cell(
                now[c], new[c], now[c - one], now[c + one], now[c - sy], now[c + sy],
                now[c - sz], now[c + sz], middle, x, y, z,
            )  # fmt: skip
            at_d = whole_cell(
                now[d], new[d], now[d - one], now[d + one], now[d - sy], now[d + sy],
                now[d - sz], now[d + sz], middle, x, y, z,
            )  # fmt: skip
            at_e = whole_cell(
                now[e], new[e], now[e - one], now[e + one], now[e - sy], now[e + sy],
                now[e - sz], now[e + sz], middle, x, y, z,
            )  # fmt: skip
            at_f = whole_cell(
                now[f], new[f], now[f - one], now[f + one], now[f - sy], now[f + sy],
                now[f - sz], now[f + sz], middle, x, y, z,
            )  # fmt: skip
            new[c], new[d], new[e], new[f] = at_c, at_d, at_e, at_f
            c = f + wide
        while c < end:
            new[c] = whole_cell(
                now[c], new[c], now[c - one], now[c + one], now[c - sy], now[c + sy],
                now[c - sz], now[c + sz], middle, x, y, z,
            )  # fmt: skip
            c += wide


@cuda.jit(device=True)
def _step_face(
    f, now, cells, pull, kinds, kind_of, near, near_weight, old, new, state
):  # fmt: skip
    """Step the flow through a face with pores; give what was lost over its opening."""
    k, a, b = kind_of[f], near[f, 0], near[f, 1]
    gain, u = old[0, f], old[1, f]
    drop = pull[f] * (now[cells[f, 0]] - now[cells[f, 1]])
    spread = near_weight[f, 0] * (u - old[1, a]) + near_weight[f, 1] * (u - old[1, b])
    work = near_weight[f, 0] * (gain - old[0, a]) + near_weight[f, 1] * (gain - old[0, b])
    after, u, i, i_gain, s, s_gain, lost = flowing(
        drop, spread, work, gain, u, state[0, f], state[1, f], state[2, f], state[3, f],
        kinds[k, 0], kinds[k, 1], kinds[k, 2], kinds[k, 3], kinds[k, 4], kinds[k, 5],
        kinds[k, 6], kinds[k, 7],
    )  # fmt: skip
    new[0, f], new[1, f] = after, u
    state[0, f], state[1, f], state[2, f], state[3, f] = i, i_gain, s, s_gain
    return lost


@cuda.jit(device=True)
def _step_cut(
    b, now, new, stride_y, stride_z, cell, code, table, group_of, group, pending,
    face_start, face, face_weight, gain, kind, branch_start, branch, state,
):  # fmt: skip
    """Step a cut cell with its walls; give the energy that these took.

    States of one branch of neighbours in the list lie side by side, for `WIDE` of them, so
    that threads beside each other read places beside each other.
    """
    one, sy, sz = uint64(1), uint64(stride_y), uint64(stride_z)
    c, k, g = uint64(cell[b]), code[b], group_of[b]
    if b >= group[g, 4]:  # a place left free
        return _NONE
    own, before, draws = now[c], new[c], pending[b]
    for f in range(face_start[b], face_start[b + 1]):
        draws -= face_weight[f] * gain[face[f]]
    plain = bent_cell(
        own, before, now[c - one], now[c + one], now[c - sy], now[c + sy], now[c - sz],
        now[c + sz], table[k, 0], table[k, 1], table[k, 2], table[k, 3], table[k, 4],
        table[k, 5],
    )  # fmt: skip
    after = at_wall(plain, before, own, draws, table[k, WANE], _NONE, table[k, EASE])
    new[c] = after
    rise, draws = rise_of(after, before), _NONE
    taken = table[k, STEADY] * rise * rise
    first = group[g, 0]
    wide = (group[g, 4] - first + WIDE - 1) // WIDE * WIDE
    at, block, lane = group[g, 9], (b - first) // WIDE, (b - first) % WIDE
    for w in range(group[g, 8], group[g, 10]):
        drawn, lost = _NONE, _NONE
        m, last = branch_start[kind[w]], branch_start[kind[w] + 1]
        while m < last:
            count, numbers = together(branch, m, last), 1
            if branch[m, 0] != _NONE:
                numbers = 2 * count
            its = at + block * numbers * WIDE + lane
            for _ in range(count):
                l2, e, ease = branch[m, 0], branch[m, 1], branch[m, 2]
                speed, there = _NONE, its
                if l2 != _NONE:
                    speed, there = state[its], its + WIDE
                q, speed, place = yielding(rise, speed, state[there], l2, e, ease)
                if l2 != _NONE:
                    state[its] = speed
                state[there] = place
                drawn += drawing(speed, place, l2, e, ease)
                lost += branch[m, 3] * q * q
                its, m = its + 2 * WIDE, m + 1
            at += numbers * wide
        weight = table[k, WEIGHT + w - group[g, 8]]
        draws += weight * drawn
        taken += weight * table[k, VOLUME] * lost
    pending[b] = draws
    return taken


def advance(
    p, first, n_step, stride_y, stride_z, middle, x, y, z, row_start, row_length,
    cell, code, table, group_of, group, pending, face_start, face, face_weight,
    kind, branch_start, branch, state,
    face_cells, face_open, face_pull, face_kind, face_kind_of, face_near, face_near_weight,
    face_flow, face_state,
    source_cell, source_weight, source_volume, source_cut, drive,
    place, caught, put, taken, face_taken, before,
):  # fmt: skip
    """Take steps as `raysim.propagation.wave_cpu.advance` does, all threads together."""
    grid = cuda.cg.this_grid()
    me, every = cuda.grid(1), cuda.gridsize(1)
    lost, face_lost = 0.0, 0.0
    for n in range(first, first + n_step):
        now, new = p[n % 2], p[1 - n % 2]
        sounding = n < drive.size
        if sounding and me == 0:
            for i in range(source_cell.size):
                before[i] = new[source_cell[i]]
                if source_cut[i] >= 0:
                    pending[source_cut[i]] -= source_weight[i] * drive[n]
        for f in range(me, face_cells.shape[0], every):
            face_lost += face_open[f] * _step_face(
                f, now, face_cells, face_pull, face_kind, face_kind_of, face_near,
                face_near_weight, face_flow[1 - n % 2], face_flow[n % 2], face_state,
            )  # fmt: skip
        if sounding or face_cells.shape[0] > 0:
            grid.sync()
        _step_rows(
            now, new, stride_y, stride_z, middle, x, y, z, row_start, row_length,
            me // WARP, every // WARP,
        )  # fmt: skip
        for b in range(me, cell.size, every):
            lost += _step_cut(
                b, now, new, stride_y, stride_z, cell, code, table, group_of, group, pending,
                face_start, face, face_weight, face_flow[n % 2, 0], kind, branch_start, branch,
                state,
            )  # fmt: skip
        grid.sync()
        if sounding:
            if me == 0:
                for i in range(source_cell.size):
                    if source_cut[i] < 0:
                        new[source_cell[i]] += source_weight[i] * drive[n]
                    rise = 0.5 * (new[source_cell[i]] - before[i])
                    put[0] += source_volume[i] * source_weight[i] * drive[n] * rise
            grid.sync()
        # The next step only reads what is caught here. Weights are applied at the end.
        for i in range(me, place.size, every):
            caught[n, i] = new[place[i]]
    taken[me] += lost
    face_taken[me] += face_lost


def stored(p, n, stride_y, stride_z, x, y, z, row_start, row_length, cell, link, volume, sums):
    """Sum the energy of each row and of each cut cell, as `wave_cpu.stored` does."""
    me, every = cuda.grid(1), cuda.gridsize(1)
    old, new = p[1 - n % 2], p[n % 2]
    for r in range(me, row_start.size, every):
        total = 0.0
        for c in range(row_start[r], row_start[r] + row_length[r]):
            total += energy(old, new, c, stride_y, stride_z, x, y, z)
        sums[r] = total
    for b in range(me, cell.size, every):
        sums[row_start.size + b] = volume[b] * energy(
            old, new, cell[b], stride_y, stride_z, link[b, 0], link[b, 2], link[b, 4]
        )


#: With more registers too few threads wait for memory at once; measured on an H200.
_advance = cuda.jit(max_registers=64)(advance)
_stored = cuda.jit(stored)


class GpuStepper(Stepper):
    """Pressure on the grid of a room, stepped on a GPU; `energy` brings back what is heard."""

    watch = 4000

    def _share_out(self, room: WaveRoom) -> Tasks:
        """Give all cells whose walls are of the same kinds as one group."""
        return share_out(room, 1, 1 << 60)

    def _prepare(self) -> None:
        """Leave sums to what comes back."""
        self._walls, self._faces = np.zeros(1), np.zeros(1)

    def __init__(self, *arguments, **options):
        super().__init__(*arguments, **options)
        r = self.room
        t = self.tasks
        y = r.row_start % r.grid.stride[2] // r.grid.stride[1]
        z = r.row_start // r.grid.stride[2]
        bundled = np.lexsort((y, z, y // _ACROSS, z // _HIGH))
        group_of = np.zeros(t.order.size, dtype=np.int32)
        for i, row in enumerate(t.group):
            group_of[row[0] :] = i
        caught = np.zeros((self.heard.shape[1], self.hear_cell.size), dtype=np.float32)
        up = {
            name: cuda.to_device(np.ascontiguousarray(value))
            for name, value in {
                "p": self.p, "row_start": r.row_start[bundled],
                "row_length": r.row_length[bundled],
                "cut_cell": r.cut_cell, "link": r.link, "volume": r.volume[r.cut_cell],
                "cell": t.cell, "code": t.code, "table": t.table, "group_of": group_of,
                "group": t.group, "pending": self.pending, "face_start": t.face_start,
                "face": t.face, "face_weight": t.face_weight, "kind": t.kind,
                "branch_start": r.branch_start, "branch": r.branch, "state": self.state,
                "face_cells": r.face_cells, "face_open": r.face_open,
                "face_pull": r.face_pull, "face_kind": r.face_kind,
                "face_kind_of": r.face_kind_of,
                "face_near": r.face_near, "face_near_weight": r.face_near_weight,
                "face_flow": self.face_flow, "face_state": self.face_state,
                "source_cell": self.source_cell, "source_weight": self.source_weight,
                "source_volume": r.volume[self.source_cell], "source_cut": self.source_cut,
                "drive": self.drive, "place": self.hear_cell.ravel(),
                "caught": caught, "put": self._put,
                "taken": self._walls, "face_taken": self._faces,
                "before": np.zeros(self.source_cell.size),
                "sums": np.zeros(r.row_start.size + r.cut_cell.size),
            }.items()
        }  # fmt: skip
        # What one thread reads of its cell lies beside what the next thread reads of its own.
        for name in ("link", "face_cells", "face_near", "face_near_weight"):
            up[name] = cuda.to_device(np.asfortranarray(up[name].copy_to_host()))
        self._up = up
        self._n_block = 0

    def advance(self, n_step: int) -> None:
        """Take so many steps."""
        r, u = self.room, self._up
        middle, x, y, z = r.whole
        arguments = (
            u["p"], self.n, n_step, r.grid.stride[1], r.grid.stride[2],
            middle, x, y, z, u["row_start"], u["row_length"],
            u["cell"], u["code"], u["table"], u["group_of"], u["group"],
            u["pending"], u["face_start"], u["face"], u["face_weight"], u["kind"],
            u["branch_start"], u["branch"], u["state"], u["face_cells"], u["face_open"],
            u["face_pull"], u["face_kind"], u["face_kind_of"], u["face_near"],
            u["face_near_weight"], u["face_flow"], u["face_state"],
            u["source_cell"], u["source_weight"], u["source_volume"], u["source_cut"],
            u["drive"], u["place"], u["caught"], u["put"], u["taken"], u["face_taken"],
            u["before"],
        )  # fmt: skip
        if not self._n_block:  # as many as can wait for each other
            kernel = _advance.compile(tuple(_advance.typeof_pyval(a) for a in arguments))
            self._n_block = kernel.max_cooperative_grid_blocks(BLOCK)
            for name in ("taken", "face_taken"):
                u[name] = cuda.to_device(np.zeros(self._n_block * BLOCK))
            self.advance(n_step)
            return
        _advance[self._n_block, BLOCK](*arguments)
        self.n += n_step

    def fetch(self) -> None:
        """Bring back what receivers heard and what the balance of energy needs."""
        caught = self._up["caught"][: self.n].copy_to_host()
        caught = caught.reshape(self.n, *self.hear_cell.shape)
        self.heard[:, : self.n] = np.einsum("nij,ij->in", caught, self.hear_weight)
        self._up["put"].copy_to_host(self._put)
        self.state = self._up["state"].copy_to_host()
        if self.face_state.size:
            for name in ("face_flow", "face_state", "p"):
                setattr(self, name, self._up[name].copy_to_host())
        self._walls = self._up["taken"].copy_to_host()
        self._faces = self._up["face_taken"].copy_to_host()

    def energy(self) -> float:
        """Give the energy of air, walls and pores now  (W2, W8, W9)."""
        self.fetch()
        r, u = self.room, self._up
        x, y, z = r.courant**2
        _stored[self._n_block, BLOCK](
            u["p"], self.n, r.grid.stride[1], r.grid.stride[2], x, y, z, u["row_start"],
            u["row_length"], u["cut_cell"], u["link"], u["volume"], u["sums"],
        )  # fmt: skip
        return float(u["sums"].copy_to_host().sum()) + self._in_walls() + self._in_faces()
