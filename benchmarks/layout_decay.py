"""How long do the demo rooms linger? By hand sums, by Eyring's formula, and traced.

For every layout of a scene, at 125, 500 and 2000 Hz: the sum by hand of those who drew up
the layouts (`tests/reference/layout_sums.py` has the numbers and how they were made), where
there is one; Eyring's formula for the room with everything in it; and T30 of traced rays,
mean over all pairs, with its standard error. None of the three is a measurement. The script
returns 1 if a ray of a thousand is lost.

    NUMBA_NUM_THREADS=1 python benchmarks/layout_decay.py scenes/weir-bulletin
"""

import argparse
import sys
import time
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from contest import conditions

from raysim.measures.diffuseness import AXES, Diffuseness, diffuseness
from raysim.measures.pair import measure_pair, room_decay
from raysim.measures.theory import decay_time_s, eyring_area_m2
from raysim.scene.model import Scene
from raysim.scene.read import read_scene
from raysim.study import ALL, AS_DESCRIBED, Prepared, prepare_all, with_settings
from raysim.tracing import trace_source
from raysim.units import Float, Int

sys.path.append(str(Path(__file__).parents[1] / "tests"))
from reference.layout_sums import PRINTED_S, LayoutSum

SCENES = Path(__file__).parents[1] / "scenes"
FOLDERS = ("tide-tables", "ferry-slip-trio", "weir-bulletin")
SHOWN = ("125", "500", "2k")
N_RAY = 16384
MAX_LOST = 1e-3


@dataclass(frozen=True, slots=True)
class Traced:
    """One layout, by formula and traced."""

    name: str
    eyring_s: Float  # (n_band,)
    t30_s: Float  # (n_band,) mean over pairs
    error_s: Float  # (n_band,) as if the pairs shared all their chance
    field: Diffuseness  # of 500 Hz and 1 kHz
    lost: float  # share of rays


def trace(prepared: Prepared, n_ray: int, seed: int) -> Traced:
    """Follow one round of rays from every source of a layout."""
    prepared = with_settings(prepared, n_ray=n_ray, until_t30_pct=0.0, seed=seed)
    scene, mesh, room = prepared.scene, prepared.mesh, prepared.room
    t30_s, error_s, n_lost, n_all = [], [], 0, 0
    for source in scene.sources:
        receivers = prepared.receivers_of(source)
        pairs, count = trace_source(scene, room, source, receivers)
        n_lost, n_all = n_lost + count.n_lost, n_all + count.n_ray
        for receiver, pair in zip(receivers, pairs, strict=True):
            place = (pair.arrivals, pair.histogram, scene.bands, receiver.aim)
            measured = measure_pair(*place, receiver.pattern)
            decay = room_decay(measured, *place, receiver.pattern)
            t30_s.append(decay.t30_s)
            error_s.append(decay.error_s)
    mid, sides = scene.bands.middle, room.sides
    return Traced(
        prepared.name,
        decay_time_s(
            eyring_area_m2(sides.area_m2, sides.alpha),
            mesh.air_volume_m3,
            room.speed_m_s,
            room.air_per_m,
        ),
        np.mean(t30_s, axis=0),
        np.mean(error_s, axis=0),
        diffuseness(
            mesh.face_normal,
            mesh.face_area_m2,
            sides.alpha[mesh.face_surface][:, mid].mean(axis=1),
            sides.scattering[mesh.face_surface][:, mid].mean(axis=1),
        ),
        n_lost / n_all,
    )


def row_of(folder: str, one: Traced, labels: tuple[str, ...]) -> str:
    """Give the row of a Markdown table for a layout."""
    columns = [labels.index(label) for label in SHOWN]
    name = one.name
    if folder in FOLDERS and name == AS_DESCRIBED:
        name = f"{'ABC'[FOLDERS.index(folder)]}0"
    printed = PRINTED_S.get(name) if folder in FOLDERS else None
    cells = [name]
    cells += ["-" if printed is None else f"{printed[k - 1]:.2f}" for k in columns]
    cells += [f"{one.eyring_s[k]:.2f}" for k in columns]
    cells += [f"{one.t30_s[k]:.2f} ± {one.error_s[k]:.2f}" for k in columns]
    cells += [f"{a:.2f}" for a in one.field.by_axis]
    cells += [f"{one.field.scattering:.2f}", AXES[one.field.hard]]
    return "| " + " | ".join(cells) + " |"


def why_they_differ(traced: list[Traced], middle: Int) -> str:
    """Say where T30 and Eyring's time are farthest apart, and what the room is like there."""
    times = [float(np.mean(one.t30_s[middle] / one.eyring_s[middle])) for one in traced]
    one, most = traced[int(np.argmax(times))], max(times)
    field = one.field
    return (
        f"T30 at 500 Hz and 1 kHz is {min(times):.2f} to {most:.2f} times Eyring's, most in "
        f"{one.name}: the formula has all surfaces work at once, while there sound "
        f"{AXES[field.hard]} meets {field.by_axis.min():.2f} of absorption and "
        f"{AXES[field.soft]} {field.by_axis.max():.2f}, and only {field.scattering:.2f} of "
        "what is reflected is scattered from one to the other."
    )


def again_by_hand(described: Scene) -> list[str]:
    """Give the same sums from our catalogue, and by how much they differ, in rows."""
    layouts = {one.name: one for one in described.layouts}
    rows = []
    for name, printed_s in PRINTED_S.items():
        if name[0] != described.layouts[0].name[0]:
            continue
        one = LayoutSum(described, layouts.get(name))
        ours_s = one.decay_s(one.likely())
        off = 100.0 * (ours_s / np.array(printed_s) - 1.0)
        cells = [f"{t:.2f} ({x:+.0f})" for t, x in zip(ours_s, off, strict=True)]
        rows.append(f"| {name} | " + " | ".join(cells) + " |")
    return rows


def main() -> int:
    """Trace, compare, print."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("scenes", nargs="*", type=Path, help="scene folders; else the demos")
    parser.add_argument(
        "--rays", type=int, default=N_RAY, help="per source and layout; 0: none"
    )
    parser.add_argument("--seed", type=int, default=1)
    chosen = parser.parse_args()
    print(conditions(chosen.seed, "numpy", "numba"), f"{chosen.rays} rays.\n", flush=True)
    head = ["layout", *(f"by hand {f}" for f in SHOWN), *(f"Eyring {f}" for f in SHOWN)]
    head += [*(f"T30 {f}" for f in SHOWN), "alpha x", "y", "z", "scattering", "hardest"]
    paths = chosen.scenes or [SCENES / folder for folder in FOLDERS]
    print("| by hand again (off by %) | 125 | 250 | 500 | 1k | 2k | 4k |\n|" + "-|" * 7)
    for path in paths:
        if path.name in FOLDERS:
            print(*again_by_hand(read_scene(path)), sep="\n", flush=True)
    print("\n| " + " | ".join(head) + " |")
    print("|" + "-|" * len(head))
    start, lost = time.monotonic(), 0.0
    reasons = []
    for path in paths if chosen.rays else []:
        prepared = prepare_all(path, [ALL])
        labels = prepared[0].scene.bands.labels
        traced = []
        for one in prepared:
            traced.append(trace(one, chosen.rays, chosen.seed))
            lost = max(lost, traced[-1].lost)
            print(row_of(path.name, traced[-1], labels), flush=True)
        reasons.append(
            f"\n{path.name}: {why_they_differ(traced, prepared[0].scene.bands.middle)}"
        )
    print(*reasons, sep="\n")
    print(f"\n{time.monotonic() - start:.0f} s; at most {lost:.1e} of the rays lost.")
    if lost > MAX_LOST:
        print("fast but wrong: rays are lost")
        return 1
    return 0


if __name__ == "__main__":
    sys.exit(main())
