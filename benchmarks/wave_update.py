"""Tell how fast the wave solver steps a real room beside a bare 7-point update.

The attic of the tests, walls of two branches each, at the grid for 700 Hz; the bare update
steps as many cells in a full box. Both in float32 on all threads. Physics is checked: the
balance of energy must hold.
"""

import sys
import time
from pathlib import Path

import numba
import numpy as np
from contest import conditions
from numba import prange

from raysim.absorbers.admittance import Admittance
from raysim.core.compile import loop
from raysim.core.stencil import step_row
from raysim.geometry.build import build_room
from raysim.propagation.wave import BALANCE, Stepper, default_spacing_m, wave_room

sys.path.insert(0, str(Path(__file__).parents[1] / "tests"))
from rooms import attic_scene

HIGH_HZ, SPEED_M_S, N_STEP, N_ROUND = 700.0, 343.2, 200, 3
WALL = Admittance.of(0.02, [(2.0, 2e-3, 400.0), (8.0, 1e-3, 4000.0)])


@loop
def bare(p, n_step, n_x, n_y, n_z):
    """Step a full box, walls left out."""
    c = np.float32(0.28)
    for n in range(n_step):
        for k in prange(1, n_z - 1):
            for j in range(1, n_y - 1):
                start = (k * n_y + j) * n_x + 1
                step_row(
                    p[n % 2], p[1 - n % 2], start, n_x - 2, n_x, n_x * n_y,
                    np.float32(2.0) - np.float32(6.0) * c, c, c, c,
                )  # fmt: skip


def main() -> int:
    """Time both, turn by turn, and refuse to report a wrong answer."""
    mesh = build_room(attic_scene(sources=(), receivers=()))
    room = wave_room(
        mesh, [WALL] * len(mesh.surfaces), default_spacing_m(HIGH_HZ, SPEED_M_S), SPEED_M_S
    )
    ear_m = np.array([[3.0, 2.0, 1.2]])
    stepper = Stepper(room, np.array([1.0, 1.5, 1.0]), ear_m, np.array([1.0, -1.0]), 10**6)
    side = round((room.n_air) ** (1.0 / 3.0))
    p = np.zeros((2, (side + 2) ** 3), dtype=np.float32)
    p[0, p.shape[1] // 2] = 1.0
    stepper.advance(2)
    bare(p, 2, side + 2, side + 2, side + 2)
    ours, theirs = [], []
    for _ in range(N_ROUND):
        start = time.perf_counter()
        stepper.advance(N_STEP)
        middle = time.perf_counter()
        bare(p, N_STEP, side + 2, side + 2, side + 2)
        ours.append(room.n_air * N_STEP / (middle - start) / 1e9)
        theirs.append(side**3 * N_STEP / (time.perf_counter() - middle) / 1e9)
    off = abs(stepper.energy() + stepper.taken - stepper.put) / stepper.put
    cut = room.cut_cell.size / room.n_air
    print(conditions(None))
    print("| room | cells | cut | Gcell/s | bare | ratio | steps per s of response |")
    print("|---|---|---|---|---|---|---|")
    print(
        f"| attic, {mesh.air_volume_m3:.0f} m3 | {room.n_air:,} | {100 * cut:.1f} % "
        f"| {max(ours):.2f} | {max(theirs):.2f} | {max(ours) / max(theirs):.2f} "
        f"| {1.0 / room.step_s:,.0f} |"
    )
    print(f"threads {numba.get_num_threads()}, balance of energy off by {off:.1e}")
    return int(off > BALANCE)


if __name__ == "__main__":
    sys.exit(main())
