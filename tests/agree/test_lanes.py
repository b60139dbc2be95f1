"""Eight at once against one after another, and the walk of a card against a processor's."""

import numpy as np
import pytest
from numba import njit, uint64
from reference import lanes as slow
from test_nearest import BODIES, random_rays, shoot, sightlines, unit

from raysim.core.lanes import BOX_SIZE, N_LANE, PIECE_SIZE, any_piece, meet_boxes, meet_pieces
from raysim.core.pairs import PAIR_DEPTH, blocked_by_pairs, nearest_by_pairs
from raysim.core.walk import BEHIND_M, NOTHING, STACK_DEPTH, blocked
from raysim.geometry.bvh import build_pairs

#: Sums of four float32 products of numbers up to 8, contracted or not, over a cosine.
SAME_M = 1e-4
#: As near a bound as this, in metres or shares of an edge, rounding decides.
GRAZING = 1e-5
#: Least cosine of incidence, but for 0.
STEEP = 1e-6


@njit
def eight_boxes(box, k, n, inverse, place, low, high, near):
    return meet_boxes(
        box, uint64(k), uint64(n[0]), uint64(n[1]), uint64(n[2]), inverse[0], inverse[1],
        inverse[2], place[0], place[1], place[2], np.float32(low), np.float32(high), near,
    )  # fmt: skip


@njit
def eight_pieces(row, k, start, way, skip, low, high):
    return meet_pieces(
        row, uint64(k), start[0], start[1], start[2], way[0], way[1], way[2],
        np.float32(skip), np.float32(low), np.float32(high),
    )  # fmt: skip


@njit
def any_of_eight(row, k, start, way, skip, skip2, low, high):
    return any_piece(
        row, uint64(k), start[0], start[1], start[2], way[0], way[1], way[2],
        np.float32(skip), np.float32(skip2), np.float32(low), np.float32(high),
    )  # fmt: skip


@pytest.fixture(scope="module", params=list(BODIES))
def each(request):
    return BODIES[request.param](True)


def rays(body, n):
    start, way = random_rays(body, n)
    start[: n // 8] = np.round(start[: n // 8])  # some within planes and along them
    turn = np.arange(n // 8)
    way[: n // 8] = np.eye(3)[turn % 3] * (1 - 2 * (turn[:, None] % 2))
    return start.astype(np.float32), way.astype(np.float32)


def wrong_boxes(body, high_m, n=400):
    """Count boxes that are met at once and not one by one, or the other way round."""
    wrong = 0
    box, near = body.tree.box, np.zeros(STACK_DEPTH, dtype=np.uint32)
    n_node = box.size // BOX_SIZE
    for i, (start, way) in enumerate(zip(*rays(body, n), strict=True)):
        if n_node == 0:
            break
        k = BOX_SIZE * (i % n_node)
        steep = np.abs(way) > 1e-18
        inverse = np.where(steep, 1 / np.where(steep, way, 1.0), 1e18).astype(np.float32)
        place, side = start * inverse, np.where(inverse > 0, 0, N_LANE)
        got = eight_boxes(box, k, side, inverse, place, BEHIND_M, high_m, near)
        met, begin = slow.meet_boxes(
            box.astype(float), k, *side, *inverse.astype(float), *place.astype(float),
            BEHIND_M, 3.0,
        )  # fmt: skip
        for lane in range(N_LANE):
            same = bool(got >> lane & 1) == bool(met >> lane & 1)
            told = near[lane : lane + 1].view(np.float32)[0]
            if met >> lane & 1:
                same = same and abs(told - begin[lane]) < SAME_M * max(begin[lane], 1.0)
            wrong += not same
    return wrong


def test_eight_boxes_are_those_one_by_one(each):
    """Truth: one after another in float64; random rays do not graze boxes by rounding."""
    assert wrong_boxes(each, 3.0) == 0


def test_box_test_notices_another_reach():
    """Planted fault: boxes beyond 3 m are met too."""
    assert wrong_boxes(BODIES["attic"](True), 9.0) > 0


def wrong_pieces(body, skip, n=400):
    """Count rays for which eight pieces at once answer otherwise than one by one."""
    wrong = 0
    row, n_leaf = body.tree.row, body.tree.row.size // PIECE_SIZE
    for i, (start, way) in enumerate(zip(*rays(body, n), strict=True)):
        k = PIECE_SIZE * (i % n_leaf)
        asked = row, k, start.astype(float), way.astype(float), (skip,), -2e-6, 9.0
        truth, wide, narrow = (slow.meet_pieces(*asked, s) for s in (0.0, GRAZING, -GRAZING))
        slant = np.abs(row[k : k + 24].reshape(3, 8).T @ way)
        aslant = ((slant > 0.0) & (slant < STEEP)).any()  # a plane that rounding alone meets
        if aslant or (np.isfinite(wide) != np.isfinite(narrow)).any():
            continue
        t, lane = eight_pieces(row, k, start, way, -1.0, -2e-6, 9.0)
        seen = any_of_eight(row, k, start, way, -1.0, -1.0, -2e-6, 9.0)
        if np.isfinite(truth).any():
            near = truth[lane] - truth.min() if lane < N_LANE else np.inf
            wrong += not (near < SAME_M and abs(t - truth.min()) < SAME_M and seen)
        else:
            wrong += not (lane == N_LANE and t == np.float32(9.0) and not seen)
    return wrong


def test_eight_pieces_are_those_one_by_one(each):
    """Truth: one after another in float64; rays within a plane and along it are among them."""
    assert wrong_pieces(each, -1.0) == 0


def test_piece_test_notices_a_plane_passed_over():
    """Planted fault: the slow form passes over a plane, the fast one does not."""
    assert wrong_pieces(BODIES["box"](True), 0.0) > 0


@njit
def hits_by_pairs(box, child, row, start, way, distance, piece):
    stack = np.zeros(PAIR_DEPTH, dtype=np.uint32)
    for i in range(len(start)):
        distance[i], piece[i] = nearest_by_pairs(
            box, child, row, start[i, 0], start[i, 1], start[i, 2], way[i, 0], way[i, 1],
            way[i, 2], -1.0, 1e30, stack,
        )  # fmt: skip


def walks_that_differ(body, pairs):
    """Count rays that the two walks send elsewhere, and sights that they judge otherwise."""
    start, way = random_rays(body, 20_000)
    distance, piece = np.zeros(len(start)), np.zeros(len(start), dtype=np.uint32)
    hits_by_pairs(pairs.box, pairs.child, pairs.row, start, way, distance, piece)
    other, other_piece = shoot(body, start, way)
    same = np.abs(distance - other) < SAME_M
    same |= (piece == NOTHING) & (other_piece == NOTHING)
    start, end, planes = sightlines(body)
    far = np.linalg.norm(end - start, axis=1)
    stacks = np.zeros(STACK_DEPTH, dtype=np.uint32), np.zeros(PAIR_DEPTH, dtype=np.uint32)
    judged = 0
    for a, d, (s, s2), r in zip(start, unit(end - start), planes, far, strict=True):
        rest = (*a, *d, float(s), float(s2), r)
        here = blocked(*body.arrays, *rest, stacks[0])
        judged += here != blocked_by_pairs(pairs.box, pairs.child, pairs.row, *rest, stacks[1])
    return int((~same).sum()) + judged


def test_a_card_s_walk_is_a_processor_s(each):
    """Truth: the same pieces; the two trees are walked in another order, but for grazing."""
    assert walks_that_differ(each, build_pairs(each.tree)) <= 2


def test_walk_test_notices_a_missing_piece():
    """Planted fault: a card's tree of the box holds another plane far away."""
    whole = BODIES["box"](True)
    pairs = build_pairs(whole.tree)
    pairs.row[3] += 1.0
    assert walks_that_differ(whole, pairs) > 100
