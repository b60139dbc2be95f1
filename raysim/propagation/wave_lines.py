"""Lines of like cells: what lies along them is stepped several at once.

Cells of a line follow each other along one axis, so that whatever is kept of them, or of
their faces, can lie side by side even where the cells themselves do not.
"""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from raysim.geometry.grid import CutGrid
from raysim.units import Int

Mask = NDArray[np.bool_]

#: Lines along x are as good as those so many times as long along others: along them pressure
#: too lies side by side.
_FAVOUR = 2
#: Powers of an odd number, mod 2^64: multipliers that make one number of up to six.
_ODD = np.cumprod(np.full(6, 0x9E3779B97F4A7C15, dtype=np.uint64)).view(np.int64)
#: Cost of a task at least, and tasks to a step at most; a multiple of most counts of threads.
_LEAST, _MOST_TASK = 50_000, 128


def like(columns: Sequence[np.ndarray]) -> Int:
    """Give a number to each row, rising with the rows and equal where these are equal."""
    rows = np.stack([c.astype(np.float64) for c in columns], axis=1)
    if not rows.size:
        return np.zeros(0, dtype=np.int64)
    return np.asarray(np.unique(rows, axis=0, return_inverse=True)[1].ravel(), dtype=np.int64)


def in_lines(grid: CutGrid, cell: Int, kind: Int, beside: Int | None = None) -> Int:
    """Give an order in which those of a kind lie line by line, kinds rising.

    Each is in the longest line that it can be in. ``beside`` (n, m) are numbers that must rise
    by one along a line, -1 where there is none.
    """
    if not cell.size:
        return np.zeros(0, dtype=np.int64)
    at = np.stack([cell // s % n for s, n in zip(grid.stride, grid.n, strict=True)])
    rest = cell - at * np.array(grid.stride)[:, None]
    long = np.zeros(at.shape, dtype=np.int64)
    for axis in range(3):
        own = kind
        if beside is not None and (beside >= 0).any():
            # A sum that two kinds share by chance misjudges a length, and nothing else.
            rising = np.where(beside < 0, -1, beside - at[axis][:, None]) + np.int64(1)
            sums = kind + (rising * _ODD[: rising.shape[1]]).sum(axis=1)
            own = np.unique(sums, return_inverse=True)[1]
        order = np.argsort((own * (cell.max() + 1) + rest[axis]) * grid.n[axis] + at[axis])
        long[axis, order] = _lengths(at[axis, order], rest[axis, order], own[order])
    long[0] *= _FAVOUR
    own, every = np.argmax(long, axis=0), np.arange(cell.size)
    return np.lexsort((at[own, every], rest[own, every], own, kind))


def _lengths(at: Int, rest: Int, kind: Int) -> Int:
    """Give the length of the line that each of those in order is in."""
    new = (np.diff(at) != 1) | (np.diff(rest) != 0) | (np.diff(kind) != 0)
    line = np.cumsum(np.concatenate([[True], new])) - 1
    return np.asarray(np.bincount(line)[line])


def pieces(number: Int, first: int, last: int) -> list[tuple[int, int]]:
    """Give first and last + 1 of each piece of one number between two places."""
    if last <= first:
        return []
    breaks = (np.flatnonzero(np.diff(number[first:last])) + 1 + first).tolist()
    return list(zip([int(first), *breaks], [*breaks, int(last)], strict=True))


def task_count(cost: int) -> int:
    """Give how many tasks work of so many whole cells is worth."""
    return 8 * max(1, min(round(cost / _LEAST / 8), _MOST_TASK // 8))
