"""What stands between two points: against where the line meets the screen's plane.

Truth: closed form, the point at which a line crosses the plane x = 3, inside a rectangle or
not. Tolerance: none but for lines that pass the rim by less than rounding, which are not
among these.
"""

import numpy as np
import pytest
from rooms import box_scene, box_thing, sheet_thing

from raysim.geometry.between import surfaces_between
from raysim.geometry.build import build_room

#: y and z of a screen across x = 3, in a box of 5 x 4 x 3 m.
LOW, HIGH = np.array([0.5, 0.4]), np.array([2.0, 2.2])


@pytest.fixture(scope="module")
def lines():
    """Give starts on one side of the screen and ends on the other, (300, 3) each."""
    rng = np.random.default_rng(5)
    starts, ends = rng.uniform([0.1, 0.1, 0.1], [2.9, 3.9, 2.9], size=(2, 300, 3))
    ends[:, 0] += 2.0 * (3.0 - ends[:, 0])
    ends[:, 0] = np.minimum(ends[:, 0], 4.9)
    return starts, ends


@pytest.fixture(scope="module")
def room():
    (y0, z0), (y1, z1) = LOW, HIGH
    corners = [[3, y0, z0], [3, y1, z0], [3, y1, z1], [3, y0, z1]]
    return build_room(box_scene(things=[sheet_thing("screen", corners)]))


def crosses(starts, ends, low, high):
    share = ((3.0 - starts[:, 0]) / (ends[:, 0] - starts[:, 0]))[:, None]
    at = (starts + share * (ends - starts))[:, 1:]
    return ((at > low) & (at < high)).all(axis=1)


def met(room, starts, ends):
    found = [surfaces_between(room, a, b) for a, b in zip(starts, ends, strict=True)]
    assert set(found) <= {(), ("screen front",)}
    return np.array([len(names) > 0 for names in found])


def test_screen_is_met_where_the_line_crosses_it(room, lines):
    truth = crosses(*lines, LOW, HIGH)
    assert 60 < truth.sum() < 240
    assert np.array_equal(met(room, *lines), truth)
    assert np.array_equal(met(room, *lines[::-1]), truth)  # and on the way back


def test_screen_test_can_fail(room, lines):
    """Planted fault: the rim 5 cm further out."""
    assert not np.array_equal(met(room, *lines), crosses(*lines, LOW - 0.05, HIGH + 0.05))


def test_nothing_is_met_on_one_side(room, lines):
    starts, ends = lines[0], lines[0][::-1]
    assert not met(room, starts, ends).any()


def test_things_come_in_the_order_of_the_line():
    things = [box_thing("a", (1, 1, 0), (2, 2, 1)), box_thing("b", (3, 1, 0), (4, 2, 1))]
    room = build_room(box_scene(things=things, sources=(), receivers=()))
    ends = np.array([[0.5, 1.4, 0.3], [4.5, 1.6, 0.4]])
    assert surfaces_between(room, *ends) == ("a side", "b side")
    assert surfaces_between(room, *ends[::-1]) == ("b side", "a side")
    assert surfaces_between(room, *(ends + np.array([0.0, 0.0, 0.9]))) == ()
