"""What stands in the straight line from one point to another.

Triangles are met by the signed volumes of the tetrahedra that the line spans with their
edges; a line through an edge meets the faces on both sides of it.
"""

import numpy as np

from raysim.geometry.mesh import RoomMesh
from raysim.units import Float


def surfaces_between(mesh: RoomMesh, start_m: Float, end_m: Float) -> tuple[str, ...]:
    """Name the surfaces that a line passes through, each once, in order from its start.

    Parameters
    ----------
    mesh : RoomMesh
    start_m, end_m : (3,) float64
        Points in the air.

    Returns
    -------
    tuple of str
        A sheet is called by its front. Empty if the points see each other.
    """
    a, b, c = np.moveaxis(mesh.triangles_m - start_m, 1, 0)
    way = np.asarray(end_m) - start_m
    turns = np.stack([np.cross(p, q) @ way for p, q in ((a, b), (b, c), (c, a))])
    through = (turns >= 0.0).all(axis=0) | (turns <= 0.0).all(axis=0)
    normal = mesh.face_normal
    height, rise = np.einsum("ij,ij->i", a, normal), normal @ way
    share = np.full(len(a), np.inf)
    np.divide(height, rise, out=share, where=rise != 0.0)
    met = np.flatnonzero(through & (share > 0.0) & (share < 1.0))
    order = met[np.argsort(share[met], kind="stable")]
    return tuple(dict.fromkeys(mesh.surfaces[mesh.face_surface[f]].name for f in order))
