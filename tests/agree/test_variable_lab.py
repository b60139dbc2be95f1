"""A measured room: panels fitted in two states, the third predicted.

Truth: R3VIVAL, "Repository of Room Responses and 360 Videos of a Variable Acoustics Lab"
(Meta Reality Labs, CC BY 4.0), decay times of the state with half the panels absorptive.
Tolerance: 10 % in the mean over the octaves 125 Hz to 4 kHz, which calibrated predictions
keep by Prawda et al., J. Acoust. Soc. Am. 152 (2022) 1158 (seen in its abstract); it is the
bound of ``benchmarks/bench_variable_lab.py``, whose run this is with fewer rays.

That script asks the same of T20, and there it is missed, at 11 %. So few rays leave
T20 two per cent uncertain in the mean, too much to tell; what makes it miss, the two lowest
octaves, is certain, and is held on to here as a known shortfall.
"""

import importlib.util
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

SCRIPT = Path(__file__).parents[2] / "benchmarks" / "bench_variable_lab.py"
N_RAY = 8192
N_RAY_FAULT = 1024  # the planted faults are far beyond its error
N_STEP = 4


@pytest.fixture(scope="module")
def bench():
    spec = importlib.util.spec_from_file_location(SCRIPT.stem, SCRIPT)
    module = importlib.util.module_from_spec(spec)
    sys.modules[SCRIPT.stem] = module
    spec.loader.exec_module(module)
    yield module
    del sys.modules[SCRIPT.stem]


@pytest.fixture(scope="module")
def lab(bench):
    return bench.make_lab(N_RAY)


@pytest.fixture(scope="module")
def fitted(bench, lab):
    return bench.fit_both(lab, N_STEP)


@pytest.fixture(scope="module")
def predicted(lab, fitted):
    return lab.measure(fitted.reflective, fitted.absorptive, spread=False)


def test_half_state_has_half_of_the_panel_area(lab, bench):
    """Truth: geometry. Tolerance: rounding."""
    sides = lab.room(*np.zeros((2, 8))).sides
    area = {
        name: sides.area_m2[np.array(sides.materials) == name].sum() for name in ("even", "odd")
    }
    lx, ly, lz = bench.BOX_M
    assert area["even"] == pytest.approx((lx + ly) * lz, rel=1e-12)
    assert area["odd"] == pytest.approx((lx + ly) * lz, rel=1e-12)


def test_t30_of_the_half_state_is_predicted(bench, predicted):
    missed = bench.misses(predicted, 50)
    assert bench.within_bound({"t30_s": missed["t30_s"]})


@pytest.mark.xfail(
    reason="at 125 and 250 Hz the measured half state falls its first 25 dB as fast as with "
    "all panels absorptive, or faster; known, not tuned away",
)
def test_t20_of_the_two_lowest_octaves_is_predicted(bench, predicted):
    off = bench.deviation(
        "t20_s", bench.over_pairs(predicted, "t20_s"), bench.measured(50)["t20_s"]
    )
    assert np.mean(np.abs(off[1:3])) <= bench.BOUND_PCT


@pytest.mark.parametrize("fault", ["no panel turned", "swapped, 0 %", "swapped, 100 %"])
def test_planted_fault_misses_the_bound(bench, lab, fitted, fault):
    """The half state cannot tell the two coefficients apart; the other states can."""
    even, odd, state = {
        "no panel turned": (fitted.reflective, fitted.reflective, 50),
        "swapped, 0 %": (fitted.absorptive, fitted.absorptive, 0),
        "swapped, 100 %": (fitted.reflective, fitted.reflective, 100),
    }[fault]
    pairs = replace(lab, n_ray=N_RAY_FAULT).measure(even, odd, spread=False)
    for name, missed in bench.misses(pairs, state).items():
        assert not bench.within_bound({name: missed})
