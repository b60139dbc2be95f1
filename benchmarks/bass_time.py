"""Tell what a second of bass costs in the demo rooms, beside their rays, and how much memory.

Rooms as described, at the default crossover of each; the wave solver is timed over some
steps and reckoned up to one second of response of one source. Rays: one round of 16 384
from the first source to its receivers. Physics is checked: the balance of energy must hold.
"""

import sys
import time
from pathlib import Path

import numpy as np
from contest import conditions

from raysim.absorbers.fit import seen_from
from raysim.propagation import bass, wave
from raysim.propagation.rays import RayRun
from raysim.scene.air import gas
from raysim.study import prepare

SCENES = Path(__file__).parents[1] / "scenes"
N_STEP, N_ROUND, N_RAY = 200, 3, 16_384


def held_mb(room: wave.WaveRoom, stepper: wave.Stepper) -> float:
    """Give the memory of a room and its pressures, megabytes."""
    parts = [getattr(room, name) for name in room.__slots__]
    parts += [getattr(room.grid, name) for name in room.grid.__slots__]
    parts += [getattr(stepper.tasks, name) for name in stepper.tasks.__slots__]
    parts += [stepper.p, stepper.state, stepper.face_state, stepper.face_flow, stepper.pending]
    return sum(part.nbytes for part in parts if isinstance(part, np.ndarray)) / 1e6


def main() -> int:
    """Time each room and refuse to report a wrong answer."""
    print(conditions(None))
    print("| room | m3 | crossover, Hz | cells | wave, s per s of response | rays, s "
          "| wave : rays | MB | MB per m3 |")  # fmt: skip
    print("|---|---|---|---|---|---|---|---|---|")
    worst = 0.0
    for name in ("weir-bulletin", "tide-tables", "ferry-slip-trio"):
        prepared = prepare(SCENES / name)
        scene, air = prepared.scene, gas(prepared.scene.air)
        split_hz = bass.crossover_hz(scene, prepared.mesh.envelope_volume_m3)
        space = bass.airspace(scene, prepared.room)
        h_m = wave.default_spacing_m(split_hz, air.speed_m_s)
        walls = [seen_from(w, 0.5 * h_m, air.speed_m_s) for w in space.walls]
        room = wave.wave_room(
            space.mesh, walls, h_m, air.speed_m_s, air.density_kg_m3, space.fills, space.veils
        )
        source = scene.sources[0]
        ears_m = np.stack([r.position_m for r in prepared.receivers_of(source)])
        stepper = wave.Stepper(room, source.position_m, ears_m, np.array([1.0, -1.0]), 10**5)
        stepper.advance(2)
        wave_s = np.inf
        for _ in range(N_ROUND):
            start = time.perf_counter()
            stepper.advance(N_STEP)
            wave_s = min(wave_s, (time.perf_counter() - start) / (N_STEP * room.step_s))
        worst = max(worst, abs(stepper.energy() + stepper.taken - stepper.put) / stepper.put)
        rays_s = np.inf
        for _ in range(N_ROUND):
            rays = RayRun(
                prepared.room, source, prepared.receivers_of(source), seed=1, duration_s=1.0,
                bin_s=0.001, image_order=3, pair_order=0,
            )  # fmt: skip
            start = time.perf_counter()
            rays.follow(N_RAY)
            rays_s = min(rays_s, time.perf_counter() - start)
        volume_m3, mb = space.mesh.air_volume_m3, held_mb(room, stepper)
        print(f"| {name} | {volume_m3:.1f} | {split_hz:.0f} | {room.n_air:,} | {wave_s:.1f} "
              f"| {rays_s:.1f} | {wave_s / rays_s:.1f} | {mb:.0f} "
              f"| {mb / volume_m3:.1f} |")  # fmt: skip
    print(f"balance of energy off by {worst:.1e} at most")
    return int(worst > wave.BALANCE)


if __name__ == "__main__":
    sys.exit(main())
