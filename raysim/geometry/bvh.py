"""Triangles to a flat tree of boxes, tuned for rooms of 10 to 10 000 triangles.

Coplanar neighbours that form a parallelogram become one piece; pieces are split down to
one per leaf by the surface-area heuristic over 16 bins (Wald, "On fast construction of
SAH-based bounding volume hierarchies", IRT'07).
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from raysim.core.triangle import OVERLAP_M
from raysim.core.walk import LEAF, STACK_DEPTH
from raysim.errors import Complaint, SceneError
from raysim.units import Float, Int

_N_BIN = 16
#: A box that no ray meets, beside the only piece of a tree of one.
_NEVER = (1e30, 1e30, 1e30, -1e30, -1e30, -1e30)


@dataclass(frozen=True, slots=True)
class Tree:
    """Pieces of wall and the boxes around them, flat, as `raysim.core.walk` reads them."""

    box: NDArray[np.float32]  # (12 n_node,)
    child: NDArray[np.uint32]  # (2 n_node,)
    row: NDArray[np.float32]  # (16 n_piece,)
    face: Int  # (n_piece,) a face of the mesh that the piece covers
    middle_m: Float  # (n_piece, 3) centroids

    @property
    def n_piece(self) -> int:
        """How many triangles and parallelograms."""
        return len(self.face)

    @property
    def depth(self) -> int:
        """The longest way down, in nodes."""
        deepest, open_nodes = 0, [(0, 1)]
        while open_nodes:
            node, level = open_nodes.pop()
            deepest = max(deepest, level)
            below = self.child[2 * node : 2 * node + 2]
            open_nodes += [(int(c), level + 1) for c in below if not c & LEAF]
        return deepest


def build_tree(
    triangles_m: Float,
    face_plane: Int,
    face_surface: Int,
    face_solid: NDArray[np.bool_] | None = None,
) -> Tree:
    """Build the tree.

    Parameters
    ----------
    triangles_m : (n_face, 3, 3) float64
        Corners in metres.
    face_plane : (n_face,) int64
        Number of the geometric plane of each face; a ray that leaves a plane does not
        meet faces of the same number. Below 2**24, because it is kept in float32.
    face_surface : (n_face,) int64
        Faces of different surfaces are never joined to one piece.
    face_solid : (n_face,) bool, optional
        Faces with air on the normal's side only, which nothing can meet from behind. By
        default none.

    Returns
    -------
    Tree

    Raises
    ------
    SceneError
        RS-G50: the tree is deeper than the kernels' stack.
    """
    solid = np.zeros(len(triangles_m), dtype=bool) if face_solid is None else face_solid
    origin, edge_u, edge_v, is_quad, face = _pieces(triangles_m, face_plane, face_surface)
    last = np.where(is_quad[:, None], origin + edge_u + edge_v, origin)
    corners = np.stack([origin, origin + edge_u, origin + edge_v, last], axis=1)
    low, high = corners.min(axis=1) - OVERLAP_M, corners.max(axis=1) + OVERLAP_M
    order, box, child = _split(low, high)
    outwards = np.where(np.arange(12) % 6 < 3, -np.inf, np.inf)
    tree = Tree(
        box=np.nextafter(box.astype(np.float32), outwards.astype(np.float32)).ravel(),
        child=child.ravel(),
        row=_rows(origin, edge_u, edge_v, is_quad, face_plane[face], solid[face])[
            order
        ].ravel(),
        face=face[order],
        middle_m=(origin + (edge_u + edge_v) / np.where(is_quad, 2.0, 3.0)[:, None])[order],
    )
    if tree.depth + 1 > STACK_DEPTH:
        raise SceneError(
            Complaint(
                where="mesh",
                wrong=f"its faces nest {tree.depth} deep in the search tree.",
                fix="Simplify the mesh: so many faces about one point are not a room's walls.",
                code="RS-G50",
            )
        )
    return tree


def _pieces(
    tri: Float, plane: Int, surface: Int
) -> tuple[Float, Float, Float, NDArray[np.bool_], Int]:
    """Pair up triangles that share an edge and form a parallelogram."""
    by_edge: dict[tuple[tuple[float, ...], tuple[float, ...]], tuple[int, int]] = {}
    partner: dict[int, tuple[int, int, int]] = {}
    for f in range(len(tri)):
        for k in range(3):
            a, b = tuple(tri[f, k]), tuple(tri[f, (k + 1) % 3])
            other = by_edge.pop((b, a), None)
            if other is None:
                by_edge[(a, b)] = (f, k)
                continue
            g, m = other
            if f in partner or g in partner:
                continue
            same = plane[f] == plane[g] and surface[f] == surface[g]
            fourth = tri[f, k] + tri[f, (k + 1) % 3] - tri[f, (k + 2) % 3]
            if same and np.allclose(fourth, tri[g, (m + 2) % 3], rtol=0.0, atol=1e-9):
                partner[f] = (g, k, 1)
                partner[g] = (f, m, 0)
                break
    origin, edge_u, edge_v, quad, face = [], [], [], [], []
    for f in range(len(tri)):
        if f in partner and partner[f][2] == 0:
            continue
        # the corner opposite the shared edge is the origin of a parallelogram
        k = (partner[f][1] + 2) % 3 if f in partner else _squarest(tri[f])
        o, p, q = tri[f, k], tri[f, (k + 1) % 3], tri[f, (k + 2) % 3]
        origin.append(o)
        edge_u.append(p - o)
        edge_v.append(q - o)
        quad.append(f in partner)
        face.append(f)
    return (
        np.array(origin),
        np.array(edge_u),
        np.array(edge_v),
        np.array(quad, dtype=bool),
        np.array(face, dtype=np.int64),
    )


def _squarest(t: Float) -> int:
    """Give the corner with the widest angle: the best-conditioned origin."""
    opposite = np.linalg.norm(t[[1, 2, 0]] - t[[2, 0, 1]], axis=1)
    return int(np.argmax(opposite))


def _rows(
    o: Float,
    eu: Float,
    ev: Float,
    quad: NDArray[np.bool_],
    plane: Int,
    solid: NDArray[np.bool_],
) -> NDArray[np.float32]:
    """Precompute what `raysim.core.triangle.meet` reads."""
    normal = np.cross(eu, ev)
    square = np.einsum("ij,ij->i", normal, normal)[:, None]
    u_row, v_row = np.cross(ev, normal) / square, np.cross(normal, eu) / square
    normal = normal / np.sqrt(square)
    row = np.zeros((len(o), 16))
    for at, vector in ((0, normal), (4, u_row), (8, v_row)):
        row[:, at : at + 3] = vector
        row[:, at + 3] = -np.einsum("ij,ij->i", vector, o)
    slack_u = OVERLAP_M * np.linalg.norm(u_row, axis=1)
    slack_v = OVERLAP_M * np.linalg.norm(v_row, axis=1)
    row[:, 12], row[:, 13] = slack_u, slack_v
    most = np.where(quad, 4.0, 1.0 + OVERLAP_M * np.linalg.norm(u_row + v_row, axis=1))
    row[:, 14] = np.where(solid, -most, most)
    row[:, 15] = plane
    return row.astype(np.float32)


def _area(low: Float, high: Float) -> Float:
    d = high - low
    return np.asarray(d[..., 0] * d[..., 1] + d[..., 1] * d[..., 2] + d[..., 2] * d[..., 0])


def _split(low: Float, high: Float) -> tuple[Int, Float, NDArray[np.uint32]]:
    """Order the pieces and make the nodes; the root is node 0 even in a tiny room."""
    centre = 0.5 * (low + high)
    order: list[int] = []
    box: list[list[float]] = []
    child: list[list[int]] = []

    def node(ids: Int) -> int:
        at = len(box)
        box.append([*_NEVER, *_NEVER])
        child.append([LEAF, LEAF])
        for side, part in enumerate(_best_halves(ids, low, high, centre)):
            if len(part) == 0:
                continue
            box[at][6 * side : 6 * side + 6] = [*low[part].min(axis=0), *high[part].max(axis=0)]
            if len(part) == 1:
                child[at][side] = LEAF | len(order)
                order.append(int(part[0]))
            else:
                child[at][side] = node(part)
        return at

    node(np.arange(len(low)))
    return (
        np.array(order, dtype=np.int64),
        np.array(box),
        np.array(child, dtype=np.uint32),
    )


def _best_halves(ids: Int, low: Float, high: Float, centre: Float) -> tuple[Int, Int]:
    """Split where the expected number of piece tests is least  (G8)."""
    if len(ids) == 1:
        return ids, ids[:0]
    best_cost, best = np.inf, (ids[: len(ids) // 2], ids[len(ids) // 2 :])
    for axis in range(3):
        c = centre[ids, axis]
        c0, c1 = c.min(), c.max()
        if c1 - c0 < 1e-9:
            continue
        if len(ids) <= _N_BIN:  # few enough to try every split
            by = ids[np.argsort(c, kind="stable")]
            cuts = [(by[:k], by[k:]) for k in range(1, len(by))]
        else:
            bin_of = np.minimum((_N_BIN * (c - c0) / (c1 - c0)).astype(np.int64), _N_BIN - 1)
            cuts = [(ids[bin_of < k], ids[bin_of >= k]) for k in range(1, _N_BIN)]
        for left, right in cuts:
            if len(left) == 0 or len(right) == 0:
                continue
            cost = len(left) * _area(low[left].min(axis=0), high[left].max(axis=0)) + len(
                right
            ) * _area(low[right].min(axis=0), high[right].max(axis=0))
            if cost < best_cost:
                best_cost, best = float(cost), (left, right)
    return best
