"""Recorded walks replayed: the trace itself, the trace of another room, and exact paths.

Truth: the kernel that follows rays, and the search that finds images, both checked by tests
of their own. Tolerance: float32, which rounds each product and sum by half a unit in the
last place, 2^-24; a deposit is a product of as many factors as the walk has steps and three
more, and a cell is a sum of its deposits, all of one sign.
"""

from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from rooms import box_scene, frozen
from traced import furnished_attic, prepared, ray_run

from raysim.absorbers.layers import AirGap, Porous, Stack
from raysim.core.replay import END
from raysim.propagation.images import arrivals
from raysim.propagation.replay import (
    record,
    replay,
    replay_all,
    reweighted_arrivals,
    with_materials,
)
from raysim.scene.layered import completed, draft

N_RAY = 640
#: Scattering that splits the bands into groups with rays of their own.
SPLIT = np.array([0.05, 0.05, 0.1, 0.1, 0.6, 0.6, 0.9, 0.9])

ROOMS = {
    "box": lambda: box_scene(
        alpha=0.1,
        scattering={"floor": SPLIT},
        receivers=((3.5, 2.5, 1.2), (2.0, 3.1, 1.6)),
    ),
    "attic": lambda: furnished_attic(
        alpha={"cloth": 0.3, "felt": 0.6, "floor": np.linspace(0.05, 0.5, 8)},
        scattering={"floor": np.linspace(0.1, 0.5, 8), "W slope": 0.4, "cloth": 0.2},
        sources=((2.0, 1.6, 1.3),),
        receivers=((1.8, 3.2, 1.1), (3.0, 2.6, 1.2)),
    ),
    "lossy": lambda: box_scene(alpha=0.5, scattering=0.3),  # roulette within 0.3 s
}


@cache
def trace_and_recording(name, orders=(2, 10), duration_s=0.3):
    scene = ROOMS[name]()
    room = prepared(scene)
    run = ray_run(room, scene, N_RAY, duration_s=duration_s, orders=orders)
    return run, recorded(room, scene, orders, duration_s)


def recorded(room, scene, orders, duration_s=0.3):
    return record(
        room, scene.sources[0], list(scene.receivers), seed=1, n_ray=N_RAY,
        duration_s=duration_s, bin_s=0.002, image_order=orders[0], pair_order=orders[1],
    )  # fmt: skip


def rounding(recording):
    """Give the most that float32 can be off by, as a share."""
    worst = 0
    for walks in recording.walks:
        ends = np.concatenate([np.zeros((len(walks.last_step), 1)), walks.last_step], axis=1)
        in_cell = np.bincount(walks.cell).max()
        worst = max(worst, int(np.diff(ends, axis=1).max()) + in_cell + 8)
    return worst * 2.0**-24


def apart(run, recording, alpha, scattering):
    """Give how far a replay is from a trace, over what rounding may be: below 1 it agrees."""
    worst = 0.0
    for traced, again in zip(
        run.histograms(), replay(recording, alpha, scattering), strict=True
    ):
        assert traced.energy.any()
        off = np.abs(traced.energy - again.energy)
        assert not off[traced.energy == 0.0].any()
        worst = max(worst, np.nanmax(off / np.where(off > 0.0, traced.energy, 1.0)))
        # a moment is at most its energy; the same rounding, of sums without a sign
        size = traced.energy.mean(axis=0) + 1e-300
        worst = max(worst, (np.abs(traced.moments - again.moments) / size).max())
    return worst / rounding(recording)


@pytest.mark.parametrize("name", ROOMS)
def test_same_coefficients_give_the_trace(name):
    run, recording = trace_and_recording(name)
    sides = recording.room.sides
    assert recording.count == run.count
    assert apart(run, recording, sides.alpha, sides.scattering) < 1.0


@pytest.mark.parametrize("name", ROOMS)
def test_trace_test_notices_a_small_change(name):
    """Planted fault: one side takes a thousandth more."""
    run, recording = trace_and_recording(name)
    sides = recording.room.sides
    alpha = sides.alpha.copy()
    alpha[0] += 0.001
    assert apart(run, recording, alpha, sides.scattering) > 1.0


def test_groups_and_roulette_are_in_the_rooms():
    """What the tests above are to cover must be there."""
    assert len(trace_and_recording("box")[1].walks) > 1
    (walks,) = trace_and_recording("lossy")[1].walks
    last = walks.step[walks.step_start[:, None] + walks.last_step - 1, 0]
    assert (last != END).any()  # a walk that ends at a wall, and not with the time
    # roulette begins at the 20th wall: 0.5^20 is the first below 1e-6
    assert np.diff(walks.last_step, axis=1).max() > 22


def test_other_absorption_gives_the_trace_of_the_other_room():
    """With one scattering coefficient and no roulette, absorption does not steer rays."""
    receivers = ((3.5, 2.5, 1.2),)
    bare = box_scene(alpha=0.05, scattering=0.3, receivers=receivers)
    recording = recorded(prepared(bare), bare, (2, 10), 0.12)
    alpha = {"floor": 0.4, "south": np.linspace(0.1, 0.5, 8)}
    other = box_scene(alpha=alpha, scattering=0.3, receivers=receivers)
    room = prepared(other)
    run = ray_run(room, other, N_RAY, duration_s=0.12, orders=(2, 10))
    sides = room.sides
    assert apart(run, recording, sides.alpha, sides.scattering) < 1.0
    assert apart(run, recording, sides.alpha + 0.001, sides.scattering) > 1.0


def test_many_layouts_are_each_alone():
    """Truth: one layout by itself, to the last bit, wherever it stands among others."""
    _, recording = trace_and_recording("attic")
    sides = recording.room.sides
    rng = np.random.default_rng(3)
    alpha = rng.uniform(sides.alpha, 0.9, (11, *sides.alpha.shape))
    scattering = np.tile(sides.scattering, (11, 1, 1))
    together = list(replay_all(recording, alpha, scattering, "energy"))
    assert len(together) == 11
    for i in (0, 7, 8, 10):
        alone = replay(recording, alpha[i], scattering[i], "energy")
        assert all(
            np.array_equal(a.energy, b.energy) for a, b in zip(together[i], alone, strict=True)
        )
    assert not np.array_equal(together[0][0].energy, together[1][0].energy)


@pytest.mark.parametrize("pattern", [1.0, 0.5, 0.0])
def test_heard_energy_is_that_of_the_moments(pattern):
    """Truth: (p + (1 - p) cos)^2 by moments, exact for first order. Tolerance: float32."""
    scene = ROOMS["attic"]()
    aim = np.array([0.6, 0.0, 0.8])
    first, *others = scene.receivers
    scene = replace(scene, receivers=(replace(first, pattern=pattern, aim=aim), *others))
    recording = recorded(prepared(scene), scene, (2, 10))
    sides = recording.room.sides
    full = replay(recording, sides.alpha, sides.scattering)[0]
    heard = replay(recording, sides.alpha, sides.scattering, "heard")[0]
    e, (x, _, z, xx, yy, _, xz, _) = full.energy.mean(axis=0), full.moments
    square = 0.36 * xx + 0.64 * (e - xx - yy) + 2.0 * 0.48 * xz
    rest = 1.0 - pattern
    law = pattern**2 * e + 2.0 * pattern * rest * (0.6 * x + 0.8 * z) + rest**2 * square
    bound = 8.0 * rounding(recording) * e  # a sum of eight moments
    assert (np.abs(heard.energy.mean(axis=0) - law) <= bound).all()
    assert np.isnan(heard.moments).all()
    # the twin: an omnidirectional microphone in its place
    assert (np.abs(e - law) <= bound).all() == (pattern == 1.0)


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ({"alpha": {"floor": 1.0}}, {"alpha": 0.1}, "absorb all"),
        ({"scattering": {"floor": 0.0}}, {"scattering": 0.1}, "scatters"),
        ({"scattering": {"floor": 1.0}}, {"scattering": 0.1}, "mirrors"),
    ],
)
def test_what_was_never_recorded_is_refused(old, new, words):
    scene = box_scene(**old)
    recording = recorded(prepared(scene), scene, (1, 0), 0.02)
    sides = prepared(box_scene(**new)).sides
    with pytest.raises(ValueError, match=words):
        replay(recording, sides.alpha, sides.scattering)
    replay(recording, recording.room.sides.alpha, recording.room.sides.scattering)


def test_wrong_shapes_are_refused():
    _, recording = trace_and_recording("box")
    sides = recording.room.sides
    with pytest.raises(ValueError, match="shape"):
        replay(recording, sides.alpha[1:], sides.scattering[1:])


# Exact paths.


def layered_scene():
    """Give the attic with two materials of layers that no surface has yet."""
    scene = furnished_attic(
        alpha=0.1, scattering=0.1, sources=((2.0, 1.6, 1.3),), receivers=((1.8, 3.2, 1.1),)
    )
    stacks = {
        "wool": Stack((Porous(0.1, 8000.0),)),
        "wool off": Stack((Porous(0.05, 8000.0), AirGap(0.1))),
    }
    made = {
        name: completed(draft(name, stack, frozen(np.full(8, 0.1))), scene.bands, scene.air)
        for name, stack in stacks.items()
    }
    return replace(scene, materials=scene.materials | made)


def worst_path(change):
    """Give the worst relative error of a path's energy after a change of materials."""
    scene = layered_scene()
    room, source, receivers = prepared(scene), scene.sources[0], list(scene.receivers)
    (found,) = arrivals(room, source, receivers, 3, 12)
    names = list(room.sides.materials)
    for i, name in change.items():
        names[i] = name
    other = with_materials(room, scene, names)
    (truth,) = arrivals(other, source, receivers, 3, 12)
    known = {}
    worst = 0.0
    for _ in range(2):  # the second time from what is known
        again = reweighted_arrivals(other, source, found, known)
        assert np.array_equal(again.surfaces, truth.surfaces)
        assert np.array_equal(again.delay_s, truth.delay_s)
        worst = max(worst, np.abs(again.energy / truth.energy - 1.0).max())
    unchanged = np.abs(found.energy / truth.energy - 1.0).max()
    return worst, unchanged


@pytest.mark.parametrize(
    "change", [{}, {0: "thing"}, {0: "wool", 3: "wool off", 5: "wool"}, {4: "felt", 6: "wool"}]
)
def test_paths_are_those_of_the_other_room(change):
    """Truth: a new search. Tolerance: twice 15 products in float64."""
    worst, unchanged = worst_path(change)
    assert worst < 2.0 * 15.0 * 2.0**-53
    # the twin: the energies as they were
    assert (unchanged > 1e-3) == any("wool" in name for name in change.values())
