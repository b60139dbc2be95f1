"""Tell what a run of many layouts costs as their number grows, on one process and on two.

A small room with one panel that moves from layout to layout, two sources, no bass, a fixed
number of rays. Storing is timed apart: the time that writes to the result file and to its
pieces took, as against writing the result file anew for every layout. Nothing is made of the
results. Exits with 1 if two processes give other numbers than one.
"""

import os
import sys
import tempfile
import time
from pathlib import Path
from unittest import mock

import h5py
import numpy as np
from contest import conditions

import raysim.study
from raysim.store import parts
from raysim.store.file import LayoutResult, RunHeader, open_results, write_layout
from raysim.study import Prepared, prepare_all, run

N_LAYOUT, N_WORKER, N_RAY = (1, 2, 4, 8), (1, 2), 4_000

_SCENE = f"""\
title = "Panel that moves"
[room]
plan_m = [[0, 0], [4, 0], [4, 3], [0, 3]]
height_m = 2.5
wall_names = ["south", "east", "north", "west"]
[surfaces]
south = "plaster"
east = "plaster"
north = "plaster"
west = "plaster"
floor = "plaster"
ceiling = "plaster"
[material.plaster]
alpha = 0.2
scattering = 0.3
[[source]]
name = "voice"
at_m = [1.0, 1.5, 1.2]
[[source]]
name = "cello"
at_m = [2.0, 0.8, 0.7]
[[receiver]]
name = "microphone"
at_m = [1.6, 1.5, 1.2]
[simulate]
rays = {N_RAY}
until_t30_pct = false
bass = false
"""

_LAYOUT = """
[[layout]]
name = "panel {i}"
[[layout.item]]
name = "W1"
treatment = "wool_panel_100"
on = "south"
from_m = {{west = {west}, floor = 0.7}}
"""


def rooms(folder: Path) -> list[Prepared]:
    """Give the room with each layout."""
    text = _SCENE + "".join(
        _LAYOUT.format(i=i, west=0.5 + 0.2 * i) for i in range(N_LAYOUT[-1])
    )
    (folder / "scene.toml").write_text(text, encoding="utf-8")
    return prepare_all(folder, ["all"])[1:]


def timed(prepared: list[Prepared], folder: Path, n_worker: int) -> tuple[float, float, float]:
    """Give seconds by the clock, of processors, and by the clock for storing."""
    spent_s = 0.0

    def clocked(write):
        def wrapped(*arguments, **named):
            nonlocal spent_s
            start_s = time.perf_counter()
            try:
                return write(*arguments, **named)
            finally:
                spent_s += time.perf_counter() - start_s

        return wrapped

    with (
        mock.patch.object(raysim.study, "derive", return_value=None),
        mock.patch.object(parts, "write_layout", clocked(parts.write_layout)),
        mock.patch.object(parts, "rewrite", clocked(parts.rewrite)),
    ):
        start_s, used_s = time.perf_counter(), used()
        run(prepared, folder, workers=n_worker)
        return time.perf_counter() - start_s, used() - used_s, spent_s


def used() -> float:
    """Give processor time of this process and of those that it has had."""
    spent = os.times()
    return spent.user + spent.system + spent.children_user + spent.children_system


def anew(folder: Path, into: Path, described) -> float:
    """Give how long it takes to write the same file, whole for every layout that is added."""
    with open_results(folder / "results.h5") as results:
        all_of = [
            LayoutResult(
                results.layout(name),
                tuple(results.pair(name, *pair) for pair in results.pair_names(name)),
                results.counts(name),
            )
            for name in results.layout_names
        ]
    start_s = time.perf_counter()
    for layout in all_of:
        write_layout(into, RunHeader(described), layout)
    return time.perf_counter() - start_s


def energies(folder: Path) -> list[np.ndarray]:
    """Give all energies of a result file."""
    found = []

    def take(name: str, h5: h5py.HLObject) -> None:
        if name.endswith("/energy"):
            found.append(h5[()])

    with h5py.File(folder / "results.h5") as file:
        file.visititems(take)
    return found


def main() -> int:
    """Print the table."""
    print(conditions(1, "numpy", "numba", "h5py"))
    print(
        "| layouts | processes | s | processor s | the same per layout | storing, s "
        "| whole for each layout, s |"
    )
    print("|-|-|-|-|-|-|-|")
    with tempfile.TemporaryDirectory() as name:
        base = Path(name)
        prepared = rooms(base)
        timed(prepared[:1], base / "warm", 1)
        for n_layout in N_LAYOUT:
            kept, each_s = [], 0.0
            for n_worker in N_WORKER:
                folder = base / f"{n_layout}-{n_worker}"
                whole_s, used_s, store_s = timed(prepared[:n_layout], folder, n_worker)
                kept.append(energies(folder))
                each_s = each_s or anew(folder, base / f"{n_layout}.h5", prepared[0].described)
                print(
                    f"| {n_layout} | {n_worker} | {whole_s:.1f} | {used_s:.1f} "
                    f"| {used_s / n_layout:.2f} | {store_s:.2f} | {each_s:.2f} |",
                    flush=True,
                )
            if len(kept[0]) != 4 * n_layout or not all(map(np.array_equal, *kept)):
                print("fast but wrong: two processes give other numbers than one")
                return 1
    return 0


if __name__ == "__main__":
    sys.exit(main())
