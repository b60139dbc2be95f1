"""Loops around the kernels, for processors: no physics here."""

import numpy as np
from numba import prange

from raysim.core.beam import MAX_CORNERS, search
from raysim.core.compile import loop, serial_loop
from raysim.core.emission import set_out
from raysim.core.ray_life import live
from raysim.core.walk import STACK_DEPTH, nearest


@loop
def trace(
    seed, first_ray, n_ray, position, axis, gain,
    box, child, row, normal, offset, middle, plane, front, back, reflect, scatter,
    receiver, image_order, pair_order, bins_per_m, floor_share, histogram, tally,
):  # fmt: skip
    """Follow rays ``first_ray`` to ``first_ray + n_ray`` of every batch, a batch per task.

    A batch is one task from beginning to end and adds to its own histogram, so the
    sums do not depend on how many threads there are. ``histogram`` is (n_batch,
    n_receiver, n_time, n_moment, n_band); ``tally`` (n_batch, 2) counts segments and
    lost rays.
    """
    for i_batch in prange(histogram.shape[0]):
        stack = np.zeros(STACK_DEPTH, dtype=np.uint32)
        energy = np.zeros(gain.shape[0])
        scratch = np.zeros(gain.shape[0])
        for i_ray in range(first_ray, first_ray + n_ray):
            dx, dy, dz = set_out(seed, i_batch, i_ray, axis, gain, energy)
            loudest = 0.0
            for b in range(energy.shape[0]):
                loudest = max(loudest, energy[b])
            if loudest == 0.0:
                continue
            n_segment, lost = live(
                seed, i_batch, i_ray, position[0], position[1], position[2], dx, dy, dz,
                energy, floor_share * loudest,
                box, child, row, normal, offset, middle, plane, front, back, reflect, scatter,
                receiver, image_order, pair_order, bins_per_m, histogram[i_batch],
                scratch, stack,
            )  # fmt: skip
            tally[i_batch, 0] += n_segment
            tally[i_batch, 1] += lost


@serial_loop
def first_hits(box, child, row, start, direction, distance, piece):
    """Give distance and piece of the first hit of each ray, one thread."""
    stack = np.zeros(STACK_DEPTH, dtype=np.uint32)
    for i in range(start.shape[0]):
        distance[i], piece[i] = nearest(
            box, child, row, start[i, 0], start[i, 1], start[i, 2],
            direction[i, 0], direction[i, 1], direction[i, 2], -1.0, 1e30, stack,
        )  # fmt: skip


@serial_loop
def find_images(
    source, targets, least_order, most_order, farthest_m,
    normal, offset, plane, hull, hull_start, tri, tri_side, tri_start, box, child, row,
    out_target, out_order, out_image, out_first, out_last, out_sides, out_mirrors,
):  # fmt: skip
    """Call the beam search with its scratch space; give the number of paths."""
    n = most_order + 2
    return search(
        source, targets, least_order, most_order, farthest_m,
        normal, offset, plane, hull, hull_start, tri, tri_side, tri_start, box, child, row,
        np.zeros(STACK_DEPTH, dtype=np.uint32),
        np.zeros((n, 3)), np.zeros(n, dtype=np.int64), np.zeros(n, dtype=np.int64),
        np.zeros((n, MAX_CORNERS, 3)), np.zeros(n, dtype=np.int64),
        np.zeros((MAX_CORNERS, 3)), np.zeros((MAX_CORNERS, 3)),
        np.zeros((n, 3)), np.zeros(n, dtype=np.int64),
        out_target, out_order, out_image, out_first, out_last, out_sides, out_mirrors,
    )  # fmt: skip
