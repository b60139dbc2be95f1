"""Tell where the time of a whole study goes: all layouts of a demo room, to the last page.

One process, one thread, processor time, so that other work on the machine does not count.
Each stage is timed where it is called, less what is called within it. Needs some minutes; give
a scene and layouts to time others. Exits with 1 if the run keeps no energy balance or loses
rays, which the run itself refuses, or if a result is missing.
"""

import argparse
import sys
import tempfile
import time
from collections.abc import Callable
from importlib import import_module
from pathlib import Path
from typing import Any

import numba
from contest import conditions

from raysim.compare.comparison import compare
from raysim.store.file import open_results
from raysim.study import prepare_all, run, with_settings

#: Stage, whether it is physics, and the functions that are it, where they are looked up.
STAGES = (
    ("reading and building rooms", True, ["raysim.study._assemble"]),
    ("images", True, ["raysim.tracing.arrivals"]),
    ("rays", True, ["raysim.tracing.trace_source", "raysim.spread.units.trace_source"]),
    ("bass", True, ["raysim.spread.units.bass_of"]),
    ("measures", True, ["raysim.outputs.gather"]),
    ("responses", True, ["raysim.outputs._derive_pair"]),
    ("storing", False, [
        "raysim.store.parts.Stock.put_rays", "raysim.store.parts.Stock.put_bass",
        "raysim.store.parts.Stock.gather", "raysim.outputs.write_derived",
        "raysim.outputs.write_wav",
    ]),
    ("tables", False, ["raysim.outputs.write_tables"]),
    ("page", False, ["raysim.outputs.write_page"]),
)  # fmt: skip


class Clock:
    """Processor time by stage; time within an inner stage counts for the inner one."""

    def __init__(self) -> None:
        self.spent_s: dict[str, float] = {}
        self._open: list[float] = []

    def timed(self, stage: str, function: Callable[..., Any]) -> Callable[..., Any]:
        """Give the function with its time taken down."""

        def wrapped(*arguments: object, **options: object) -> object:
            start = time.process_time()
            self._open.append(0.0)
            try:
                return function(*arguments, **options)
            finally:
                whole = time.process_time() - start
                own = whole - self._open.pop()
                self.spent_s[stage] = self.spent_s.get(stage, 0.0) + own
                if self._open:
                    self._open[-1] += whole

        return wrapped


def watch(clock: Clock) -> None:
    """Put the clock around every stage's functions."""
    for stage, _, names in STAGES:
        for name in names:
            owner_name, own = name.rsplit(".", 1)
            try:
                owner = import_module(owner_name)
            except ModuleNotFoundError:  # a method: the owner is a class
                module, kind = owner_name.rsplit(".", 1)
                owner = getattr(import_module(module), kind)
            if hasattr(owner, own):
                setattr(owner, own, clock.timed(stage, getattr(owner, own)))


def main() -> int:
    """Run a study twice, the first time to compile, and tell the second."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--scene", default="scenes/weir-bulletin")
    parser.add_argument("--layout", action="append", default=[])
    arguments = parser.parse_args()
    numba.set_num_threads(1)
    scene = Path(__file__).parents[1] / arguments.scene
    imported_s = time.process_time()  # all that this process has done so far
    with tempfile.TemporaryDirectory() as folder:
        small = [
            with_settings(one, n_ray=256, until_t30_pct=0)
            for one in prepare_all(scene, ["as described"])
        ]
        run(small, Path(folder) / "small")
        clock = Clock()
        watch(clock)
        begun = time.process_time()
        prepared = prepare_all(scene, arguments.layout or ["all"])
        outcome = run(prepared, Path(folder) / "whole")
        with open_results(outcome.results) as results:
            if len(results.layout_names) != len(prepared):
                return 1
            compared = clock.timed("comparing", compare)
            if len(prepared) > 1:
                compared(results)
        whole_s = time.process_time() - begun + imported_s
    clock.spent_s["importing"] = imported_s
    print(conditions(1, "numba"))
    print(f"\n{arguments.scene}, {len(prepared)} layouts, {whole_s:.0f} s of one processor\n")
    print("| stage | s | % |\n|-|-|-|")
    rest = whole_s
    for stage, spent_s in sorted(clock.spent_s.items(), key=lambda item: -item[1]):
        rest -= spent_s
        print(f"| {stage} | {spent_s:.1f} | {100 * spent_s / whole_s:.1f} |")
    print(f"| the rest | {rest:.1f} | {100 * rest / whole_s:.1f} |")
    return 0


if __name__ == "__main__":
    sys.exit(main())
