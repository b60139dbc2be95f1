"""How the work of a step is shared out: tasks of equal cost, like cells together.

A task owns all places between two flat numbers. Its whole cells are stepped in long runs,
over short gaps too; then its cut cells in groups whose walls are of the same kinds, so that
the states of one branch lie side by side and its constants are read once for all. Cut cells
of the same coefficients that follow each other along x, as those along a wall do, are
stepped as a stretch, like whole cells. Coefficients are kept once for all that share them:
what a step reads should fit the processor's cache.
"""

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from raysim.propagation.wave_cpu import EASE, SHUT, STEADY, VOLUME, WANE, WEIGHT, WIDE
from raysim.propagation.wave_pores import Short, Single
from raysim.propagation.wave_room import WaveRoom
from raysim.units import Float, Int

#: Gaps that a run goes on over, cells: ending it and beginning anew costs about as much.
GAP = 32
#: Cut cells, or faces, to a group at most, so that what it works with stays in the cache.
MOST = 1024
#: Cut cells of a stretch at least.
_STRETCH = 8
#: Cost in whole cells: of a cut cell in a stretch or alone, a branch, a face, a group.
_IN_STRETCH, _ALONE, _BRANCH, _FACE, _LOOP = 3, 10, 2, 12, 40
#: Cost of a task at least, and tasks to a step at most; a multiple of most counts of threads.
_LEAST, _MOST_TASK = 50_000, 128

Unsigned = NDArray[np.uint32]
Mask = NDArray[np.bool_]


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
    group: Int  # (n_group, 13) see `_groups`
    task_group: Int
    stretch: Int  # (n_stretch, 2) first place and last + 1
    kind: Int  # (n_group_kind,) of walls
    n_state: int
    face_group: Int  # (n_face_group, 3) first and last + 1 face, kind
    face_task: Int

    @property
    def n_task(self) -> int:
        """How many tasks a step has besides those of pores."""
        return self.task_run.size - 1


def share_out(room: WaveRoom, n_task: int | None = None, most: int = MOST) -> Tasks:
    """Share the work of a step out to so many tasks, by default as many as are worth it."""
    flat, shut = _flat(room)
    signature = _signatures(room)
    table, code = _coefficients(room, shut)
    has_pores = np.diff(room.face_start) > 0
    run, clear, covered = _runs(room, flat)
    like = code * (int(signature.max(initial=0)) + 1) + signature
    before, after = (_beside(room.cut_cell, like, has_pores, way) for way in (-1, 1))
    cost = covered.astype(np.int64)
    cost[room.cut_cell] += np.where(before | after, _IN_STRETCH, _ALONE)
    cost[room.cut_cell] += _BRANCH * np.diff(room.state_start)
    spent = np.cumsum(cost)
    if n_task is None:
        n_task = _count(int(spent[-1]))
    edge = np.searchsorted(spent, spent[-1] * np.arange(1, n_task) / n_task) + 1
    edge = np.concatenate([[0], edge, [spent.size]])
    run, task_run = _split(run, edge, room)
    task = np.searchsorted(edge, room.cut_cell, side="right") - 1
    # First flat ones in stretches, then alone; then the same of others; then those in pores.
    far = _stretch_of(room.cut_cell, task, before)
    long = np.bincount(far)[far] >= _STRETCH
    rank = np.where(has_pores, 4, np.where(flat, 0, 2) + ~long)
    order = np.lexsort((room.cut_cell, rank, signature, task))
    group, task_group = _groups(task[order], signature[order], rank[order], n_task, most)
    place, n_place = _placed(group)
    everywhere = np.full(n_place, -1, dtype=np.int64)
    everywhere[place] = order
    stretch: list[tuple[int, int]] = []
    kinds: list[int] = []
    n_state = 0
    loses = room.damping[:, 2] > 0.0
    for row, new_first in zip(group, place[group[:, 0]] if order.size else [], strict=True):
        mine = order[row[0] : row[4]]
        row[5] = len(stretch)
        for column, i, j in ((6, 0, row[1] - row[0]), (7, row[2] - row[0], row[3] - row[0])):
            if j > i:
                breaks = np.flatnonzero(np.diff(far[mine[i:j]]) != 0) + 1 + i
                for m, n in zip([i, *breaks.tolist()], [*breaks.tolist(), int(j)], strict=True):
                    stretch.append((int(new_first) + m, int(new_first) + n))
            row[column] = len(stretch)
        walls = room.wall_branch[room.wall_start[mine[0]] : room.wall_start[mine[0] + 1]]
        row[8], row[9] = len(kinds), n_state
        kinds += walls.tolist()
        n_branch = int(np.diff(room.branch_start)[walls].sum())
        n_state += n_branch * -(-mine.size // WIDE) * WIDE
        row[10] = len(kinds)
        row[11] = 2 * (n_branch > 0) + loses[mine].any()
        row[:5] += new_first - row[0]
    real = everywhere >= 0
    count = np.zeros(n_place, dtype=np.int64)
    count[real] = np.diff(room.face_start)[everywhere[real]]
    gates = [
        np.arange(room.face_start[b], room.face_start[b + 1]) for b in order[has_pores[order]]
    ]
    gate = np.concatenate([np.zeros(0, dtype=np.int64), *gates])
    faces, face_task = _face_groups(room, most)
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
        face=room.face[gate],
        face_weight=room.face_weight[gate],
        group=group,
        task_group=task_group,
        stretch=np.array(stretch, dtype=np.int64).reshape(-1, 2),
        kind=np.array(kinds, dtype=np.int64),
        n_state=n_state,
        face_group=faces,
        face_task=face_task,
    )


def _put(values: NDArray[Any], order: Int) -> Unsigned:
    """Give values in an order with free places."""
    given = np.zeros(order.size, dtype=np.uint32)
    given[order >= 0] = values[order[order >= 0]]
    return given


def _count(cost: int) -> int:
    return 8 * max(1, min(round(cost / _LEAST / 8), _MOST_TASK // 8))


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


def _beside(cell: Short, like: Int, has_pores: Mask, way: int) -> Mask:
    """Say which cut cells go on a stretch with that before, or after, them."""
    same = (np.diff(cell) == 1) & (np.diff(like) == 0) & ~(has_pores[1:] | has_pores[:-1])
    return np.concatenate([[False], same] if way < 0 else [same, [False]])[: cell.size]


def _stretch_of(cell: Short, task: Int, goes_on: Mask) -> Int:
    """Give each cut cell the number of its stretch; a task's edge ends one."""
    new = ~goes_on
    new[1:] |= np.diff(task) != 0
    return np.cumsum(new) - 1


def _groups(task: Int, signature: Int, rank: Int, n_task: int, most: int) -> tuple[Int, Int]:
    """Cut sorted cells into groups of one task and signature, and of so many at most.

    Columns are places, 0 to 4: the first, that of the first flat one alone, of the first not
    flat, of the first of these alone (those with pores come last), the last + 1. Then 5 to
    7: first stretch of flat ones, of others, the last + 1; 8 and 10: first kind of wall, the
    last + 1; 9: first state; 11: 1 if walls have a constant part, 2 if branches, or 3; 12:
    how many come before the first with pores.
    """
    new = (np.diff(task) != 0) | (np.diff(signature) != 0)
    first = np.flatnonzero(np.concatenate([[True], new])[: task.size])
    length = np.diff(np.concatenate([first, [task.size]]))
    pieces = [
        (i, min(i + most, f + n))
        for f, n in zip(first.tolist(), length.tolist(), strict=True)
        for i in range(f, f + n, most)
    ]
    group = np.zeros((len(pieces), 13), dtype=np.int64)
    for row, (i, j) in zip(group, pieces, strict=True):
        row[:4] = [i + np.searchsorted(rank[i:j], k) for k in (0, 1, 2, 3)]
        row[4], row[12] = j, np.searchsorted(rank[i:j], 4)
    return group, np.searchsorted(task[group[:, 0]], np.arange(n_task + 1))


def _placed(group: Int) -> tuple[Int, int]:
    """Give the place of each sorted cell: groups begin at a multiple of `WIDE`."""
    n = group[:, 4] - group[:, 0]
    wide = -(-n // WIDE) * WIDE
    start = np.cumsum(wide) - wide
    return np.arange(int(n.sum())) + np.repeat(start - group[:, 0], n), int(wide.sum())


def _face_groups(room: WaveRoom, most: int) -> tuple[Int, Int]:
    """Cut the faces with pores into groups of one kind; give the first of each task."""
    pieces = [
        (i, min(i + most, int(last)), kind)
        for kind, (first, last) in enumerate(
            zip(room.face_first[:-1], room.face_first[1:], strict=True)
        )
        for i in range(int(first), int(last), most)
    ]
    group = np.array(pieces, dtype=np.int64).reshape(-1, 3)
    if not pieces:
        return group, np.zeros(1, dtype=np.int64)
    spent = np.cumsum(_FACE * (group[:, 1] - group[:, 0]) + _LOOP)
    n_task = _count(int(spent[-1]))
    edge = [np.searchsorted(spent, spent[-1] * i / n_task) for i in range(1, n_task)]
    return group, np.array([0, *edge, len(group)], dtype=np.int64)


def state_weights(room: WaveRoom, tasks: Tasks) -> tuple[Int, Float]:
    """Give the branch of each state, and its wall's weight times its cell's volume."""
    row, weight = np.zeros(tasks.n_state, dtype=np.int64), np.zeros(tasks.n_state)
    for group in tasks.group:
        first, last, state = int(group[0]), int(group[4]), int(group[9])
        n, wide = last - first, -(-(last - first) // WIDE) * WIDE
        own = tasks.table[tasks.code[first:last]].astype(np.float64)
        for j, kind in enumerate(tasks.kind[group[8] : group[10]]):
            for branch in range(room.branch_start[kind], room.branch_start[kind + 1]):
                row[state : state + wide] = branch
                weight[state : state + n] = own[:, WEIGHT + j] * own[:, VOLUME]
                state += wide
    return row, weight
