"""Tell whether a user can predict what a run takes, from what `raysim check` says.

Constants of this machine are measured on some layouts of the demo rooms; with the laws below
they predict `raysim simulate` of others, which are then run. One thread, processor time.

  rays    sources x rays x legs x cost of a leg
          legs of a ray   c T / (4 V / S), T the slowest band's by Eyring: until all bands
                          are 60 dB down
          cost of a leg   (a + b receivers) (triangles / 100)^p (1 + q (bands - 8))
          rays            one round of 16 000, then as (error of T30 after it / 2 %)^2
  bass    sources x steps x cost of a step + modes
          steps           (duration + a lead) x 12 000 per s at a crossover of 370 Hz, as f
          cost of a step  cells V / h^3 of air, S / h^2 at walls, and cells in wool,
                          h = c / (17 f); the duration is twice T at 63 Hz, 0.4 to 1.2 s
          modes           as V^2, dearer with wool in the room
  rest    start, and so much for each layout and each pair

V, S, T, triangles, sources and receivers stand in what `raysim check` prints; wool is what the
empty room of the layout has more of than the air. The error after one round is the one number
that must be tried: `raysim simulate --rays 16000 --until-t30 0 --no-bass`. Exits with 1 if a
whole run is off by more than 30 per cent. All of it takes half an hour; `--case` runs one.
"""

import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # before numpy: one thread

import argparse
import math
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import dataclass, fields, replace
from functools import cache
from pathlib import Path

import numba
import numpy as np
from bench_study import Clock, watch
from contest import conditions
from scipy.optimize import nnls

from raysim.absorbers.fit import seen_from
from raysim.check import expect
from raysim.propagation import bass, wave
from raysim.propagation.modes import room_modes
from raysim.propagation.rays import RayRun, band_groups, expected_duration_s
from raysim.scene.air import gas
from raysim.scene.model import Receiver
from raysim.store.file import open_results
from raysim.study import ALL, AS_DESCRIBED, Prepared, prepare, prepare_all, run, with_settings
from raysim.tracing import t30_certainty, trace_source
from raysim.units import Float

SCENES = Path(__file__).parents[1] / "scenes"
#: Scene and layout: what constants are measured on, and what is predicted.
LEARNT = (
    ("weir-bulletin", "C1"), ("weir-bulletin", "C3"), ("tide-tables", "A1"),
    ("tide-tables", "A3"), ("ferry-slip-trio", "B1"), ("ferry-slip-trio", "B5"),
)  # fmt: skip
CASES = tuple(
    (scene, layout)
    for scene, treated in (("weir-bulletin", "C2"), ("tide-tables", "A5"),
                           ("ferry-slip-trio", "B2"))
    for layout in (AS_DESCRIBED, treated)
)  # fmt: skip
BOUND = 0.3
#: Cells per wavelength at the crossover, and steps a second over c / h.
PER_WAVE, STEPS = 17.0, 1.9
N_RAY, N_TIMED = 16_000, 2048
C_M_S = 344.0


@dataclass(frozen=True, slots=True)
class Facts:
    """What a user reads off: m, m2, m3, s, Hz."""

    volume_m3: float
    area_m2: float
    empty_m3: float
    wool_m3: float
    n_face: int
    n_band: int
    slowest_s: float
    low_s: float
    crossover_hz: float
    receivers: tuple[int, ...]  # how many hear each source

    @property
    def legs(self) -> float:
        """Legs of a ray."""
        return C_M_S * self.slowest_s * self.area_m2 / (4.0 * self.volume_m3)

    @property
    def spacing_m(self) -> float:
        """Spacing of the grid."""
        return C_M_S / (PER_WAVE * self.crossover_hz)

    @property
    def cells(self) -> Float:
        """Cells of air, at walls and in wool."""
        h = self.spacing_m
        return np.array([self.empty_m3 / h**3, self.area_m2 / h**2, self.wool_m3 / h**3])

    @property
    def duration_s(self) -> float:
        """How long the bass is listened to."""
        return min(1.2, max(0.4, 2.0 * self.low_s))


@cache
def prepared(scene: str, layout: str) -> Prepared:
    """Read a scene in one layout."""
    return prepare(SCENES / scene, layout)


def facts(scene: str, layout: str) -> Facts:
    """Read off what `raysim check` says."""
    one, bare = prepared(scene, layout), prepared(scene, AS_DESCRIBED)
    expected = expect(one)
    volume = one.mesh.air_volume_m3
    return Facts(
        volume_m3=volume,
        area_m2=one.mesh.area_m2,
        empty_m3=bare.mesh.air_volume_m3,
        wool_m3=max(bare.mesh.air_volume_m3 - volume, 0.0),
        n_face=len(one.mesh.faces),
        n_band=one.scene.bands.n_band,
        slowest_s=float(expected.eyring_s.max()),
        low_s=float(expected.eyring_s[0]),
        crossover_hz=bass.crossover_hz(one.scene, one.mesh.envelope_volume_m3),
        receivers=tuple(len(one.receivers_of(s)) for s in one.scene.sources),
    )


@dataclass(frozen=True, slots=True)
class Constants:
    """What this machine takes."""

    leg_ns: float  # a leg without receivers, 100 triangles, 8 bands
    receiver_ns: float  # each receiver, more
    triangle_power: float
    band_share: float  # of a leg, each band more than 8
    cell_ns: float  # a step of a cell of air
    wall_ns: float  # of a cell at a wall, more
    wool_ns: float  # of a cell in wool, more
    lead_s: float  # steps before and after, as seconds of response
    modes_s: float  # 40 m3 without wool
    modes_wool_s: float  # 40 m3 with wool
    start_s: float
    layout_s: float
    pair_s: float
    look_s: float  # T30 of one pair looked at once


def spent(function: Callable[[], object]) -> float:
    """Give the processor time of a call."""
    start = time.process_time()
    function()
    return time.process_time() - start


def leg_ns(one: Prepared, receivers: list[Receiver]) -> float:
    """Time a leg, best of three."""
    source = one.scene.sources[0]
    best = math.inf
    for _ in range(3):
        rays = RayRun(
            one.room, source, receivers, seed=1, duration_s=expected_duration_s(one.room),
            bin_s=one.scene.settings.bin_s, image_order=3, pair_order=0,
        )  # fmt: skip
        best = min(best, spent(lambda rays=rays: rays.follow(N_TIMED)) / rays.count.n_segment)
    return 1e9 * best


def leg_constants() -> tuple[float, float, float, float]:
    """Fit the cost of a leg, least relative squares, over powers of the triangles."""
    rows = []
    for name in LEARNT:
        one = prepared(*name)
        every = list(one.scene.receivers)
        for n in sorted({1, len(every)}):
            rows.append((len(one.mesh.faces), n, leg_ns(one, every[:n])))
    face, n, ns = np.array(rows).T
    best = (math.inf, 0.0, 0.0, 0.0)
    for power in np.arange(0.0, 0.61, 0.02):
        design = (
            np.stack([np.ones_like(n), n], axis=1) * ((face / 100.0) ** power / ns)[:, None]
        )
        (a, b), *_ = np.linalg.lstsq(design, np.ones_like(ns), rcond=None)
        off = float(((design @ (a, b) - 1.0) ** 2).sum())
        best = min(best, (off, float(a), float(b), float(power)))
    # bands more: all alike, as one set of rays serves them
    one = prepared(*LEARNT[0])
    more = _of_bands(one, 24)
    first = list(one.scene.receivers)[:1]
    share = (leg_ns(more, first) / leg_ns(_of_bands(one, 8), first) - 1.0) / 16.0
    return best[1], best[2], best[3], share


def _of_bands(one: Prepared, n: int) -> Prepared:
    """Give a room with n bands, all like 1 kHz."""
    room = one.room
    alpha, scattering = (
        np.repeat(a[:, 4:5], n, axis=1) for a in (room.sides.alpha, room.sides.scattering)
    )
    room = replace(
        room,
        sides=replace(room.sides, alpha=alpha, scattering=scattering),
        air_per_m=np.full(n, room.air_per_m[4]),
    )
    source = one.scene.sources[0]
    flat = replace(source.directivity, level_db=np.zeros((n, 2)))
    scene = replace(one.scene, sources=(replace(source, directivity=flat),))
    return replace(one, room=room, scene=scene)


def wave_costs(name: tuple[str, str]) -> tuple[float, float, float, bool]:
    """Time a bass: ns of a step, lead in s, s of its modes; and whether it has wool."""
    one, read = prepared(*name), facts(*name)
    scene, air = one.scene, gas(one.scene.air)
    space = bass.airspace(scene, one.room)
    sources, receivers = (
        np.stack([p.position_m for p in of]) for of in (scene.sources, scene.receivers)
    )
    modes_s = spent(
        lambda: room_modes(
            space.mesh, space.walls, space.fills, sources, receivers, air.speed_m_s,
            up_to_hz=min(200.0, read.crossover_hz),
        )
    )  # fmt: skip
    h = wave.default_spacing_m(read.crossover_hz, air.speed_m_s)
    walls = [seen_from(w, 0.5 * h, air.speed_m_s) for w in space.walls]
    room = wave.wave_room(
        space.mesh, walls, h, air.speed_m_s, air.density_kg_m3, space.fills, space.veils
    )
    high_hz = 1.25 * read.crossover_hz

    def response(duration_s: float) -> float:
        return spent(lambda: wave.run(room, sources[0], receivers, duration_s, high_hz))

    response(0.01)
    short, long = response(0.05), response(0.15)
    per_s = (long - short) / 0.1
    step_ns = 1e9 * per_s / (STEPS * C_M_S / read.spacing_m)
    return step_ns, short / per_s - 0.05, modes_s, bool(space.fills)


def wave_constants() -> tuple[float, float, float, float, float, float]:
    """Fit the cost of a step to cells, and time the modes."""
    costs = [wave_costs(name) for name in LEARNT]
    ns, lead_s = (np.array([c[i] for c in costs]) for i in (0, 1))
    design = np.array([facts(*name).cells for name in LEARNT]) / ns[:, None]
    each, _ = nnls(design, np.ones(len(ns)))  # no cost is negative
    modes: dict[bool, list[float]] = {False: [], True: []}
    for name, (_, _, modes_s, has_wool) in zip(LEARNT, costs, strict=True):
        modes[has_wool].append(modes_s / (facts(*name).volume_m3 / 40.0) ** 2)
    bare_s, wool_s = (float(np.mean(modes[has_wool])) for has_wool in (False, True))
    cell, wall, wool = (float(x) for x in each)
    return cell, wall, wool, float(lead_s.mean()), bare_s, wool_s


def fixed_constants(start_s: float) -> Constants:
    """Time what is neither rays nor waves, in two small runs without either; and all else."""
    rest, n_pair, look = [], [], 0.0
    for name in (LEARNT[0], LEARNT[4]):
        one = prepared(*name)
        small = with_settings(one, n_ray=256, until_t30_pct=0, bass=False)
        measured = measured_run(small)
        rest.append(measured["rest"])
        n_pair.append(sum(facts(*name).receivers))
        usual = with_settings(one, n_ray=4096, until_t30_pct=0)
        source = usual.scene.sources[0]
        heard = usual.receivers_of(source)
        pairs, _ = trace_source(usual.scene, usual.room, source, heard)
        look_s = spent(lambda p=pairs, s=usual: t30_certainty(s.scene, p))
        look += 0.5 * look_s / len(heard)
    pair_s = max((rest[1] - rest[0]) / (n_pair[1] - n_pair[0]), 0.0)
    layout_s = max(rest[0] - pair_s * n_pair[0], 0.0)
    return Constants(*leg_constants(), *wave_constants(), start_s, layout_s, pair_s, look)


def rays_needed(error_pct: float, one: Prepared) -> float:
    """Give how many rays a source takes: rounds aim a little beyond what is needed."""
    settings = one.scene.settings
    target = settings.until_t30_pct or 2.0
    if error_pct <= target:
        return N_RAY
    return min(max(1.3, 1.15 * (error_pct / target) ** 2) * N_RAY, settings.max_ray)


def predict(
    read: Facts, constants: Constants, n_ray: list[float], n_group: int
) -> dict[str, float]:
    """Give the seconds of a run by the laws above, for so many rays of each source."""
    k = constants
    rays_s = 0.0
    for n, heard in zip(n_ray, read.receivers, strict=True):
        of_leg = (k.leg_ns + k.receiver_ns * heard) * (read.n_face / 100.0) ** k.triangle_power
        of_leg *= 1.0 + k.band_share * (read.n_band - 8)
        n_look = 2.0 * (2.0 + math.log(n / N_RAY) / math.log(4.0))
        rays_s += 1e-9 * of_leg * read.legs * n * n_group
        rays_s += n_look * heard * k.look_s
    step_s = 1e-9 * float(read.cells @ (k.cell_ns, k.wall_ns, k.wool_ns))
    n_step = STEPS * C_M_S / read.spacing_m * (read.duration_s + k.lead_s)
    modes_s = k.modes_s if read.wool_m3 == 0.0 else k.modes_wool_s
    bass_s = len(read.receivers) * n_step * step_s + modes_s * (read.volume_m3 / 40.0) ** 2
    rest_s = k.start_s + k.layout_s + k.pair_s * sum(read.receivers)
    return {"rays": rays_s, "bass": bass_s, "rest": rest_s}


_clock = Clock()


def measured_run(one: Prepared) -> dict[str, float]:
    """Run one layout, to the page; give its seconds, and the rays of each source."""
    _clock.spent_s.clear()
    with tempfile.TemporaryDirectory() as folder:
        start = time.process_time()
        outcome = run([one], Path(folder) / "run")
        whole = time.process_time() - start
        with open_results(outcome.results) as stored:
            counts = stored.counts(one.name)
    of = _clock.spent_s
    rays_s = of.get("rays", 0.0) + of.get("images", 0.0)
    bass_s = of.get("bass", 0.0)
    n_ray = sum(c.n_ray for c in counts.values())
    return {"rays": rays_s, "bass": bass_s, "rest": whole - rays_s - bass_s, "n_ray": n_ray}


def error_pct(one: Prepared) -> list[float]:
    """Give the error of T30 of each source after one round."""
    once = with_settings(one, n_ray=N_RAY, until_t30_pct=0)
    found = []
    for source in once.scene.sources:
        pairs, _ = trace_source(once.scene, once.room, source, once.receivers_of(source))
        found.append(t30_certainty(once.scene, pairs)[1])
    return found


def print_legs() -> None:
    """Print how many legs rays have in every layout, over what the law says."""
    print("\nLegs of a ray, taken over said:")
    for scene in dict.fromkeys(name for name, _ in CASES):
        text = []
        for one in prepare_all(SCENES / scene, [ALL]):
            source = one.scene.sources[0]
            rays = RayRun(
                one.room, source, one.receivers_of(source), seed=1, bin_s=0.01,
                duration_s=expected_duration_s(one.room), image_order=0, pair_order=0,
            )  # fmt: skip
            rays.follow(N_TIMED)
            taken = rays.count.n_segment / rays.count.n_ray
            text.append(f"{one.name} {taken / facts(scene, one.name).legs:.2f}")
        print(f"- {scene}: " + ", ".join(text))


def main() -> None:
    """Print the constants, and predictions beside measurements; refuse bad ones."""
    start_s = time.process_time()
    asked = argparse.ArgumentParser(description=__doc__.split("\n", 1)[0])
    asked.add_argument("--case", action="append", default=[], help="SCENE/LAYOUT, of: "
                       + ", ".join("/".join(c) for c in CASES))  # fmt: skip
    given = asked.parse_args()
    cases = [c for c in CASES if not given.case or "/".join(c) in given.case]
    numba.set_num_threads(1)
    watch(_clock)
    print(conditions(1, "numpy", "numba"))
    measured_run(with_settings(prepared(*LEARNT[0]), n_ray=256, until_t30_pct=0, bass=False))
    constants = fixed_constants(start_s)
    print("\n| constant | here |\n|-|-|")
    for one in fields(Constants):
        print(f"| {one.name} | {getattr(constants, one.name):.3g} |")
    print_legs()
    print("\n| room, layout | legs of a ray | error after a round, % | rays, predicted | taken "
          "| rays s, predicted | taken | by their true number | bass s, predicted | taken "
          "| rest s, predicted | taken | whole s, predicted | taken | ratio |\n" + "|-" * 15
          + "|")  # fmt: skip
    wrong = []
    for name in cases:
        one, read = prepared(*name), facts(*name)
        n_group = len(band_groups(one.room.sides))
        errors = error_pct(one)
        n_ray = [rays_needed(e, one) for e in errors]
        said = predict(read, constants, n_ray, n_group)
        took = measured_run(one)
        true = [took["n_ray"] / n_group / len(n_ray)] * len(n_ray)
        knowing = predict(read, constants, true, n_group)["rays"]
        took["rest"] += start_s
        parts = ("rays", "bass", "rest")
        whole, whole_took = (sum(d[p] for p in parts) for d in (said, took))
        ratio = whole / whole_took
        print(f"| {name[0]}, {name[1]} | {read.legs:.0f} "
              f"| {', '.join(f'{e:.1f}' for e in errors)} | {sum(n_ray) * n_group:.0f} "
              f"| {took['n_ray']:.0f} | {said['rays']:.1f} | {took['rays']:.1f} "
              f"| {knowing:.1f} | {said['bass']:.1f} | {took['bass']:.1f} "
              f"| {said['rest']:.1f} | {took['rest']:.1f} | {whole:.0f} | {whole_took:.0f} "
              f"| {ratio:.2f} |", flush=True)  # fmt: skip
        if abs(ratio - 1.0) > BOUND:
            wrong.append(f"{name[0]}, {name[1]}: {ratio:.2f}")
    if wrong:
        sys.exit(f"off by more than {100 * BOUND:.0f} %: " + "; ".join(wrong))


if __name__ == "__main__":
    main()
