"""Image sources: every specular path to order N, and flutter between parallel walls.

Exact for plane walls of any shape, complete to the order asked for. Paths that go to
and fro between two parallel mirrors are followed further, to ``pair_order``, because
that is what a clap between bare walls is heard as. Theory: DEVELOPERS.md, I1 to I5.
"""

import math
from dataclasses import dataclass

import numpy as np

from raysim.geometry.planes import Mirrors
from raysim.propagation import cpu
from raysim.propagation.room import AcousticRoom
from raysim.records import Arrivals
from raysim.scene.model import Receiver, Source
from raysim.units import Float, Int, to_energy

#: Longest chain between a parallel pair that is followed.
MOST_PAIR_ORDER = 200
#: Paths that a pair hardly exceeds. There are hundreds of pairs, and a path is a row of the
#: longest chain's length: clearing rows that stay empty takes longer than the search.
_FEW = 64
#: Audible: a chain is followed until it is this far (as energy) below its start.
_INAUDIBLE = 1e-6


def source_gain(source: Source) -> Float:
    """Give a source's energy gain re its axis, (n_band, n_angle)."""
    return to_energy(source.directivity.level_db)


def directivity_gain(source: Source, direction: Float) -> Float:
    """Give the energy gain in directions (n, 3) from the source, (n, n_band)."""
    gain = source_gain(source)
    angle = np.degrees(np.arccos(np.clip(direction @ source.aim, -1.0, 1.0)))
    table = source.directivity.angle_deg
    return np.stack([np.interp(angle, table, g) for g in gain], axis=1)


def parallel_pairs(mirrors: Mirrors) -> list[tuple[int, int]]:
    """List the mirrors that face each other and are parallel."""
    facing = mirrors.normal @ mirrors.normal.T < -1.0 + 1e-10
    ahead = mirrors.offset_m[:, None] + mirrors.offset_m[None, :] < 0
    return [(int(a), int(b)) for a, b in np.argwhere(facing & ahead) if a < b]


def pair_order(room: AcousticRoom, duration_s: float) -> int:
    """Give how far to follow chains: until 60 dB down, or the end of the histogram  (I5)."""
    mirrors, sides = room.mirrors, room.sides
    each = (1.0 - sides.alpha) * (1.0 - sides.scattering)
    layered = np.flatnonzero(room.layered.row >= 0)  # chains meet their walls head on
    each[layered] = room.layered.reflected(layered, np.ones(layered.size))
    keep = each.max(axis=1)
    most = 0
    for a, b in parallel_pairs(mirrors):
        best = [
            keep[mirrors.side[mirrors.tri_start[m] : mirrors.tri_start[m + 1]]].max()
            for m in (a, b)
        ]
        loss = best[0] * best[1]
        gap_m = -(mirrors.offset_m[a] + mirrors.offset_m[b])
        by_time = math.ceil(duration_s * room.speed_m_s / gap_m)
        by_level = (
            by_time
            if loss >= 1.0
            else (0 if loss <= 0.0 else math.ceil(2.0 * math.log(_INAUDIBLE) / math.log(loss)))
        )
        most = max(most, min(by_time, by_level))
    return min(most, MOST_PAIR_ORDER)


def arrivals(
    room: AcousticRoom,
    source: Source,
    receivers: list[Receiver],
    order: int,
    chain_order: int = 0,
    farthest_m: float = math.inf,
) -> list[Arrivals]:
    """Find all specular paths from a source to each receiver.

    Parameters
    ----------
    room : AcousticRoom
    source : Source
    receivers : list of Receiver
    order : int
        Reflections at most, on any mirrors; -1 finds nothing, not even direct sound.
    chain_order : int
        Reflections at most to and fro between two parallel mirrors.
    farthest_m : float
        Longest path in metres.

    Returns
    -------
    list of Arrivals
        One for each receiver, sorted by delay.
    """
    targets = np.array([r.position_m for r in receivers]).reshape(-1, 3)
    everything = np.arange(room.mirrors.n_mirror)
    found = [_search(room, everything, source, targets, 0, order, farthest_m)]
    if chain_order > max(order, 1):
        least = max(order + 1, 2)
        found += [
            _search(room, np.array(pair), source, targets, least, chain_order, farthest_m, _FEW)
            for pair in parallel_pairs(room.mirrors)
        ]
    every = _joined(found)
    return [_assemble(room, source, targets[r], every.at(r)) for r in range(len(targets))]


@dataclass(frozen=True, slots=True)
class _Found:
    """Paths as the beam search gives them."""

    target: Int  # (n,) which receiver
    order: Int  # (n,)
    image: Float  # (n, 3) the source after all reflections
    first: Float  # (n, 3) where the first leg ends
    last: Float  # (n, 3) where the last leg begins
    wall: Int  # (n, longest) sides met, padded with -1
    mirror: Int  # (n, longest) mirrors met, padded with -1

    def __getitem__(self, which: Int) -> "_Found":
        return _Found(
            self.target[which], self.order[which], self.image[which], self.first[which],
            self.last[which], self.wall[which], self.mirror[which],
        )  # fmt: skip

    def at(self, i_target: int) -> "_Found":
        """Keep the paths to one receiver."""
        return self[np.flatnonzero(self.target == i_target)]


def _joined(parts: list[_Found]) -> _Found:
    """Put the paths of several searches together."""
    width = max(p.wall.shape[1] for p in parts)
    end = np.cumsum([len(p.order) for p in parts])

    def padded(met: list[Int]) -> Int:
        every = np.full((end[-1], width), -1, dtype=np.int64)
        for last, one in zip(end, met, strict=True):
            every[last - len(one) : last, : one.shape[1]] = one
        return every

    return _Found(
        np.concatenate([p.target for p in parts]),
        np.concatenate([p.order for p in parts]),
        np.concatenate([p.image for p in parts]),
        np.concatenate([p.first for p in parts]),
        np.concatenate([p.last for p in parts]),
        padded([p.wall for p in parts]),
        padded([p.mirror for p in parts]),
    )


def _search(
    room: AcousticRoom,
    which: Int,
    source: Source,
    targets: Float,
    least: int,
    most: int,
    farthest_m: float,
    capacity: int = 4096,
) -> _Found:
    """Run the beam search over some mirrors, with room for all that it finds.

    ``capacity`` is how many paths are expected at most: with more, it runs again.
    """
    m = room.mirrors
    hulls = [m.hull_m[m.hull_start[i] : m.hull_start[i + 1]] for i in which]
    tris = [np.arange(m.tri_start[i], m.tri_start[i + 1]) for i in which]
    args = (
        source.position_m, targets, least, most, min(farthest_m, 1e9),
        m.normal[which], m.offset_m[which], m.plane[which],
        np.concatenate(hulls), np.cumsum([0, *(len(h) for h in hulls)]),
        m.triangles_m[np.concatenate(tris)], m.side[np.concatenate(tris)],
        np.cumsum([0, *(len(t) for t in tris)]), *room.tree_arrays(),
    )  # fmt: skip
    while True:
        out = (
            np.zeros(capacity, dtype=np.int64),
            np.zeros(capacity, dtype=np.int64),
            np.zeros((capacity, 3)),
            np.zeros((capacity, 3)),
            np.zeros((capacity, 3)),
            np.full((capacity, max(most, 1)), -1, dtype=np.int64),
            np.full((capacity, max(most, 1)), -1, dtype=np.int64),
        )
        n = cpu.find_images(*args, *out) if most >= 0 else 0
        if n <= capacity:
            target, path_order, image, first, last, wall, met = out
            used = max(1, int(path_order[:n].max(initial=0)))
            met = met[:n, :used]
            return _Found(
                target[:n], path_order[:n], image[:n], first[:n], last[:n],
                wall[:n, :used], np.where(met >= 0, which[met], -1),
            )  # fmt: skip
        capacity = n


def _assemble(room: AcousticRoom, source: Source, target: Float, found: _Found) -> Arrivals:
    """Turn images into arrivals: one each, sorted, with energy per band  (I6)."""
    found = found[_first_of_each(found.image, found.order)]
    order, image, wall = found.order, found.image, found.wall
    distance = np.linalg.norm(image - target, axis=1)
    # where a receiver stands on a source there is no direction; it does not matter which
    towards = _unit(found.last - target)
    departure = _unit(found.first - source.position_m)
    energy = open_energy(room, source, departure, distance)
    cosine = _cosines(room.mirrors, found.mirror, image - target)
    energy *= _walls(room, wall, cosine)
    by_time = np.argsort(distance, kind="stable")
    return Arrivals(
        delay_s=(distance / room.speed_m_s)[by_time],
        distance_m=distance[by_time],
        order=order[by_time],
        direction=towards[by_time],
        departure=departure[by_time],
        surfaces=wall[by_time],
        energy=energy[by_time],
        cosine=cosine[by_time],
    )


def open_energy(
    room: AcousticRoom, source: Source, departure: Float, distance_m: Float
) -> Float:
    """Give the energy of paths without what walls do, (n, n_band)  (I6)."""
    energy = directivity_gain(source, departure)
    energy *= np.exp(-np.outer(distance_m, room.air_per_m))
    energy /= np.maximum(distance_m, 1e-3)[:, None] ** 2
    return energy


def _cosines(mirrors: Mirrors, mirror: Int, towards: Float) -> Float:
    """Give the cosine of incidence at each reflection, (n, longest), padded with nan.

    Goes back along the path: from the target the last mirror is met in the direction of
    the image, and each mirror met turns the direction round.
    """
    cosine = np.full(mirror.shape, np.nan)
    direction = _unit(towards)
    for k in range(mirror.shape[1] - 1, -1, -1):
        hit = np.flatnonzero(mirror[:, k] >= 0)
        normal = mirrors.normal[mirror[hit, k]]
        along = np.einsum("ij,ij->i", direction[hit], normal)
        direction[hit] -= 2.0 * along[:, None] * normal
        cosine[hit, k] = np.minimum(np.abs(along), 1.0)
    return cosine


def _walls(room: AcousticRoom, wall: Int, cosine: Float) -> Float:
    """Give the specular energy factor of each path's walls, (n, n_band)."""
    keep = (1.0 - room.sides.alpha) * (1.0 - room.sides.scattering)
    is_layered = room.layered.row >= 0
    factor = np.ones((len(wall), keep.shape[1]))
    is_layered = (wall >= 0) & is_layered[wall]
    # All at once: a chain meets its walls at one angle all the way, which is found only here.
    reflected = room.layered.reflected(wall[is_layered], cosine[is_layered])
    of_reflected = np.cumsum(is_layered).reshape(is_layered.shape) - 1
    for k, column in enumerate(wall.T):
        plain = np.flatnonzero((column >= 0) & ~is_layered[:, k])
        layered = np.flatnonzero(is_layered[:, k])
        factor[plain] *= keep[column[plain]]
        factor[layered] *= reflected[of_reflected[layered, k]]
    return factor


def _unit(v: Float) -> Float:
    length = np.linalg.norm(v, axis=1, keepdims=True)
    return np.where(length > 1e-12, v / np.maximum(length, 1e-12), np.array([0.0, 0.0, 1.0]))


def _first_of_each(image: Float, order: Int) -> Int:
    """Keep one of paths that meet an edge exactly, hence exist in two wall orders  (I7)."""
    rounded = np.round(np.column_stack([order, image]), 6)
    _, keep = np.unique(rounded, axis=0, return_index=True)
    return np.sort(keep)
