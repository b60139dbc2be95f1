"""Loops around the kernels, for processors: no physics here.

A batch's number is handed over as a signed integer: loops count unsigned, but the compiler
finds that out only after it has compiled all that they call for signed numbers, and would
then compile the same again.
"""

import numpy as np
from numba import int64, prange

from raysim.core.beam import MAX_CORNERS, search
from raysim.core.compile import loop, serial_loop
from raysim.core.emission import set_out
from raysim.core.ray_life import live
from raysim.core.replay import LIFT, live_again
from raysim.core.walk import STACK_DEPTH, nearest


@loop
def trace(
    seed, first_ray, n_ray, position, axis, gain,
    box, child, row, normal, offset, middle, plane, front, back, reflect, scatter, looking,
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
        for i_ray in range(first_ray, first_ray + n_ray):
            dx, dy, dz = set_out(seed, int64(i_batch), i_ray, axis, gain, energy)
            loudest = 0.0
            for b in range(energy.shape[0]):
                loudest = max(loudest, energy[b])
            if loudest == 0.0:
                continue
            n_segment, lost = live(
                seed, int64(i_batch), i_ray, position[0], position[1], position[2], dx, dy, dz,
                energy, floor_share * loudest,
                box, child, row, normal, offset, middle, plane, front, back, reflect, scatter,
                looking, receiver, image_order, pair_order, bins_per_m, histogram[i_batch],
                stack,
            )  # fmt: skip
            tally[i_batch, 0] += n_segment
            tally[i_batch, 1] += lost


@loop
def record(
    seed, first_ray, n_ray, position, axis, gain,
    box, child, row, normal, offset, middle, plane, front, back, reflect, scatter, looking,
    receiver, image_order, pair_order, bins_per_m, floor_share, n_time,
    usual, step, cell, share, towards, counts, last_step, tally,
):  # fmt: skip
    """Write down the walks of rays that `trace` would follow, a batch per task.

    ``step`` (n_batch, n, 3), ``cell``, ``share`` (n_batch, m) and ``towards`` (n_batch, m,
    3) take what finds room in them, ``counts`` (n_batch, 2) what there is, ``last_step``
    (n_batch, n_ray) the number of steps up to each ray's end.
    """
    for i_batch in prange(step.shape[0]):
        stack = np.zeros(STACK_DEPTH, dtype=np.uint32)
        energy = np.zeros(gain.shape[0])
        sizes = np.zeros((receiver.shape[0], n_time, 0, 0))
        note = (
            step[i_batch], cell[i_batch], share[i_batch], towards[i_batch], counts[i_batch],
            usual,
        )  # fmt: skip
        for k in range(n_ray):
            i_ray = first_ray + k
            dx, dy, dz = set_out(seed, int64(i_batch), i_ray, axis, gain, energy)
            loudest = 0.0
            for b in range(energy.shape[0]):
                loudest = max(loudest, energy[b])
            if loudest > 0.0:
                n_segment, lost = live(
                    seed, int64(i_batch), i_ray, position[0], position[1], position[2],
                    dx, dy, dz, energy, floor_share * loudest,
                    box, child, row, normal, offset, middle, plane, front, back, reflect,
                    scatter, looking, receiver, image_order, pair_order, bins_per_m, sizes,
                    stack, note,
                )  # fmt: skip
                tally[i_batch, 0] += n_segment
                tally[i_batch, 1] += lost
            last_step[i_batch, k] = counts[i_batch, 0]


@loop
def replay(
    seed, axis, gain, last_step, step_start, deposit_start, step, cell, share, towards,
    mirrored, scattered, connected, factor, energy, moments,
):  # fmt: skip
    """Replay all rays of all batches, a batch per task.

    ``last_step`` (n_batch, n_ray) counts steps within the batch, ``step_start`` and
    ``deposit_start`` (n_batch,) say where a batch begins in ``step`` and in ``cell``,
    ``share``, ``towards``. Factors are (n_side, n_lane), lane = layout * n_band + band.
    Results, times ``factor`` (n_band, n_time), go to ``energy`` (n_layout, n_receiver,
    n_batch, n_band, n_time) and ``moments`` (n_batch, n_layout, n_receiver, n_moment,
    n_band, n_time), which may be none.
    """
    n_band, n_time = factor.shape
    n_layout, n_receiver = energy.shape[:2]
    n_moment, n_lane = moments.shape[3], mirrored.shape[1]
    for i_batch in prange(energy.shape[2]):
        lanes = np.zeros(n_lane, dtype=np.float32)
        scratch = np.zeros(n_lane, dtype=np.float32)
        weight = np.ones(1 + n_moment, dtype=np.float32)
        histogram = np.zeros((n_receiver * n_time, 1 + n_moment, n_lane), dtype=np.float32)
        emitted = np.zeros(n_band)
        first, i_deposit = step_start[i_batch], deposit_start[i_batch]
        for i_ray in range(last_step.shape[1]):
            end = step_start[i_batch] + last_step[i_batch, i_ray]
            set_out(seed, int64(i_batch), i_ray, axis, gain, emitted)
            for k in range(n_lane):
                lanes[k] = LIFT * emitted[k % n_band]
            i_deposit = live_again(
                step, first, end, cell, share, towards, i_deposit,
                mirrored, scattered, connected, lanes, scratch, weight, histogram,
            )  # fmt: skip
            first = end
        for r in range(n_receiver):
            for t in range(n_time):
                at = histogram[r * n_time + t]
                for i in range(n_layout):
                    for b in range(n_band):
                        k = i * n_band + b
                        energy[i, r, i_batch, b, t] = at[0, k] / LIFT * factor[b, t]
                        for m in range(n_moment):
                            moments[i_batch, i, r, m, b, t] = at[1 + m, k] / LIFT * factor[b, t]


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
