"""Tell how fast the wave solver steps real rooms beside a bare 7-point update.

The attic of the tests at the grid for 700 Hz, with walls of two branches each and with rigid
ones; a demo room at its default crossover, bare and in two layouts with porous bodies. The
bare update steps as many cells in a full box, on as many threads, and is the quickest that
the same arithmetic can be made: planes of a box are stepped from end to end, over the cells
between two rows. All in float32. Physics is checked: the balance of energy must hold.
"""

import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import numba
import numpy as np
from contest import conditions
from numba import prange

from raysim.absorbers.admittance import RIGID, Admittance
from raysim.absorbers.fit import seen_from
from raysim.core.compile import loop
from raysim.geometry.build import build_room
from raysim.propagation import bass
from raysim.propagation.wave import BALANCE, Stepper, WaveRoom, default_spacing_m, wave_room
from raysim.propagation.wave_cells import step_run
from raysim.scene.air import gas
from raysim.study import prepare

sys.path.insert(0, str(Path(__file__).parents[1] / "tests"))
from rooms import attic_scene

SCENES = Path(__file__).parents[1] / "scenes"
HIGH_HZ, SPEED_M_S, N_ROUND = 700.0, 343.2, 5
#: Cells stepped in a round, about.
N_CELL = 2e8
WALL = Admittance.of(0.02, [(2.0, 2e-3, 400.0), (8.0, 1e-3, 4000.0)])


@loop
def bare(p, n_step, n_x, n_y, n_z):
    """Step a full box, walls left out."""
    c = np.float32(0.28)
    for n in range(n_step):
        for k in prange(1, n_z - 1):
            start = k * n_x * n_y + n_x + 1
            step_run(
                p[n % 2], p[1 - n % 2], start, start + n_x * (n_y - 2) - 2, n_x, n_x * n_y,
                np.float32(2.0) - np.float32(6.0) * c, c, c, c,
            )  # fmt: skip


def attic(wall: Admittance) -> tuple[WaveRoom, np.ndarray, np.ndarray]:
    """Give the attic with one kind of wall, a source and an ear."""
    mesh = build_room(attic_scene(sources=(), receivers=()))
    spacing_m = default_spacing_m(HIGH_HZ, SPEED_M_S)
    room = wave_room(mesh, [wall] * len(mesh.surfaces), spacing_m, SPEED_M_S)
    return room, np.array([1.0, 1.5, 1.0]), np.array([[3.0, 2.0, 1.2]])


def demo(name: str, layout: str | None) -> tuple[WaveRoom, np.ndarray, np.ndarray]:
    """Give a demo room in a layout, its first source and that source's ears."""
    prepared = prepare(SCENES / name, layout)
    scene, air = prepared.scene, gas(prepared.scene.air)
    split_hz = bass.crossover_hz(scene, prepared.mesh.envelope_volume_m3)
    space = bass.airspace(scene, prepared.room)
    h_m = default_spacing_m(split_hz, air.speed_m_s)
    walls = [seen_from(w, 0.5 * h_m, air.speed_m_s) for w in space.walls]
    room = wave_room(
        space.mesh, walls, h_m, air.speed_m_s, air.density_kg_m3, space.fills, space.veils
    )
    source = scene.sources[0]
    ears_m = np.stack([r.position_m for r in prepared.receivers_of(source)])
    return room, source.position_m, ears_m


def rooms() -> Iterator[tuple[str, tuple[WaveRoom, np.ndarray, np.ndarray]]]:
    """Give the rooms by name."""
    yield "attic, two branches", attic(WALL)
    yield "attic, rigid", attic(RIGID)
    for layout in (None, "C2", "C3"):
        yield f"weir-bulletin, {layout or 'as described'}", demo("weir-bulletin", layout)


def spent_s(work: Callable[..., object], *arguments: object) -> float:
    """Give the seconds of one run."""
    start = time.perf_counter()
    work(*arguments)
    return time.perf_counter() - start


def main() -> int:
    """Time both, turn by turn, and refuse to report a wrong answer."""
    most, worst = numba.get_num_threads(), 0.0
    print(conditions(None, "numba"))
    print("| room | cells | cut | states | faces with pores | threads | Gcell/s | bare | ratio "
          "| balance off |")  # fmt: skip
    print("|---|---|---|---|---|---|---|---|---|---|")
    for name, (room, source_m, ears_m) in rooms():
        stepper = Stepper(room, source_m, ears_m, np.array([1.0, -1.0]), 10**6)
        side = round(room.n_air ** (1.0 / 3.0))
        box = [side + 2] * 3
        p = np.zeros((2, (side + 2) ** 3), dtype=np.float32)
        p[0, p.shape[1] // 2] = 1.0
        n_step = round(N_CELL / room.n_air)
        for n_thread in sorted({1, most}):
            numba.set_num_threads(n_thread)
            stepper.advance(2)
            bare(p, 2, *box)
            ours, theirs = np.inf, np.inf
            for _ in range(N_ROUND):
                ours = min(ours, spent_s(stepper.advance, n_step))
                theirs = min(theirs, spent_s(bare, p, n_step, *box))
            own, other = room.n_air * n_step / ours / 1e9, side**3 * n_step / theirs / 1e9
            off = abs(stepper.energy() + stepper.taken - stepper.put) / stepper.put
            worst = max(worst, off)
            print(
                f"| {name} | {room.n_air:,} | {100 * room.cut_cell.size / room.n_air:.1f} % "
                f"| {int(room.state_start[-1]):,} | {len(room.face_cells):,} | {n_thread} "
                f"| {own:.2f} | {other:.2f} | {own / other:.2f} | {off:.0e} |",
                flush=True,
            )
    return int(not worst < BALANCE)


if __name__ == "__main__":
    sys.exit(main())
