"""Batches of rays: all energy that the image sources do not hold, with its spread.

A run can be continued: more rays in every batch, the same answer as if they had been
asked for at once. Theory: DEVELOPERS.md, R1 to R10.
"""

import math
from collections.abc import Callable
from functools import cache
from itertools import pairwise

import numpy as np
import trimesh

from raysim.propagation import cpu
from raysim.propagation.images import source_gain
from raysim.propagation.room import AcousticRoom
from raysim.records import EnergyHistogram, RayCount, Sides
from raysim.scene.model import Receiver, Source
from raysim.units import LN_60_DB, Float

#: Independent batches per run; their spread is the standard error.
N_BATCH = 32
#: Rays are thinned out once they are this far (as energy) below their start.
FLOOR = 1e-6
#: Growth of the second moment of a band's energy per bounce that one group may have:
#: below 2 % it takes 35 bounces to double a ray's share of the variance.
_GROWTH = 0.02
#: Counting spheres begin with this radius, ...
_SPHERE_M = 0.25
#: ... grow with the path, of which they are this share, ...
_SPHERE_SHARE = 0.03
#: ... and end with this.
_LARGEST_SPHERE_M = 0.5
#: A late wall looks for receivers with a chance of its scattered share over its mirrored
#: one, times this.
_LOOKING = 0.5
#: Directions in which a receiver looks how far it sees.
_N_LOOK = 1 << 15


@cache
def _evenly(n: int) -> Float:
    """Give n directions, evenly spread over the sphere, (n, 3)."""
    z = 1.0 - (2.0 * np.arange(n) + 1.0) / n
    turn = np.pi * (1.0 + math.sqrt(5.0)) * np.arange(n)
    flat = np.sqrt(1.0 - z * z)
    return np.stack([flat * np.cos(turn), flat * np.sin(turn), z], axis=1)


def band_groups(sides: Sides) -> list[slice]:
    """Split the bands into runs that one set of rays may serve.

    One coin decides between scattering and mirroring for all bands of a ray. Bands
    whose scattering differs much are reweighted much, and their variance grows by a
    factor per bounce; they get rays of their own. The factor, for a coin of bias p, is
    s^2/p + (1 - s)^2/(1 - p), averaged over the walls' areas  (R7).
    """
    share = sides.area_m2 / sides.area_m2.sum()
    n_band = sides.scattering.shape[1]
    starts = [0]
    for end in range(1, n_band + 1):
        s = sides.scattering[:, starts[-1] : end]
        p = np.clip(s.mean(axis=1, keepdims=True), 1e-12, 1.0 - 1e-12)
        growth = s**2 / p + (1.0 - s) ** 2 / (1.0 - p)
        if (share @ growth).max() > 1.0 + _GROWTH:
            starts.append(end - 1)
    return [slice(a, b) for a, b in pairwise([*starts, n_band])]


def looking_chance(scattering: Float) -> Float:
    """Give the chance that a later wall looks for receivers, (n_side,), of a group's s  (R6).

    The band that scatters most decides, so that no band's connections weigh too much.
    """
    s = np.clip(scattering.max(axis=1), 0.0, 1.0 - 1e-12)
    return np.asarray(np.minimum(1.0, _LOOKING * s / (1.0 - s)))


def expected_duration_s(room: AcousticRoom) -> float:
    """Guess how long the slowest band takes to fall by 60 dB: Sabine and half as much."""
    area = (room.sides.alpha * room.sides.area_m2[:, None]).sum(axis=0)
    area = area + 4.0 * room.air_per_m * room.mesh.air_volume_m3
    t60 = 4.0 * LN_60_DB * room.mesh.air_volume_m3 / (room.speed_m_s * np.maximum(area, 1e-9))
    return float(np.clip(1.5 * t60.max(), 0.3, 12.0))


def counting_spheres(room: AcousticRoom, receivers: list[Receiver]) -> Float:
    """Give what `raysim.core.ray_life.live` reads of receivers, (n_receiver, 4 + 2 n_reach).

    Position, distance of the nearest surface, then radius and volume of the counting sphere
    for each metre that a ray has travelled. The volume is what of it is in sight  (R8).
    """
    corners = room.mesh.triangles_m
    n_reach = 1 + math.ceil(_LARGEST_SPHERE_M / _SPHERE_SHARE)
    radius = np.clip(_SPHERE_SHARE * np.arange(n_reach), _SPHERE_M, _LARGEST_SPHERE_M)
    seen = np.zeros(_N_LOOK, dtype=np.float32)
    piece = np.zeros(_N_LOOK, dtype=np.uint32)
    rows = []
    for r in receivers:
        nearest = trimesh.triangles.closest_point(  # type: ignore[no-untyped-call]
            corners, np.tile(r.position_m, (len(corners), 1))
        )
        gap = np.linalg.norm(nearest - r.position_m, axis=1).min()
        start = np.tile(r.position_m, (_N_LOOK, 1))
        cpu.first_hits(*room.tree_arrays(), start, _evenly(_N_LOOK), seen, piece)
        cubed = np.minimum(seen[:, None], radius).astype(float) ** 3
        volume = 4.0 / 3.0 * np.pi * np.where(radius <= gap, radius**3, cubed.mean(axis=0))
        rows.append([*r.position_m, gap, *np.stack([radius, volume], axis=1).ravel()])
    return np.array(rows).reshape(-1, 4 + 2 * n_reach)


def air_by_bin(room: AcousticRoom, n_time: int, bin_s: float) -> Float:
    """Give the share of energy that air leaves, (n_band, n_time), mean over each bin  (R10).

    It depends on the path's length only, hence on the time bin only.
    """
    edges_m = np.arange(n_time + 1) * bin_s * room.speed_m_s
    m = room.air_per_m[:, None]
    width = edges_m[1]
    lost = np.maximum(m * width, 1e-12)  # air that takes nothing is allowed
    return np.asarray(np.exp(-m * edges_m[:-1]) * -np.expm1(-lost) / lost)


def _trace_on(on_gpu: bool) -> Callable[..., None]:
    if not on_gpu:
        trace: Callable[..., None] = cpu.trace
        return trace
    from raysim.propagation import gpu_rays  # needs a package that few have

    return gpu_rays.trace


class RayRun:
    """Rays from one source to all its receivers, continued as long as one likes.

    Parameters
    ----------
    room : AcousticRoom
    source : Source
    receivers : list of Receiver
    seed : int
    duration_s : float
        Length of the histograms.
    bin_s : float
        Width of a time bin.
    image_order, pair_order : int
        Paths that image sources hold, and rays therefore must not.
    on_gpu : bool
        Follow them on a graphics processor.
    """

    def __init__(
        self,
        room: AcousticRoom,
        source: Source,
        receivers: list[Receiver],
        *,
        seed: int,
        duration_s: float,
        bin_s: float,
        image_order: int,
        pair_order: int,
        on_gpu: bool = False,
    ) -> None:
        self._trace = _trace_on(on_gpu)
        self._tree = room.tree_arrays(on_gpu)
        self._room = room
        self._source = source
        self._bin_s = bin_s
        self._orders = (image_order, pair_order)
        self._seed = np.uint64(seed)
        self._groups = band_groups(room.sides)
        self._receiver = counting_spheres(room, receivers)
        n_time = math.ceil(duration_s / bin_s)
        self._sums = [
            np.zeros((N_BATCH, len(receivers), n_time, 9, g.stop - g.start))
            for g in self._groups
        ]
        self._tally = np.zeros((N_BATCH, 2), dtype=np.int64)
        self._n_ray = 0  # per batch
        self._n_round = 0

    @property
    def count(self) -> RayCount:
        """How the rays fared so far."""
        segments, lost = self._tally.sum(axis=0)
        return RayCount(
            n_ray=self._n_ray * N_BATCH * len(self._groups),
            n_segment=int(segments),
            n_lost=int(lost),
            n_round=self._n_round,
        )

    def follow(self, n_ray: int) -> None:
        """Follow at least ``n_ray`` more rays, equally many in every batch."""
        per_batch = math.ceil(n_ray / N_BATCH)
        room = self._room
        gain = source_gain(self._source)
        for group, sums in zip(self._groups, self._sums, strict=True):
            self._trace(
                self._seed, self._n_ray, per_batch,
                self._source.position_m, self._source.aim, np.ascontiguousarray(gain[group]),
                *self._tree,
                room.normal, room.offset, room.middle, room.plane, room.front, room.back,
                np.ascontiguousarray(1.0 - room.sides.alpha[:, group]),
                np.ascontiguousarray(room.sides.scattering[:, group]),
                looking_chance(room.sides.scattering[:, group]),
                self._receiver, *self._orders,
                1.0 / (room.speed_m_s * self._bin_s), FLOOR, sums, self._tally,
            )  # fmt: skip
        self._n_ray += per_batch
        self._n_round += 1

    def histograms(self) -> list[EnergyHistogram]:
        """Give what was collected, one for each receiver.

        The air's attenuation is applied here.
        """
        air = air_by_bin(self._room, self._sums[0].shape[2], self._bin_s)
        found = np.concatenate(self._sums, axis=4)  # batch, receiver, time, moment, band
        found = np.moveaxis(found, 2, 4) / self._n_ray  # ..., moment, band, time
        return [
            EnergyHistogram(
                bin_s=self._bin_s,
                energy=found[:, r, 0] * air,
                moments=found[:, r, 1:].mean(axis=0) * air,
            )
            for r in range(len(self._receiver))
        ]
