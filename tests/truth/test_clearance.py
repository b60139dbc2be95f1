"""Distances between treatments and zones: closed forms, and planted faults."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from raysim.planning.clearance import TOUCH_M, hull_distance_m

CUBE = np.array([[x, y, z] for x in (0.0, 1.0) for y in (0.0, 1.0) for z in (0.0, 1.0)])

#: Truth: elementary geometry. Tolerance: rounding of sums of products of metres; metres.
WITHIN_M = 1e-6


@pytest.mark.parametrize(
    ("shift", "distance_m"),
    [
        ((3.0, 0.0, 0.0), 2.0),  # face to face
        ((2.0, 2.0, 0.0), np.sqrt(2.0)),  # edge to edge
        ((2.0, 2.0, 2.0), np.sqrt(3.0)),  # corner to corner
        ((0.5, 0.5, 0.5), 0.0),  # one in the other
        ((1.0, 0.0, 0.0), 0.0),  # touching
        ((-1.35, 0.2, 0.4), 0.35),
    ],
)
def test_cubes(shift, distance_m):
    assert hull_distance_m(CUBE, CUBE + shift) == pytest.approx(distance_m, abs=WITHIN_M)


def test_distance_is_of_hulls_not_of_corners():
    """Planted fault: the nearest corners of a plate and a point before its middle."""
    plate = np.array([[0, 0, 0], [2, 0, 0], [2, 2, 0], [0, 2, 0]], dtype=float)
    point = np.array([[1.0, 1.0, 0.5]])
    corners = np.linalg.norm(plate - point, axis=1).min()
    assert hull_distance_m(plate, point) == pytest.approx(0.5, abs=WITHIN_M)
    assert corners == pytest.approx(1.5)


@settings(max_examples=60, deadline=None)
@given(
    st.lists(st.floats(-3.0, 3.0), min_size=3, max_size=3),
    st.floats(0.0, 2.0 * np.pi),
)
def test_turning_both_changes_nothing_and_sides_are_equal(shift, angle):
    """Truth: distance is symmetric and does not know of axes."""
    c, s = np.cos(angle), np.sin(angle)
    turn = np.array([[c, -s, 0.0], [s, c, 0.0], [0.0, 0.0, 1.0]])
    a, b = CUBE, 0.5 * CUBE + np.array(shift)
    here = hull_distance_m(a, b)
    assert hull_distance_m(b, a) == pytest.approx(here, abs=WITHIN_M)
    assert hull_distance_m(a @ turn.T, b @ turn.T) == pytest.approx(here, abs=WITHIN_M)


def boxes_off(distance_m, n=2000):
    """Give the largest error of a distance between boxes beside each other, metres."""
    random = np.random.default_rng(3)
    worst = 0.0
    for _ in range(n):
        # some axes not shifted at all, so that faces and edges lie in one plane
        shift = random.uniform(-3.0, 3.0, 3) * random.integers(0, 2, 3)
        a, b = CUBE, 0.5 * CUBE + shift
        apart = np.maximum(b.min(axis=0) - a.max(axis=0), a.min(axis=0) - b.max(axis=0))
        truth = float(np.linalg.norm(np.maximum(apart, 0.0)))
        truth = 0.0 if truth < TOUCH_M else truth
        worst = max(worst, abs(distance_m(a, b) - truth), abs(distance_m(b, a) - truth))
    return worst


def test_boxes_beside_each_other():
    """Truth: gaps along the axes, squared and added."""
    assert boxes_off(hull_distance_m) < WITHIN_M


def test_box_test_notices_a_solver_that_stops_early():
    """Planted fault: the distance of the nearest corners."""
    assert boxes_off(lambda a, b: np.linalg.norm(a[:, None] - b, axis=2).min(), 50) > 0.1
