"""The bounce loop as one would write it with trimesh, embreex and numpy, untuned.

The plain contenders of `bench_bounce_loop.py`: the estimator and the steps of `array_loop.py`,
but rays go through `trimesh.Trimesh.ray`, which asks embreex, and deposits are added by
`numpy.add.at`. A shadow ray is a nearest hit and a comparison, for trimesh has no farthest
distance. One looks for the receiver by chance, as the engine does; one at every wall, as
one would.
"""

import numpy as np
import trimesh
from array_loop import ArrayLoop
from numpy.typing import NDArray

from raysim.geometry.mesh import RoomMesh
from raysim.units import Float, Int


class PlainLoop(ArrayLoop):
    """Rays of one source to one receiver, by trimesh."""

    def _prepare(self, mesh: RoomMesh) -> None:
        self._mesh = trimesh.Trimesh(mesh.vertices_m, mesh.faces, process=False)
        kind = type(self._mesh.ray).__module__
        if not kind.endswith("ray_pyembree"):
            raise RuntimeError(f"trimesh asks {kind}, not embreex")

    def _nearest(self, at: Float, way: Float) -> Int:
        return np.asarray(self._mesh.ray.intersects_first(at, way))

    def _in_sight(self, at: Float, view: Float, far: Float) -> NDArray[np.bool_]:
        met_m, which, _ = self._mesh.ray.intersects_location(at, view, multiple_hits=False)
        nearest = np.full(len(at), np.inf)
        nearest[which] = np.linalg.norm(met_m - at[which], axis=1)
        return np.asarray(nearest >= far)

    def _add_rows(self, sums: Float, cell: Int, values: Float) -> None:
        np.add.at(sums, cell, values)


class LookingLoop(PlainLoop):
    """The same, but every wall looks for the receiver."""

    def _chance(self, face: Int, n_bounce: int) -> Float:
        return np.ones(len(face))
