"""The bounce loop as one would write it with numpy arrays and a ray-tracing library.

A contender of `bench_bounce_loop.py`, the tuned one. The same estimator, step by step, as the
engine's own kernel, but each step is done for many rays at once, every array operation
being one pass over them. Nearest walls and shadow rays are Embree's, through its Python
binding; what goes into the histogram is gathered by one sparse matrix product per
bounce, the fastest of several ways tried. Random numbers are numpy's, so results agree in
law only.
"""

import math

import numpy as np
from embreex.mesh_construction import TriangleMesh
from embreex.rtcore import EmbreeDevice
from embreex.rtcore_scene import EmbreeScene
from furnished import sphere_radii_m
from numpy.typing import NDArray
from scipy.sparse import csr_array

from raysim.geometry.mesh import RoomMesh
from raysim.propagation.rays import looking_chance
from raysim.propagation.room import AcousticRoom
from raysim.scene.model import Receiver, Source
from raysim.units import Float, Int

#: Rays leave a wall from this far off it: the binding has no least distance.
LIFT_M = 1e-5
FLOOR, SURVIVAL = 1e-6, 0.5


class ArrayLoop:
    """Rays of one omnidirectional source to one receiver in a closed room of solids."""

    def __init__(
        self, room: AcousticRoom, source: Source, receiver: Receiver, *,
        duration_s: float, bin_s: float, image_order: int,
    ) -> None:  # fmt: skip
        mesh = room.mesh
        self._normal = mesh.face_normal
        self._corner = mesh.triangles_m[:, 0]
        self._reflect = 1.0 - room.sides.alpha[mesh.face_surface]
        self._scatter = room.sides.scattering[mesh.face_surface]
        self._looking = looking_chance(room.sides.scattering)[mesh.face_surface]
        self._prepare(mesh)
        self._source = source.position_m
        self._receiver = receiver.position_m
        self._radius = sphere_radii_m(room, [receiver])[0]
        self._bins_per_m = 1.0 / (bin_s * room.speed_m_s)
        self._n_time = math.ceil(duration_s / bin_s)
        self._image_order = image_order
        self.n_segment = 0
        self.n_lost = 0

    def _prepare(self, mesh: RoomMesh) -> None:
        """Make what answers where rays meet walls."""
        self._device = EmbreeDevice()  # must outlive the scene
        self._scene = EmbreeScene(self._device)
        TriangleMesh(self._scene, mesh.triangles_m.astype(np.float32))

    def _nearest(self, at: Float, way: Float) -> Int:
        """Give the first triangle that each ray meets, -1 for none."""
        return np.asarray(self._scene.run(at.astype(np.float32), way.astype(np.float32)))

    def _in_sight(self, at: Float, view: Float, far: Float) -> NDArray[np.bool_]:
        """Say which rays go as far as the receiver."""
        met = self._scene.run(
            at.astype(np.float32), view.astype(np.float32),
            dists=far.astype(np.float32), query="OCCLUDED",
        )  # fmt: skip
        return np.asarray(met < 0)

    def follow(self, seed: int, first_batch: int, n_batch: int, n_ray: int) -> Float:
        """Follow ``n_ray`` rays of each batch; give (n_batch, n_time, 9, n_band) per ray."""
        rng = np.random.default_rng([seed, first_batch])
        n_band = self._reflect.shape[1]
        sums = np.zeros((n_batch * self._n_time, 9 * n_band))
        row = np.repeat(np.arange(n_batch), n_ray) * self._n_time
        # the same evenly spread directions: an additive recurrence, shifted per batch
        step = np.array([0.7548776662466927, 0.5698402909980532])
        even = np.arange(n_ray)[:, None] * step + rng.random((n_batch, 1, 2))
        way = _on_sphere(*(even.reshape(-1, 2) % 1.0).T)
        at = np.tile(self._source, (len(row), 1))
        energy = np.full((len(row), n_band), 4.0 * math.pi)
        travelled = np.zeros(len(row))
        mirrored_only = np.ones(len(row), dtype=bool)
        scattered_last = np.zeros(len(row), dtype=bool)
        n_bounce = 0
        floor_energy = FLOOR * 4.0 * math.pi
        ones = np.ones(n_band)
        while len(row):
            face = self._nearest(at, way)
            self.n_segment += len(face)
            normal = self._normal[face]
            towards = _dot(normal, way)
            met = (face >= 0) & (towards < 0.0)
            self.n_lost += int((~met).sum())
            length = np.maximum(_dot(self._corner[face] - at, normal) / towards, 0.0)

            caught = met & ~scattered_last & ~(mirrored_only & (n_bounce <= self._image_order))
            self._catch(sums, row, at, way, length, travelled, energy, np.flatnonzero(caught))
            travelled = travelled + length
            on = np.flatnonzero(met & (travelled * self._bins_per_m < self._n_time))
            row, face, normal, way = row[on], face[on], normal[on], way[on]
            travelled, mirrored_only = travelled[on], mirrored_only[on]
            at = at[on] + length[on, None] * way + LIFT_M * normal
            n_bounce += 1
            energy = energy[on] * self._reflect[face]
            scatter = self._scatter[face]
            thrown = energy * scatter
            p = (thrown @ ones) / (energy @ ones)
            draw = rng.random((4, len(row)))
            chance = self._chance(face, n_bounce)
            looks = np.flatnonzero(draw[3] < chance)
            thrown = thrown[looks] / chance[looks, None]
            self._connect(sums, row[looks], at[looks], normal[looks], travelled[looks], thrown)

            quiet = energy.max(axis=1) < floor_energy
            energy[quiet] /= SURVIVAL
            scattered_last = draw[0] < p
            chance = np.where(scattered_last, p, 1.0 - p)[:, None]
            energy *= np.where(scattered_last[:, None], scatter, 1.0 - scatter) / chance
            mirrored_only &= ~scattered_last
            mirrored = way - 2.0 * towards[on, None] * normal
            way = np.where(
                scattered_last[:, None], normal + _on_sphere(draw[1], draw[2]), mirrored
            )
            way /= np.sqrt(_dot(way, way))[:, None]
            alive = np.flatnonzero(~quiet | (draw[3] < SURVIVAL))
            if len(alive) < len(row):
                row, at, way, energy = row[alive], at[alive], way[alive], energy[alive]
                travelled, mirrored_only = travelled[alive], mirrored_only[alive]
                scattered_last = scattered_last[alive]
        return sums.reshape(n_batch, self._n_time, 9, n_band) / n_ray

    def _chance(self, face: Int, n_bounce: int) -> Float:
        """Give the chance that walls look for the receiver, as the engine has it."""
        return self._looking[face] if n_bounce > self._image_order else np.ones(len(face))

    def _catch(self, sums, row, at, way, length, travelled, energy, which) -> None:
        """Add what mirrored rays leave in the counting sphere."""
        towards = self._receiver - at[which]
        along = _dot(towards, way[which])
        half2 = self._radius**2 - (_dot(towards, towards) - along**2)
        through = np.flatnonzero(half2 > 0.0)
        which, along, half = which[through], along[through], np.sqrt(half2[through])
        begin, end = np.maximum(along - half, 0.0), np.minimum(along + half, length[which])
        share = np.maximum(end - begin, 0.0) / (4.0 / 3.0 * math.pi * self._radius**3)
        time = (travelled[which] + 0.5 * (begin + end)) * self._bins_per_m
        use = np.flatnonzero((share > 0.0) & (time < self._n_time))
        which = which[use]
        self._add(sums, row[which], time[use], energy[which] * share[use, None], -way[which])

    def _connect(self, sums, row, at, normal, travelled, thrown) -> None:
        """Add what walls scatter straight to the receiver, where it is in sight."""
        view = self._receiver - at
        cosine = _dot(view, normal)
        far = np.sqrt(_dot(view, view))
        view /= far[:, None]
        cosine /= far
        time = (travelled + far) * self._bins_per_m
        use = np.flatnonzero((cosine > 0.0) & (time < self._n_time))
        use = use[self._in_sight(at[use], view[use], far[use])]
        share = cosine[use] / (math.pi * far[use] ** 2)
        self._add(sums, row[use], time[use], thrown[use] * share[:, None], -view[use])

    def _add(self, sums, row, time, energy, come) -> None:
        """Add energy (n, n_band) and its moments of direction to rows of the histogram."""
        n = len(row)
        if n == 0:
            return
        x, y, z = come.T
        moments = np.stack([np.ones(n), x, y, z, x * x, y * y, x * y, x * z, y * z], axis=1)
        # each time cell holds nine moments of every band
        values = (moments[:, :, None] * energy[:, None, :]).reshape(n, sums.shape[1])
        self._add_rows(sums, row + time.astype(np.int64), values)

    def _add_rows(self, sums: Float, cell: Int, values: Float) -> None:
        """Add rows to rows of the histogram, of which some are the same."""
        n = len(cell)
        by_cell = np.argsort(cell, kind="stable")
        cell = cell[by_cell]
        first = np.flatnonzero(np.diff(cell, prepend=-1))
        runs = csr_array((np.ones(n), by_cell, np.append(first, n)), shape=(len(first), n))
        sums[cell[first]] += runs @ values


def _dot(a: Float, b: Float) -> Float:
    return np.asarray(np.einsum("ij,ij->i", a, b))


def _on_sphere(u1: Float, u2: Float) -> Float:
    """Give directions evenly spread over the sphere, (n, 3)."""
    z = 1.0 - 2.0 * u1
    r = np.sqrt(np.maximum(0.0, 1.0 - z * z))
    turn = 2.0 * math.pi * u2
    return np.stack([r * np.cos(turn), r * np.sin(turn), z], axis=1)
