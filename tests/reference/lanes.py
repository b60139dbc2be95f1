"""Eight boxes or pieces met one lane after another: what `raysim.core.lanes` does at once."""

import numpy as np

N_LANE = 8


def meet_boxes(box, k, nx, ny, nz, ix, iy, iz, px, py, pz, low, high):
    """Give the bits of the boxes that are met, and where each begins, (8,), at least 0."""
    met, near = 0, np.zeros(N_LANE)
    for lane in range(N_LANE):
        begin, end = low, high
        for axis, (n, i, p) in enumerate(((nx, ix, px), (ny, iy, py), (nz, iz, pz))):
            first = k + 2 * N_LANE * axis + lane
            begin = max(begin, box[first + n] * i - p)
            end = min(end, box[first + N_LANE - n] * i - p)
        near[lane] = max(begin, 0.0)
        met |= int(begin <= end) << lane
    return met, near


def meet_pieces(row, k, start, way, passed_over, low, high, slack=0.0):
    """Give the distance to each of eight pieces, infinite where it is not met.

    Every bound is wider by ``slack``.
    """
    found = np.full(N_LANE, np.inf)
    for lane in range(N_LANE):
        r = np.array([row[k + lane + N_LANE * i] for i in range(16)], dtype=float)
        towards = r[0:3] @ way
        if towards == 0.0 or (r[14] < 0.0 and towards > 0.0) or r[15] in passed_over:
            continue
        t = -(r[0:3] @ start + r[3]) / towards
        u, v = (r[i : i + 3] @ (start + t * way) + r[i + 3] for i in (4, 8))
        room = min(r[12] - abs(u), r[13] - abs(v), abs(r[14]) - (u + v))
        if room >= -slack and low - slack < t < high + slack:
            found[lane] = t
    return found
