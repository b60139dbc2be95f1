"""How the work of a step is shared out: tasks of equal cost, like cells together.

A task owns all places between two flat numbers. Its whole cells are stepped in long runs,
over short gaps too; then its cut cells in groups whose walls are of the same kinds, so that
the states of one branch lie side by side and its constants are read once for all.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from raysim.propagation.wave_pores import Short, Single
from raysim.propagation.wave_room import WaveRoom
from raysim.units import Float, Int

#: Gaps that a run goes on over, cells: ending it and beginning anew costs about as much.
GAP = 32
#: Cut cells, or faces, to a group at most, so that what it works with stays in the cache.
MOST = 1024
#: What they cost, in whole cells: a cut cell, a branch of it, a face, a group or its branch.
_CUT, _BRANCH, _FACE, _LOOP = 6, 2, 12, 40
#: Cost of a task at least, and tasks to a step at most; a multiple of most counts of threads.
_LEAST, _MOST_TASK = 20_000, 128

Unsigned, Mask = NDArray[np.uint32], NDArray[np.bool_]


@dataclass(frozen=True, slots=True, eq=False)
class Tasks:
    """The work of a step. Cut cells, and walls' states, are in an order of their own."""

    run: Int  # (n_run, 2) first and last + 1
    task_run: Int  # (n_task + 1,)
    clear: Unsigned  # cells without air that runs go over
    task_clear: Int
    order: Int  # (n_cut,) which cut cell of the room
    cell: Unsigned  # (n_cut,)
    wane: Single  # (n_cut,) H and 1/(1 + H)
    ease: Single
    shut: Single  # (n_cut,) squared Courant numbers of faces with only a wall behind
    steady: Single  # (n_cut,) constant part of walls
    volume: Single
    link: Single  # (n_cut, 6)
    face_start: Short  # (n_cut + 1,) faces with pores of each
    face: Short
    face_weight: Single
    group: Int  # (n_group, 7) first, first bent, first with pores, last + 1; slots; loses
    task_group: Int
    slot: Int  # (n_slot, 3) branch, first weight, first state
    weight: Single
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
    code, walls = _signatures(room)
    has_pores = np.diff(room.face_start) > 0
    n_branch = np.diff(room.state_start)
    run, clear, plain = _runs(room, flat)
    cost = plain.astype(np.int64)
    cost[room.cut_cell] += _CUT + _BRANCH * n_branch
    spent = np.cumsum(cost)
    if n_task is None:
        n_task = 8 * max(1, min(round(int(spent[-1]) / _LEAST / 8), _MOST_TASK // 8))
    edge = np.searchsorted(spent, spent[-1] * np.arange(1, n_task) / n_task) + 1
    edge = np.concatenate([[0], edge, [spent.size]])
    run, task_run = _split(run, edge)
    task = np.searchsorted(edge, room.cut_cell, side="right") - 1
    rank = np.where(has_pores, 2, np.where(flat, 0, 1))
    order = np.lexsort((room.cut_cell, rank, code, task))
    group, task_group = _groups(task[order], code[order], rank[order], n_task, most)
    loses = (room.damping[:, 2] > 0.0)[order]
    slots, weights, at, n_state = [], [], 0, 0
    for row in group:
        first, last = int(row[0]), int(row[3])
        mine, n = order[first:last], last - first
        row[4] = len(slots)
        for j, kind in enumerate(
            walls[room.wall_start[mine[0]] : room.wall_start[mine[0] + 1]]
        ):
            weights.append(room.wall_weight[room.wall_start[mine] + j])
            for branch in range(room.branch_start[kind], room.branch_start[kind + 1]):
                slots.append((branch, at, n_state))
                n_state += n
            at += n
        row[5] = len(slots)
        row[6] = row[5] > row[4] or loses[first:last].any()
    face_of = [
        np.arange(room.face_start[b], room.face_start[b + 1]) for b in order[has_pores[order]]
    ]
    gates = np.concatenate([np.zeros(0, dtype=np.int64), *face_of])
    volume = room.volume[room.cut_cell[order]]
    damping = room.damping[order].astype(np.float64)
    faces, face_task = _face_groups(room, most)
    return Tasks(
        run=run,
        task_run=task_run,
        clear=clear.astype(np.uint32),
        task_clear=np.searchsorted(clear, edge),
        order=order,
        cell=room.cut_cell[order].astype(np.uint32),
        wane=(1.0 - damping[:, 0]).astype(np.float32),
        ease=room.damping[order, 1],
        shut=shut[order],
        steady=room.damping[order, 2],
        volume=volume.astype(np.float32),
        link=room.link[order],
        face_start=np.concatenate([[0], np.cumsum(np.diff(room.face_start)[order])]).astype(
            np.int32
        ),
        face=room.face[gates],
        face_weight=room.face_weight[gates],
        group=group,
        task_group=task_group,
        slot=np.array(slots, dtype=np.int64).reshape(-1, 3),
        weight=np.concatenate([np.zeros(0, dtype=np.float32), *weights]),
        n_state=n_state,
        face_group=faces,
        face_task=face_task,
    )


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


def _signatures(room: WaveRoom) -> tuple[Int, Int]:
    """Give a number to each cut cell, equal where walls are of the same kinds; the kinds."""
    count = np.diff(room.wall_start)
    n_kind = room.branch_start.size
    code = np.zeros(count.size, dtype=np.int64)
    for j in range(int(count.max(initial=0))):
        has = count > j
        kind = np.zeros(count.size, dtype=np.int64)
        kind[has] = room.wall_branch[room.wall_start[:-1][has] + j] + 1
        code = np.unique(code * n_kind + kind, return_inverse=True)[1]
    return code, room.wall_branch.astype(np.int64)


def _runs(room: WaveRoom, flat: Mask) -> tuple[Int, Int, Mask]:
    """Give runs of cells that are stepped as whole ones, those of no air among them; all."""
    plain = np.zeros(room.volume.size, dtype=np.int8)
    for start, length in zip(room.row_start, room.row_length, strict=True):
        plain[start : start + length] = 1
    plain[room.cut_cell[flat]] = 1
    change = np.diff(np.concatenate([[0], plain, [0]]))
    start, end = np.flatnonzero(change == 1), np.flatnonzero(change == -1)
    apart = start[1:] - end[:-1] > GAP
    start, end = (
        start[np.r_[True, apart]] if start.size else start,
        end[np.r_[apart, True]] if end.size else end,
    )
    run = np.stack([start, end], axis=1)
    over = np.zeros(room.volume.size + 1, dtype=np.int8)
    over[start] += 1
    over[end] -= 1
    covered = np.cumsum(over[:-1], dtype=np.int8) > 0
    return run, np.flatnonzero(covered & (room.volume <= 0.0)), covered


def _split(run: Int, edge: Int) -> tuple[Int, Int]:
    """Split runs at the edges of tasks; give them, and the first of each task."""
    start = np.unique(np.concatenate([run[:, 0], edge[:-1]]))
    at = np.searchsorted(run[:, 0], start, side="right") - 1
    inside = (at >= 0) & (start < run[at, 1]) if len(run) else np.zeros(start.size, dtype=bool)
    start = start[inside]
    end = np.minimum(run[at[inside], 1], edge[np.searchsorted(edge, start, side="right")])
    return np.stack([start, end], axis=1), np.searchsorted(start, edge)


def _groups(task: Int, code: Int, rank: Int, n_task: int, most: int) -> tuple[Int, Int]:
    """Cut sorted cells into groups of one task and signature, and of so many at most."""
    new = (np.diff(task) != 0) | (np.diff(code) != 0)
    first = np.flatnonzero(np.r_[task.size > 0, new])
    length = np.diff(np.r_[first, task.size])
    pieces = [
        (i, min(i + most, f + n))
        for f, n in zip(first.tolist(), length.tolist(), strict=True)
        for i in range(f, f + n, most)
    ]
    group = np.zeros((len(pieces), 7), dtype=np.int64)
    for row, (i, j) in zip(group, pieces, strict=True):
        row[:4] = i, i + np.searchsorted(rank[i:j], 1), i + np.searchsorted(rank[i:j], 2), j
    return group, np.searchsorted(task[group[:, 0]], np.arange(n_task + 1))


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
    spent = np.cumsum(_FACE * (group[:, 1] - group[:, 0]) + _LOOP)
    n_task = 0
    if spent.size:
        n_task = 8 * max(1, min(round(int(spent[-1]) / _LEAST / 8), _MOST_TASK // 8))
    edge = [np.searchsorted(spent, spent[-1] * i / n_task) for i in range(1, n_task)]
    return group, np.array([0, *edge, len(group)] if n_task else [0], dtype=np.int64)


def state_weights(room: WaveRoom, tasks: Tasks) -> tuple[Int, Float]:
    """Give the branch of each state, and its wall's weight times its cell's volume."""
    row, weight = np.zeros(tasks.n_state, dtype=np.int64), np.zeros(tasks.n_state)
    volume = room.volume[room.cut_cell[tasks.order]]
    for first, _, _, last, slot, last_slot, _ in tasks.group.tolist():
        n = last - first
        for branch, at, state in tasks.slot[slot:last_slot].tolist():
            row[state : state + n] = branch
            weight[state : state + n] = tasks.weight[at : at + n] * volume[first:last]
    return row, weight
