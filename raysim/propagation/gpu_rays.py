"""Loops around the ray kernels, for a GPU: no physics here.

One thread follows one ray. Threads that run side by side belong to different batches, so
that they hardly ever add to the same number at once. Sums are formed in no fixed order:
results agree with those of a processor to rounding, not bit for bit.
"""

import numpy as np
from numba import config, cuda, float64, uint32

from raysim.core import ray_life
from raysim.core.bands import absorb_each, turn_each
from raysim.core.compile import rebound
from raysim.core.emission import set_out
from raysim.core.pairs import PAIR_DEPTH, blocked_by_pairs, nearest_by_pairs

config.CUDA_LOW_OCCUPANCY_WARNINGS = 0  # small rooms fill no card, and may

#: Threads to a block.
BLOCK = 128
#: A thread keeps its ray's energies in an array of this length.
MOST_BANDS = 32
#: Rays of one launch: enough to fill the machine, few enough that progress can be told.
PER_LAUNCH = 1 << 22


@cuda.jit(device=True)
def _absorb(energy, reflect, scatter, side):
    return absorb_each(energy, reflect, scatter, side, 0, 0.0, 0.0, 0.0)


@cuda.jit(device=True)
def _turn(energy, scatter, side, base, slope):
    turn_each(energy, scatter, side, base, slope, 0)


@cuda.jit(device=True)
def _leave(energy, scatter, side, share, x, y, z, histogram, receiver, i_time):
    """Add as `raysim.core.bands.leave` does, so that no ray interrupts another."""
    for b in range(energy.shape[0]):
        e = energy[b] * share
        if scatter is not None:
            e *= scatter[side, b]
        ex, ey, ez = e * x, e * y, e * z
        parts = (e, ex, ey, ez, ex * x, ey * y, ex * y, ex * z, ey * z)
        for m in range(9):
            cuda.atomic.add(histogram, (receiver, i_time, m, b), parts[m])


# The same life of a ray, by what suits a card.
_live = cuda.jit(device=True)(
    rebound(
        ray_life.live,
        absorb=_absorb,
        turn=_turn,
        leave=_leave,
        blocked=blocked_by_pairs,
        in_sight=cuda.jit(device=True)(rebound(ray_life.in_sight, blocked=blocked_by_pairs)),
        meet_side=cuda.jit(device=True)(rebound(ray_life.meet_side, nearest=nearest_by_pairs)),
    )
)


def follow(
    seed, first_ray, n_ray, position, axis, gain,
    box, child, row, normal, offset, middle, plane, front, back, reflect, scatter,
    receiver, image_order, pair_order, bins_per_m, floor_share, histogram, tally,
):  # fmt: skip
    """Follow one ray: of batch ``i % n_batch``, number ``first_ray + i // n_batch``."""
    i = cuda.grid(1)
    n_batch, n_band = histogram.shape[0], gain.shape[0]
    if i >= n_ray * n_batch:
        return
    i_batch, i_ray = i % n_batch, first_ray + i // n_batch
    stack = cuda.local.array(PAIR_DEPTH, uint32)
    energy = cuda.local.array(MOST_BANDS, float64)[:n_band]
    dx, dy, dz = set_out(seed, i_batch, i_ray, axis, gain, energy)
    loudest = 0.0
    for b in range(n_band):
        loudest = max(loudest, energy[b])
    if loudest == 0.0:
        return
    n_segment, lost = _live(
        seed, i_batch, i_ray, position[0], position[1], position[2], dx, dy, dz,
        energy, floor_share * loudest,
        box, child, row, normal, offset, middle, plane, front, back, reflect, scatter,
        receiver, image_order, pair_order, bins_per_m, histogram[i_batch], stack,
    )  # fmt: skip
    cuda.atomic.add(tally, (i_batch, 0), n_segment)
    cuda.atomic.add(tally, (i_batch, 1), lost)


def first_hit(box, child, row, start, direction, distance, piece):
    """Give distance and piece of the first hit of one ray."""
    i = cuda.grid(1)
    if i >= distance.size:
        return
    stack = cuda.local.array(PAIR_DEPTH, uint32)
    distance[i], piece[i] = nearest_by_pairs(
        box, child, row, start[i, 0], start[i, 1], start[i, 2],
        direction[i, 0], direction[i, 1], direction[i, 2], -1.0, 1e30, stack,
    )  # fmt: skip


follow_kernel = cuda.jit(follow)
first_hit_kernel = cuda.jit(first_hit)


def trace(
    seed, first_ray, n_ray, position, axis, gain,
    box, child, row, normal, offset, middle, plane, front, back, reflect, scatter,
    receiver, image_order, pair_order, bins_per_m, floor_share, histogram, tally,
):  # fmt: skip
    """Do what `raysim.propagation.cpu.trace` does, on a GPU."""
    if gain.shape[0] > MOST_BANDS:
        raise ValueError(f"{gain.shape[0]} bands; a GPU thread has room for {MOST_BANDS}")
    read_only = [
        cuda.to_device(np.ascontiguousarray(a))
        for a in (
            position, axis, gain, box, child, row, normal, offset, middle, plane, front, back,
            reflect, scatter, receiver,
        )
    ]  # fmt: skip
    sums = cuda.to_device(np.zeros(histogram.shape))
    counted = cuda.to_device(np.zeros(tally.shape, dtype=np.int64))
    n_batch = histogram.shape[0]
    per_launch = max(PER_LAUNCH // n_batch, 1)
    for first in range(first_ray, first_ray + n_ray, per_launch):
        n = min(per_launch, first_ray + n_ray - first)
        follow_kernel[-(-n * n_batch // BLOCK), BLOCK](
            np.uint64(seed), first, n, *read_only, image_order, pair_order, bins_per_m,
            floor_share, sums, counted,
        )  # fmt: skip
    histogram += sums.copy_to_host()
    tally += counted.copy_to_host()


def first_hits(box, child, row, start, direction, distance, piece):
    """Do what `raysim.propagation.cpu.first_hits` does, on a GPU."""
    out = cuda.to_device(distance), cuda.to_device(piece)
    first_hit_kernel[-(-distance.size // BLOCK), BLOCK](
        *(cuda.to_device(np.ascontiguousarray(a)) for a in (box, child, row, start, direction)),
        *out,
    )
    out[0].copy_to_host(distance)
    out[1].copy_to_host(piece)
