"""The wave solver neither makes nor loses energy but through its walls, sheets and wool.

Truth: conservation. For the discrete equations the balance closes exactly, so what is left
is the rounding of float32, 6e-8 of each value each step; over n steps rounding errors that
do not know of each other add up to about 6e-8 times the square root of n.
"""

from dataclasses import replace

import numba
import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from rooms import attic_scene, box_scene, box_thing, polygon_scene, sheet_thing
from trimesh.creation import box
from waves import C

from raysim.absorbers.admittance import RIGID, Admittance
from raysim.absorbers.layers import Porous
from raysim.absorbers.volume import porous_volume
from raysim.errors import WaveError
from raysim.geometry.build import build_room
from raysim.propagation import wave, wave_face_tasks, wave_room, wave_tasks

CLICK = np.array([1.0, -1.0])
ROUNDING = 2.0**-24
SOURCE_M, EAR_M = np.array([0.31, 0.22, 0.27]), np.array([[0.62, 0.4, 0.3]])
TINY = polygon_scene([[0, 0], [0.9, 0], [0.7, 0.6], [0, 0.8]], 0.5)


def tiny_room(walls, spacing_m=0.1, **more):
    mesh = build_room(TINY)
    return wave.wave_room(mesh, [walls] * len(mesh.surfaces), spacing_m, C, **more)


def histories(room, n_step, every=50, source_m=SOURCE_M, ear_m=EAR_M):
    """Give energy, and how far the balance is off, after the click, re the energy put in."""
    stepper = wave.Stepper(room, source_m, ear_m, CLICK, n_step)
    energy, off = [], []
    while stepper.n < n_step:
        stepper.advance(min(every, n_step - stepper.n))
        energy.append(stepper.energy() / stepper.put)
        off.append(energy[-1] + stepper.taken / stepper.put - 1.0)
    return np.array(energy), np.abs(off)


def rises(room, n_step, **more):
    """Give the greatest rise of energy from one look to the next, in bounds of rounding."""
    energy, _ = histories(room, n_step, **more)
    return float(np.diff(energy).max() / (8.0 * ROUNDING * np.sqrt(n_step)))


part = st.one_of(st.just(0.0), st.floats(1e-3, 1e3))
branches = st.lists(
    st.tuples(
        st.floats(1e-3, 1e3),
        st.one_of(st.just(0.0), st.floats(1e-6, 1.0)),
        st.one_of(st.just(0.0), st.floats(1.0, 1e6)),
    ),
    max_size=3,
)


@settings(
    max_examples=25, deadline=None, derandomize=True, suppress_health_check=list(HealthCheck)
)
@given(part, branches)
def test_energy_never_grows_whatever_the_walls(g, rlc):
    """Truth: conservation, any passive wall. Tolerance: rounding."""
    assert rises(tiny_room(Admittance.of(g, rlc)), 1000) < 1.0


def test_energy_never_grows_in_a_hundred_thousand_steps():
    """Truth: conservation, slanted rigid walls with a little loss. Tolerance: rounding."""
    room = tiny_room(Admittance.of(0.0, [(100.0, 1e-3, 1e4)]))
    assert rises(room, 100_000, every=5000) < 1.0


def with_fault(room):
    """Plant a wall whose constant part gives energy."""
    damping = room.damping.copy()
    damping[:, 0], damping[:, 1] = 2.0 - damping[:, 0], 1.0 / damping[:, 0]
    return replace(room, damping=damping)


def test_energy_test_can_fail():
    """Planted fault: walls of negative admittance."""
    assert rises(with_fault(tiny_room(Admittance.of(0.05))), 200) > 100.0


def box_triangles(low_m, high_m):
    return np.asarray(box(bounds=[low_m, high_m]).triangles)


WOOL = porous_volume(Porous(0.1, 12_000.0))
FOIL_M = np.array([[[0.3, 0, 0], [0.3, 0.5, 0], [0.3, 0.5, 0.5]]])
PORES = {
    "wool": {"fills": [wave.Fill(box_triangles([0, 0, 0], [0.35, 0.6, 0.33]), WOOL)]},
    "cloth": {"veils": [wave.Veil(FOIL_M, 400.0, 0.0)]},
    "foil": {"veils": [wave.Veil(FOIL_M, None, 0.2)]},
    "limp cloth": {"veils": [wave.Veil(FOIL_M, 400.0, 0.3)]},
    "faced wool": {
        "fills": [wave.Fill(box_triangles([0, 0, 0], [0.3, 0.5, 0.5]), WOOL)],
        "veils": [wave.Veil(FOIL_M, 900.0, 0.3)],
    },
}


@pytest.mark.parametrize("name", PORES)
def test_balance_closes_with_pores(name):
    """Truth: conservation; energy in flow, held mass and late pressure is counted."""
    room = tiny_room(Admittance.of(0.01), **PORES[name])
    assert len(room.face_cells) > 0
    energy, off = histories(room, 2000)
    assert off.max() < 8.0 * ROUNDING * np.sqrt(2000)
    assert energy[-1] < 0.5


@pytest.mark.parametrize("column", range(3))
def test_balance_test_can_fail(column):
    """Planted fault: a store of energy counted a tenth too large."""
    room = tiny_room(RIGID, **PORES["faced wool"])
    store = room.face_store.copy()
    store[:, column] *= 1.1
    _, off = histories(replace(room, face_store=store), 200, every=5)
    assert off.max() > 8.0 * ROUNDING * np.sqrt(200)


def test_a_run_that_breaks_the_balance_is_stopped():
    """Walls that give energy end with a message, not with numbers."""
    room = with_fault(tiny_room(Admittance.of(0.5)))
    with pytest.raises(WaveError, match="RS-B01"):
        wave.run(room, SOURCE_M, EAR_M, 0.2, 400.0)


def test_a_source_outside_the_air_is_told():
    room = tiny_room(RIGID)
    with pytest.raises(WaveError, match=r"source: .*RS-B02"):
        wave.run(room, np.array([2.0, 0.3, 0.2]), EAR_M, 0.05, 400.0)
    with pytest.raises(WaveError, match=r"ear: .*RS-B02"):
        wave.run(room, SOURCE_M, EAR_M + 3.0, 0.05, 400.0, names=("ear",))


def through(things, other=("thing",)):
    """Give how much reaches the far end of a box past something across it, as a level ratio."""
    far = []
    for inside in ((), things):
        scene = box_scene(2.0, 0.7, 0.6, sources=(), receivers=(), things=inside, other=other)
        mesh = build_room(scene)
        n_back = sum(s.back_name is not None for s in mesh.surfaces)
        room = wave.wave_room(mesh, [RIGID] * (len(mesh.surfaces) + n_back), 0.05, C)
        ear = np.array([[1.8, 0.3, 0.3]])
        stepper = wave.Stepper(room, np.array([0.2, 0.4, 0.3]), ear, CLICK, 400)
        stepper.advance(400)
        far.append(np.abs(stepper.heard).max())
    return far[1] / far[0]


ACROSS = {
    "upright sheet": [sheet_thing("s", [[1, 0, 0], [1, 0.7, 0], [1, 0.7, 0.6], [1, 0, 0.6]])],
    "slanted sheet": [
        sheet_thing("s", [[0.8, 0, 0], [1.37, 0.7, 0], [1.37, 0.7, 0.6], [0.8, 0, 0.6]])
    ],
    "board of 18 mm": [box_thing("b", [1.013, 0, 0], [1.031, 0.7, 0.6])],
}


@pytest.mark.parametrize("name", ACROSS)
def test_nothing_passes_what_closes_the_room(name):
    """Truth: sound does not pass a closed rigid wall, be it thinner than a cell."""
    assert through(ACROSS[name]) == 0.0


def test_closing_test_can_fail():
    """Planted fault: a sheet that leaves a slit of 10 cm."""
    slit = sheet_thing("s", [[1, 0.1, 0], [1, 0.7, 0], [1, 0.7, 0.6], [1, 0.1, 0.6]])
    assert through([slit]) > 0.05


def attic():
    mesh = build_room(attic_scene(sources=(), receivers=()))
    return mesh, wave.wave_room(mesh, [RIGID] * len(mesh.surfaces), 0.09, C)


def worst_cell(room):
    """Give the greatest share that a cell's openings take of the most that is stable."""
    worst = np.zeros(room.volume.size)
    for axis, stride in enumerate(room.grid.stride):
        opening = room.opening[axis]
        worst += 0.5 * room.courant[axis] ** 2 * opening
        worst[:-stride] += 0.5 * room.courant[axis] ** 2 * opening[stride:]
    air = room.volume > 0.0
    return float((worst[air] / room.volume[air]).max())


def test_every_cell_is_stable_and_no_air_is_lost():
    """Truth: the bound of the step on each cell, the mesh's volume; no opening is narrowed."""
    mesh, room = attic()
    assert room.narrowed == 0.0
    assert worst_cell(room) <= 1.0
    assert room.volume.sum() * room.grid.cell_m3 == pytest.approx(mesh.air_volume_m3, rel=1e-7)


def test_stability_test_can_fail():
    """Planted faults: cut cells as they are; a step that leaves no volume to lend."""
    _, room = attic()
    assert worst_cell(replace(room, volume=room.grid.volume)) > 1.2
    assert tiny_room(RIGID, courant2=0.999).narrowed > 0.0


#: Walls of a real room: kinds with other branches, and alike ones under other names.
KINDS = [
    RIGID,
    Admittance.of(0.02, [(2.0, 2e-3, 400.0)]),
    Admittance.of(0.0, [(2.0, 2e-3, 400.0), (8.0, 1e-3, 4000.0), (3.0, 0.0, 900.0)]),
    Admittance.of(0.05),
]


def furnished_room(**more):
    """Give an attic with a box that no cell fits, all surfaces of several kinds of wall."""
    mesh = build_room(
        attic_scene(
            sources=(), receivers=(),
            things=[box_thing("b", [1.03, 1.17, 0.0], [1.61, 3.29, 0.77])], other=("thing",),
        )
    )  # fmt: skip
    walls = [KINDS[i % len(KINDS)] for i in range(len(mesh.surfaces))]
    return wave.wave_room(mesh, walls, 0.06, C, **more)


#: Wool along each axis, a cloth, and a slab so thin and so placed that its faces are of many
#: kinds.
WOOLS = {
    "fills": [
        wave.Fill(box_triangles([0.0, 0.0, 0.0], [0.35, 4.8, 0.33]), WOOL),
        wave.Fill(box_triangles([2.6, 0.1, 0.0], [3.2, 0.7, 1.9]), WOOL),
        wave.Fill(box_triangles([1.0, 1.3, 1.13], [2.7, 1.71, 1.31]), WOOL),
    ],
    "veils": [
        wave.Veil(
            np.array([
                [[0.6, 2.0, 0.3], [0.6, 3.4, 0.3], [0.6, 3.4, 1.4]],
                [[0.6, 2.0, 0.3], [0.6, 3.4, 1.4], [0.6, 2.0, 1.4]],
            ]),
            400.0, 0.3,
        )
    ],
}  # fmt: skip


def stepped(room, n_step, fault=lambda tasks: tasks):
    """Give a stepper after the click."""
    stepper = wave.Stepper(
        room, np.array([2.5, 4.1, 0.9]), np.array([[2.9, 2.1, 1.2]]), CLICK, n_step
    )
    stepper.tasks = fault(stepper.tasks)
    stepper.advance(n_step)
    return stepper


def imbalance(fault=lambda tasks: tasks, n_step=600, **more):
    """Give how far the balance of a furnished room is off, in bounds of rounding."""
    stepper = stepped(furnished_room(**more), n_step, fault)
    off = abs(stepper.energy() + stepper.taken - stepper.put) / stepper.put
    return off / (8.0 * ROUNDING * np.sqrt(n_step))


def test_balance_closes_in_stretches_of_slanted_and_upright_walls():
    """Truth: conservation, all paths that a cut cell can take. Tolerance: rounding."""
    groups = wave.Stepper(
        furnished_room(), np.array([2.5, 4.1, 0.9]), np.zeros((0, 3)), CLICK, 1
    ).tasks.group
    flat, bent = groups[:, 6] - groups[:, 5], groups[:, 7] - groups[:, 6]
    assert (flat > 0).any()
    assert ((flat == 0) & (bent > 0)).any()
    assert (groups[:, 2] > groups[:, 1]).any()
    assert (groups[:, 4] > groups[:, 3]).any()
    assert imbalance() < 1.0


def without_shut(tasks):
    table = tasks.table.copy()
    table[:, 8] = 0.0
    return replace(tasks, table=table)


def all_stretches_flat(tasks):
    group = tasks.group.copy()
    group[:, 6] = group[:, 7]
    return replace(tasks, group=group)


@pytest.mark.parametrize("fault", [without_shut, all_stretches_flat])
def test_balance_in_stretches_can_fail(fault):
    """Planted faults: shut faces leak; slanted stretches are stepped as upright ones."""
    with np.errstate(all="ignore"):
        off = imbalance(fault)
    assert not off < 10.0


def test_balance_closes_in_lines_of_wool():
    """Truth: conservation, all paths that a face or a cell with pores can take: rounding."""
    tasks = stepped(furnished_room(**WOOLS), 1).tasks
    faces = tasks.faces
    assert {-1, 1} < set(faces.line[:, 2])
    assert (faces.part[:, 2] < 0).any()
    assert (faces.group[:, 2] < 0).any()
    assert (faces.group[:, 2] >= 0).any()
    long = faces.part[:, 1] - faces.part[:, 0] > 100
    assert (faces.part[long, 2] >= 0).all()
    closed = tasks.stretch[:, 3] == 1
    assert len(set(tasks.stretch[closed, 2])) > 1
    assert 1 in tasks.stretch[closed, 2]
    assert set(tasks.inflow[:, 2]) == {0, 1}
    assert imbalance(**WOOLS) < 1.0


def lines_a_cell_off(tasks):
    line = tasks.faces.line.copy()
    line[line[:, 2] > 1, 3] += 1
    return replace(tasks, faces=replace(tasks.faces, line=line))


def next_faces_one_off(tasks):
    part = tasks.faces.part.copy()
    part[part[:, 2] > 0, 2] -= 1
    return replace(tasks, faces=replace(tasks.faces, part=part))


def cells_of_other_lines(tasks):
    stretch = tasks.stretch.copy()
    stretch[stretch[:, 2] > 1, 2] = 1
    return replace(tasks, stretch=stretch)


@pytest.mark.parametrize("fault", [lines_a_cell_off, cells_of_other_lines])
def test_balance_in_lines_can_fail(fault):
    """Planted faults: pressure of other cells drives flow; it flows into other cells."""
    with np.errstate(all="ignore"):
        off = imbalance(fault, **WOOLS)
    assert not off < 10.0


def apart(monkeypatch, fault=lambda tasks: tasks, n_step=600):
    """Give how far what is heard with lines is from that without any, in roundings."""
    heard = stepped(furnished_room(**WOOLS), n_step, fault).heard
    for module, name in ((wave_tasks, "_STRETCH"), (wave_face_tasks, "_LINE")):
        monkeypatch.setattr(module, name, 10**6)
    alone = stepped(furnished_room(**WOOLS), n_step)
    assert not len(alone.tasks.stretch)
    assert (alone.tasks.faces.line[:, 2] < 0).all()
    most = np.abs(alone.heard).max()
    return float(np.abs(heard - alone.heard).max() / (8.0 * most * ROUNDING * np.sqrt(n_step)))


def test_lines_are_heard_as_cells_and_faces_one_by_one(monkeypatch):
    """Truth: the same equations, each cell and face read from lists. Tolerance: rounding."""
    assert apart(monkeypatch) < 1.0


def test_lines_test_can_fail(monkeypatch):
    """Planted fault: flow through the next face but one."""
    assert apart(monkeypatch, next_faces_one_off) > 10.0


def turned_apart(monkeypatch, n_step=600):
    """Give how far what is heard moves with the axis along which rows lie, in roundings."""
    heard = []
    for axis in range(3):
        monkeypatch.setattr(wave_room, "_rows_along", lambda *_, axis=axis: axis)
        heard.append(stepped(furnished_room(**WOOLS), n_step).heard)
    most = np.abs(heard[0]).max()
    off = max(np.abs(one - heard[0]).max() for one in heard[1:])
    return float(off / (ROUNDING * most * np.sqrt(n_step)))


def test_rows_may_lie_along_any_axis(monkeypatch):
    """Truth: the same cells, so the same pressures. Tolerance: rounding of each step."""
    assert turned_apart(monkeypatch) < 1.0


def test_rows_test_can_fail(monkeypatch):
    """Planted fault: coefficients of a whole cell summed in single precision."""

    def summed(room):
        x, y, z = (np.float32(c * c) for c in room.courant)
        return np.float32(2.0) - np.float32(2.0) * (x + y + z), x, y, z

    monkeypatch.setattr(wave.WaveRoom, "whole", property(summed))
    assert turned_apart(monkeypatch) > 10.0


def outcome(n_thread, more):
    """Give what a run comes to, on so many threads."""
    most = numba.get_num_threads()
    numba.set_num_threads(n_thread)
    try:
        stepper = stepped(furnished_room(**more), 90)
        return stepper.heard.tobytes(), stepper.taken, stepper.energy()
    finally:
        numba.set_num_threads(most)


@pytest.mark.parametrize("more", [{}, WOOLS], ids=["bare", "wool"])
def test_results_do_not_depend_on_the_number_of_threads(more):
    """Truth: one thread, bit for bit."""
    if numba.get_num_threads() < 2:
        pytest.skip("there is one thread only")
    assert outcome(1, more) == outcome(numba.get_num_threads(), more)


@pytest.mark.parametrize("more", [{}, WOOLS], ids=["bare", "wool"])
def test_threads_test_notices_tasks_that_depend_on_them(monkeypatch, more):
    """Planted fault: work shared out by the number of threads, so that sums go another way."""
    usual = outcome(1, more)
    monkeypatch.setattr(wave, "share_out", lambda room: wave_tasks.share_out(room, 3))
    assert outcome(1, more) != usual


def test_a_body_that_begins_before_the_room_everywhere_is_refused():
    """Truth: a refusal rather than wool that is silently left out."""
    with pytest.raises(ValueError, match="before the room"):
        tiny_room(RIGID, fills=[wave.Fill(box_triangles([-0.3] * 3, [0.35, 0.6, 0.33]), WOOL)])
    tiny_room(RIGID, fills=[wave.Fill(box_triangles([0, 0, 0], [0.35, 0.6, 0.33]), WOOL)])
