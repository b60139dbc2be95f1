"""How the work of faces with pores is shared out: like faces together, in lines.

Faces of one kind are stepped as a group, their states side by side. What drives them is
brought together line by line; what the flow through the next faces does, in parts of many
lines, for the next faces of faces side by side mostly lie side by side too. Faces of rare
kinds make groups of their own, with constants for each.
"""

from dataclasses import dataclass

import numpy as np

from raysim.propagation.wave_lines import Mask, pieces, task_count
from raysim.propagation.wave_pores import RARE, Single
from raysim.propagation.wave_room import WaveRoom
from raysim.units import Int

#: Faces of a line, or of a part, at least.
_LINE = 4
#: Cost in whole cells, of a face and of a group.
_FACE, _LOOP = 8, 40


@dataclass(frozen=True, slots=True, eq=False)
class FaceTasks:
    """The work of a step in faces with pores."""

    group: Int  # (n_group, 8) first face, last + 1; kind, or -1 where they are rare; first
    # line, last + 1; first part, last + 1; place in `each`
    task: Int  # (n_task + 1,) first group of each
    line: Int  # (n_line, 4) first face, last + 1, step between cells or -1, across
    part: Int  # (n_part, 4) first face, last + 1, next faces of the first or -1
    each: Single  # (10, n_rare) constants of faces of rare kinds: of the kind, of what is next


def share_faces(room: WaveRoom, most: int) -> FaceTasks:
    """Cut the faces into groups of one kind, of so many at most, and these into pieces.

    Lines are pieces whose cells lie one step apart, parts such whose next faces are as far
    from each. What is neither has -1 in place of the step, or of the next faces.
    """
    of = room.face_kind_of
    if not of.size:
        none = np.zeros((0, 4), dtype=np.int64)
        group, task = np.zeros((0, 8), dtype=np.int64), np.zeros(1, dtype=np.int64)
        return FaceTasks(group, task, none, none, _each(room, 0))
    common = np.bincount(of)[of] >= RARE
    rare = int(common.sum())  # those of rare kinds come last
    found = [
        (i, min(i + most, n), int(of[m]) if m < rare else -1, i - rare)
        for m, n in pieces(np.where(common, of, -1), 0, of.size)
        for i in range(m, n, most)
    ]
    group = np.zeros((len(found), 8), dtype=np.int64)
    group[:, [0, 1, 2, 7]] = found
    low, across = room.face_cells[:, 0].astype(np.int64), np.diff(room.face_cells)[:, 0]
    step = np.diff(low)
    same = np.isin(step, room.grid.stride) & (np.diff(across) == 0)
    same &= np.diff(room.face_pull) == 0.0
    same[1:] &= ~same[:-1] | (step[1:] == step[:-1])
    in_line = _numbered(same)
    near, every = room.face_near.astype(np.int64), np.arange(low.size)
    # After the last face lie enough of no flow for a group whose faces all have none next.
    ends = near == low.size
    alike = (np.diff(near - every[:, None], axis=0) == 0) | (ends[1:] & ends[:-1])
    alike = alike.all(axis=1)
    alike &= (np.diff(room.face_near_weight, axis=0) == 0.0).all(axis=1) | ~common[1:]
    in_part = _numbered(alike)
    line: list[tuple[int, ...]] = []
    part: list[tuple[int, ...]] = []
    for row in group:
        row[3], row[5] = len(line), len(part)
        for m, n in pieces(in_line, int(row[0]), int(row[1])):
            goes_by = int(step[m]) if in_line[m] and n - m > 1 else -1
            line.append((m, n, goes_by, int(across[m])))
        for m, n in pieces(in_part, int(row[0]), int(row[1])):
            part.append((m, n, *(near[m] if in_part[m] else (-1, -1))))
        row[4], row[6] = len(line), len(part)
    spent = np.cumsum(_FACE * (group[:, 1] - group[:, 0]) + _LOOP)
    n_task = task_count(int(spent[-1]))
    edge = [np.searchsorted(spent, spent[-1] * i / n_task) for i in range(1, n_task)]
    task = np.array([0, *edge, len(group)], dtype=np.int64)
    every_line, every_part = (np.array(a, dtype=np.int64) for a in (line, part))
    return FaceTasks(group, task, every_line, every_part, _each(room, rare))


def _each(room: WaveRoom, rare: int) -> Single:
    """Give the constants of faces of rare kinds, (10, n): of their kind, of what is next."""
    own = room.face_kind[room.face_kind_of[rare:]]
    return np.ascontiguousarray(np.concatenate([own, room.face_near_weight[rare:]], axis=1).T)


def _numbered(same: Mask) -> Int:
    """Give pieces that are each the same as the one before a number, short ones 0."""
    piece = np.cumsum(np.concatenate([[True], ~same]))
    return np.where(np.bincount(piece)[piece] >= _LINE, piece, 0)
