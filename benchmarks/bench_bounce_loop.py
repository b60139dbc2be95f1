"""Tell how fast the bounce loop is beside the same loop in numpy arrays and Embree.

Furnished room, 8 bands, scattering, one receiver with a shadow ray at every wall and a
counting sphere, histograms of energy and eight moments in 32 batches. Both do the same
work per segment, so segments per second compare costs. Physics is checked: energy and
T30 of every band must agree within their errors, rays must not leak. Chance of a
false alarm: 16 comparisons at 4 sigma, about 1 in 1000, with fixed seeds.
"""

import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import multiprocessing
import sys
import time
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from functools import partial

import numba
import numpy as np
from array_loop import ArrayLoop
from contest import conditions, ratio_text, take_turns
from furnished import acoustic, furnished, scene_of

from raysim.measures.decay import fit_line
from raysim.propagation.rays import N_BATCH, RayRun, band_groups, expected_duration_s
from raysim.units import Float, to_level_db

SEED, BIN_S, IMAGE_ORDER = 1, 0.001, 3
N_RAY = 512  # per batch, to time
N_RAY_CHECK = 2048  # per batch, to compare: energies to about 1.4 %
#: Batches that the array loop takes at once: 4096 rays, the fastest of 512 to 8192.
AT_ONCE = 8
N_ROUND = 3
#: Rays that rounding may lose, per segment: a ten thousandth of what walls absorb.
_MOST_LOST = 1e-5


@dataclass(frozen=True, slots=True)
class Outcome:
    """Energy (n_batch, n_band, n_time), and how many segments and lost rays it took."""

    energy: Float
    n_segment: int
    n_lost: int


class Ours:
    """The engine's own loop."""

    def __init__(self) -> None:
        sample = furnished(crowded=False)
        self.room, self.scene = acoustic(sample), scene_of(sample.boxes)
        self.duration_s = expected_duration_s(self.room)
        if len(band_groups(self.room.sides)) != 1:
            sys.exit("the bands of this room need more than one set of rays")

    def run(self, seed: int = SEED, n_ray: int = N_RAY) -> Outcome:
        """Follow ``n_ray`` rays of every batch."""
        rays = RayRun(
            self.room, self.scene.sources[0], list(self.scene.receivers), seed=seed,
            duration_s=self.duration_s, bin_s=BIN_S, image_order=IMAGE_ORDER, pair_order=0,
        )  # fmt: skip
        rays.follow(n_ray * N_BATCH)
        return Outcome(rays.histograms()[0].energy, rays.count.n_segment, rays.count.n_lost)


_loop: ArrayLoop | None = None


def _prepare() -> None:
    """Build the array loop, once in each process."""
    global _loop  # a worker process keeps its loop between tasks
    own = Ours()
    _loop = ArrayLoop(
        own.room, own.scene.sources[0], own.scene.receivers[0],
        duration_s=own.duration_s, bin_s=BIN_S, image_order=IMAGE_ORDER,
    )  # fmt: skip


def _some_batches(n_ray: int, first: int) -> Outcome:
    """Follow the rays of `AT_ONCE` batches."""
    assert _loop is not None
    _loop.n_segment = _loop.n_lost = 0
    sums = _loop.follow(SEED + 1, first, AT_ONCE, n_ray)
    return Outcome(sums[:, :, 0].swapaxes(1, 2), _loop.n_segment, _loop.n_lost)


def arrays(spread: Callable[..., object] = map, n_ray: int = N_RAY) -> Outcome:
    """Run the array loop, its parts spread by ``map`` or by a pool's."""
    parts: list[Outcome] = list(
        spread(partial(_some_batches, n_ray), range(0, N_BATCH, AT_ONCE))
    )
    return Outcome(
        np.concatenate([p.energy for p in parts]),
        sum(p.n_segment for p in parts),
        sum(p.n_lost for p in parts),
    )


def t30_s(energy: Float) -> Float:
    """Give T30 of the rays' part of the sound, (n_band,) s, of energy (n_band, n_time)."""
    left = np.cumsum(energy[:, ::-1], axis=1)[:, ::-1]
    time_s = np.arange(energy.shape[1]) * BIN_S
    return fit_line(time_s, to_level_db(left / left[:, :1]), -5.0, -35.0)[0]


def with_error(outcome: Outcome) -> list[tuple[Float, Float]]:
    """Give energy and T30 of every band with standard errors: jackknife over batches."""
    found = []
    for measure in (lambda e: e.sum(axis=1), t30_s):
        energy, n = outcome.energy, N_BATCH
        without = np.array([measure((energy.sum(axis=0) - one) / (n - 1)) for one in energy])
        error = np.sqrt((n - 1) * without.var(axis=0))
        found.append((measure(energy.mean(axis=0)), error))
    return found


def disagreement(a: Outcome, b: Outcome) -> tuple[float, str]:
    """Give the largest difference in standard errors, and what the figures are at 1 kHz."""
    worst, text = 0.0, []
    for name, (x, ex), (y, ey) in zip(
        ("energy", "T30 in s"), with_error(a), with_error(b), strict=True
    ):
        worst = max(worst, float(np.nanmax(np.abs(x - y) / np.hypot(ex, ey))))
        if not np.isfinite(x + y).all():
            worst = np.inf
        text.append(f"{name} {x[4]:.4f} +- {ex[4]:.4f} and {y[4]:.4f} +- {ey[4]:.4f}")
    return worst, "; ".join(text)


def main() -> None:
    """Print a row for one thread and one for all; refuse if physics differ."""
    n_thread = numba.config.NUMBA_NUM_THREADS
    print(conditions(SEED, "numpy", "scipy", "numba", "embreex"))
    ours = Ours()
    ours.run(n_ray=1)  # compiles
    _prepare()
    a, b = ours.run(n_ray=N_RAY_CHECK), arrays(n_ray=N_RAY_CHECK)
    worst, text = disagreement(a, b)

    def alone() -> None:
        numba.set_num_threads(1)
        ours.run()
        numba.set_num_threads(n_thread)

    rows = [(1, take_turns({"ours": alone, "arrays": arrays}, N_ROUND))]
    if n_thread > 1:
        spawn = multiprocessing.get_context("spawn")
        with ProcessPoolExecutor(n_thread, spawn, _prepare) as pool:
            arrays(pool.map)  # starts the processes
            pair = {"ours": ours.run, "arrays": lambda: arrays(pool.map)}
            rows.append((n_thread, take_turns(pair, N_ROUND, time.perf_counter)))

    per_check = N_RAY / N_RAY_CHECK
    print(f"{len(ours.room.mesh.faces)} triangles, {N_RAY * N_BATCH} rays timed, "
          f"{N_RAY_CHECK * N_BATCH} compared, "
          f"{a.n_segment / (N_RAY_CHECK * N_BATCH):.0f} segments per ray; "
          f"Msegment/s; best of {N_ROUND} rounds.")  # fmt: skip
    print(f"1 kHz, ours and arrays: {text}.\n")
    print("| threads | ours | arrays | ours : arrays (rounds) | worst difference, sigma "
          "| lost per 10^6 segments, ours and arrays |")  # fmt: skip
    print("|-" * 6 + "|")
    for n, spent_s in rows:
        # the two draw different numbers, so their segments differ a little in number
        timed = {"ours": a.n_segment * per_check, "arrays": b.n_segment * per_check}
        scaled = {k: [s / timed[k] for s in v] for k, v in spent_s.items()}
        lost = [1e6 * o.n_lost / o.n_segment for o in (a, b)]
        print(
            f"| {n} | {1e-6 / min(scaled['ours']):.2f} | {1e-6 / min(scaled['arrays']):.3f} "
            f"| {ratio_text(scaled, 'ours', 'arrays')} | {worst:.1f} "
            f"| {lost[0]:.2f}, {lost[1]:.2f} |"
        )
    if worst > 4.0:
        sys.exit(f"fast but wrong: the loops differ by {worst:.1f} standard errors")
    if any(o.n_lost > _MOST_LOST * o.n_segment for o in (a, b)):
        sys.exit(f"fast but wrong: {a.n_lost} and {b.n_lost} rays were lost")


if __name__ == "__main__":
    main()
