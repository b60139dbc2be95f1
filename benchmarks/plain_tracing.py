"""Plain tracing: rays that leave their energy in a sphere about the receiver, and no more.

The baseline of `bench_error_per_second.py`, as textbooks have it: every ray that crosses the
receiver's sphere leaves its energy times the length inside over the sphere's volume, whatever
wall it comes from. No image sources, no connections, and no moments of direction, which
nothing here needs. All else is the engine's own: nearest walls, the coin between mirror and
Lambert's law, draws, directions of emission, band groups, roulette, threads, and how kernels
are compiled.
"""

import math

import numpy as np
from furnished import sphere_radii_m
from numba import prange, uint64

from raysim.core.compile import kernel, loop
from raysim.core.emission import set_out
from raysim.core.ray_life import INWARDS_M, LIFT_M, SURVIVAL, meet_side
from raysim.core.receiver import chord
from raysim.core.rng import draws
from raysim.core.walk import STACK_DEPTH
from raysim.core.wall import lambert, mirror
from raysim.propagation.images import source_gain
from raysim.propagation.rays import FLOOR, N_BATCH, air_by_bin, band_groups
from raysim.propagation.room import AcousticRoom
from raysim.scene.model import Receiver, Source
from raysim.units import Float


@kernel
def follow_one(
    seed, i_batch, i_ray, px, py, pz, dx, dy, dz, energy, floor_energy,
    tree, normal, offset, middle, plane, front, back, reflect, scatter,
    receiver, bins_per_m, histogram, stack,
):  # fmt: skip
    """Follow one ray until it dies; give (segments, lost).

    ``histogram`` is (n_receiver, n_time, n_band). Direct sound is left out.
    """
    n_band = energy.shape[0]
    n_time = histogram.shape[1]
    travelled, skip = 0.0, -1.0
    nx, ny, nz = 0.0, 0.0, 0.0
    n_segment, n_bounce = 0, 0
    while True:
        hit, side = meet_side(*tree, normal, front, back, px, py, pz, dx, dy, dz, skip, stack)
        n_segment += 1
        if side < 0 and n_bounce > 0:
            px, py, pz = px + LIFT_M * nx, py + LIFT_M * ny, pz + LIFT_M * nz
            hit, side = meet_side(
                *tree, normal, front, back, px, py, pz, dx, dy, dz, skip, stack
            )
        if side < 0:
            return n_segment, 1
        h = uint64(hit)
        nx, ny, nz = normal[h, 0], normal[h, 1], normal[h, 2]
        towards = nx * dx + ny * dy + nz * dz
        length = max((offset[h] - (nx * px + ny * py + nz * pz)) / towards, 0.0)
        if towards > 0.0:
            nx, ny, nz = -nx, -ny, -nz
        if n_bounce > 0:
            for r in range(receiver.shape[0]):
                radius = receiver[r, 3]
                inside, begin = chord(
                    px, py, pz, dx, dy, dz, length,
                    receiver[r, 0], receiver[r, 1], receiver[r, 2], radius,
                )  # fmt: skip
                if inside > 0.0:
                    i_time = int((travelled + begin + 0.5 * inside) * bins_per_m)
                    if i_time < n_time:
                        share = inside / (4.0 / 3.0 * math.pi * radius**3)
                        for b in range(n_band):
                            histogram[r, i_time, b] += energy[b] * share
        travelled += length
        if travelled * bins_per_m >= n_time:
            return n_segment, 0
        px, py, pz = px + length * dx, py + length * dy, pz + length * dz
        tx, ty, tz = middle[h, 0] - px, middle[h, 1] - py, middle[h, 2] - pz
        step = INWARDS_M / max(abs(tx) + abs(ty) + abs(tz), INWARDS_M)
        px, py, pz = px + step * tx, py + step * ty, pz + step * tz

        n_bounce += 1
        total, diffuse, loudest = 0.0, 0.0, 0.0
        for b in range(n_band):
            energy[b] *= reflect[side, b]
            total += energy[b]
            diffuse += energy[b] * scatter[side, b]
            loudest = max(loudest, energy[b])
        if total <= 0.0:
            return n_segment, 0
        p = diffuse / total
        u_kind, u_1, u_2, u_live = draws(seed, i_batch, i_ray, n_bounce)
        if loudest < floor_energy:
            if u_live >= SURVIVAL:
                return n_segment, 0
            for b in range(n_band):
                energy[b] /= SURVIVAL
        if u_kind < p:
            for b in range(n_band):
                energy[b] *= scatter[side, b] / p
            dx, dy, dz = lambert(nx, ny, nz, u_1, u_2)
        else:
            for b in range(n_band):
                energy[b] *= (1.0 - scatter[side, b]) / (1.0 - p)
            dx, dy, dz = mirror(dx, dy, dz, nx, ny, nz)
        skip = float(plane[h])


@loop
def trace_plainly(
    seed, first_ray, n_ray, position, axis, gain,
    tree, normal, offset, middle, plane, front, back, reflect, scatter,
    receiver, bins_per_m, floor_share, histogram, tally,
):  # fmt: skip
    """Follow rays of every batch, a batch per task.

    ``histogram`` is (n_batch, n_receiver, n_time, n_band); ``tally`` (n_batch, 2) counts
    segments and lost rays.
    """
    for i_batch in prange(histogram.shape[0]):
        stack = np.zeros(STACK_DEPTH, dtype=np.uint32)
        energy = np.zeros(gain.shape[0])
        for i_ray in range(first_ray, first_ray + n_ray):
            dx, dy, dz = set_out(seed, i_batch, i_ray, axis, gain, energy)
            loudest = 0.0
            for b in range(energy.shape[0]):
                loudest = max(loudest, energy[b])
            if loudest > 0.0:
                n_segment, lost = follow_one(
                    seed, i_batch, i_ray, position[0], position[1], position[2], dx, dy, dz,
                    energy, floor_share * loudest,
                    tree, normal, offset, middle, plane, front, back, reflect, scatter,
                    receiver, bins_per_m, histogram[i_batch], stack,
                )  # fmt: skip
                tally[i_batch, 0] += n_segment
                tally[i_batch, 1] += lost


class PlainRun:
    """Plain rays from one source to receivers: the same calls as `RayRun` has."""

    def __init__(
        self, room: AcousticRoom, source: Source, receivers: list[Receiver], *,
        seed: int, duration_s: float, bin_s: float,
    ) -> None:  # fmt: skip
        self._room, self._source, self._bin_s = room, source, bin_s
        self._seed = np.uint64(seed)
        self._groups = band_groups(room.sides)
        positions = np.array([r.position_m for r in receivers])
        self._receiver = np.column_stack([positions, sphere_radii_m(room, receivers)])
        n_time = math.ceil(duration_s / bin_s)
        self._sums = [
            np.zeros((N_BATCH, len(receivers), n_time, g.stop - g.start)) for g in self._groups
        ]
        self._tally = np.zeros((N_BATCH, 2), dtype=np.int64)
        self._n_ray = 0  # per batch

    @property
    def n_lost(self) -> int:
        """How many rays met no wall, or the back of one."""
        return int(self._tally[:, 1].sum())

    @property
    def n_segment(self) -> int:
        """How many segments the rays had."""
        return int(self._tally[:, 0].sum())

    def follow(self, n_ray: int) -> None:
        """Follow at least ``n_ray`` more rays, equally many in every batch."""
        per_batch = math.ceil(n_ray / N_BATCH)
        room = self._room
        gain = source_gain(self._source)
        for group, sums in zip(self._groups, self._sums, strict=True):
            trace_plainly(
                self._seed, self._n_ray, per_batch,
                self._source.position_m, self._source.aim, np.ascontiguousarray(gain[group]),
                room.tree_arrays(),
                room.normal, room.offset, room.middle, room.plane, room.front, room.back,
                np.ascontiguousarray(1.0 - room.sides.alpha[:, group]),
                np.ascontiguousarray(room.sides.scattering[:, group]), self._receiver,
                1.0 / (room.speed_m_s * self._bin_s), FLOOR, sums, self._tally,
            )  # fmt: skip
        self._n_ray += per_batch

    def energy(self) -> Float:
        """Give what was collected, (n_receiver, n_batch, n_band, n_time)."""
        air = air_by_bin(self._room, self._sums[0].shape[2], self._bin_s)
        found = np.concatenate(self._sums, axis=3) / self._n_ray
        return np.asarray(np.moveaxis(found, (1, 3), (0, 2)) * air)
