"""Loops around the ray kernels, for a GPU: no physics here.

One thread follows one ray. Threads that run side by side follow rays that look for receivers
at the same bounces (`raysim.core.emission`), or each would wait for the few that do at any.
Sums are formed in no fixed order: results agree with those of a processor to rounding, not
bit for bit.
"""

from functools import cache

import numpy as np
from numba import config, cuda, float64, uint32

from raysim.core import ray_life
from raysim.core.bands import absorb_each, turn_each
from raysim.core.compile import rebound
from raysim.core.emission import LOOK_TOGETHER, set_out
from raysim.core.pairs import PAIR_DEPTH, blocked_by_pairs, nearest_by_pairs

config.CUDA_LOW_OCCUPANCY_WARNINGS = 0  # small rooms fill no card, and may

#: Threads to a block.
BLOCK = 128
#: Registers to a thread: some of its numbers then lie in memory, but more threads are there
#: to work while others wait for theirs.
MOST_REGISTERS = 64
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
        cuda.atomic.add(histogram, (receiver, i_time, 0, b), e)
        cuda.atomic.add(histogram, (receiver, i_time, 1, b), ex)
        cuda.atomic.add(histogram, (receiver, i_time, 2, b), ey)
        cuda.atomic.add(histogram, (receiver, i_time, 3, b), ez)
        cuda.atomic.add(histogram, (receiver, i_time, 4, b), ex * x)
        cuda.atomic.add(histogram, (receiver, i_time, 5, b), ey * y)
        cuda.atomic.add(histogram, (receiver, i_time, 6, b), ex * y)
        cuda.atomic.add(histogram, (receiver, i_time, 7, b), ex * z)
        cuda.atomic.add(histogram, (receiver, i_time, 8, b), ey * z)


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


def follow_of(n_band):
    """Give the function that follows rays of so many bands.

    Their energies then are so many numbers, which a thread holds in registers; an array of
    a length that is not known when it is compiled lies in memory.
    """

    def follow(
        seed, first_ray, n_ray, position, axis, gain,
        box, child, row, normal, offset, middle, plane, front, back, reflect, scatter,
        looking, receiver, image_order, pair_order, bins_per_m, floor_share, histogram, tally,
    ):  # fmt: skip
        """Follow one ray; rays of one batch that look together lie side by side."""
        i = cuda.grid(1)
        group = i // LOOK_TOGETHER
        n_batch = histogram.shape[0]
        i_batch = group % n_batch
        i_ray = first_ray + group // n_batch * LOOK_TOGETHER + i % LOOK_TOGETHER
        if i_ray >= first_ray + n_ray:
            return
        stack = cuda.local.array(PAIR_DEPTH, uint32)
        energy = cuda.local.array(n_band, float64)
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
            looking, receiver, image_order, pair_order, bins_per_m, histogram[i_batch], stack,
        )  # fmt: skip
        cuda.atomic.add(tally, (i_batch, 0), n_segment)
        cuda.atomic.add(tally, (i_batch, 1), lost)

    return follow


@cache
def follow_kernel(n_band):
    """Give `follow_of` so many bands, compiled."""
    return cuda.jit(follow_of(n_band), max_registers=MOST_REGISTERS)


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


first_hit_kernel = cuda.jit(first_hit)


def trace(
    seed, first_ray, n_ray, position, axis, gain,
    box, child, row, normal, offset, middle, plane, front, back, reflect, scatter, looking,
    receiver, image_order, pair_order, bins_per_m, floor_share, histogram, tally,
):  # fmt: skip
    """Do what `raysim.propagation.cpu.trace` does, on a GPU."""
    read_only = [
        cuda.to_device(np.ascontiguousarray(a))
        for a in (
            position, axis, gain, box, child, row, normal, offset, middle, plane, front, back,
            reflect, scatter, looking, receiver,
        )
    ]  # fmt: skip
    sums, counted = cuda.to_device(histogram), cuda.to_device(tally)
    n_batch = histogram.shape[0]
    per_launch = max(PER_LAUNCH // n_batch, 1)
    for first in range(first_ray, first_ray + n_ray, per_launch):
        n = min(per_launch, first_ray + n_ray - first)
        n_group = -(-n // LOOK_TOGETHER) * n_batch
        follow_kernel(len(gain))[-(-n_group * LOOK_TOGETHER // BLOCK), BLOCK](
            np.uint64(seed), first, n, *read_only, image_order, pair_order, bins_per_m,
            floor_share, sums, counted,
        )  # fmt: skip
    sums.copy_to_host(histogram)
    counted.copy_to_host(tally)


def first_hits(box, child, row, start, direction, distance, piece):
    """Do what `raysim.propagation.cpu.first_hits` does, on a GPU."""
    out = cuda.to_device(distance), cuda.to_device(piece)
    first_hit_kernel[-(-distance.size // BLOCK), BLOCK](
        *(cuda.to_device(np.ascontiguousarray(a)) for a in (box, child, row, start, direction)),
        *out,
    )
    out[0].copy_to_host(distance)
    out[1].copy_to_host(piece)
