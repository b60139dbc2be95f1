"""Tell what a CUDA card gives: nearest walls, whole ray lives, and steps of the wave solver.

Each part is checked before it is told: hits equal the processor's, energies agree with the
processor's run of the same seed to rounding, what receivers hear agrees, and the balance of
energy holds. The ceiling of the wave solver is a copy of the same size, timed here: a step
reads each pressure twice and writes it once, 12 bytes a cell.
"""

import sys
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
from contest import conditions
from furnished import Sample, acoustic, bare, directions, fine, furnished, scene_of
from numba import cuda

from raysim.absorbers.admittance import Admittance
from raysim.geometry.build import build_room
from raysim.propagation import cpu, gpu_rays
from raysim.propagation.gpu_wave import GpuStepper
from raysim.propagation.rays import RayRun, expected_duration_s
from raysim.propagation.wave import BALANCE, Stepper, default_spacing_m, wave_room

sys.path.insert(0, str(Path(__file__).parents[1] / "tests"))
from rooms import attic_scene

SEED, N_ROUND, SPEED_M_S = 1, 3, 343.2
N_HIT, N_RAY, N_CHECK = 1 << 24, 1 << 22, 1 << 16
WALL = Admittance.of(0.02, [(2.0, 2e-3, 400.0), (8.0, 1e-3, 4000.0)])


def best_s(work: Callable[[], object]) -> float:
    """Give the least seconds of some rounds, the machine's queue emptied."""
    spent = []
    for _ in range(N_ROUND):
        cuda.synchronize()
        start = time.perf_counter()
        work()
        cuda.synchronize()
        spent.append(time.perf_counter() - start)
    return min(spent)


def hits(sample: Sample) -> bool:
    """Time nearest walls; give whether they are the processor's."""
    room = acoustic(sample)
    rng = np.random.default_rng(SEED)
    start = np.tile(sample.starts(rng, 1 << 20), (N_HIT >> 20, 1)).astype(np.float32)
    way = np.tile(directions(rng, 1 << 20), (N_HIT >> 20, 1)).astype(np.float32)
    arrays = [cuda.to_device(a) for a in (*room.tree_arrays(on_gpu=True), start, way)]
    distance = cuda.to_device(np.zeros(N_HIT, dtype=np.float32))
    piece = cuda.to_device(np.zeros(N_HIT, dtype=np.uint32))

    def shoot() -> None:
        n_block = N_HIT // gpu_rays.BLOCK
        gpu_rays.first_hit_kernel[n_block, gpu_rays.BLOCK](*arrays, distance, piece)

    shoot()
    spent_s = best_s(shoot)
    n = 1 << 18
    own, own_piece = np.zeros(n, dtype=np.float32), np.zeros(n, dtype=np.uint32)
    cpu.first_hits(*room.tree_arrays(), start[:n], way[:n], own, own_piece)
    differ = np.abs(own - distance.copy_to_host()[:n]) > 1e-4
    other = own_piece != piece.copy_to_host()[:n]
    print(
        f"| {sample.name} | {len(sample.mesh.triangles_m)} | {N_HIT / spent_s / 1e9:.2f} "
        f"| {int(differ.sum())} | {int(other.sum())} |",
        flush=True,
    )
    return bool(differ.mean() < 1e-4)


def lives(name: str, crowded: bool, n_receiver: int) -> bool:
    """Time whole lives; give whether energies are the processor's but for grazing rays."""
    sample = furnished(crowded=crowded)
    room, scene = acoustic(sample), scene_of(sample.boxes)
    heard = list(scene.receivers)[:n_receiver]

    def run(on_gpu: bool, n_ray: int) -> RayRun:
        rays = RayRun(
            room, scene.sources[0], heard, seed=SEED, duration_s=expected_duration_s(room),
            bin_s=0.001, image_order=3, pair_order=0, on_gpu=on_gpu,
        )  # fmt: skip
        rays.follow(n_ray)
        return rays

    a, b = run(False, N_CHECK), run(True, N_CHECK)
    off = sigmas = 0.0
    if n_receiver:
        own, other = a.histograms()[0].energy, b.histograms()[0].energy
        off = float(np.abs(own - other).max() / own.max())
        # A ray that grazes an edge may pass on one machine and not on the other, and is
        # another ray from then on: few enough that no sum is off by half its own error.
        sums, gaps = own.sum(axis=2), (own - other).sum(axis=2)
        sigmas = float(
            (np.abs(gaps.mean(axis=0)) / (sums.std(axis=0) / len(sums) ** 0.5)).max()
        )
    n_off = a.count.n_segment - b.count.n_segment
    share_off = abs(n_off) / b.count.n_segment

    def rate_of(run: RayRun, n_ray: int) -> float:
        before = run.count.n_segment
        begun = time.perf_counter()
        run.follow(n_ray)
        return (run.count.n_segment - before) / (time.perf_counter() - begun)

    rate, own_rate = rate_of(b, N_RAY), rate_of(a, N_RAY // 64)
    print(
        f"| {name} | {len(sample.mesh.triangles_m)} | {n_receiver} | {rate / 1e9:.3f} "
        f"| {own_rate / 1e6:.1f} | {rate / own_rate:.0f} | {n_off} | {off:.1e} "
        f"| {sigmas:.1e} |",
        flush=True,
    )
    return sigmas < 0.5 and share_off < 1e-5


def copy_gb_s() -> float:
    """Give the bandwidth of a copy on the card, bytes read and written."""
    import cupy

    a = cupy.zeros(1 << 30, dtype=cupy.float32)
    b = cupy.zeros_like(a)

    def copy() -> None:
        b[...] = a
        cupy.cuda.Device().synchronize()

    copy()
    return float(2 * a.nbytes / best_s(copy) / 1e9)


def wave(high_hz: float, copied: float, check: bool) -> bool:
    """Time steps of the attic; give whether pressure and balance are right."""
    mesh = build_room(attic_scene(sources=(), receivers=()))
    begun = time.perf_counter()
    room = wave_room(
        mesh, [WALL] * len(mesh.surfaces), default_spacing_m(high_hz, SPEED_M_S), SPEED_M_S
    )
    built_s = time.perf_counter() - begun
    where = np.array([1.0, 1.5, 1.0]), np.array([[3.0, 2.0, 1.2]])
    drive = np.array([1.0, -1.0])
    n_step = 1000
    stepper = GpuStepper(room, *where, drive, 10**5)
    stepper.advance(2)
    stepper.advance(n_step)
    off = abs(stepper.energy() + stepper.taken - stepper.put) / stepper.put
    spent_s = best_s(lambda: stepper.advance(n_step))
    rate = room.n_air * n_step / spent_s / 1e9
    told = "-"
    differ = 0.0
    if check:
        own = Stepper(room, *where, drive, 10**5)
        own.advance(2)
        own.advance(n_step)
        heard = own.heard[0, : n_step + 2]
        differ = float(
            np.abs(heard - stepper.heard[0, : n_step + 2]).max() / np.abs(heard).max()
        )
        begun = time.perf_counter()
        own.advance(200)
        own_rate = room.n_air * 200 / (time.perf_counter() - begun) / 1e9
        told = f"{own_rate:.2f}"
    print(
        f"| {high_hz:.0f} | {room.n_air:,} | {100 * room.cut_cell.size / room.n_air:.1f} % "
        f"| {rate:.1f} | {told} | {12.0 * rate / copied:.2f} | {1.0 / room.step_s:,.0f} "
        f"| {spent_s / n_step / room.step_s:.2f} | {built_s:.0f} | {off:.0e} | {differ:.0e} |",
        flush=True,
    )
    return off < BALANCE and differ < 1e-4


def main() -> int:
    """Run all parts; 1 if any answer is wrong."""
    print(conditions(SEED, "numba", "numba-cuda"))
    print("\n| nearest wall | triangles | Gray/s | distances off | other piece |")
    print("|-|-|-|-|-|")
    right = [hits(s) for s in (bare(), furnished(False), furnished(True), fine())]
    print("\n| lives | triangles | receivers | Gsegment/s | CPU, Msegment/s | ratio "
          "| segments off | energy of a bin off | energy off, sigma |")  # fmt: skip
    print("|-|-|-|-|-|-|-|-|-|")
    right += [
        lives(name, crowded, n)
        for name, crowded in (("furnished", False), ("crowded", True))
        for n in (0, 1)
    ]
    copied = copy_gb_s()
    print(f"\ncopy: {copied:.0f} GB/s\n")
    print("| to, Hz | cells | cut | Gcell/s | CPU | of copy | steps/s | s per s of response "
          "| built, s | balance off | heard off |")  # fmt: skip
    print("|-|-|-|-|-|-|-|-|-|-|-|")
    right += [wave(hz, copied, hz < 1000.0) for hz in (700.0, 1400.0, 2000.0)]
    return int(not all(right))


if __name__ == "__main__":
    sys.exit(main())
