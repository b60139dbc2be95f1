"""Points that fall together, edges that find no partner: what decides if a mesh is closed.

A ring is a closed list of vertex numbers. Around a closed, consistently oriented
surface every edge is walked as often one way as the other; an edge for which that
does not hold is open. Edges that are open only because one side of them has a vertex
more than the other are no leak: `extra_vertices` finds those vertices.
"""

from collections.abc import Iterable

import numpy as np
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from raysim.geometry.mesh import RoomMesh
from raysim.units import Float, Int


def weld(points_m: Float, tolerance_m: float) -> Int:
    """Give each point the index of the first point that it falls together with, (n,)."""
    n = len(points_m)
    pairs = cKDTree(points_m).query_pairs(tolerance_m, output_type="ndarray")
    graph = coo_matrix((np.ones(len(pairs)), (pairs[:, 0], pairs[:, 1])), shape=(n, n))
    _, group = connected_components(graph, directed=False)
    _, first = np.unique(group, return_index=True)
    return np.asarray(first[group], dtype=np.int64)


def directed_edges(rings: Iterable[Int]) -> Int:
    """Give the edges of rings in walking order, (n, 2)."""
    rows = list(rings)
    if not rows:
        return np.zeros((0, 2), dtype=np.int64)
    after = [np.concatenate([ring[1:], ring[:1]]) for ring in rows]
    return np.stack([np.concatenate(rows), np.concatenate(after)], axis=1)


def open_edges(edges: Int) -> Int:
    """Give the edges that are walked more often one way than the other, (n, 2)  (G5).

    Each comes once, in the sense that prevails.
    """
    low, high = edges.min(axis=1), edges.max(axis=1)
    pairs, which = np.unique(np.stack([low, high], axis=1), axis=0, return_inverse=True)
    sense = np.where(edges[:, 0] == low, 1, -1)
    balance = np.bincount(which.reshape(-1), weights=sense, minlength=len(pairs))
    unpaired = balance != 0
    found = pairs[unpaired]
    return np.asarray(np.where(balance[unpaired, None] > 0, found, found[:, ::-1]))


def extra_vertices(
    edges: Int, points_m: Float, tolerance_m: float
) -> dict[tuple[int, int], list[int]]:
    """Give the vertices of open edges that lie inside another open edge.

    Parameters
    ----------
    edges : (n, 2) int64
        Open edges.
    points_m : (n_point, 3) float64
    tolerance_m : float
        How far from an edge a vertex may lie.

    Returns
    -------
    dict
        For each edge that has some, in either sense: the vertices from start to end.
    """
    found: dict[tuple[int, int], list[int]] = {}
    if not len(edges):
        return found
    candidates = np.unique(edges)
    tree = cKDTree(points_m[candidates])
    start, end = points_m[edges[:, 0]], points_m[edges[:, 1]]
    length = np.linalg.norm(end - start, axis=1)
    near = tree.query_ball_point(0.5 * (start + end), 0.5 * length + tolerance_m)
    for (a, b), p, q, size, rows in zip(edges, start, end, length, near, strict=True):
        others = candidates[[r for r in rows if candidates[r] not in (a, b)]]
        along = (points_m[others] - p) @ (q - p) / size
        foot = p + along[:, None] * (q - p) / size
        off = np.linalg.norm(points_m[others] - foot, axis=1)
        inside = (off <= tolerance_m) & (along > 0.0) & (along < size)
        if inside.any():
            row = [int(i) for i in others[inside][np.argsort(along[inside])]]
            found[int(a), int(b)] = row
            found[int(b), int(a)] = row[::-1]
    return found


def mesh_edges_open(mesh: RoomMesh) -> Float:
    """Give the open edges of a mesh as pairs of points, (n, 2, 3); none if it is closed.

    Sheets have edges of their own and are left out.
    """
    faces = mesh.faces[solid_faces(mesh)]
    return np.asarray(mesh.vertices_m[open_edges(directed_edges(faces))])


def solid_faces(mesh: RoomMesh) -> Int:
    """Give the numbers of the faces that are not sheets."""
    sheet = np.array([s.back_name is not None for s in mesh.surfaces])
    return np.flatnonzero(~sheet[mesh.face_surface])
