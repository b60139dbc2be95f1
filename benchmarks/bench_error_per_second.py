"""Tell how much less certain plain tracing is after the same time, and draw both curves.

Plain tracing (`plain_tracing.py`) only counts rays that cross a sphere about the receiver.
The engine finds early specular paths and flutter exactly, connects what walls scatter to the
receiver, and leaves the rest to the same sphere. Direct sound is left out of both: nobody
traces it. Errors are of 32 independent batches, and their squares means over several seeds;
time is a processor's, of one thread, images included. At equal time variances compare as
variance times seconds does.

A sphere of half a metre also blurs: it sees a part of reflections that the receiver sees whole
or not at all. That error of plain tracing does not fall with time. It is told by the exact
paths to many points of the sphere, and printed beside; the variances leave it out.

Physics is checked: energies of every octave and T30 must agree within 4 standard errors, after
exact paths are blurred as the sphere blurs them, or the script exits with 1. Chance of a false
alarm: some 250 comparisons at 4 sigma, about 1 in 60, with fixed seeds.
"""

import argparse
import math
import sys
import time
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from html import escape
from pathlib import Path

import numba
import numpy as np
from contest import conditions
from furnished import acoustic, furnished, scene_of, sphere_radii_m
from plain_tracing import PlainRun

from raysim.measures.decay import fit_line
from raysim.propagation.images import arrivals, pair_order
from raysim.propagation.rays import N_BATCH, RayRun, expected_duration_s
from raysim.propagation.room import AcousticRoom
from raysim.records import Arrivals
from raysim.scene.model import Receiver, Source
from raysim.study import AS_DESCRIBED, prepare
from raysim.units import Float, to_level_db

SCENES = Path(__file__).parents[1] / "scenes"
BIN_S, IMAGE_ORDER = 0.001, 3
#: Rays after which both are looked at: what they have so far.
RAYS = (1024, 2048, 4096, 8192, 16384)
N_SEED = 8
#: Octaves whose T30 a run must know: 125 Hz to 4 kHz.
CERTAIN = slice(1, 7)
#: Rays that rounding may lose, per segment.
_MOST_LOST = 1e-5
#: Points of a sphere at which exact paths are found to tell what it sees.
N_POINT = 256
#: Name, folder of the scene and layout.
ROOMS = (
    ("furnished", None, ""),
    ("weir-bulletin", "weir-bulletin", AS_DESCRIBED),
    ("weir-bulletin C2", "weir-bulletin", "C2"),
    ("tide-tables", "tide-tables", AS_DESCRIBED),
    ("tide-tables A5", "tide-tables", "A5"),
)


def window(begin_ms: int, end_ms: int) -> Callable[[Float], Float]:
    """Give the measure of the energy between two times."""
    return lambda e: np.asarray(e[:, begin_ms:end_ms].sum(axis=1))


def c50_db(e: Float) -> Float:
    """Give clarity without direct sound."""
    return np.asarray(10.0 * np.log10(e[:, :50].sum(axis=1) / e[:, 50:].sum(axis=1)))


def t30_s(e: Float) -> Float:
    """Give T30 of the echogram."""
    left = np.cumsum(e[:, ::-1], axis=1)[:, ::-1]
    return fit_line(
        np.arange(e.shape[1]) * BIN_S, to_level_db(left / left[:, :1]), -5.0, -35.0
    )[0]


#: What is measured of an echogram (n_band, n_time) whose time starts with the direct sound,
#: and whether its error is relative; dB else.
MEASURES: dict[str, tuple[Callable[[Float], Float], bool]] = {
    "energy, 0 to 50 ms": (window(0, 50), True),
    "C50": (c50_db, False),
    "10 to 35 ms": (window(10, 35), True),
    "20 to 30 ms": (window(20, 30), True),
    "50 to 60 ms": (window(50, 60), True),
    "100 to 110 ms": (window(100, 110), True),
    "200 to 210 ms": (window(200, 210), True),
    "whole energy": (lambda e: np.asarray(e.sum(axis=1)), True),
    "T30": (t30_s, True),
}
ALIKE = ("whole energy", "energy, 0 to 50 ms", "T30")


@dataclass(frozen=True, slots=True)
class Place:
    """One source of a room and those who hear it."""

    name: str
    room: AcousticRoom
    source: Source
    receivers: list[Receiver]

    @property
    def n_face(self) -> int:
        """How many triangles."""
        return len(self.room.mesh.faces)

    def start_bin(self, receiver: Receiver) -> int:
        """Give the bin of the direct sound, in sight or not."""
        away_m = float(np.linalg.norm(receiver.position_m - self.source.position_m))
        return int(away_m / self.room.speed_m_s / BIN_S)


def place(name: str, scene: str | None, layout: str) -> Place:
    """Give a room with its first source."""
    if scene is None:
        sample = furnished(crowded=False)
        of = scene_of(sample.boxes)
        return Place(name, acoustic(sample), of.sources[0], list(of.receivers))
    one = prepare(SCENES / scene, layout)
    source = one.scene.sources[0]
    return Place(name, one.room, source, one.receivers_of(source))


def rougher(at: Place, scattering: float) -> Place:
    """Give a room whose walls all scatter alike."""
    sides = at.room.sides
    sides = replace(sides, scattering=np.full_like(sides.scattering, scattering))
    return replace(
        at, name=f"{at.name}, s = {scattering:g}", room=replace(at.room, sides=sides)
    )


def in_bins(found: Arrivals, n_time: int) -> Float:
    """Give the energy of exact paths in bins, direct sound left out, (n_band, n_time)."""
    at = (found.delay_s / BIN_S).astype(np.int64)
    use = (found.order > 0) & (at < n_time)
    binned = np.zeros((n_time, found.energy.shape[1]))
    np.add.at(binned, at[use], found.energy[use])
    return binned.T


@dataclass(slots=True)
class Run:
    """One contender's rays of one seed, continued: seconds so far, and echograms."""

    follow: Callable[[int], None]
    #: echograms of one receiver, (n_batch, n_band, n_time)
    energy: Callable[[int], Float]
    lost: Callable[[], float]  # per segment
    spent_s: float = 0.0
    before_s: float = 0.0  # of these: before the first ray

    def go_on(self, n_ray: int) -> None:
        """Follow more rays, timed."""
        start = time.process_time()
        self.follow(n_ray)
        self.spent_s += time.process_time() - start


def ours(at: Place, seed: int, duration_s: float) -> Run:
    """Begin a run of the engine; the exact paths are found, and timed."""
    start = time.process_time()
    chain = pair_order(at.room, duration_s)
    exact = arrivals(
        at.room, at.source, at.receivers, IMAGE_ORDER, chain,
        farthest_m=duration_s * at.room.speed_m_s,
    )  # fmt: skip
    spent_s = time.process_time() - start
    rays = RayRun(
        at.room, at.source, at.receivers, seed=seed, duration_s=duration_s, bin_s=BIN_S,
        image_order=IMAGE_ORDER, pair_order=chain,
    )  # fmt: skip

    def energy(r: int) -> Float:
        found = rays.histograms()[r].energy
        return np.asarray(found + in_bins(exact[r], found.shape[2]))

    def lost() -> float:
        return rays.count.n_lost / rays.count.n_segment

    return Run(rays.follow, energy, lost, spent_s, spent_s)


def plain(at: Place, seed: int, duration_s: float) -> Run:
    """Begin a run of plain tracing."""
    rays = PlainRun(
        at.room, at.source, at.receivers, seed=seed, duration_s=duration_s, bin_s=BIN_S
    )
    return Run(rays.follow, lambda r: rays.energy()[r], lambda: rays.n_lost / rays.n_segment)


CONTENDERS: dict[str, Callable[[Place, int, float], Run]] = {"plain": plain, "ours": ours}


def with_variance(batches: Float) -> dict[str, tuple[Float, Float]]:
    """Give every measure and its variance, (n_band,) each: jackknife over batches."""
    n, whole = len(batches), batches.sum(axis=0)
    less = [(whole - one) / (n - 1) for one in batches]
    found = {}
    for name, (measure, _) in MEASURES.items():
        without = np.array([measure(e) for e in less])
        found[name] = measure(whole / n), (n - 1) * without.var(axis=0)
    return found


@dataclass(slots=True)
class Curve:
    """What a contender came to: by measure, after each number of rays."""

    spent_s: Float  # (n_seed, n_step)
    before_s: Float  # (n_seed,)
    value: dict[str, Float] = field(default_factory=dict)  # (n_seed, n_step, n_rec, n_band)
    variance: dict[str, Float] = field(default_factory=dict)  # the same shape

    @property
    def seconds(self) -> Float:
        """Give the best time of each step, (n_step,)."""
        return np.asarray(self.spent_s.min(axis=0))

    def mean_variance(self, name: str) -> Float:
        """Give the variance of a measure, mean over seeds, relative if its error is."""
        mean = self.variance[name].mean(axis=0)
        if MEASURES[name][1]:
            mean = mean / self.value[name].mean(axis=0) ** 2
        return np.asarray(mean)

    def error(self, name: str) -> Float:
        """Give the standard error, root mean square of octaves and receivers, (n_step,)."""
        return np.asarray(np.sqrt(self.mean_variance(name)[..., CERTAIN].mean(axis=(1, 2))))


def duration_of(at: Place) -> float:
    """Give how long echograms must be, as a run finds it: 1.2 times T30 at least."""
    duration_s = expected_duration_s(at.room)
    while True:
        run = ours(at, 0, duration_s)
        run.go_on(4000)
        longest = max(
            float(np.nan_to_num(t30_s(run.energy(r).mean(axis=0)), nan=np.inf).max())
            for r in range(len(at.receivers))
        )
        if longest * 1.2 < duration_s or duration_s > 6.0:
            return duration_s
        duration_s *= 1.6


def race(at: Place, duration_s: float) -> dict[str, Curve]:
    """Let both run, seed by seed, in alternating order."""
    shape = (N_SEED, len(RAYS), len(at.receivers), at.room.sides.alpha.shape[1])
    curves = {}
    for name in CONTENDERS:
        curve = Curve(np.zeros(shape[:2]), np.zeros(N_SEED))
        curve.value = {m: np.zeros(shape) for m in MEASURES}
        curve.variance = {m: np.zeros(shape) for m in MEASURES}
        curves[name] = curve
    for i in range(N_SEED):
        for name in list(CONTENDERS)[:: 1 if i % 2 else -1]:
            # contenders draw apart from each other: of different seeds
            seed = 1 + 2 * i + list(CONTENDERS).index(name)
            run, curve = CONTENDERS[name](at, seed, duration_s), curves[name]
            curve.before_s[i] = run.before_s
            n_before = 0
            for k, n in enumerate(RAYS):
                run.go_on(n - n_before)
                n_before = n
                curve.spent_s[i, k] = run.spent_s
                for r, receiver in enumerate(at.receivers):
                    batches = run.energy(r)[:, :, at.start_bin(receiver) :]
                    for m, (value, variance) in with_variance(batches).items():
                        curve.value[m][i, k, r], curve.variance[m][i, k, r] = value, variance
            if run.lost() > _MOST_LOST:
                sys.exit(f"fast but wrong: {name} loses rays in {at.name}")
    return curves


def in_sphere(n: int) -> Float:
    """Give points evenly spread in the unit sphere, (n, 3): an additive recurrence."""
    step = np.array([0.8191725133961645, 0.6710436067037893, 0.5497004779019703])
    u, v, w = (np.arange(1, n + 1)[:, None] * step % 1.0).T
    z, turn = 1.0 - 2.0 * u, 2.0 * np.pi * v
    flat = np.sqrt(1.0 - z * z)
    on = np.stack([flat * np.cos(turn), flat * np.sin(turn), z], axis=1)
    return np.asarray(on * np.cbrt(w)[:, None])


def blurs(at: Place, n_time: int) -> list[Float]:
    """Give what a sphere makes of exact paths: at each point less at the middle.

    One for each receiver, (n_point, n_band, n_time).
    """
    found = []
    radii = sphere_radii_m(at.room, at.receivers)
    for receiver, radius in zip(at.receivers, radii, strict=True):
        points = receiver.position_m + radius * in_sphere(N_POINT)
        about = [receiver, *(replace(receiver, position_m=p) for p in points)]
        exact = arrivals(at.room, at.source, about, IMAGE_ORDER)
        middle, *others = (in_bins(one, n_time) for one in exact)
        whole = np.array(others) - middle
        found.append(whole[:, :, at.start_bin(receiver) :])
    return found


def blurred(
    curves: dict[str, Curve], blur: list[Float], name: str
) -> tuple[Float, Float, Float]:
    """Give a measure by both, ours blurred as the sphere blurs, and the difference's error.

    (n_rec, n_band) each.
    """
    plainly, exactly = (curves[k].value[name][:, -1].mean(axis=0) for k in ("plain", "ours"))
    variance = sum(c.variance[name][:, -1].mean(axis=0) / N_SEED for c in curves.values())
    if name != "T30":  # early energy moves the curve as a whole, hardly its slope
        of_point = np.array([[MEASURES[name][0](one) for one in points] for points in blur])
        exactly = exactly + of_point.mean(axis=1)
        variance = variance + of_point.var(axis=1) / N_POINT
    return plainly, exactly, np.sqrt(variance)


def disagreement(curves: dict[str, Curve], blur: list[Float]) -> float:
    """Give the largest difference of the two in standard errors, after all rays."""
    worst = 0.0
    for name in ALIKE:
        plainly, exactly, error = blurred(curves, blur, name)
        sigmas = np.nan_to_num(np.abs(plainly - exactly) / error, nan=np.inf)
        worst = max(worst, float(sigmas.max()))
    return worst


def blur_pct(curves: dict[str, Curve], blur: list[Float], name: str) -> float:
    """Give the sphere's own error of an energy, the largest of octaves and receivers."""
    mean = curves["ours"].value[name][:, -1].mean(axis=0)
    off = np.array([[MEASURES[name][0](one) for one in points] for points in blur])
    return float(100.0 * np.abs(off.mean(axis=1) / mean)[:, CERTAIN].max())


def gain(curves: dict[str, Curve], name: str) -> Float:
    """Give the ratio of variances at equal time, plain over ours, (n_rec, n_band)."""
    cost = {k: c.mean_variance(name)[-1] * c.seconds[-1] for k, c in curves.items()}
    return np.asarray(cost["plain"] / cost["ours"])


def seconds_to(curve: Curve, name: str, error: float, *, worst: bool) -> float:
    """Give how long until a measure is so certain: in every octave, or in their mean."""
    each = curve.mean_variance(name)[-1][:, CERTAIN]
    variance = float(each.max() if worst else each.mean())
    before_s = float(curve.before_s.min())
    return before_s + (float(curve.seconds[-1]) - before_s) * variance / error**2


def print_room(at: Place, curves: dict[str, Curve]) -> None:
    """Print the ratios of a room by octave."""
    for name in MEASURES:
        each = gain(curves, name)
        by_band = np.exp(np.log(each).mean(axis=0))
        error = [100.0 if MEASURES[name][1] else 1.0] * curves["ours"].error(name)[-1:]
        error_plain = error / curves["ours"].error(name)[-1:] * curves["plain"].error(name)[-1:]
        unit = "%" if MEASURES[name][1] else "dB"
        cells = " | ".join(f"{g:.1f}" for g in by_band)
        print(f"| {at.name} | {name} | {error_plain[0]:.2g} {unit} | {error[0]:.2g} {unit} "
              f"| {cells} | **{np.exp(np.log(by_band).mean()):.1f}** |")  # fmt: skip


def figure(curves: dict[str, dict[str, Curve]]) -> str:
    """Draw standard error against seconds: a row per measure, a column per room."""
    shown = (("energy, 0 to 50 ms", "energy to 50 ms, %"),
             ("100 to 110 ms", "100 to 110 ms, %"), ("T30", "T30, %"))  # fmt: skip
    wide, high, left, top, gap = 172, 150, 62, 46, 14
    w = left + len(curves) * (wide + gap) + 6
    h = top + len(shown) * (high + gap) + 62
    all_s = np.concatenate([c.seconds for pair in curves.values() for c in pair.values()])
    span_s = (_below(float(all_s.min())), _above(float(all_s.max())))
    out = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {w} {h}" role="img" '
        'font-family="sans-serif" font-size="13">',
        "<title>Standard error against processor time, plain tracing and the engine</title>",
        "<desc>Logarithmic axes. Orange dashes with squares: plain tracing into a receiver "
        "sphere. Blue lines with discs: image sources, connections and the same sphere. "
        "Lower is better.</desc>",
        f'<rect width="{w}" height="{h}" fill="white"/>',
    ]  # fmt: skip
    for j, (name, title) in enumerate(shown):
        errors = [100.0 * c.error(name) for pair in curves.values() for c in pair.values()]
        span = _below(float(np.min(errors))), _above(float(np.max(errors)))
        y0 = top + j * (high + gap)

        def y(e: float, y0: int = y0, span: tuple[float, float] = span) -> float:
            return y0 + high * (1.0 - math.log(e / span[0]) / math.log(span[1] / span[0]))

        for i, (room, pair) in enumerate(curves.items()):
            x0 = left + i * (wide + gap)

            def x(s: float, x0: int = x0) -> float:
                return x0 + wide * math.log(s / span_s[0]) / math.log(span_s[1] / span_s[0])

            for e in _ticks(*span):
                out.append(f'<path d="M{x0} {y(e):.1f}H{x0 + wide}" stroke="#ccc"/>')
                if i == 0 and (j == 0 or e < span[1]):  # the row above ends close by
                    out.append(f'<text x="{x0 - 6}" y="{y(e) + 4:.1f}" '
                               f'text-anchor="end">{e:g}</text>')  # fmt: skip
            for s in _ticks(*span_s):
                out.append(f'<path d="M{x(s):.1f} {y0}V{y0 + high}" stroke="#eee"/>')
                if j == len(shown) - 1 and span_s[0] < s < span_s[1]:
                    out.append(f'<text x="{x(s):.1f}" y="{y0 + high + 18}" '
                               f'text-anchor="middle">{s:g}</text>')  # fmt: skip
            if j == 0:
                out.append(f'<text x="{x0 + wide / 2}" y="{top - 10}" '
                           f'text-anchor="middle">{escape(room)}</text>')  # fmt: skip
            for contender, colour, dash in (
                ("plain", "#c05a00", ' stroke-dasharray="5 3"'), ("ours", "#0050a0", "")
            ):  # fmt: skip
                curve = pair[contender]
                at = [(x(s), y(100.0 * e)) for s, e in
                      zip(curve.seconds, curve.error(name), strict=True)]  # fmt: skip
                line = "L".join(f"{a:.1f} {b:.1f}" for a, b in at)
                out.append(f'<path d="M{line}" fill="none" stroke="{colour}" '
                           f'stroke-width="2"{dash}/>')  # fmt: skip
                for a, b in at:
                    out.append(
                        f'<circle cx="{a:.1f}" cy="{b:.1f}" r="3.5" fill="{colour}"/>'
                        if contender == "ours" else
                        f'<rect x="{a - 3:.1f}" y="{b - 3:.1f}" width="6" height="6" '
                        f'fill="{colour}"/>'
                    )  # fmt: skip
            out.append(f'<rect x="{x0}" y="{y0}" width="{wide}" height="{high}" fill="none" '
                       'stroke="#888"/>')  # fmt: skip
        out.append(f'<text x="{left + 6}" y="{y0 + high - 8}">{escape(title)}</text>')
    out.append(f'<text x="{left}" y="16">Standard error, %</text>')
    out.append(f'<text x="{w - 8}" y="{h - 26}" text-anchor="end">seconds of one processor'
               "</text>")  # fmt: skip
    out.append(
        f'<text x="{left}" y="{h - 8}"><tspan fill="#c05a00">■ plain tracing into a sphere'
        f'</tspan>, <tspan fill="#0050a0">● images, connections and the sphere</tspan>; '
        f"{RAYS[0]} to {RAYS[-1]} rays. Mean of octaves 125 Hz to 4 kHz.</text></svg>"
    )
    return "".join(out) + "\n"


def _below(value: float) -> float:
    """Give the next of 1, 2, 5, 10 ... below."""
    return max(t for t in _steps() if t <= value)


def _above(value: float) -> float:
    return min(t for t in _steps() if t >= value)


def _ticks(low: float, high: float) -> list[float]:
    return [t for t in _steps() if low * 0.999 <= t <= high * 1.001]


def _steps() -> list[float]:
    return [float(f"{m}e{k}") for k in range(-4, 4) for m in (1, 2, 5)]


def main() -> None:
    """Print ratios by room, measure and octave; refuse if physics differ."""
    asked = argparse.ArgumentParser(description=__doc__.split("\n", 1)[0])
    asked.add_argument("--room", action="append", default=[], help="of: "
                       + ", ".join(name for name, _, _ in ROOMS))  # fmt: skip
    asked.add_argument("--scattering", type=float, help="of all walls, in place of their own")
    asked.add_argument("--figure", type=Path, help="draw it: FILE.svg")
    given = asked.parse_args()
    numba.set_num_threads(1)
    print(conditions(1, "numpy", "numba"))
    print(f"{N_SEED} seeds of {N_BATCH} batches, {RAYS[-1]} rays a seed and set of bands; one "
          "thread. Errors: mean of 125 Hz to 4 kHz.\n")  # fmt: skip
    chosen = [one for one in ROOMS if not given.room or one[0] in given.room]
    every: dict[str, dict[str, Curve]] = {}
    summary, wrong = [], []
    labels = ("63", "125", "250", "500", "1k", "2k", "4k", "8k")
    print("| room | measure | error, plain | ours | "
          + " | ".join(labels) + " | mean |\n" + "|-" * 13 + "|")  # fmt: skip
    for one in chosen:
        at = place(*one)
        if given.scattering is not None:
            at = rougher(at, given.scattering)
        duration_s = duration_of(at)
        plain(at, 1, duration_s).follow(32)  # compiles
        curves = every[at.name] = race(at, duration_s)
        print_room(at, curves)
        blur = blurs(at, math.ceil(duration_s / BIN_S))
        sigmas = disagreement(curves, blur)
        if not sigmas <= 4.0:
            wrong.append(f"{at.name}: {sigmas:.1f}")
        to = [
            f"{seconds_to(curves[k], name, error, worst=worst):.2f}"
            for name, error, worst in (("T30", 0.02, True), ("T30", 0.02, False),
                                       ("C50", 0.1, False))
            for k in ("plain", "ours")
        ]  # fmt: skip
        plain_s, ours_s = (curves[k].seconds[-1] for k in ("plain", "ours"))
        early, late = (blur_pct(curves, blur, m) for m in ("energy, 0 to 50 ms", "10 to 35 ms"))
        images_pct = 100.0 * curves["ours"].before_s.min() / ours_s
        summary.append(f"| {at.name} | {at.n_face} | {len(at.receivers)} | {plain_s:.2f} "
                       f"| {ours_s:.2f} | {images_pct:.1f} | {' | '.join(to)} "
                       f"| {early:.1f} | {late:.1f} | {sigmas:.1f} |")  # fmt: skip
    print(f"\nSeconds: of {RAYS[-1]} rays, and to be so certain.\n")
    print("| room | triangles | receivers | plain | ours | images, % of it "
          "| T30 2 % in every octave and place, plain | ours | in the mean, plain | ours "
          "| C50 0.1 dB, plain | ours | blur of plain, 0 to 50 ms, % | 10 to 35 ms "
          "| worst difference, sigma |")  # fmt: skip
    print("|-" * 15 + "|\n" + "\n".join(summary))
    if given.figure is not None:
        given.figure.write_text(figure(every), encoding="utf-8")
    if wrong:
        sys.exit("fast but wrong: standard errors apart: " + "; ".join(wrong))


if __name__ == "__main__":
    main()
