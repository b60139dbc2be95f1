"""Can a room be calibrated in two states and trusted in a third? With doubts stated.

The laboratory of `bench_variable_lab.py`, with the same assumptions, is given to the
calibration that users have: all coefficients in doubt, of panels, carpet and ceiling, are
fitted to T20 and T30 measured with no panel absorptive and with all of them. The state with
half of them absorptive is predicted with what doubt is left, and compared.

Fixed before the first prediction was looked at:
  - octaves 125 Hz to 8 kHz (63 Hz is not reliable in the data), mean over the four
    omnidirectional sources, errors of a single response by ISO 3382-2 over the root of 4;
  - panels: nothing is published, so low, likely, high are .01 .10 .50 for reflective and
    .05 .60 .97 for absorptive ones in every octave; carpet and ceiling as in the catalogue;
  - 5 % in each state for the model's own faults;
  - no bound: that of `bench_variable_lab.py`, 10 % in the mean from 125 Hz to 4 kHz for T20 and
    T30, is printed beside, and stays where it is.

Measured: R3VIVAL, "Repository of Room Responses and 360 Videos of a Variable Acoustics
Lab" (Meta Reality Labs), CC BY 4.0; see data/README.md.

    NUMBA_NUM_THREADS=1 python benchmarks/bench_calibration.py --figure variable_lab.svg
"""

import argparse
import sys
import time
from dataclasses import dataclass, replace
from html import escape
from pathlib import Path

import bench_variable_lab as lab
import numpy as np
from contest import conditions

from raysim.planning.calibrate import MODEL_PCT, Calibration, calibrate
from raysim.planning.calibration_page import sentences
from raysim.planning.measured_decays import DECAYS, MeasuredDecay
from raysim.planning.replayed_decay import record_room
from raysim.propagation.room import acoustic_room
from raysim.scene.model import Material, Scene
from raysim.scene.plan import Layout
from raysim.study import Prepared
from raysim.units import OCTAVE_LABELS, Float

FITTED = ("t20_s", "t30_s")
STATES = {0: ("reflective", "reflective"), 100: ("absorptive", "absorptive")}
HALF = ("reflective", "absorptive")
RANGES = {"reflective": (0.01, 0.10, 0.50), "absorptive": (0.05, 0.60, 0.97)}
FIRST_BAND = 1  # 125 Hz
#: Of the prediction: coefficients are moved by so much of their doubt.
STEP = 0.5


def panel(name: str, like: Material) -> Material:
    """Give a kind of panel with the range that is assumed."""
    low, likely, high = (np.full(like.alpha.shape, a) for a in RANGES[name])
    return replace(like, name=name, alpha=likely, alpha_low=low, alpha_high=high)


def state(laboratory: lab.Lab, name: str, even: str, odd: str) -> Prepared:
    """Give the laboratory with kinds of panels in place of "even" and "odd"."""
    scene = laboratory.scene
    kind = {"even": even, "odd": odd}
    materials = {k: m for k, m in scene.materials.items() if k not in kind}
    materials |= {k: panel(k, scene.materials["even"]) for k in RANGES}
    shown = replace(
        scene,
        materials=materials,
        finishes=tuple(
            replace(f, material=kind.get(f.material, f.material)) for f in scene.finishes
        ),
        patches=tuple(
            replace(p, material=kind.get(p.material, p.material)) for p in scene.patches
        ),
    )
    sides = tuple(
        replace(s, material=kind.get(s.material, s.material)) for s in laboratory.mesh.surfaces
    )
    mesh = replace(laboratory.mesh, surfaces=sides)
    room = acoustic_room(shown, mesh)
    return Prepared(shown, mesh, room, (), shown, Layout(name, "", ()))


def rows(state_pct: int) -> list[MeasuredDecay]:
    """Give what was measured, as the calibration takes it."""
    true = lab.measured(state_pct)
    return [
        MeasuredDecay(f"{state_pct} %", "", "", name, b, float(true[name][b]), float("nan"))
        for name in FITTED
        for b in range(FIRST_BAND, len(OCTAVE_LABELS))
    ]


@dataclass(frozen=True, slots=True)
class Predicted:
    """Decay times of the half state, (n_decay, n_band): with and without calibration."""

    before_s: Float
    after_s: Float
    error: Float  # relative, one standard deviation: of coefficients and of the model
    before_error: Float


def predict(half: Prepared, found: Calibration, n_ray: int, seed: int) -> Predicted:
    """Predict the state that was not fitted, and how far it may be off."""
    names = [m.name for m in found.materials]
    low = np.stack([m.alpha_low for m in found.materials])
    likely = np.stack([m.alpha for m in found.materials])
    room = record_room(half, names, low, 0.8, n_ray, seed)

    def times(alpha: Float) -> Float:
        return room.decays_s(alpha)[0].mean(axis=1)

    before_s, after_s = times(np.stack([likely, found.alpha]))

    def spread(at: Float, here_s: Float, doubt: Float, covariance: list[Float]) -> Float:
        step = np.where(at + STEP * doubt <= 0.99, STEP, -STEP) * np.maximum(doubt, 1e-6)
        moved = at + np.eye(len(at))[:, :, None] * step[None]
        slope = np.log(times(moved) / here_s) / step[:, None, :]  # (material, decay, band)
        return np.stack(
            [
                np.sqrt(
                    np.einsum("id,ij,jd->d", slope[:, :, b], c, slope[:, :, b])
                    + (0.01 * MODEL_PCT) ** 2
                )
                for b, c in enumerate(covariance)
            ],
            axis=1,
        )

    n_band = likely.shape[1]
    prior = [np.diag(found.prior_error[:, b] ** 2) for b in range(n_band)]
    left = [found.covariance(b) for b in range(n_band)]
    return Predicted(
        before_s,
        after_s,
        spread(found.alpha, after_s, found.error, left),
        spread(likely, before_s, found.prior_error, prior),
    )


def with_fitted(laboratory: lab.Lab, found: Calibration) -> tuple[lab.Lab, Float, Float]:
    """Give the laboratory with fitted floor and ceiling, and the two kinds of panels."""
    scene, alpha = laboratory.scene, {}
    for i, m in enumerate(found.materials):
        alpha[m.name] = found.alpha[i]
    materials = {k: replace(m, alpha=alpha.get(k, m.alpha)) for k, m in scene.materials.items()}
    fitted: Scene = replace(scene, materials=materials)
    return replace(laboratory, scene=fitted), alpha["reflective"], alpha["absorptive"]


def figure(predicted: Predicted) -> str:
    """Draw T30 by octave: measured in three states, and the middle one predicted."""
    w, h, x0, y0, x1, y1 = 760, 410, 60, 30, 740, 340
    top = 1.0
    bands = range(FIRST_BAND, len(OCTAVE_LABELS))
    step = (x1 - x0) / len(bands)

    def x(b: int, shift: float = 0.0) -> float:
        return x0 + step * (b - FIRST_BAND + 0.5 + shift)

    def y(t: float) -> float:
        return y1 - (y1 - y0) * t / top

    out = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {w} {h}" role="img" '
        'font-family="sans-serif" font-size="13">',
        "<title>T30 of a laboratory with turning panels, measured and predicted</title>",
        "<desc>By octave, seconds. Black marks: measured with none, half and all of the panels "
        "absorptive. Bars: the half state as predicted, one standard deviation to either side, "
        "grey before and blue after calibration to the other two.</desc>",
        f'<rect width="{w}" height="{h}" fill="white"/>',
    ]
    for t in np.arange(0.0, top + 0.01, 0.2):
        out.append(f'<path d="M{x0} {y(t):.1f}H{x1}" stroke="#ccc"/>')
        out.append(f'<text x="{x0 - 8}" y="{y(t) + 4:.1f}" text-anchor="end">{t:.1f}</text>')
    i_t30 = DECAYS.index("t30_s")
    for b in bands:
        label = escape(OCTAVE_LABELS[b])
        out.append(f'<text x="{x(b):.1f}" y="{y1 + 20}" text-anchor="middle">{label}</text>')
        for colour, shift, time_s, error in (
            ("#888", 0.10, predicted.before_s, predicted.before_error),
            ("#0050a0", 0.25, predicted.after_s, predicted.error),
        ):
            t, e = float(time_s[i_t30, b]), float(error[i_t30, b])
            low, high = t * np.exp(-e), min(t * np.exp(e), top)
            at = x(b, shift)
            out.append(
                f'<path d="M{at:.1f} {y(low):.1f}V{y(high):.1f}" stroke="{colour}" '
                f'stroke-width="5"/><circle cx="{at:.1f}" cy="{y(t):.1f}" r="5" '
                f'fill="{colour}"/>'
            )
    for pct, mark in ((0, "M-6 0H6"), (50, "M0-7L7 0 0 7-7 0Z"), (100, "M-6 0H6M0-6V6")):
        true = lab.measured(pct)["t30_s"]
        for b in bands:
            out.append(
                f'<path transform="translate({x(b, -0.1):.1f} {y(float(true[b])):.1f})" '
                f'd="{mark}" stroke="black" stroke-width="2" fill="none"/>'
            )
    out.append(f'<text x="{x0}" y="18">T30, s</text>')
    out.append(
        f'<text x="{x0}" y="{h - 26}">Hz. Black, measured: – none, ◇ half, + all panels '
        "absorptive. Half, predicted ± one standard deviation:</text>"
    )
    out.append(
        f'<text x="{x0}" y="{h - 8}"><tspan fill="#666">grey from tables alone</tspan>, '
        '<tspan fill="#0050a0">blue calibrated to the other two states</tspan></text></svg>'
    )
    return "".join(out) + "\n"


def main() -> int:
    """Fit two states, predict the third with its doubt, print."""
    asked = argparse.ArgumentParser(description=__doc__.split("\n", 1)[0])
    asked.add_argument("--rays", type=int, default=8192, help="rays per source and state")
    asked.add_argument("--seed", type=int, default=1)
    asked.add_argument("--figure", type=Path, help="draw it: FILE.svg")
    given = asked.parse_args()
    begin = time.perf_counter()
    laboratory = lab.make_lab(given.rays, given.seed)
    measured = rows(0) + rows(100)
    states = [state(laboratory, f"{pct} %", *kinds) for pct, kinds in STATES.items()]
    found = calibrate(states, measured, n_ray=given.rays, seed=given.seed)
    half = state(laboratory, "50 %", *HALF)
    predicted = predict(half, found, given.rays, given.seed + 1)
    print(conditions(given.seed, "numpy", "numba"), f"{given.rays} rays.\n")
    print("| | " + " | ".join(OCTAVE_LABELS[1:]) + " |")
    print("|-|" + "-|" * len(OCTAVE_LABELS[1:]))
    for i, material in enumerate(found.materials):
        lab.print_row(f"alpha of {material.name}, likely before", material.alpha, 2)
        lab.print_row("fitted", found.alpha[i], 2)
        lab.print_row("standard error left", found.error[i], 2)
        lab.print_row("doubt left, %", 100.0 * found.left[i], 0)
    computed = np.array(found.after_s)
    for pct in STATES:
        for name in FITTED:
            off = np.full(len(OCTAVE_LABELS), np.nan)
            for k, row in enumerate(found.rows):
                if row.layout == f"{pct} %" and row.measure == name:
                    off[row.band] = 100.0 * (computed[k] / row.value_s - 1.0)
            head = f"{name[:3].upper()} left by the fit, {pct} % absorptive, %"
            lab.print_row(head, off, 1, sign="+")
    true = lab.measured(50)
    missed = {}
    for i, name in enumerate(DECAYS):
        label = lab.MEASURES[name][0]
        lab.print_row(f"{label} measured, half, s", true[name], 2)
        for word, time_s, error in (
            ("from tables alone", predicted.before_s[i], predicted.before_error[i]),
            ("calibrated", predicted.after_s[i], predicted.error[i]),
        ):
            off = lab.deviation(name, time_s, true[name])
            lab.print_row(f"{label} {word}, s", time_s, 2)
            lab.print_row("one standard deviation, %", 100.0 * error, 0)
            lab.print_row("off by, %", off, 0, sign="+")
            lab.print_row("off by, JND of 5 %", off / 5.0, 1, sign="+")
            lab.print_row("off by, standard deviations",
                          np.log(time_s / true[name]) / error, 1, sign="+")  # fmt: skip
            missed[label, word] = lab.mean_miss_pct(name, time_s, true[name])
    fitted_lab, even, odd = with_fitted(laboratory, found)
    pairs = fitted_lab.measure(even, odd, spread=False)
    for name in ("c50_db", "c80_db"):
        off = lab.deviation(name, lab.over_pairs(pairs, name), true[name])
        lab.print_row(f"{lab.MEASURES[name][0]} calibrated, off by, dB = JND", off, 1, sign="+")
    print()
    for (label, word), miss in missed.items():
        print(f"{label} {word}: mean miss 125 Hz to 4 kHz {miss:.1f} %.")
    print(f"Bound of bench_variable_lab: {lab.BOUND_PCT:g} % for T30 and T20.\n")
    print(*(f"- {one}" for one in sentences(found)), sep="\n")
    if given.figure is not None:
        given.figure.write_text(figure(predicted), encoding="utf-8")
    print(f"\n{time.perf_counter() - begin:.0f} s.")
    return 0


if __name__ == "__main__":
    sys.exit(main())
