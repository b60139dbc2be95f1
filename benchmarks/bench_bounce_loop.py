"""Tell how fast the bounce loop is beside the same loop in numpy arrays and Embree.

Contenders: `array_loop.py`, tuned, which calls Embree's binding, and `plain_loop.py`, with
trimesh. Furnished room, 8 bands, scattering, one receiver with shadow rays and a counting
sphere, histograms of energy and eight moments in 32 batches. Shadow rays go out by chance, as
in the engine, and from every wall in one more contender with trimesh, as one would write it
and as the engine did. All do the same else, so segments per second compare costs. Beside: what
a bare nearest hit costs in the same room, of rays that leave walls by Lambert's law. Physics is
checked: energy and T30 of every band must agree within their errors, rays must not leak.
Chance of a false alarm: 48 comparisons at 4 sigma, about 1 in 300, with fixed seeds.
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
from furnished import acoustic, directions, furnished, scene_of
from plain_loop import LookingLoop, PlainLoop

from raysim.core.walk import NOTHING
from raysim.measures.decay import fit_line
from raysim.propagation.cpu import first_hits
from raysim.propagation.rays import N_BATCH, RayRun, band_groups, expected_duration_s
from raysim.units import Float, to_level_db

SEED, BIN_S, IMAGE_ORDER = 1, 0.001, 3
N_RAY = 512  # per batch, to time
N_RAY_CHECK = 2048  # per batch, to compare: energies to about 1.4 %
#: Batches that the array loops take at once: 4096 rays, the fastest of 512 to 8192.
AT_ONCE = 8
N_HIT = 200_000  # bare nearest hits
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


_KINDS: dict[str, type[ArrayLoop]] = {
    "arrays": ArrayLoop, "trimesh": PlainLoop, "trimesh, every wall": LookingLoop
}  # fmt: skip
_loops: dict[str, ArrayLoop] = {}


def _prepare() -> None:
    """Build the array loops, once in each process."""
    own = Ours()
    for name, kind in _KINDS.items():  # a worker process keeps its loops between tasks
        _loops[name] = kind(
            own.room, own.scene.sources[0], own.scene.receivers[0],
            duration_s=own.duration_s, bin_s=BIN_S, image_order=IMAGE_ORDER,
        )  # fmt: skip


def _some_batches(kind: str, n_ray: int, first: int) -> Outcome:
    """Follow the rays of `AT_ONCE` batches."""
    loop = _loops[kind]
    loop.n_segment = loop.n_lost = 0
    sums = loop.follow(SEED + 1 + list(_KINDS).index(kind), first, AT_ONCE, n_ray)
    return Outcome(sums[:, :, 0].swapaxes(1, 2), loop.n_segment, loop.n_lost)


def arrays(kind: str, spread: Callable[..., object] = map, n_ray: int = N_RAY) -> Outcome:
    """Run an array loop, its parts spread by ``map`` or by a pool's."""
    parts: list[Outcome] = list(
        spread(partial(_some_batches, kind, n_ray), range(0, N_BATCH, AT_ONCE))
    )
    return Outcome(
        np.concatenate([p.energy for p in parts]),
        sum(p.n_segment for p in parts),
        sum(p.n_lost for p in parts),
    )


class BareHits:
    """Nearest hits and nothing else: rays that leave walls by Lambert's law."""

    def __init__(self, ours: Ours) -> None:
        room = ours.room
        rng = np.random.default_rng(SEED)
        self._tree = room.tree_arrays()
        self._distance = np.zeros(N_HIT)
        self._piece = np.zeros(N_HIT, dtype=np.uint32)
        start, way = furnished(crowded=False).starts(rng, N_HIT), directions(rng, N_HIT)
        self._shoot(start, way)
        if (self._piece == NOTHING).any():
            sys.exit("fast but wrong: rays from the air meet nothing")
        normal = room.normal[self._piece]
        normal = normal * -np.sign(np.einsum("ij,ij->i", normal, way))[:, None]
        self._start = start + self._distance[:, None] * way + 1e-5 * normal
        way = normal + directions(rng, N_HIT)
        self._way = way / np.linalg.norm(way, axis=1, keepdims=True)

    def _shoot(self, start: Float, way: Float) -> None:
        first_hits(*self._tree, start, way, self._distance, self._piece)

    def run(self) -> None:
        """Find where all rays hit."""
        self._shoot(self._start, self._way)


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
    print(conditions(SEED, "numpy", "scipy", "numba", "embreex", "trimesh"))
    ours = Ours()
    ours.run(n_ray=1)  # compiles
    _prepare()
    bare = BareHits(ours)
    outcome = {"ours": ours.run(n_ray=N_RAY_CHECK)}
    outcome |= {kind: arrays(kind, n_ray=N_RAY_CHECK) for kind in _KINDS}
    against = {kind: disagreement(outcome["ours"], outcome[kind]) for kind in _KINDS}

    def alone() -> None:
        numba.set_num_threads(1)
        ours.run()
        numba.set_num_threads(n_thread)

    contenders = {"ours": alone} | {kind: partial(arrays, kind) for kind in _KINDS}
    rows = [(1, take_turns(contenders | {"bare": bare.run}, N_ROUND))]
    if n_thread > 1:
        spawn = multiprocessing.get_context("spawn")
        with ProcessPoolExecutor(n_thread, spawn, _prepare) as pool:
            arrays("arrays", pool.map)  # starts the processes
            contenders = {"ours": ours.run}
            contenders |= {kind: partial(arrays, kind, pool.map) for kind in _KINDS}
            rows.append((n_thread, take_turns(contenders, N_ROUND, time.perf_counter)))

    n_check = N_RAY_CHECK * N_BATCH
    print(f"{len(ours.room.mesh.faces)} triangles, {N_RAY * N_BATCH} rays timed, {n_check} "
          f"compared, {outcome['ours'].n_segment / n_check:.0f} segments per ray; Msegment/s; "
          f"best of {N_ROUND} rounds.")  # fmt: skip
    for kind, (_, text) in against.items():
        print(f"1 kHz, ours and {kind}: {text}.")
    names = " | ".join(_KINDS), " | ".join(f"ours : {kind}" for kind in _KINDS)
    print(f"\n| threads | ours | {names[0]} | {names[1]} (rounds) "
          "| worst difference, sigma | lost per 10^6 segments, each |")  # fmt: skip
    print("|-" * (4 + 2 * len(_KINDS)) + "|")
    lost = {name: o.n_lost / o.n_segment for name, o in outcome.items()}
    for n, spent_s in rows:
        # they draw different numbers, so their segments differ a little in number
        n_segment = {k: o.n_segment * N_RAY / N_RAY_CHECK for k, o in outcome.items()}
        each = {k: [s / n_segment[k] for s in spent_s[k]] for k in outcome}
        speed = " | ".join(f"{1e-6 / min(s):.3g}" for s in each.values())
        ratio = " | ".join(ratio_text(each, "ours", kind) for kind in _KINDS)
        sigmas = ", ".join(f"{worst:.1f}" for worst, _ in against.values())
        rates = ", ".join(f"{1e6 * rate:.2f}" for rate in lost.values())
        print(f"| {n} | {speed} | {ratio} | {sigmas} | {rates} |")
        if "bare" in spent_s:
            of_segment = [1e9 * s for s in each["ours"]]
            of_hit = [1e9 * s / N_HIT for s in spent_s["bare"]]
    text = ratio_text({"loop": of_segment, "bare": of_hit}, "bare", "loop")
    print(f"\nA segment of the loop costs {min(of_segment):.0f} ns, a bare nearest hit from a "
          f"wall {min(of_hit):.0f} ns: {text} times as much.")  # fmt: skip
    for kind, (worst, _) in against.items():
        if worst > 4.0:
            sys.exit(f"fast but wrong: ours and {kind} differ by {worst:.1f} standard errors")
    for name, rate in lost.items():
        if rate > _MOST_LOST:
            sys.exit(f"fast but wrong: {name} loses {1e6 * rate:.1f} rays in 10^6 segments")


if __name__ == "__main__":
    main()
