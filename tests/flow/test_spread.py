"""A run on several processes, stopped, killed and taken up again.

Truth: the bits of the same run in one process, and the process table of the system.
"""

import multiprocessing
import os
import pickle
import shutil
import signal
import subprocess
import sys
import threading
import time
from pathlib import Path

import h5py
import numpy as np
import pytest
from quick import LAYOUTS, MORE_SOURCES, write_quick

import raysim.spread.processes
import raysim.spread.share
import raysim.study
from raysim.errors import Complaint, SettingsError, SpreadError, Stopped, StoreError
from raysim.records import RayCount
from raysim.spread.processes import run_on_processes
from raysim.spread.progress import Overall
from raysim.spread.share import affordable, check_workers
from raysim.spread.units import Unit, compute, pack, unpack
from raysim.store import replace
from raysim.store.file import open_results
from raysim.store.parts import Stock
from raysim.study import AS_DESCRIBED, prepare_all, run, with_settings

#: Bass on a coarse grid: it takes three seconds.
LOW = ("bass = false", "crossover_hz = 100.0")
CELLO = MORE_SOURCES[: MORE_SOURCES.index("[[source]]", 20)]
NAMES = [AS_DESCRIBED, "panels", "nothing new"]


@pytest.fixture(scope="module")
def scene(tmp_path_factory):
    return write_quick(tmp_path_factory.mktemp("scene") / "box", LOW, more=CELLO + LAYOUTS)


@pytest.fixture(scope="module")
def dry(scene):
    """Three rooms of two sources, two of them the same: four units."""
    return [with_settings(one, bass=False) for one in prepare_all(scene, ["all"])]


@pytest.fixture(scope="module")
def prepared(dry):
    """The same, and the bass of the two: five units."""
    return [with_settings(one, bass=one.name != "panels") for one in dry]


@pytest.fixture(autouse=True)
def no_page(monkeypatch):
    """Leave out what is made of results afterwards: it is the same code for all."""
    monkeypatch.setattr(raysim.study, "derive", lambda *_: None)


def in_one_process(prepared, folder):
    """Give the outcome of a run, and what was computed for it."""
    begun = []

    def counted(unit, tell):
        begun.append(unit.label)
        return compute(unit, tell)

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(raysim.study, "derive", lambda *_: None)
        patch.setattr(raysim.spread.share, "compute", counted)
        return run(prepared, folder), begun


@pytest.fixture(scope="module")
def alone(prepared, tmp_path_factory):
    """Results of one process."""
    return in_one_process(prepared, tmp_path_factory.mktemp("alone"))


def held(path):
    """Give all datasets and attributes of a result file, but the time of its making."""
    found = {}

    def note(name, h5):
        for key, value in h5.attrs.items():
            if key not in ("created_utc", "DIMENSION_LIST", "REFERENCE_LIST"):
                found[name, key] = np.asarray(value).tolist()
        if isinstance(h5, h5py.Dataset):
            found[name] = h5[()].tobytes() if h5.dtype.kind != "O" else list(h5.asstr()[()])

    with h5py.File(path, "r") as file:
        file.visititems(note)
    return found


def same(one, other):
    a, b = held(one), held(other)
    assert len(a) > 100
    return a == b


# --- the same room under several names --------------------------------------------------


def contents_of(path, layout):
    """Give all that was computed of a layout."""
    begins = [f"layouts/{layout}/{part}/" for part in ("pairs", "bass")]
    found = {}
    for key, value in held(path).items():
        name = key if isinstance(key, str) else key[0]
        if name.startswith(tuple(begins)):
            found[str(key).replace(f"layouts/{layout}/", "")] = value
    assert len(found) > 50
    return found


def test_same_room_is_computed_once_for_all_its_names(alone):
    outcome, begun = alone
    rays = [f'{source} in "{room}"' for room in NAMES[:2] for source in ("voice", "cello")]
    assert begun == [*rays[:2], f'bass in "{AS_DESCRIBED}"', *rays[2:]]
    assert outcome.alike == ((AS_DESCRIBED, "nothing new"),)
    described, panels, nothing = (contents_of(outcome.results, name) for name in NAMES)
    assert described == nothing
    assert described != panels  # the twin


def test_name_that_comes_later_takes_what_is_there(dry, tmp_path):
    _, begun = in_one_process(dry[:1], tmp_path)
    assert len(begun) == 2
    outcome, begun = in_one_process([dry[2]], tmp_path)
    assert (outcome.reused, begun) == (2, [])
    path = outcome.results
    assert contents_of(path, "nothing new") == contents_of(path, AS_DESCRIBED)
    _, begun = in_one_process([dry[1]], tmp_path)
    assert len(begun) == 2  # the twin: another room


# --- processes --------------------------------------------------------------------------


def test_processes_give_the_same_bits_and_one_that_is_killed_loses_nothing(
    prepared, alone, tmp_path
):
    """One of two processes is killed as soon as it has told of its work."""
    told, killed = [], []

    def watch(share, known):
        told.append((share, known))
        if not killed:
            victim = multiprocessing.active_children()[0]
            killed.append(victim.pid)
            os.kill(victim.pid, signal.SIGKILL)

    outcome = run(prepared, tmp_path, watch, workers=2)
    assert same(outcome.results, alone[0].results)
    (remark,) = outcome.remarks
    assert remark.startswith("A process ended by itself (signal 9); ")
    assert remark.endswith(" was done again.")
    shares = [share for share, _ in told]
    assert shares == sorted(shares)
    assert {known.partition(": ")[0] for _, known in told[:-1]} == {AS_DESCRIBED, "panels"}
    assert multiprocessing.active_children() == []
    assert [p.name for p in tmp_path.iterdir()] == ["results.h5"]


def test_comparison_of_files_can_fail(alone, tmp_path):
    """Planted fault: one number is a little off."""
    path = shutil.copy(alone[0].results, tmp_path)
    assert same(path, alone[0].results)
    with h5py.File(path, "r+") as file:
        file["layouts/panels/pairs/voice/microphone/arrivals/delay_s"][0] *= 1.0 + 1e-15
    assert not same(path, alone[0].results)


def units_of(one):
    source = one.scene.sources[0]
    return [Unit(one.name, one.scene, one.room, source, tuple(one.receivers_of(source)))]


def test_processes_that_always_end_are_given_up(prepared):
    """Each is killed as it starts: nothing is tried for ever."""
    over = threading.Event()

    def kill():
        while not over.is_set():
            for child in multiprocessing.active_children():
                child.kill()
            time.sleep(0.01)

    killer = threading.Thread(target=kill)
    killer.start()
    notes, units = [], units_of(prepared[0])
    try:
        with pytest.raises(SpreadError, match=r"signal 9.*--workers 1.*RS-D11"):
            run_on_processes(
                units, 2, 2, lambda *_: None, Overall(units, lambda *_: None, False),
                notes.append,
            )  # fmt: skip
    finally:
        over.set()
        killer.join()
    assert len(notes) == 2
    assert multiprocessing.active_children() == []


def started(scene, folder):
    """Start a run on two processes, and wait until a first piece is stored."""
    process = subprocess.Popen(
        [sys.executable, "-m", "raysim", "simulate", str(scene), "--layout", "all",
         "--workers", "2", "--into", str(folder)],
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, start_new_session=True,
        env={**os.environ, "NUMBA_NUM_THREADS": "2"},
    )  # fmt: skip
    until_s = time.monotonic() + 120.0
    while not (folder / "results.h5").exists() and process.poll() is None:
        assert time.monotonic() < until_s
        time.sleep(0.01)
    return process


def group_is_gone(pid, within_s=10.0):
    """Tell if all processes of a session have ended."""
    until_s = time.monotonic() + within_s
    while time.monotonic() < until_s:
        try:
            os.killpg(pid, 0)
        except ProcessLookupError:
            return True
        time.sleep(0.02)
    return False


@pytest.fixture(scope="module")
def slow(tmp_path_factory):
    """The same with more rays, so that there is time to stop it; and its results."""
    more = ("rays = 2000", "rays = 24000")
    folder = tmp_path_factory.mktemp("slow")
    scene = write_quick(folder / "box", more, more=CELLO + LAYOUTS)
    return scene, in_one_process(prepare_all(scene, ["all"]), folder / "at once")[0].results


@pytest.mark.parametrize("how", [signal.SIGINT, signal.SIGKILL])
def test_stopped_run_keeps_what_is_complete(slow, tmp_path, how):
    """By Ctrl-C, which the whole group hears, or by kill -9 of the process that writes."""
    (scene, at_once), folder = slow, tmp_path / "out"
    process = started(scene, folder)
    if how == signal.SIGINT:
        os.killpg(process.pid, how)
    else:
        process.kill()
    _, err = process.communicate(timeout=60)
    assert group_is_gone(process.pid)
    if how == signal.SIGINT:
        assert process.returncode == 130
        assert err.startswith("stopped; ")
        assert err.endswith(" of 6 sources in 3 layouts are kept. The same command goes on.\n")
        assert [p.name for p in folder.iterdir()] == ["results.h5"]
    outcome, begun = in_one_process(prepare_all(scene, ["all"]), folder)
    assert outcome.reused >= 1
    assert 0 < len(begun) < 4
    assert [p.name for p in folder.iterdir()] == ["results.h5"]
    assert same(outcome.results, at_once)


def test_group_check_can_fail():
    """Planted fault: a process that lives on."""
    process = subprocess.Popen(["sleep", "60"], start_new_session=True)
    try:
        assert not group_is_gone(process.pid, 0.1)
    finally:
        process.kill()
        process.wait()


# --- how many ---------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("workers", "cluster", "words"),
    [
        (0, None, "0 is not possible"),
        (-1, None, "-1 is not possible"),
        (100_000, None, "100000 is not possible"),
        (2, "127.0.0.1:1", "a cluster has workers of its own"),
    ],
)
def test_numbers_of_processes_that_cannot_be(workers, cluster, words):
    with pytest.raises(SettingsError, match=rf"--workers: {words}.*RS-D10"):
        check_workers(workers, cluster)


@pytest.mark.parametrize(
    ("free", "n_thread", "expected"),
    [(None, 8, 1), (0, 8, 1), (2.5, 8, 1), (5.0, 8, 3), (100.0, 8, 4), (100.0, 3, 3)],
)
def test_number_of_processes_is_what_memory_allows(dry, monkeypatch, free, n_thread, expected):
    """Truth: by hand, for four units that need 1 GB each, of 70 % of what is free."""
    share = raysim.spread.share
    monkeypatch.setattr(Unit, "need_bytes", 1_000_000_000)
    monkeypatch.setattr(share, "free_bytes", lambda: free if free is None else int(free * 1e9))
    monkeypatch.setattr(share, "_n_thread", lambda: n_thread)
    assert affordable(units_of(dry[0]) * 4) == expected


def test_free_memory_is_what_the_system_says():
    """Truth: what the kernel's own call says, which leaves out what it could give back."""
    free = raysim.spread.share.free_bytes()
    whole = os.sysconf("SC_PHYS_PAGES") * os.sysconf("SC_PAGE_SIZE")
    assert 0.3 * os.sysconf("SC_AVPHYS_PAGES") * os.sysconf("SC_PAGE_SIZE") < free < whole


@pytest.mark.parametrize(("pays_s", "n_here"), [(0.0, 1), (1e9, 4)])
def test_processes_are_started_only_where_that_pays(dry, tmp_path, monkeypatch, pays_s, n_here):
    there = []
    monkeypatch.setattr(raysim.spread.share, "_PAYS_S", pays_s)
    monkeypatch.setattr(raysim.spread.share, "affordable", lambda _: 2)

    def elsewhere(units, _workers, _threads, done, overall, _note):
        for unit in units:
            there.append(unit)
            overall.complete(unit)
            done(unit, compute(unit, lambda *_: None))

    monkeypatch.setattr(raysim.spread.processes, "run_on_processes", elsewhere)
    with pytest.MonkeyPatch.context() as patch:
        here = []
        patch.setattr(
            raysim.spread.share, "compute", lambda u, tell: here.append(u) or compute(u, tell)
        )
        run(dry, tmp_path, workers=None)
    assert (len(here), len(there)) == (n_here, 4 - n_here)


# --- what travels -----------------------------------------------------------------------


def test_arrays_stay_protected_on_their_way(prepared):
    """Truth: the arrays sent. Twin: plain pickling, after which kernels compile anew."""
    source = prepared[0].scene.sources[0]
    assert not source.position_m.flags.writeable
    back = unpack(pack(source))
    assert not back.position_m.flags.writeable
    assert np.array_equal(back.position_m, source.position_m)
    assert pickle.loads(pickle.dumps(source)).position_m.flags.writeable


def test_errors_arrive_with_their_complaints():
    error = StoreError(
        [Complaint("a", "b.", "c.", "RS-H01"), Complaint("d", "e.", "f.", "RS-H02")]
    )
    back = unpack(pack(error))
    assert type(back) is StoreError
    assert back.complaints == error.complaints


def test_error_of_a_unit_ends_the_run(prepared):
    """A source in the wall has no bass: the message is the one that one process gives."""
    one = prepared[0]
    buried = raysim.study.replace(one.scene.sources[0], position_m=np.array([9.0, 9.0, 9.0]))
    scene = raysim.study.replace(one.scene, sources=(buried,))
    units = [Unit(one.name, scene, one.room)]
    with pytest.raises(raysim.errors.RaysimError, match="RS-"):
        run_on_processes(
            units, 1, 1, lambda *_: None, Overall(units, lambda *_: None, False), print
        )
    assert multiprocessing.active_children() == []


# --- pieces -----------------------------------------------------------------------------


def folder_of(path):
    return Path(f"{path}.parts")


def test_pieces_survive_until_they_are_gathered(dry, tmp_path, monkeypatch):
    """Nothing is gathered here but by hand: pieces alone are enough to go on."""
    path = tmp_path / "results.h5"
    monkeypatch.setattr(Stock, "_gather_if_due", lambda _: None)
    monkeypatch.setattr(Stock, "gather_pieces", lambda _: None)
    with pytest.raises(Stopped):
        run(dry, tmp_path, stop_when("panels"))
    assert not path.exists()
    pieces = sorted(p.name for p in folder_of(path).iterdir())
    assert len(pieces) == 2 + 1  # sources, and the lock
    # one is broken, one is someone's
    (folder_of(path) / pieces[0]).write_bytes(b"\x89HDF\r\n\x1a\n")
    (folder_of(path) / "letter.txt").write_text("Dear all")
    monkeypatch.undo()
    with Stock(path) as stock:
        rooms = stock.rooms()
        found = [stock.has_rays(rooms[AS_DESCRIBED].key, s) for s in ("voice", "cello")]
    assert sorted(found) == [False, True]
    assert (folder_of(path) / "letter.txt").exists()


def stop_when(name):
    def watch(_share, known):
        if known.startswith(name):
            raise KeyboardInterrupt

    return watch


def test_two_runs_do_not_share_a_folder(tmp_path, monkeypatch):
    monkeypatch.setattr(replace, "WAIT_S", 0.1)
    path = tmp_path / "results.h5"
    with Stock(path), pytest.raises(StoreError, match=r"another process is writing.*RS-H07"):
        Stock(path).__enter__()
    with Stock(path):  # and is free again
        pass
    assert list(tmp_path.iterdir()) == []


def test_half_a_layout_says_so(dry, tmp_path):
    """What is stored of a layout that lacks a source has a key of its own."""
    with pytest.raises(Stopped) as stopped:
        run(dry[:1], tmp_path, stop_when("cello"))
    assert (stopped.value.kept, stopped.value.n_source) == (1, 2)
    with open_results(tmp_path / "results.h5") as results:
        assert results.layout_key(AS_DESCRIBED).endswith(" first 1")
        assert isinstance(results.counts(AS_DESCRIBED)["voice"], RayCount)
