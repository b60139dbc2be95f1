"""How long a search takes against tracing, and how its promises come true.

    python benchmarks/suggest.py [--layouts 1000] [--rays 12288] [--scenes weir-bulletin ...]

A row a scene: places and options found, seconds of the processor for finding them, for
recording, and for each layout judged (replay, paths and measures); then the seconds of one
full trace with measures of as many rays, and what the search comes to in such traces. One
thread unless NUMBA_NUM_THREADS says otherwise.
"""

import argparse
import time

import numpy as np

from raysim.compare.targets import aim_for
from raysim.measures.pair import measure_pair, room_decay
from raysim.measures.theory import transition_frequency_hz
from raysim.planning.objective import Judge
from raysim.planning.search import Bounds, search
from raysim.planning.spots import conflicts, spots_of
from raysim.planning.trial import make_trial
from raysim.propagation.images import arrivals
from raysim.propagation.rays import RayRun
from raysim.scene.prices import stock_prices
from raysim.study import prepare

SCENES = ("weir-bulletin", "tide-tables", "ferry-slip-trio")


def full_trace_s(trial, n_ray):
    """Time images, rays and measures of all pairs of the bare room, as a run does them."""
    start = time.process_time()
    for one in trial.heard:
        recording, receivers = one.recording, list(one.receivers)
        run = RayRun(
            trial.room, one.source, receivers, seed=1,
            duration_s=recording.n_time * recording.bin_s, bin_s=recording.bin_s,
            image_order=recording.image_order, pair_order=recording.pair_order,
        )  # fmt: skip
        run.follow(n_ray // len(trial.heard))
        paths = arrivals(
            trial.room, one.source, receivers, recording.image_order, recording.pair_order,
            farthest_m=recording.n_time * recording.bin_s * trial.room.speed_m_s,
        )  # fmt: skip
        for path, late, receiver in zip(paths, run.histograms(), receivers, strict=True):
            place = (path, late, trial.scene.bands, receiver.aim, receiver.pattern)
            room_decay(measure_pair(*place), *place)
    return time.process_time() - start


def measure(name, n_layout, n_ray):
    """Print one row."""
    one = prepare(f"scenes/{name}")
    scene, volume_m3 = one.described, one.mesh.air_volume_m3
    judge = Judge(aim_for(scene.use, volume_m3), float(transition_frequency_hz(volume_m3, 0.8)))
    start = time.process_time()
    spots = spots_of(scene, one.mesh, scene.prices or stock_prices())
    to_find_s = time.process_time() - start
    make_trial(scene, spots, judge, 512)  # compiles
    start = time.process_time()
    trial = make_trial(scene, spots, judge, n_ray)
    to_record_s = time.process_time() - start
    trial.judged([frozenset()])
    bounds = Bounds(
        tuple(o.price for _, o in trial.options), tuple(s for s, _ in trial.options),
        conflicts(trial.options), scene.rules.budget,
    )  # fmt: skip
    start = time.process_time()
    found = search(
        bounds, lambda c: [p.total for p in trial.judged(c)], lambda best: [best], n_layout,
        lambda *_: None,
    )  # fmt: skip
    to_judge_s = (time.process_time() - start) / len(found)
    full_trace_s(trial, 512)
    trace_s = float(np.median([full_trace_s(trial, n_ray) for _ in range(3)]))
    whole_s = to_record_s + 1000.0 * to_judge_s
    print(
        f"| {name} | {len(spots)} | {len(trial.options)} | {to_find_s:.1f} | {to_record_s:.1f} "
        f"| {1000.0 * to_judge_s:.0f} | {trace_s:.2f} | {whole_s:.0f} "
        f"| {whole_s / trace_s:.0f} | {found[frozenset()]:.1f} | {min(found.values()):.1f} |"
    )


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--layouts", type=int, default=1000)
    parser.add_argument("--rays", type=int, default=12_288)
    parser.add_argument("--scenes", nargs="+", default=SCENES)
    given = parser.parse_args()
    print(
        "| scene | places | options | find s | record s | judge ms | trace s "
        "| 1000 layouts s | in traces | bare steps | best steps |"
    )
    for scene_name in given.scenes:
        measure(scene_name, given.layouts, given.rays)
