"""How the work of a step is shared out: tasks of equal cost, like cells together.

A task owns all places between two flat numbers. Its whole cells are stepped in long runs,
over short gaps too; then its cut cells in groups whose walls are of the same kinds, so that
the states of one branch lie side by side and its constants are read once for all. Cut cells
of the same coefficients that follow each other along an axis, as those along a wall do, are
stepped as a stretch. Cells with pores have tasks of their own, as they wait for the flow
through their faces. Coefficients are kept once for all that share them: what a step reads
should fit the processor's cache.
"""

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from raysim.propagation.wave_cells import (
    EASE,
    SHUT,
    STEADY,
    VOLUME,
    WANE,
    WEIGHT,
    WIDE,
    together,
)
from raysim.propagation.wave_face_tasks import FaceTasks, share_faces
from raysim.propagation.wave_lines import Mask, in_lines, pieces, task_count
from raysim.propagation.wave_pores import Short, Single
from raysim.propagation.wave_room import WaveRoom
from raysim.units import Float, Int

#: Gaps that a run goes on over, cells: ending it and beginning anew costs about as much.
GAP = 32
#: Cut cells, or faces, to a group at most, so that what it works with stays in the cache.
MOST = 1024
#: Cut cells of a stretch at least.
_STRETCH = 8
#: Cost in whole cells: of a cut cell in a stretch along x or not, a branch, a face with pores.
_IN_STRETCH, _ALONE, _BRANCH, _GATE = 4, 12, 2, 2

Unsigned = NDArray[np.uint32]


@dataclass(frozen=True, slots=True, eq=False)
class Tasks:
    """The work of a step. Cut cells, and walls' states, are in an order of their own."""

    run: Int  # (n_run, 2) first and last + 1
    task_run: Int  # (n_task + 1,)
    clear: Unsigned  # cells without air that runs go over
    task_clear: Int
    order: Int  # (n_place,) cut cell of the room, -1 where a place is left free
    cell: Unsigned  # (n_place,)
    code: Unsigned  # (n_place,) row of coefficients
    table: Single  # (n_code, 11 + n_kind) link, H, 1/(1 + H), shut, steady, volume, weights
    face_start: Short  # (n_place + 1,) faces with pores of each
    face: Short
    face_weight: Single
    group: Int  # (n_group, 14) see `_groups`
    task_group: Int
    stretch: Int  # (n_stretch, 4) first place, last + 1, step between cells, 1 if none is open
    inflow: Int  # (n_inflow, 3) first place with pores, last + 1, 1 if faces go side by side
    kind: Int  # (n_group_kind,) of walls
    n_state: int  # speeds and places of walls
    faces: FaceTasks

    @property
    def n_task(self) -> int:
        """How many tasks of cells a step has; those after the runs' have the pores."""
        return self.task_group.size - 1


def share_out(room: WaveRoom, n_task: int | None = None, most: int = MOST) -> Tasks:
    """Share the work of a step out to so many tasks, by default as many as are worth it."""
    flat, shut = _flat(room)
    signature = _signatures(room)
    table, code = _coefficients(room, shut)
    gates = np.diff(room.face_start)
    run, clear, covered = _runs(room, flat)
    alike = _alike(room, code, signature)
    line = in_lines(room.grid, room.cut_cell.astype(np.int64), alike, _faces_of(room))
    goes_on = _goes_on(room, line, alike)
    cost = covered.astype(np.int64)
    beside = np.diff(room.cut_cell[line].astype(np.int64), append=-1) == 1
    beside &= np.append(goes_on[1:], False)[: goes_on.size]
    beside[1:] |= beside[:-1]
    own = np.where(beside, _IN_STRETCH, _ALONE) + _BRANCH * np.diff(room.state_start)[line]
    cost[room.cut_cell[line]] += np.where(gates[line] > 0, 0, own)
    spent = np.cumsum(cost)
    shared = n_task is None
    if n_task is None:
        n_task = task_count(int(spent[-1]))
    edge = np.searchsorted(spent, spent[-1] * np.arange(1, n_task) / n_task) + 1
    edge = np.concatenate([[0], edge, [spent.size]])
    run, task_run = _split(run, edge, room)
    task = np.searchsorted(edge, room.cut_cell, side="right") - 1
    # Cells with pores wait for all flow, so they may be shared out by lines.
    soft = line[gates[line] > 0]
    spent = np.cumsum(_BRANCH * np.diff(room.state_start)[soft] + _GATE * gates[soft] + _ALONE)
    n_soft = (task_count(int(spent[-1])) if shared else 1) if soft.size else 0
    task[soft] = n_task + ((spent - 1) * n_soft // spent[-1] if soft.size else 0)
    n_task += n_soft
    # A task's edge ends a line. Each cell gets the number of its line and its place in all.
    far, along = np.zeros_like(code), np.zeros_like(code)
    far[line] = np.cumsum(~goes_on | (np.diff(task[line], prepend=-1) != 0))
    along[line] = np.arange(line.size)
    long = np.bincount(far)[far] >= _STRETCH if far.size else np.zeros(0, dtype=bool)
    step = _steps(room, line, far)
    # First flat ones in stretches, then alone; then the same of others, with pores last.
    closed = (room.link == 0.0).all(axis=1)
    rank = np.where(flat, 0, 2) + np.where(long, 0, np.where(gates > 0, 2, 1))
    order = np.lexsort((along, rank, signature, task))
    group, task_group = _groups(task[order], signature[order], rank[order], n_task, most)
    place, n_place = _placed(group)
    everywhere = np.full(n_place, -1, dtype=np.int64)
    everywhere[place] = order
    stretch: list[tuple[int, ...]] = []
    inflow: list[tuple[int, ...]] = []
    kinds: list[int] = []
    n_state = 0
    loses = room.damping[:, 2] > 0.0
    # A branch has a speed and a place, without mass a place alone.
    each = np.concatenate([[0], np.cumsum(1 + (room.branch[:, 0] != 0.0))])
    n_each = np.diff(each[room.branch_start])
    for row, new_first in zip(group, place[group[:, 0]] if order.size else [], strict=True):
        mine = order[row[0] : row[4]]
        at, by_gates = int(new_first), gates[mine] > 0
        row[5], row[12] = len(stretch), len(inflow)
        for column, i, j in ((6, 0, row[1] - row[0]), (7, row[2] - row[0], row[3] - row[0])):
            for m, n in pieces(far[mine], i, j):
                first = mine[m]
                stretch.append((at + m, at + n, int(step[first]), int(closed[first])))
            row[column] = len(stretch)
        for m, n in pieces(np.where(rank[mine] < 4, far[mine], -1), 0, mine.size):
            if by_gates[m]:
                inflow.append((at + m, at + n, int(rank[mine[m]] < 4)))
        row[13] = len(inflow)
        walls = room.wall_branch[room.wall_start[mine[0]] : room.wall_start[mine[0] + 1]]
        row[8], row[9] = len(kinds), n_state
        kinds += walls.tolist()
        n_state += int(n_each[walls].sum()) * -(-mine.size // WIDE) * WIDE
        row[10] = len(kinds)
        row[11] = walls.size > 0 or loses[mine].any()
        row[:5] += new_first - row[0]
    real = everywhere >= 0
    count = np.zeros(n_place, dtype=np.int64)
    count[real] = gates[everywhere[real]]
    begin = np.repeat(room.face_start[everywhere[real]], count[real])
    gate_of = begin + np.arange(begin.size) - np.repeat(np.cumsum(count) - count, count)
    return Tasks(
        run=run,
        task_run=task_run,
        clear=clear.astype(np.uint32),
        task_clear=np.searchsorted(clear, edge),
        order=everywhere,
        cell=_put(room.cut_cell, everywhere),
        code=_put(code, everywhere),
        table=table,
        face_start=np.concatenate([[0], np.cumsum(count)]).astype(np.int32),
        face=room.face[gate_of],
        face_weight=room.face_weight[gate_of],
        group=group,
        task_group=task_group,
        stretch=np.array(stretch, dtype=np.int64).reshape(-1, 4),
        inflow=np.array(inflow, dtype=np.int64).reshape(-1, 3),
        kind=np.array(kinds, dtype=np.int64),
        n_state=n_state,
        faces=share_faces(room, most),
    )


def _put(values: NDArray[Any], order: Int) -> Unsigned:
    """Give values in an order with free places."""
    given = np.zeros(order.size, dtype=np.uint32)
    given[order >= 0] = values[order[order >= 0]]
    return given


def _flat(room: WaveRoom) -> tuple[Mask, Single]:
    """Say which cut cells are whole but for faces with no air behind; give what those lack.

    There pressure stays zero, so a cell stepped as a whole one lacks only its own share.
    """
    courant2 = (room.courant**2).astype(np.float32)
    flat = np.diff(room.face_start) == 0
    shut = np.zeros(flat.size, dtype=np.float32)
    for axis, stride in enumerate(room.grid.stride):
        for way in (0, 1):
            link = room.link[:, 2 * axis + way]
            behind = room.volume[room.cut_cell + (stride if way else -stride)] > 0.0
            shut_here = (link == 0.0) & ~behind
            flat &= shut_here | (link == courant2[axis])
            shut[shut_here] += courant2[axis]
    return flat, np.where(flat, shut, np.float32(0.0))


def _signatures(room: WaveRoom) -> Int:
    """Give a number to each cut cell, equal where walls are of the same kinds."""
    count = np.diff(room.wall_start)
    n_kind = room.branch_start.size
    code = np.zeros(count.size, dtype=np.int64)
    for j in range(int(count.max(initial=0))):
        has = count > j
        kind = np.zeros(count.size, dtype=np.int64)
        kind[has] = room.wall_branch[room.wall_start[:-1][has] + j] + 1
        code = np.unique(code * n_kind + kind, return_inverse=True)[1]
    return code


def _coefficients(room: WaveRoom, shut: Single) -> tuple[Single, Int]:
    """Give the table of coefficients that differ, and the row of each cut cell."""
    count = np.diff(room.wall_start)
    volume = room.volume[room.cut_cell]
    table = np.zeros((count.size, WEIGHT + int(count.max(initial=0))), dtype=np.float32)
    table[:, :WANE] = room.link
    table[:, WANE] = 1.0 - room.damping[:, 0].astype(np.float64)
    table[:, EASE], table[:, SHUT] = room.damping[:, 1], shut
    table[:, STEADY], table[:, VOLUME] = room.damping[:, 2] * volume, volume
    for j in range(table.shape[1] - WEIGHT):
        has = count > j
        table[has, WEIGHT + j] = room.wall_weight[room.wall_start[:-1][has] + j]
    rows = np.ascontiguousarray(table + np.float32(0.0)).view(f"V{4 * table.shape[1]}").ravel()
    _, first, code = np.unique(rows, return_index=True, return_inverse=True)
    return table[first], code.ravel().astype(np.int64)


def _runs(room: WaveRoom, flat: Mask) -> tuple[Int, Int, Mask]:
    """Give runs of cells that are stepped as whole ones, those of no air in them; all."""
    n_cell = room.volume.size
    edge = np.zeros(n_cell + 1, dtype=np.int8)
    edge[room.row_start] += 1
    edge[room.row_start + room.row_length] -= 1
    plain = np.cumsum(edge, dtype=np.int8)
    plain[room.cut_cell[flat]] = 1
    change = np.diff(plain, prepend=np.int8(0))
    start, end = np.flatnonzero(change == 1), np.flatnonzero(change == -1)
    apart = start[1:] - end[:-1] > GAP
    start = start[np.concatenate([[True], apart])[: start.size]]
    end = end[np.concatenate([apart, [True]])[: end.size]]
    # On to a whole number of what is stepped at once: what is over is more than a few cells.
    top = np.concatenate([start[1:], [n_cell - room.grid.stride[2]]])[: end.size]
    end = np.minimum(end + (start - end) % (2 * WIDE), np.maximum(top, end))
    over = np.zeros(n_cell + 1, dtype=np.int8)
    over[start] += 1
    over[end] -= 1
    covered = np.cumsum(over[:-1], dtype=np.int8) > 0
    return np.stack([start, end], axis=1), np.flatnonzero(covered & (room.volume <= 0)), covered


def _split(run: Int, edge: Int, room: WaveRoom) -> tuple[Int, Int]:
    """Split runs at the edges of tasks; give them, and the first of each task."""
    start = np.unique(np.concatenate([run[:, 0], edge[:-1]]))
    if not len(run):
        return run, np.zeros(edge.size, dtype=np.int64)
    at = np.maximum(np.searchsorted(run[:, 0], start, side="right") - 1, 0)
    inside = (start >= run[at, 0]) & (start < run[at, 1])
    start = start[inside]
    end = np.minimum(run[at[inside], 1], edge[np.searchsorted(edge, start, side="right")])
    return np.stack([start, end], axis=1), np.searchsorted(start, edge)


def _alike(room: WaveRoom, code: Int, signature: Int) -> Int:
    """Give a number to each cut cell, equal where coefficients, walls and gates are.

    Gates are the faces with pores, by how much of what flows through each comes in.
    """
    count = np.diff(room.face_start)
    kind = np.unique(
        code * (int(signature.max(initial=0)) + 1) + signature, return_inverse=True
    )[1]
    for j in range(int(count.max(initial=0))):
        has, each = count > j, np.zeros(count.size, dtype=np.int64)
        weight = room.face_weight[room.face_start[:-1][has] + j]
        each[has] = np.unique(weight, return_inverse=True)[1] + 1
        kind = np.unique(kind * (int(each.max()) + 1) + each, return_inverse=True)[1]
    return np.asarray(kind, dtype=np.int64)


def _faces_of(room: WaveRoom) -> Int:
    """Give the faces with pores of each cut cell, (n_cut, most), -1 where there is none."""
    count = np.diff(room.face_start)
    every = np.full((count.size, int(count.max(initial=0))), -1, dtype=np.int64)
    for j in range(every.shape[1]):
        has = count > j
        every[has, j] = room.face[room.face_start[:-1][has] + j]
    return every


def _goes_on(room: WaveRoom, line: Int, alike: Int) -> Mask:
    """Say which cut cells, in the order of lines, go on the line of the one before.

    Faces with pores must then be one further each.
    """
    if not line.size:
        return np.zeros(0, dtype=bool)
    cell = room.cut_cell[line].astype(np.int64)
    step = np.diff(cell)
    same = (np.diff(alike[line]) == 0) & np.isin(step, room.grid.stride)
    same[1:] &= ~same[:-1] | (step[1:] == step[:-1])
    start, count = room.face_start[line], np.diff(room.face_start)[line]
    for j in range(int(count.max(initial=0))):
        has = same & (count[1:] > j)
        same[has] &= room.face[start[1:][has] + j] == room.face[start[:-1][has] + j] + 1
    return np.concatenate([[False], same])


def _steps(room: WaveRoom, line: Int, far: Int) -> Int:
    """Give how far apart cells of each cut cell's line lie, 1 for those alone."""
    step = np.ones(line.size, dtype=np.int64)
    inside = np.diff(far[line]) == 0
    every = np.diff(room.cut_cell[line].astype(np.int64))[inside]
    step[line[1:][inside]] = every
    step[line[:-1][inside]] = every
    return step


def _groups(task: Int, signature: Int, rank: Int, n_task: int, most: int) -> tuple[Int, Int]:
    """Cut sorted cells into groups of one task and signature, and of so many at most.

    Columns are places, 0 to 4: the first, that of the first flat one alone, of the first not
    flat, of the first of these alone, the last + 1. Then 5 to 7: first stretch of flat ones,
    of others, the last + 1; 8 and 10: first kind of wall, the last + 1; 9: first state; 11:
    whether walls take energy; 12 and 13: first stretch of those with pores, the last + 1.
    """
    new = (np.diff(task) != 0) | (np.diff(signature) != 0)
    first = np.flatnonzero(np.concatenate([[True], new])[: task.size])
    length = np.diff(np.concatenate([first, [task.size]]))
    cut = [
        (i, min(i + most, f + n))
        for f, n in zip(first.tolist(), length.tolist(), strict=True)
        for i in range(f, f + n, most)
    ]
    group = np.zeros((len(cut), 14), dtype=np.int64)
    for row, (i, j) in zip(group, cut, strict=True):
        row[:4] = [i + np.searchsorted(rank[i:j], k) for k in (0, 1, 2, 3)]
        row[4] = j
    return group, np.searchsorted(task[group[:, 0]], np.arange(n_task + 1))


def _placed(group: Int) -> tuple[Int, int]:
    """Give the place of each sorted cell: groups begin at a multiple of `WIDE`."""
    n = group[:, 4] - group[:, 0]
    wide = -(-n // WIDE) * WIDE
    start = np.cumsum(wide) - wide
    return np.arange(int(n.sum())) + np.repeat(start - group[:, 0], n), int(wide.sum())


def state_stores(room: WaveRoom, tasks: Tasks) -> Float:
    """Give what the square of each state stores, twice: of speeds mass, of places stiffness.

    Both times the wall's weight and its cell's volume.
    """
    store = np.zeros(tasks.n_state)
    for group in tasks.group:
        first, last, at = int(group[0]), int(group[4]), int(group[9])
        wide = -(-(last - first) // WIDE) * WIDE
        own = tasks.table[tasks.code[first:last]].astype(np.float64)
        for j, kind in enumerate(tasks.kind[group[8] : group[10]]):
            weight = np.zeros(wide)
            weight[: last - first] = own[:, WEIGHT + j] * own[:, VOLUME]
            m, end = int(room.branch_start[kind]), int(room.branch_start[kind + 1])
            while m < end:
                every = room.branch[m : m + together(room.branch, m, end)]
                parts = [x for b in every for x in ((0.5 * b[0], b[1]) if b[0] else (b[1],))]
                blocks = weight.reshape(-1, 1, WIDE) * np.array(parts)[:, None]
                store[at : at + blocks.size] = blocks.ravel()
                at, m = at + blocks.size, m + len(every)
    return store
