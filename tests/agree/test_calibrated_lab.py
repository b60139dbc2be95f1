"""A measured room calibrated in two states: the third is predicted better than from tables.

Truth: R3VIVAL, "Repository of Room Responses and 360 Videos of a Variable Acoustics Lab"
(Meta Reality Labs, CC BY 4.0), T20 and T30 of the state with half the panels absorptive,
which the fit has not seen. It is the run of ``benchmarks/bench_calibration.py`` with fewer
rays. There is no tolerance: one mean miss against another. The 10 % that calibrated
predictions keep by Prawda et al., J. Acoust. Soc. Am. 152 (2022) 1158 (seen in its abstract),
are not kept: T30 misses by 11 and T20 by 13 % with many rays.
"""

import importlib
import sys
from pathlib import Path

import pytest

FOLDER = Path(__file__).parents[2] / "benchmarks"
N_RAY = 1024
NAMES = ("bench_calibration", "bench_variable_lab", "contest")


@pytest.fixture(scope="module")
def bench():
    held = {name: sys.modules.pop(name, None) for name in NAMES}
    sys.path.insert(0, str(FOLDER))
    yield importlib.import_module(NAMES[0])
    sys.path.remove(str(FOLDER))
    for name in NAMES:
        sys.modules.pop(name, None)
        if held[name] is not None:
            sys.modules[name] = held[name]


@pytest.fixture(scope="module")
def lab(bench):
    return bench.lab.make_lab(N_RAY)


@pytest.fixture(scope="module")
def found(bench, lab):
    states = [bench.state(lab, f"{pct} %", *kinds) for pct, kinds in bench.STATES.items()]
    return bench.calibrate(states, bench.rows(0) + bench.rows(100), n_ray=N_RAY, seed=1)


def misses(bench, lab, found, kinds):
    """Give mean misses in the half state, per cent: before and after the fit, T20 and T30."""
    got = bench.predict(bench.state(lab, "50 %", *kinds), found, N_RAY, 2)
    true = bench.lab.measured(50)
    return [
        [
            bench.lab.mean_miss_pct(name, times_s[bench.DECAYS.index(name)], true[name])
            for name in bench.FITTED
        ]
        for times_s in (got.before_s, got.after_s)
    ]


@pytest.fixture(scope="module")
def half(bench, lab, found):
    return misses(bench, lab, found, bench.HALF)


def nearer(before, after):
    """Tell for each measure if a prediction is nearer than that from tables."""
    return [a < b for a, b in zip(after, before, strict=True)]


def test_calibrated_is_nearer_than_tables(half):
    assert all(nearer(*half))


def test_that_can_fail(bench, lab, found, half):
    """Planted fault: no panel was turned.

    That all were turned is no fault it could notice for sure: at the two lowest octaves the
    measured half state decays as fast as if they were.
    """
    _, turned = misses(bench, lab, found, ("reflective", "reflective"))
    assert not any(nearer(half[0], turned))
