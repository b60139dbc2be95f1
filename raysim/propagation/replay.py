"""One trace, many layouts: recorded walks, replayed with other coefficients.

The rays of a room are followed once and written down without their energies. As long as
the geometry stays, any absorption and scattering of its sides gives its histograms from
that recording, unbiased, in a small part of the time of a trace. Record the room with the
least absorbing coefficients that will be asked for, usually as it is, bare: then no ray
ends early that a layout would need, and no energy grows. Theory: DEVELOPERS.md, R11 to R13.
"""

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from raysim.absorbers.layers import Stack
from raysim.propagation import cpu
from raysim.propagation.angles import band_reflected, layered_sides
from raysim.propagation.images import open_energy, source_gain
from raysim.propagation.rays import (
    FLOOR,
    N_BATCH,
    air_by_bin,
    band_groups,
    counting_spheres,
    looking_chance,
)
from raysim.propagation.room import AcousticRoom
from raysim.records import Arrivals, EnergyHistogram, RayCount
from raysim.scene.air import gas
from raysim.scene.model import Receiver, Scene, Source
from raysim.units import Float, Int

#: Rays of each batch that are recorded at once: bounds the memory that is taken twice.
_PORTION = 64
#: Sides that a step can tell apart; one number means the end of the walk.
_MOST_SIDES = 0x7FFF
#: Layouts that are replayed at once: their histograms must stay in a core's cache.
_AT_ONCE = 8

#: What layers reflect of paths, by side and stack.
Reflected = dict[tuple[int, Stack], Float]

#: What a replay keeps of what arrives.
Kept = Literal["directions", "energy", "heard"]


@dataclass(frozen=True, slots=True)
class _Walks:
    """What rays of one group of bands did, batch after batch: see `raysim.core.replay`."""

    bands: slice
    usual: Float  # (n_side,) coin that shares are re
    step: NDArray[np.uint16]  # (n_step, 3) code, spheres passed, receivers connected
    cell: NDArray[np.uint32]  # (n_deposit,) receiver * n_time + time bin
    share: NDArray[np.float32]  # (n_deposit,)
    towards: NDArray[np.float32]  # (n_deposit, 3) unit, from the receiver
    last_step: NDArray[np.int64]  # (n_batch, n_ray) counted within the batch
    step_start: NDArray[np.int64]  # (n_batch,)
    deposit_start: NDArray[np.int64]  # (n_batch,)

    @property
    def n_byte(self) -> int:
        arrays = (self.step, self.cell, self.share, self.towards, self.last_step)
        return sum(a.nbytes for a in arrays)


@dataclass(frozen=True, slots=True)
class Recording:
    """The walks of one source's rays in one room, without their energies."""

    room: AcousticRoom
    source: Source
    receivers: tuple[Receiver, ...]
    seed: int
    n_time: int
    bin_s: float
    image_order: int  # paths that image sources hold, and the recording does not
    pair_order: int
    count: RayCount
    walks: tuple[_Walks, ...]

    @property
    def n_byte(self) -> int:
        """Memory it takes."""
        return sum(w.n_byte for w in self.walks)


def record(
    room: AcousticRoom,
    source: Source,
    receivers: list[Receiver],
    *,
    seed: int,
    n_ray: int,
    duration_s: float,
    bin_s: float,
    image_order: int,
    pair_order: int,
) -> Recording:
    """Follow rays as `raysim.propagation.rays.RayRun` does and write down their walks.

    Parameters
    ----------
    room : AcousticRoom
        With the least absorbing coefficients that layouts will have.
    source : Source
    receivers : list of Receiver
    seed : int
    n_ray : int
        At least so many, equally many in every batch.
    duration_s, bin_s : float
        Length and bins of the histograms.
    image_order, pair_order : int
        Paths that image sources hold; they stay the images' in every layout.

    Returns
    -------
    Recording

    Raises
    ------
    ValueError
        The room has more sides than steps can tell apart.
    """
    if len(room.sides.names) > _MOST_SIDES:
        raise ValueError(f"{len(room.sides.names)} sides: a recording holds {_MOST_SIDES}")
    receiver = counting_spheres(room, receivers)
    n_time = math.ceil(duration_s / bin_s)
    per_batch = math.ceil(n_ray / N_BATCH)
    tally = np.zeros((N_BATCH, 2), dtype=np.int64)
    orders = (image_order, pair_order)
    walks = tuple(
        _record_group(room, source, receiver, g, seed, per_batch, n_time, bin_s, orders, tally)
        for g in band_groups(room.sides)
    )
    segments, lost = tally.sum(axis=0)
    return Recording(
        room=room,
        source=source,
        receivers=tuple(receivers),
        seed=seed,
        n_time=n_time,
        bin_s=bin_s,
        image_order=image_order,
        pair_order=pair_order,
        count=RayCount(per_batch * N_BATCH * len(walks), int(segments), int(lost), 1),
        walks=walks,
    )


def _record_group(
    room: AcousticRoom,
    source: Source,
    receiver: Float,
    bands: slice,
    seed: int,
    per_batch: int,
    n_time: int,
    bin_s: float,
    orders: tuple[int, int],
    tally: Int,
) -> _Walks:
    """Record one group of bands, portion by portion."""
    scattering = np.ascontiguousarray(room.sides.scattering[:, bands])
    usual = scattering.mean(axis=1)
    parts: list[list[tuple[NDArray[np.generic], ...]]] = [[] for _ in range(N_BATCH)]
    ends = np.zeros((N_BATCH, per_batch), dtype=np.int64)
    n_before = np.zeros((N_BATCH, 2), dtype=np.int64)
    n_step, n_deposit = 4096, 4096
    for first in range(0, per_batch, _PORTION):
        n_ray = min(_PORTION, per_batch - first)
        while True:
            step = np.zeros((N_BATCH, n_step, 3), dtype=np.uint16)
            cell = np.zeros((N_BATCH, n_deposit), dtype=np.uint32)
            share = np.zeros((N_BATCH, n_deposit), dtype=np.float32)
            towards = np.zeros((N_BATCH, n_deposit, 3), dtype=np.float32)
            counts, told = np.zeros((2, N_BATCH, 2), dtype=np.int64)
            last_step = np.zeros((N_BATCH, n_ray), dtype=np.int64)
            cpu.record(
                np.uint64(seed), first, n_ray, source.position_m, source.aim,
                np.ascontiguousarray(source_gain(source)[bands]), *room.tree_arrays(),
                room.normal, room.offset, room.middle, room.plane, room.front, room.back,
                np.ascontiguousarray(1.0 - room.sides.alpha[:, bands]), scattering,
                looking_chance(scattering),
                receiver, *orders, 1.0 / (room.speed_m_s * bin_s), FLOOR, n_time,
                usual, step, cell, share, towards, counts, last_step, told,
            )  # fmt: skip
            most_steps, most_deposits = counts.max(axis=0)
            if most_steps <= n_step and most_deposits <= n_deposit:
                break
            # what there was is known now: a little more for the portions to come
            n_step, n_deposit = (
                max(have, int(1.2 * found))
                for have, found in ((n_step, most_steps), (n_deposit, most_deposits))
            )
        tally += told
        ends[:, first : first + n_ray] = n_before[:, :1] + last_step
        n_before += counts
        for i, (n, m) in enumerate(counts):
            kept = (step[i, :n], cell[i, :m], share[i, :m], towards[i, :m])
            parts[i].append(tuple(a.copy() for a in kept))
    columns = zip(*(portion for batch in parts for portion in batch), strict=True)
    step, cell, share, towards = (np.concatenate(c) for c in columns)
    step_start, deposit_start = (np.cumsum(n_before, axis=0) - n_before).T
    return _Walks(
        bands, usual, step, cell, share, towards, ends,
        np.ascontiguousarray(step_start), np.ascontiguousarray(deposit_start),
    )  # fmt: skip


def replay(
    recording: Recording, alpha: Float, scattering: Float, kept: Kept = "directions"
) -> list[EnergyHistogram]:
    """Give what rays leave at each receiver with other coefficients  (R12).

    Parameters
    ----------
    recording : Recording
    alpha, scattering : (n_side, n_band) float64
        In the order of the room's sides.
    kept : "directions", "energy" or "heard"
        Energy and its directional moments; or, in a fraction of the time, only the energy;
        or only the energy that each receiver's microphone takes. Moments that are not kept
        are nan.

    Returns
    -------
    list of EnergyHistogram
        One for each receiver.

    Raises
    ------
    ValueError
        A coefficient leads where no recorded ray went, or arrays have wrong shapes.
    """
    return next(replay_all(recording, alpha[None], scattering[None], kept))


def replay_all(
    recording: Recording, alpha: Float, scattering: Float, kept: Kept = "directions"
) -> Iterator[list[EnergyHistogram]]:
    """Give what `replay` gives for many layouts, in their order, several at once.

    Parameters
    ----------
    recording : Recording
    alpha, scattering : (n_layout, n_side, n_band) float64
    kept : "directions", "energy" or "heard"

    Yields
    ------
    list of EnergyHistogram
        One for each receiver.

    Raises
    ------
    ValueError
        As for `replay`.
    """
    _check_covered(recording, alpha, scattering)
    shares = [w.share if kept != "heard" else _heard(recording, w) for w in recording.walks]
    for start in range(0, len(alpha), _AT_ONCE):
        part = slice(start, start + _AT_ONCE)
        yield from _replay_some(recording, alpha[part], scattering[part], shares, kept)


def _heard(recording: Recording, walks: _Walks) -> NDArray[np.float32]:
    """Give the shares of deposits times what each receiver's microphone takes  (A3)."""
    receiver = walks.cell // recording.n_time
    aim = np.array([r.aim for r in recording.receivers], dtype=np.float32)
    pattern = np.array([r.pattern for r in recording.receivers], dtype=np.float32)[receiver]
    cosine = np.einsum("ij,ij->i", walks.towards, aim[receiver])
    return np.asarray(walks.share * (pattern + (1.0 - pattern) * cosine) ** 2, dtype=np.float32)


def _replay_some(
    recording: Recording,
    alpha: Float,
    scattering: Float,
    shares: list[NDArray[np.float32]],
    kept: Kept,
) -> Iterator[list[EnergyHistogram]]:
    """Replay the layouts that go at once."""
    n_layout, _, n_band = alpha.shape
    n_receiver, n_time = len(recording.receivers), recording.n_time
    gain = source_gain(recording.source)
    air = air_by_bin(recording.room, n_time, recording.bin_s)
    energy = np.zeros((n_layout, n_receiver, N_BATCH, n_band, n_time))
    moments = np.full((n_layout, n_receiver, 8, n_band, n_time), np.nan)
    for walks, share in zip(recording.walks, shares, strict=True):
        bands = walks.bands
        found = np.zeros((*energy.shape[:3], bands.stop - bands.start, n_time))
        n_moment = 8 if kept == "directions" else 0
        directed = np.zeros((N_BATCH, n_layout, n_receiver, n_moment, *found.shape[3:]))
        factors = _factors(walks, alpha[:, :, bands], scattering[:, :, bands])
        mirrored, scattered, connected = factors
        cpu.replay(
            np.uint64(recording.seed), recording.source.aim,
            np.ascontiguousarray(gain[bands]),
            walks.last_step, walks.step_start, walks.deposit_start,
            walks.step, walks.cell, share, walks.towards,
            mirrored, scattered, connected,
            air[bands] / walks.last_step.shape[1], found, directed,
        )  # fmt: skip
        energy[:, :, :, bands] = found
        if n_moment:
            moments[:, :, :, bands] = directed.mean(axis=0)
    for i in range(n_layout):
        yield [
            EnergyHistogram(recording.bin_s, energy[i, r], moments[i, r])
            for r in range(n_receiver)
        ]


def _factors(walks: _Walks, alpha: Float, scattering: Float) -> list[NDArray[np.float32]]:
    """Give the factors of mirrored, scattered, connected rays, (n_side, n_lane) each.

    Coins are divided out re the usual one of their side; what they differ from it by is in
    the shares of the recording  (R11).
    """
    # a coin that never falls one way needs no factor for it
    coin = walks.usual[:, None]
    connected = (1.0 - alpha) * scattering
    mirrored = (1.0 - alpha) * (1.0 - scattering) / np.where(coin < 1.0, 1.0 - coin, 1.0)
    scattered = connected / np.where(coin > 0.0, coin, 1.0)
    return [
        np.moveaxis(f, 0, 1).reshape(len(coin), -1).astype(np.float32)
        for f in (mirrored, scattered, connected)
    ]


def _check_covered(recording: Recording, alpha: Float, scattering: Float) -> None:
    """Refuse coefficients that need rays where the recording can have none  (R12)."""
    old = recording.room.sides
    if alpha.shape[1:] != old.alpha.shape or scattering.shape != alpha.shape:
        raise ValueError(
            f"coefficients of shape {alpha.shape} and {scattering.shape}, "
            f"the room has {old.alpha.shape}"
        )
    faults = {
        "reflects, and was recorded to absorb all": (old.alpha >= 1.0) & (alpha < 1.0),
        "scatters, and was recorded never to": (old.scattering <= 0.0) & (scattering > 0.0),
        "mirrors, and was recorded never to": (old.scattering >= 1.0) & (scattering < 1.0),
    }
    for what, wrong in faults.items():
        if wrong.any():
            side = int(np.argwhere(wrong)[0][1])
            raise ValueError(f'"{old.names[side]}" {what}')


def with_materials(room: AcousticRoom, scene: Scene, names: Sequence[str]) -> AcousticRoom:
    """Give the same room with other materials.

    Parameters
    ----------
    room : AcousticRoom
    scene : Scene
        Its materials, bands and air.
    names : sequence of str
        A material of the scene for each side.
    """
    materials = [scene.materials[name] for name in names]
    sides = replace(
        room.sides,
        materials=tuple(names),
        alpha=np.stack([m.alpha for m in materials]),
        scattering=np.stack([m.scattering for m in materials]),
    )
    layered = layered_sides(sides, scene.materials, scene.bands, gas(scene.air))
    return replace(room, sides=sides, layered=layered)


def reweighted_arrivals(
    room: AcousticRoom, source: Source, found: Arrivals, known: Reflected | None = None
) -> Arrivals:
    """Give the same specular paths with the energies that they have in another room  (R13).

    Parameters
    ----------
    room : AcousticRoom
        Of the same geometry: see `with_materials`.
    source : Source
        Of the paths.
    found : Arrivals
        With the cosines of incidence.
    known : dict, optional
        Keeps, for these arrivals alone, how much layered sides reflect, which takes far
        longer than all the rest; begin with an empty one.

    Returns
    -------
    Arrivals
    """
    if found.cosine is None:
        raise ValueError("arrivals without cosines of incidence")
    layered = room.layered
    keep = (1.0 - room.sides.alpha) * (1.0 - room.sides.scattering)
    energy = open_energy(room, source, found.departure, found.distance_m)
    for side in np.unique(found.surfaces[found.surfaces >= 0]).tolist():
        path, column = np.nonzero(found.surfaces == side)
        row = int(layered.row[side])
        if row < 0:
            np.multiply.at(energy, path, keep[side])
            continue
        stack = layered.stacks[row]
        share = None if known is None else known.get((side, stack))
        if share is None:
            cosine = np.round(found.cosine[path, column], 12)
            angle, which = np.unique(cosine, return_inverse=True)
            share = band_reflected(stack, angle, layered.bands, layered.gas)[which]
            if known is not None:
                known[side, stack] = share
        np.multiply.at(energy, path, share * layered.kept[row])
    return replace(found, energy=energy)
