"""Tell what a look at the decay costs beside the rays that it looks at.

After each round a run asks for T30 and its error at every receiver. Beside it stands what
`measure_pair` takes, which measures all there is. Demo rooms as described, first source and
all who hear it, 4000 rays; one thread, processor time. Exits with 1 if the two differ.
"""

import sys
from pathlib import Path

import numba
import numpy as np
from contest import conditions, ratio_text, take_turns

from raysim.measures.pair import RoomDecay, measure_pair, room_decay
from raysim.measures.replicas import look_at_decay
from raysim.propagation.images import arrivals, pair_order
from raysim.propagation.rays import RayRun, expected_duration_s
from raysim.records import PairResult
from raysim.study import Prepared, prepare

SCENES = Path(__file__).parents[1] / "scenes"
ROOMS = ("weir-bulletin", "tide-tables", "ferry-slip-trio")
N_RAY, N_ROUND, ROUNDING = 4000, 3, 1e-9


def rays_of(one: Prepared) -> RayRun:
    """Follow the rays of a first look."""
    source, settings = one.scene.sources[0], one.scene.settings
    duration_s = expected_duration_s(one.room)
    rays = RayRun(
        one.room, source, one.receivers_of(source), seed=1, duration_s=duration_s,
        bin_s=settings.bin_s, image_order=settings.image_order,
        pair_order=pair_order(one.room, duration_s),
    )  # fmt: skip
    rays.follow(N_RAY)
    return rays


def in_full(one: Prepared, pairs: list[PairResult]) -> list[RoomDecay]:
    """Measure all there is, and give T30."""
    by_name = {r.name: r for r in one.scene.receivers}
    found = []
    for p in pairs:
        of = by_name[p.receiver]
        place = (p.arrivals, p.histogram, one.scene.bands, of.aim)
        found.append(room_decay(measure_pair(*place, of.pattern), *place, of.pattern))
    return found


def look(one: Prepared, pairs: list[PairResult]) -> list[RoomDecay]:
    """Give T30 as a run does."""
    by_name = {r.name: r for r in one.scene.receivers}
    return [look_at_decay(p.arrivals, p.histogram, by_name[p.receiver]) for p in pairs]


def main() -> None:
    """Print a row for each room; refuse other numbers."""
    numba.set_num_threads(1)
    print(conditions(1, "numpy", "numba"))
    print(f"{N_RAY} rays, one thread, seconds of processor time, best of {N_ROUND}.\n")
    print("| room | pairs | rays | all measures | a look | all : a look | a look : rays |")
    print("|-" * 7 + "|")
    for name in ROOMS:
        one = prepare(SCENES / name)
        source = one.scene.sources[0]
        receivers = one.receivers_of(source)
        exact = arrivals(one.room, source, receivers, one.scene.settings.image_order)
        found = zip(receivers, exact, rays_of(one).histograms(), strict=True)
        pairs = [PairResult(source.name, r.name, a, h) for r, a, h in found]
        spent_s = take_turns(
            {
                "rays": lambda one=one: rays_of(one),
                "all": lambda one=one, pairs=pairs: in_full(one, pairs),
                "look": lambda one=one, pairs=pairs: look(one, pairs),
            },
            N_ROUND,
        )
        for quick, full in zip(look(one, pairs), in_full(one, pairs), strict=True):
            known = np.isfinite(full.t30_s)
            if not np.allclose(
                [quick.t30_s[known], quick.error_s[known]],
                [full.t30_s[known], full.error_s[known]], rtol=ROUNDING,
            ):  # fmt: skip
                sys.exit(f"fast but wrong: T30 in {name}")
        best = {key: min(each) for key, each in spent_s.items()}
        print(
            f"| {name} | {len(pairs)} | {best['rays']:.2f} | {best['all']:.3f} "
            f"| {best['look']:.3f} | {ratio_text(spent_s, 'look', 'all')} "
            f"| {best['look'] / best['rays']:.2f} |",
            flush=True,
        )


if __name__ == "__main__":
    main()
