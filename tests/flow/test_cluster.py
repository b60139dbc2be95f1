"""A run on a real Dask cluster of this machine: a scheduler and two workers.

Truth: the bits of the same run in one process.
"""

import importlib.util
import json
import os
import signal
import socket
import subprocess
import sys
import time

import h5py
import numpy as np
import pytest
from quick import LAYOUTS, write_quick

import raysim.spread.cluster
import raysim.spread.units
import raysim.study
from raysim.cli import main
from raysim.errors import SpreadError
from raysim.spread.cluster import _serve, run_on_cluster
from raysim.spread.progress import Overall
from raysim.spread.units import Unit, fingerprint, pack
from raysim.study import prepare_all, run

needs_dask = pytest.mark.skipif(
    importlib.util.find_spec("distributed") is None,
    reason="Dask is not installed: pip install 'raysim[cluster]'",
)

MORE_LAYOUTS = "".join(
    f"""
[[layout]]
name = "panel {i}"

[[layout.item]]
name = "W1"
treatment = "wool_panel_100"
on = "south"
from_m = {{west = {0.5 + 0.2 * i}, floor = 0.7}}
"""
    for i in range(3)
)


def dask(*arguments):
    """Start a program of Dask that hears nothing of this one's Ctrl-C."""
    return subprocess.Popen(
        [sys.executable, "-m", "dask", *map(str, arguments)],
        stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, start_new_session=True,
        env={**os.environ, "NUMBA_NUM_THREADS": "1"},
    )  # fmt: skip


class Cluster:
    """A scheduler and workers on 127.0.0.1."""

    def __init__(self, folder):
        self._folder, self._file = folder, folder / "scheduler.json"
        self.scheduler = dask(
            "scheduler", "--host", "127.0.0.1", "--port", 0, "--no-dashboard",
            "--scheduler-file", self._file,
        )  # fmt: skip
        until_s = time.monotonic() + 60.0
        while not self._file.exists() or not self._file.read_text():
            assert time.monotonic() < until_s
            time.sleep(0.05)
        self.address = json.loads(self._file.read_text())["address"]
        self.workers = []

    def add_workers(self, n):
        for _ in range(n):
            self.workers.append(
                dask(
                    "worker", self.address, "--nthreads", 1, "--no-nanny", "--no-dashboard",
                    "--host", "127.0.0.1", "--local-directory", self._folder,
                )
            )  # fmt: skip
        import distributed

        with distributed.Client(self.address, timeout=10.0, set_as_default=False) as client:
            client.wait_for_workers(len(self.workers), timeout=60.0)

    def end(self):
        for process in (*self.workers, self.scheduler):
            process.kill()
            process.wait()


@pytest.fixture(scope="module")
def cluster(tmp_path_factory):
    started = Cluster(tmp_path_factory.mktemp("cluster"))
    yield started
    started.end()


@pytest.fixture(scope="module")
def prepared(tmp_path_factory):
    low = ("bass = false", "bass = false\ncrossover_hz = 100.0")
    folder = tmp_path_factory.mktemp("scene") / "box"
    scene = write_quick(folder, low, more=LAYOUTS + MORE_LAYOUTS)
    return prepare_all(scene, ["all"])


@pytest.fixture(autouse=True)
def no_page(monkeypatch):
    """Leave out what is made of results afterwards: it is the same code for all."""
    monkeypatch.setattr(raysim.study, "derive", lambda *_: None)


def held(path):
    """Give all datasets of a result file."""
    found = {}

    def note(name, h5):
        if isinstance(h5, h5py.Dataset) and h5.dtype.kind != "O":
            found[name] = h5[()].tobytes()

    with h5py.File(path, "r") as file:
        file.visititems(note)
    assert len(found) > 100
    return found


def on_cluster(units, address):
    overall = Overall(units, lambda *_: None, False)
    run_on_cluster(units, address, lambda *_: None, overall, print)


# The tests of one cluster follow each other: without workers, then with two, then with one.


@needs_dask
def test_scheduler_without_workers(cluster, prepared):
    with pytest.raises(SpreadError, match=r"the scheduler has no workers.*RS-D13"):
        on_cluster([Unit("bare", prepared[0].scene, prepared[0].room)], cluster.address)


@needs_dask
def test_workers_of_another_raysim_are_refused(cluster, prepared, monkeypatch):
    """The worker is as it should be; it is this side that says it has another version."""
    cluster.add_workers(2)
    other = fingerprint().replace("raysim ", "raysim 99.")
    monkeypatch.setattr(raysim.spread.cluster, "fingerprint", lambda: other)
    with pytest.raises(SpreadError, match=r"do not have the raysim that is here.*RS-D14"):
        on_cluster([Unit("bare", prepared[0].scene, prepared[0].room)], cluster.address)


def test_worker_that_joined_late_refuses_too():
    with pytest.raises(SpreadError, match="RS-D14"):
        _serve(pack(None), "raysim 99")


@needs_dask
def test_lost_worker_loses_nothing(cluster, prepared, tmp_path):
    """One of two is killed once a first unit is there, while it computes another."""

    def watch(_share, _known):
        if len(cluster.workers) == 2:
            worker = cluster.workers.pop()
            worker.send_signal(signal.SIGKILL)
            worker.wait()

    outcome = run(prepared, tmp_path / "spread", watch, cluster=cluster.address)
    alone = run(prepared, tmp_path / "alone")
    assert held(outcome.results) == held(alone.results)
    assert len(held(outcome.results)) > len(prepared) * 10
    assert outcome.remarks == (
        "1 of the cluster's workers left; what they were doing was done again.",
    )


@needs_dask
def test_mistake_in_a_unit_is_told_as_ever(cluster, prepared):
    one = prepared[0]
    buried = raysim.study.replace(one.scene.sources[0], position_m=np.array([9.0, 9.0, 9.0]))
    scene = raysim.study.replace(one.scene, sources=(buried,))
    with pytest.raises(raysim.errors.RaysimError, match="RS-B02"):
        on_cluster([Unit("bare", scene, one.room)], cluster.address)


@needs_dask
def test_nobody_at_the_address(tmp_path, monkeypatch, capsys):
    """Through the command; nothing is left behind."""
    monkeypatch.setattr(raysim.spread.cluster, "_PATIENCE_S", 1.0)
    scene = write_quick(tmp_path / "box")
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))  # a port where nobody listens
        address = f"127.0.0.1:{taken.getsockname()[1]}"
        folder = tmp_path / "out"
        assert main(["simulate", str(scene), "--cluster", address, "--into", str(folder)]) == 2
    assert not folder.exists()
    err = capsys.readouterr().err
    assert err.startswith(f"--cluster {address}: no scheduler answers there within 1 s (")
    assert err.endswith("Start one with: dask scheduler; it prints its address. [RS-D13]\n")


def test_without_dask_the_message_says_what_to_install(prepared, monkeypatch):
    monkeypatch.setitem(sys.modules, "distributed", None)
    with pytest.raises(SpreadError, match=r"not installed here.*raysim\[cluster\].*D12"):
        on_cluster([Unit("bare", prepared[0].scene, prepared[0].room)], "127.0.0.1:1")
