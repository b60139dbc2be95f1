"""Parallel surfaces and the usual aim for decay time, against closed forms."""

import numpy as np
import pytest
from rooms import attic_scene, box_scene, box_thing, l_scene, polygon_scene

from raysim.geometry.build import build_room
from raysim.report.facts import target_for
from raysim.report.flutter import facing_pairs
from raysim.report.shell import cut_segments, edges_of
from raysim.scene.model import Bands

C = 343.0


def bare_box(*size_m, **more):
    return box_scene(*size_m, sources=(), receivers=(), **more)


def pairs_of(scene, alpha=0.05, scattering=0.0):
    room = build_room(scene)
    n = len(room.surfaces)
    pairs = facing_pairs(room, np.full(n, alpha), np.full(n, scattering), C)
    return {frozenset((p.first, p.second)): p for p in pairs}


@pytest.mark.parametrize(
    ("distance_m", "claps"), [(2.05, 84), (3.3, 52), (4.0, 43), (2.45, 70), (2.7, 64)]
)
def test_claps_per_second(distance_m, claps):
    """Truth: c / 2d, computed. Tolerance: half the last digit."""
    pair = pairs_of(bare_box(4.6, distance_m, 3.0))[frozenset(("south", "north"))]
    assert pair.distance_m == pytest.approx(distance_m, abs=1e-9)
    assert pair.rate_hz == pytest.approx(claps, abs=0.5)
    assert pair.area_m2 == pytest.approx(4.6 * 3.0, rel=1e-9)


def test_box_has_three_pairs():
    pairs = pairs_of(bare_box())
    assert set(pairs) == {
        frozenset(p) for p in (("south", "north"), ("east", "west"), ("floor", "ceiling"))
    }


@pytest.mark.parametrize(("alpha", "scattering"), [(0.03, 0.1), (0.05, 0.0), (0.5, 0.2)])
def test_decay_between_a_pair(alpha, scattering):
    """Truth: 60 dB over -10 lg((1 - a)(1 - s)) per bounce, c / d bounces a second."""
    pair = pairs_of(bare_box(lz=2.7), alpha, scattering)[frozenset(("floor", "ceiling"))]
    per_bounce_db = -10.0 * np.log((1 - alpha) * (1 - scattering)) / np.log(10.0)
    assert pair.decay_s == pytest.approx(60.0 / per_bounce_db * 2.7 / C, rel=1e-12)
    # There and back is two bounces.
    assert pair.lost_db == pytest.approx(2.0 * per_bounce_db, rel=1e-12)


def test_pair_that_swallows_all_loses_all():
    pair = pairs_of(bare_box(lz=2.7), 1.0)[frozenset(("floor", "ceiling"))]
    assert (pair.decay_s, pair.lost_db) == (0.0, np.inf)


def test_tilted_walls_are_no_pair():
    """Planted fault: five degrees of tilt end the flutter, so a pair there is wrong."""
    lean = 4.0 * np.tan(np.radians(5.0))
    names = pairs_of(polygon_scene([[0, 0], [4, 0], [4, 3 + lean], [0, 3]], 2.5))
    assert frozenset(("wall 1", "wall 3")) not in names
    assert frozenset(("wall 2", "wall 4")) in names


def test_attic_slopes_are_no_pair():
    names = pairs_of(attic_scene(dormer=False))
    assert frozenset(("W slope", "E slope")) not in names
    assert frozenset(("W knee", "E knee")) in names


def test_pair_in_an_l_counts_what_sees_across():
    """Truth: plan lengths times height. Tolerance: the 9 by 9 grid is exact for boxes."""
    pairs = pairs_of(l_scene())
    assert pairs[frozenset(("wall 1", "wall 3"))].area_m2 == pytest.approx(3.8 * 2.45)
    assert pairs[frozenset(("wall 1", "wall 5"))].area_m2 == pytest.approx(2.6 * 2.45)


def test_screen_between_takes_its_share():
    """What stands between two walls takes away the area that it hides."""
    free = pairs_of(bare_box(5.0, 4.0, 3.0))[frozenset(("south", "north"))]
    block = box_thing("block", [0.0, 1.5, 0.0], [2.5, 2.0, 3.0])
    scene = bare_box(5.0, 4.0, 3.0, things=(block,))
    half = pairs_of(scene)[frozenset(("south", "north"))]
    # The grid has nine columns: it knows the half to one of them.
    assert half.area_m2 / free.area_m2 == pytest.approx(0.5, abs=1.0 / 9.0)


@pytest.mark.parametrize(
    ("volume_m3", "middle_s"),
    [(60.0, 0.2109), (75.0, 0.2271), (100.0, 0.25), (150.0, 0.2862), (200.0, 0.3150)],
)
def test_target_of_listening_rooms(volume_m3, middle_s):
    """EBU Tech 3276, 2nd ed., 2.3 (formula read second-hand), computed: half a digit."""
    target = target_for(volume_m3, Bands())
    assert target.low_s == pytest.approx(middle_s - 0.05, abs=5e-5)
    assert target.high_s == pytest.approx(middle_s + 0.05, abs=5e-5)
    assert target.remark == ""


@pytest.mark.parametrize("volume_m3", [20.0, 30.0, 50.0, 51.0])
def test_target_of_small_rooms_keeps_the_lower_end(volume_m3):
    """Below 51.2 m3 the formula leaves its range; a target of it would be too short."""
    target = target_for(volume_m3, Bands())
    assert "range's lower end, 0.2 s, is used" in target.remark
    assert (target.low_s, target.high_s) == (pytest.approx(0.15), pytest.approx(0.25))
    assert 0.25 * (volume_m3 / 100.0) ** (1 / 3) < 0.2  # what must not be used


def test_target_bands():
    """200 Hz to 4 kHz."""
    assert target_for(60.0, Bands()).labels == ("250", "500", "1k", "2k", "4k")
    assert target_for(60.0, Bands(3)).labels[0] == "200"
    assert target_for(60.0, Bands(3)).labels[-1] == "4k"


def test_box_has_twelve_edges():
    """Truth: geometry. The total length of edges is 4 (x + y + z)."""
    edges = edges_of(build_room(bare_box(5.0, 4.0, 3.0)))
    length = np.linalg.norm(edges.segments_m[:, 0] - edges.segments_m[:, 1], axis=1)
    assert len(length) == 12
    assert length.sum() == pytest.approx(4 * 12.0)


@pytest.mark.parametrize("at_m", [0.0, 1.2, 2.9])
def test_plan_cut_has_the_length_of_the_walls(at_m):
    """Truth: the perimeter, at any height, also just beside the floor."""
    room = build_room(l_scene())
    cut, face = cut_segments(room.triangles_m, 2, at_m)
    length = np.linalg.norm(cut[:, 0] - cut[:, 1], axis=1).sum()
    perimeter = 2 * (6.4 + 5.5) if at_m < 2.45 else 0.0
    assert length == pytest.approx(perimeter, abs=1e-9)
    assert len(face) == len(cut)
