"""Tell what exact early paths cost beside the rays, in the demo rooms at their fullest.

For each demo room in its layout of most faces, and its first source with all who hear it: all
paths to order 3, and the chains to and fro between parallel walls down to 60 dB, beside one
round of rays and beside all rays until T30 is certain to 2 %, as a run follows them. One
thread, processor time. What is found is compared with every sequence of mirrors against every
triangle (`tests/reference/mirrors.py`), to order 3 at every receiver, all places moved by
millimetres: in rooms drawn in round figures some paths meet an edge exactly, and nobody can
say which side of it they are on. Exits with 1 if a path is missing, one too many, of other
walls, or later by 1 ns.
"""

import argparse
import sys
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numba
import numpy as np
from contest import conditions

from raysim.propagation.images import arrivals, pair_order, parallel_pairs
from raysim.propagation.rays import RayRun, expected_duration_s
from raysim.propagation.room import AcousticRoom
from raysim.records import Arrivals
from raysim.scene.model import Receiver, Source
from raysim.study import ALL, Prepared, prepare_all
from raysim.tracing import trace_source

sys.path.append(str(Path(__file__).parents[1] / "tests"))

from reference.mirrors import all_paths

SCENES = Path(__file__).parents[1] / "scenes"
ROOMS = ("weir-bulletin", "tide-tables", "ferry-slip-trio")
ORDER, N_RAY, N_ROUND = 3, 16_384, 3
#: Asked for: images over the rays of a run.
MOST_SHARE = 0.2
SAME_S = 1e-9

#: Where sources and receivers are moved to be compared, m: in no symmetry.
ASIDE_M = np.array([[0.0017, -0.0023, 0.0011], [-0.0013, 0.0019, 0.0029]])

#: A path as both tell it: its sides in order, and its delay.
Told = tuple[tuple[int, ...], float]


def fullest(name: str) -> Prepared:
    """Give a demo room in its layout of most faces."""
    return max(prepare_all(SCENES / name, [ALL]), key=lambda one: len(one.mesh.faces))


def best_s(function: Callable[[], object], n_round: int = N_ROUND) -> float:
    """Give the least processor time of some rounds."""
    spent = []
    for _ in range(n_round):
        start = time.process_time()
        function()
        spent.append(time.process_time() - start)
    return min(spent)


def by_search(found: Arrivals) -> list[Told]:
    """Tell the engine's paths."""
    return sorted(
        (tuple(int(s) for s in walls[:order]), float(delay))
        for order, walls, delay in zip(found.order, found.surfaces, found.delay_s, strict=True)
    )


def by_force(one: Prepared, source: Source, receiver: Receiver) -> list[Told]:
    """Tell the paths that every sequence of mirrors gives."""
    mesh, room = one.mesh, one.room
    has_back = np.array([s.back_name is not None for s in mesh.surfaces])
    two_sided = has_back[mesh.face_surface]
    paths = all_paths(
        mesh.triangles_m, two_sided, source.position_m, receiver.position_m, ORDER
    )
    told = []
    for path in paths:
        sides, way = [], path.first
        for face in path.triangles:
            normal, surface = mesh.face_normal[face], int(mesh.face_surface[face])
            back = len(has_back) + int(has_back[:surface].sum())
            sides.append(back if way @ normal > 0.0 else surface)
            way = way - 2.0 * (way @ normal) * normal
        told.append((tuple(sides), float(path.length_m / room.speed_m_s)))
    return sorted(told)


def same(a: list[Told], b: list[Told]) -> bool:
    """Say whether two lists hold the same paths."""
    return [p[0] for p in a] == [p[0] for p in b] and all(
        abs(p[1] - q[1]) < SAME_S for p, q in zip(a, b, strict=True)
    )


def compared(one: Prepared, receivers: list[Receiver]) -> tuple[int, float, list[str]]:
    """Compare with brute force; give how many paths agree, its seconds, and complaints."""
    n_same, wrong = 0, []
    start = time.process_time()
    source = one.scene.sources[0]
    source = replace(source, position_m=source.position_m + ASIDE_M[0])
    for named in receivers:
        receiver = replace(named, position_m=named.position_m + ASIDE_M[1])
        found = by_search(arrivals(one.room, source, [receiver], ORDER)[0])
        forced = by_force(one, source, receiver)
        n_same += len(forced)
        if not same(found, forced):
            wrong.append(f"{one.name}, {receiver.name}: {len(found)} paths, "
                         f"by force {len(forced)}")  # fmt: skip
    return n_same, time.process_time() - start, wrong


def n_pair(room: AcousticRoom) -> int:
    """Count the pairs of parallel walls that face each other."""
    return len(parallel_pairs(room.mirrors))


def main() -> None:
    """Print a row for each room; refuse wrong paths."""
    asked = argparse.ArgumentParser(description=__doc__.split("\n", 1)[0])
    asked.add_argument("--scene", action="append", default=[], help="of: " + ", ".join(ROOMS))
    chosen = asked.parse_args().scene or ROOMS
    numba.set_num_threads(1)
    print(conditions(1, "numpy", "numba"))
    print(f"First source and who hears it; order {ORDER}; one round: {N_RAY} rays; seconds of "
          f"processor time, best of {N_ROUND}, of the run once.\n")  # fmt: skip
    print(
        "| room, layout | triangles | mirrors | receivers | paths | pairs | chained to order "
        "| paths in chains | order 3, s | chains, s | one round, s | a run, s | rays of it "
        "| order 3 : round | order 3 : run | chains : run | same by force | by force, s |"
    )
    print("|-" * 18 + "|")
    wrong, dear = [], []
    for name in chosen:
        one = fullest(name)
        room, source = one.room, one.scene.sources[0]
        receivers = one.receivers_of(source)
        duration_s = expected_duration_s(room)
        chain = pair_order(room, duration_s)
        far_m = duration_s * room.speed_m_s
        near = arrivals(room, source, receivers, ORDER)  # compiles too
        long = arrivals(room, source, receivers, ORDER, chain, far_m)

        def one_round(
            one: Prepared = one, duration_s: float = duration_s, chain: int = chain
        ) -> None:
            source = one.scene.sources[0]
            RayRun(
                one.room, source, one.receivers_of(source), seed=1, duration_s=duration_s,
                bin_s=one.scene.settings.bin_s, image_order=ORDER, pair_order=chain,
            ).follow(N_RAY)  # fmt: skip

        images_s = best_s(lambda a=(room, source, receivers): arrivals(*a, ORDER))
        chains_s = best_s(lambda a=(room, source, receivers, -1, chain, far_m): arrivals(*a))
        round_s = best_s(one_round)
        start = time.process_time()
        _, count = trace_source(one.scene, room, source, receivers)
        run_s = time.process_time() - start - images_s - chains_s
        n_same, force_s, complaints = compared(one, receivers)
        wrong += complaints
        if images_s > MOST_SHARE * run_s:
            dear.append(name)
        n_near = sum(len(a.order) for a in near)
        n_long = sum(len(a.order) for a in long) - n_near
        print(
            f"| {name}, {one.name} | {len(one.mesh.faces)} | {room.mirrors.n_mirror} "
            f"| {len(receivers)} | {n_near} | {n_pair(room)} | {chain} | {n_long} "
            f"| {images_s:.3f} | {chains_s:.3f} | {round_s:.2f} | {run_s:.1f} "
            f"| {count.n_ray} | {images_s / round_s:.2f} | {images_s / run_s:.3f} "
            f"| {chains_s / run_s:.4f} | {n_same} | {force_s:.0f} |"
        )
    if dear:
        print(f"\nOver {MOST_SHARE:g} of the run's rays: {', '.join(dear)}.")
    if wrong:
        sys.exit("fast but wrong: " + "; ".join(wrong))


if __name__ == "__main__":
    main()
