"""Tell what the modes of a room cost with linear algebra on one thread, and on the library's.

Demo rooms with porous bodies, which have the largest matrices, once each: what is compared
differs by far more than rounds do. Exits with 1 if modes differ by more than rounding.
"""

import argparse
import sys
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
from contest import conditions

from raysim.algebra import one_blas_thread
from raysim.propagation import bass
from raysim.propagation.modes import room_modes
from raysim.records import Modes
from raysim.scene.air import gas
from raysim.study import prepare_all

SCENES = Path(__file__).parents[1] / "scenes"
ROOMS = ("weir-bulletin:C2", "weir-bulletin:C3", "ferry-slip-trio:B3")
MODES_HZ, ROUNDING = 200.0, 1e-9


def asked(name: str, layout: str) -> tuple[object, ...]:
    """Give what a run asks `room_modes` for in a layout."""
    one = next(p for p in prepare_all(SCENES / name, [layout]) if p.name == layout)
    scene, space = one.scene, bass.airspace(one.scene, one.room)
    places = [np.stack([p.position_m for p in of]) for of in (scene.sources, scene.receivers)]
    split_hz = bass.crossover_hz(scene, one.room.mesh.envelope_volume_m3)
    speed_m_s = gas(scene.air).speed_m_s
    return space.mesh, space.walls, space.fills, *places, speed_m_s, min(MODES_HZ, split_hz)


def spent(function: Callable[[], Modes]) -> tuple[float, float, Modes]:
    """Give seconds of processor and of the wall, and the modes."""
    cpu_s, wall_s = time.process_time(), time.perf_counter()
    modes = function()
    return time.process_time() - cpu_s, time.perf_counter() - wall_s, modes


def same(a: Modes, b: Modes) -> bool:
    """Say whether modes are the same but for rounding."""
    return a.freq_hz.size == b.freq_hz.size and all(
        np.allclose(x, y, rtol=ROUNDING)
        for x, y in ((a.freq_hz, b.freq_hz), (a.decay_s, b.decay_s))
    )


def main() -> None:
    """Print a row for each room, alone and busy."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n", 1)[0])
    parser.add_argument("--room", action="append", default=[], help="SCENE:LAYOUT")
    rooms = parser.parse_args().room or ROOMS
    print(conditions(None, "numpy", "scipy", "threadpoolctl"))
    print(
        "| room | one thread, processor s | wall s | the library's, processor s | wall s "
        "| ratio, processor | wall |\n" + "|-" * 7 + "|"
    )
    for room in rooms:
        name, layout = room.split(":")
        arguments = asked(name, layout)
        with one_blas_thread():
            room_modes(*arguments)  # what is fitted and kept is not timed
        one = spent(lambda a=arguments: room_modes(*a))
        many = spent(lambda a=arguments: room_modes.__wrapped__(*a))
        if not same(one[2], many[2]):
            sys.exit("fast but wrong: modes differ by more than rounding")
        print(
            f"| {name}, {layout} | {one[0]:.1f} | {one[1]:.1f} | {many[0]:.1f} | {many[1]:.1f} "
            f"| {many[0] / one[0]:.1f} | {many[1] / one[1]:.1f} |",
            flush=True,
        )


if __name__ == "__main__":
    main()
