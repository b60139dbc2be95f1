"""Loops around the stencil, for a GPU: no physics here.

One launch takes many steps; between the parts of a step all threads wait for each other.
A cut cell or a face belongs to one thread, so results do not depend on how many there are.
"""

import numpy as np
from numba import cuda, uint64

from raysim.core.stencil import energy, flow, step_cut, whole_cell
from raysim.propagation.wave import Stepper

#: Threads to a block, in warps that take one row of cells each.
WARP, BLOCK = 32, 256


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


def advance(
    p, first, n_step, stride_y, stride_z, middle, x, y, z, row_start, row_length,
    cell, link, damping, push, volume,
    face_start, face, face_weight, face_cells, face_open, face_pull, face_kind, face_near,
    face_near_weight, face_flow, face_state,
    wall_start, wall_weight, wall_branch, state_start, branch_start, branch, state,
    source_cell, source_weight, source_volume, source_cut, drive,
    place, caught, put, taken, face_taken, half, before,
):  # fmt: skip
    """Take steps as `raysim.propagation.wave_cpu.advance` does, all threads together."""
    grid = cuda.cg.this_grid()
    me, every = cuda.grid(1), cuda.gridsize(1)
    for n in range(first, first + n_step):
        now, new = p[n % 2], p[1 - n % 2]
        sounding = n < drive.size
        if sounding and me == 0:
            for i in range(source_cell.size):
                before[i] = new[source_cell[i]]
                if source_cut[i] >= 0:
                    push[source_cut[i]] = source_weight[i] * drive[n]
        for k in range(me, face_cells.shape[0], every):
            face_taken[k] += flow(
                k, k + 1, now, face_cells, face_open, face_pull, face_kind, face_near,
                face_near_weight, face_flow[1 - n % 2], face_flow[n % 2], face_state, half,
            )  # fmt: skip
        if sounding or face_cells.shape[0] > 0:
            grid.sync()
        _step_rows(
            now, new, stride_y, stride_z, middle, x, y, z, row_start, row_length,
            me // WARP, every // WARP,
        )  # fmt: skip
        for k in range(me, cell.size, every):
            taken[k] += step_cut(
                k, k + 1, now, new, cell, link, damping, push, volume, stride_y, stride_z,
                face_start, face, face_weight, face_flow[n % 2],
                wall_start, wall_weight, wall_branch, state_start, branch_start, branch,
                state, half,
            )  # fmt: skip
        grid.sync()
        if sounding:
            if me == 0:
                for i in range(source_cell.size):
                    if source_cut[i] >= 0:
                        push[source_cut[i]] = 0.0
                    else:
                        new[source_cell[i]] += source_weight[i] * drive[n]
                    rise = 0.5 * (new[source_cell[i]] - before[i])
                    put[0] += source_volume[i] * source_weight[i] * drive[n] * rise
            grid.sync()
        # The next step only reads what is caught here. Weights are applied at the end.
        for i in range(me, place.size, every):
            caught[n, i] = new[place[i]]


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
_advance = cuda.jit(max_registers=80)(advance)
_stored = cuda.jit(stored)


class GpuStepper(Stepper):
    """Pressure on the grid of a room, stepped on a GPU; `energy` brings back what is heard."""

    watch = 4000

    def __init__(self, *arguments, **options):
        super().__init__(*arguments, **options)
        r = self.room
        caught = np.zeros((self.heard.shape[1], self.hear_cell.size), dtype=np.float32)
        up = {
            name: cuda.to_device(np.ascontiguousarray(value))
            for name, value in {
                "p": self.p, "row_start": r.row_start, "row_length": r.row_length,
                "below_cut": self._below_cut, "cut_cell": r.cut_cell, "link": r.link,
                "damping": r.damping, "push": self.push, "volume": self._cut_volume,
                "face_start": r.face_start, "face": r.face, "face_weight": r.face_weight,
                "face_cells": r.face_cells, "face_open": r.face_open,
                "face_pull": r.face_pull, "face_kind": r.face_kind, "face_near": r.face_near,
                "face_near_weight": r.face_near_weight, "face_flow": self.face_flow,
                "face_state": self.face_state, "wall_start": r.wall_start,
                "wall_weight": r.wall_weight, "wall_branch": r.wall_branch,
                "state_start": r.state_start, "branch_start": r.branch_start,
                "branch": r.branch, "state": self.state, "source_cell": self.source_cell,
                "source_weight": self.source_weight,
                "source_volume": r.volume[self.source_cell], "source_cut": self.source_cut,
                "drive": self.drive, "place": self.hear_cell.ravel(),
                "caught": caught, "put": self._put,
                "taken": np.zeros(r.cut_cell.size), "face_taken": np.zeros(len(r.face_cells)),
                "before": np.zeros(self.source_cell.size),
                "sums": np.zeros(r.row_start.size + r.cut_cell.size),
            }.items()
        }  # fmt: skip
        # What one thread reads of its cell lies beside what the next thread reads of its own.
        for name in ("link", "damping", "state", "face_kind", "face_state"):
            up[name] = cuda.to_device(np.asfortranarray(up[name].copy_to_host()))
        self._up = up
        self._n_block = 0

    def advance(self, n_step: int) -> None:
        """Take so many steps."""
        r, f, u = self.room, np.float32, self._up
        x, y, z = (f(c * c) for c in r.courant)
        arguments = (
            u["p"], self.n, n_step, r.grid.stride[1], r.grid.stride[2],
            f(2.0) - f(2.0) * (x + y + z), x, y, z, u["row_start"], u["row_length"],
            u["below_cut"], u["link"], u["damping"], u["push"], u["volume"],
            u["face_start"], u["face"], u["face_weight"], u["face_cells"], u["face_open"],
            u["face_pull"], u["face_kind"], u["face_near"], u["face_near_weight"],
            u["face_flow"], u["face_state"], u["wall_start"], u["wall_weight"],
            u["wall_branch"], u["state_start"], u["branch_start"], u["branch"], u["state"],
            u["source_cell"], u["source_weight"], u["source_volume"], u["source_cut"],
            u["drive"], u["place"], u["caught"], u["put"], u["taken"], u["face_taken"], f(0.5),
            u["before"],
        )  # fmt: skip
        if not self._n_block:  # as many as can wait for each other
            kernel = _advance.compile(tuple(_advance.typeof_pyval(a) for a in arguments))
            self._n_block = kernel.max_cooperative_grid_blocks(BLOCK)
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
