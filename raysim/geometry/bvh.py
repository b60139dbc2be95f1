"""Triangles to a flat tree of boxes, tuned for rooms of 10 to 10 000 triangles.

Coplanar neighbours that form a parallelogram become one piece. Pieces are split by the
surface-area heuristic over every place (Wald, "On fast construction of SAH-based bounding
volume hierarchies", IRT'07), down to what is met at once, eight; then boxes are lifted into
those above until each node has eight (Wald, Benthin and Boulos, "Getting rid of packets",
RT'08; both from memory).
"""

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from raysim.core.lanes import N_LANE
from raysim.core.pairs import PAIR_DEPTH
from raysim.core.triangle import OVERLAP_M
from raysim.core.walk import LEAF, NOTHING, STACK_DEPTH
from raysim.errors import Complaint, SceneError
from raysim.units import Float, Int

#: A piece is wide if its box has this share of the whole room's.
_WIDE = 0.05
#: Lower and upper corner of a box that no ray meets.
_NEVER = (1e30, -1e30)


@dataclass(frozen=True, slots=True)
class Tree:
    """Pieces of wall and the boxes around them, flat, as `raysim.core.walk` reads them.

    Pieces are numbered by their places in leaves; a place that no piece takes has the number
    of a piece that no ray meets, and the face of its neighbour.
    """

    box: NDArray[np.float32]  # (48 n_node,)
    child: NDArray[np.uint32]  # (8 + 8 n_node,)
    row: NDArray[np.float32]  # (128 n_leaf,)
    face: Int  # (8 n_leaf,) a face of the mesh that the piece covers
    middle_m: Float  # (8 n_leaf, 3) centroids
    low_m: Float  # (8 n_leaf, 3) corners of each piece's box
    high_m: Float
    taken: NDArray[np.bool_]  # (8 n_leaf,) is there a piece?

    @property
    def n_piece(self) -> int:
        """How many triangles and parallelograms."""
        return int(self.taken.sum())


@dataclass(frozen=True, slots=True)
class PairTree:
    """The same pieces in a binary tree, as `raysim.core.pairs` reads it."""

    box: NDArray[np.float32]  # (12 n_node,)
    child: NDArray[np.uint32]  # (2 n_node,)
    row: NDArray[np.float32]  # (16 * 8 n_leaf,)


@dataclass(slots=True)
class _Branch:
    """Some pieces, split or not, while a tree is built."""

    low_m: Float
    high_m: Float
    piece: Int
    halves: list["_Branch"] = field(default_factory=list)

    @property
    def area_m2(self) -> float:
        return float(_area(self.low_m, self.high_m))


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
    widest, rest = _set_apart(low, high)
    leaves, boxes, child, aside = _by_eight(_split(low, high, N_LANE, rest))
    if len(widest):
        child[1] = len(leaves)
        leaves.append(widest)
    _check_depth(N_LANE + 2 * aside, STACK_DEPTH)
    piece = np.zeros((len(leaves), N_LANE), dtype=np.int64)
    taken = np.zeros(piece.shape, dtype=bool)
    for i, inside in enumerate(leaves):
        piece[i], taken[i, : len(inside)] = inside[0], True
        piece[i, : len(inside)] = inside
    rows = _rows(origin, edge_u, edge_v, is_quad, face_plane[face], solid[face])[piece]
    rows[~taken, 12] = -1.0  # no |u| is smaller
    middle = origin + (edge_u + edge_v) / np.where(is_quad, 2.0, 3.0)[:, None]
    every = piece.ravel()
    return Tree(
        box=_outwards(boxes).ravel(),
        child=child,
        row=np.ascontiguousarray(rows.swapaxes(1, 2)).ravel(),
        face=face[every],
        middle_m=middle[every],
        low_m=low[every],
        high_m=high[every],
        taken=taken.ravel(),
    )


def build_pairs(tree: Tree) -> PairTree:
    """Build the binary tree of the same pieces.

    Raises
    ------
    SceneError
        RS-G50: the tree is deeper than the kernels' stack.
    """
    place = np.flatnonzero(tree.taken)
    root = _split(tree.low_m[place], tree.high_m[place], 1)
    nodes, depth = [root.halves or [root]], [1]
    boxes: list[Float] = []
    child: list[list[int]] = []
    for node, above in zip(nodes, depth, strict=True):  # both grow meanwhile
        boxes.append(np.tile(np.array(_NEVER)[:, None], (2, 1, 3)))
        child.append([LEAF, LEAF])
        for side, half in enumerate(node):
            boxes[-1][side] = half.low_m, half.high_m
            if half.halves:
                child[-1][side] = len(nodes)
                nodes.append(half.halves)
                depth.append(above + 1)
            else:
                child[-1][side] = LEAF | int(place[half.piece[0]])
    _check_depth(max(depth) + 1, PAIR_DEPTH)
    return PairTree(
        box=_outwards(np.array(boxes)).ravel(),
        child=np.array(child, dtype=np.uint32).ravel(),
        row=np.ascontiguousarray(tree.row.reshape(-1, 16, N_LANE).swapaxes(1, 2)).ravel(),
    )


def _check_depth(needed: int, there: int) -> None:
    if needed > there:
        raise SceneError(
            Complaint(
                where="mesh",
                wrong=f"its faces nest so deep that the search tree needs {needed} places.",
                fix="Simplify the mesh: so many faces about one point are not a room's walls.",
                code="RS-G50",
            )
        )


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
    row[:, [7, 11]] -= 0.5  # from the middle
    row[:, 12] = 0.5 + OVERLAP_M * np.linalg.norm(u_row, axis=1)
    row[:, 13] = 0.5 + OVERLAP_M * np.linalg.norm(v_row, axis=1)
    most = np.where(quad, 3.0, OVERLAP_M * np.linalg.norm(u_row + v_row, axis=1))
    row[:, 14] = np.where(solid, -most, most)
    row[:, 15] = plane
    return row.astype(np.float32)


def _area(low: Float, high: Float) -> Float:
    d = high - low
    return np.asarray(d[..., 0] * d[..., 1] + d[..., 1] * d[..., 2] + d[..., 2] * d[..., 0])


def _outwards(boxes: Float) -> NDArray[np.float32]:
    """Round boxes, (..., 2, n) with low before high, to float32, none smaller than it was."""
    way = np.array([-np.inf, np.inf], dtype=np.float32)[:, None]
    return np.nextafter(boxes.astype(np.float32), way)


def _set_apart(low: Float, high: Float) -> tuple[Int, Int]:
    """Give the widest pieces, up to eight, and the rest: mostly a room's own walls.

    They bound every ray, and no other box need reach as far as they do.
    """
    area, every = _area(low, high), np.arange(len(low))
    widest = np.argsort(-area, kind="stable")[:N_LANE]
    widest = widest[area[widest] > _WIDE * float(_area(low.min(axis=0), high.max(axis=0)))]
    rest = np.setdiff1d(every, widest)
    if len(low) <= N_LANE or len(rest) == 0:
        return every[:0], every
    return widest, rest


def _split(low: Float, high: Float, at_once: int, piece: Int | None = None) -> _Branch:
    """Split pieces while that saves tests, of which one meets ``at_once`` pieces  (G8)."""
    centre = 0.5 * (low + high)

    def branch(ids: Int) -> _Branch:
        return _Branch(low[ids].min(axis=0), high[ids].max(axis=0), ids)

    root = branch(np.arange(len(low)) if piece is None else piece)
    todo = [root]
    while todo:
        one = todo.pop()
        if len(one.piece) == 1:
            continue
        cost, halves = _best_halves(one.piece, low, high, centre, at_once)
        if len(one.piece) <= at_once and cost >= 0.0:
            continue
        one.halves = [branch(half) for half in halves]
        todo += one.halves
    return root


def _best_halves(
    ids: Int, low: Float, high: Float, centre: Float, at_once: int
) -> tuple[float, tuple[Int, Int]]:
    """Split where the expected number of tests is least; give what it costs more than none.

    A box is as dear as the pieces that are met at once.
    """
    n = len(ids)
    best, halves = np.inf, (ids[: n // 2], ids[n // 2 :])
    count = np.arange(1, n)
    for axis in range(3):
        by = ids[np.argsort(centre[ids, axis], kind="stable")]
        up = _area(
            np.minimum.accumulate(low[by], axis=0), np.maximum.accumulate(high[by], axis=0)
        )
        down = _area(
            np.minimum.accumulate(low[by[::-1]], axis=0),
            np.maximum.accumulate(high[by[::-1]], axis=0),
        )[::-1]
        tests = up[:-1] * np.ceil(count / at_once) + down[1:] * np.ceil((n - count) / at_once)
        # Of splits that are even, one that leaves fewer pieces in the larger box.
        tests += 1e-6 * (up[:-1] * count + down[1:] * (n - count))
        at = int(np.argmin(tests))
        if tests[at] < best:
            best, halves = float(tests[at]), (by[: at + 1], by[at + 1 :])
    whole = float(_area(low[ids].min(axis=0), high[ids].max(axis=0)))
    return whole + best - whole * float(np.ceil(n / at_once)), halves


def _by_eight(root: _Branch) -> tuple[list[Int], Float, NDArray[np.uint32], int]:
    """Give leaves, boxes (n_node, 3, 2, 8), children, and how many may have to wait.

    The widest box of a node gives way to its halves until there are eight.
    """
    leaves: list[Int] = []
    boxes: list[Float] = []
    child: list[list[int]] = []
    most_aside = 0

    def place(branch: _Branch, aside: int) -> int:
        nonlocal most_aside
        if not branch.halves:
            leaves.append(branch.piece)
            return LEAF | (len(leaves) - 1)
        below = list(branch.halves)
        while len(below) < N_LANE and any(b.halves for b in below):
            widest = max((b for b in below if b.halves), key=lambda b: b.area_m2)
            at = next(i for i, b in enumerate(below) if b is widest)
            below[at : at + 1] = widest.halves
        node = len(boxes)
        box = np.tile(np.array(_NEVER)[:, None], (3, 1, N_LANE))
        for lane, b in enumerate(below):
            box[:, 0, lane], box[:, 1, lane] = b.low_m, b.high_m
        boxes.append(box)
        child.append([LEAF] * N_LANE)
        aside += len(below)
        most_aside = max(most_aside, aside)
        for lane, b in enumerate(below):
            child[node][lane] = place(b, aside)
        return node

    first = place(root, 0)
    table = np.array([[first, NOTHING, *[0] * (N_LANE - 2)], *child], dtype=np.uint32)
    return leaves, np.array(boxes).reshape(-1, 3, 2, N_LANE), table.ravel(), most_aside
