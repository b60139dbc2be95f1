"""Calibration: planted coefficients come out, within the doubt that is stated, or less."""

import copy
import io
from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from calibrated import SCENE, planted, traced_decays, with_alpha
from scipy.stats import chi2

from raysim.planning.alpha_fit import prior_spread
from raysim.planning.calibrate import calibrate, in_question
from raysim.planning.calibration_page import calibration_page, rms_pct, sentences
from raysim.study import prepare

N_RAY = 1024
MODEL_PCT = 1.0
SEED = 2


@pytest.fixture(scope="module")
def room(tmp_path_factory):
    folder = tmp_path_factory.mktemp("doubt")
    (folder / "scene.toml").write_text(SCENE)
    return prepare(folder)


@pytest.fixture(scope="module")
def true(room):
    return planted(room, SEED)


@pytest.fixture(scope="module")
def measured(room, true):
    return traced_decays(with_alpha(room, true), 8192, seed=100 + SEED)


@pytest.fixture(scope="module")
def found(room, measured):
    return calibrate([room], measured, n_ray=N_RAY, seed=7, model_pct=MODEL_PCT)


def off(found, true):
    """Give the sum of squares of misses in units of what is stated, and of how many."""
    total, n = 0.0, 0
    for b in range(found.alpha.shape[1]):
        free = found.error[:, b] > 0.0
        miss = (found.alpha[:, b] - [true[m.name][b] for m in found.materials])[free]
        left = found.covariance(b)[np.ix_(free, free)]
        total, n = total + float(miss @ np.linalg.solve(left, miss)), n + int(free.sum())
    return total, n


def test_planted_coefficients_come_out(found, true):
    """Truth: coefficients drawn as the ranges say, traced with rays of another seed.

    Tolerance: the chi-square of what is stated to be left of the doubt, 1 % outside.
    """
    total, n = off(found, true)
    assert total < chi2.ppf(0.99, n)


def test_planted_coefficients_test_can_fail(room, measured, true):
    """Planted fault: all times are half as long again as they were."""
    longer = [replace(row, value_s=1.5 * row.value_s) for row in measured]
    wrong = calibrate([room], longer, n_ray=N_RAY, seed=7, model_pct=MODEL_PCT)
    total, n = off(wrong, true)
    assert total > chi2.ppf(0.99, n)


def test_times_are_met_after_and_not_before(found):
    """Tolerance: three times the errors of times as stated, in the mean over an octave."""
    stated = 100.0 * np.sqrt(
        [np.mean(found.row_error[[r.band == b for r in found.rows]] ** 2) for b in range(8)]
    )
    assert np.all(rms_pct(found, found.after_s) < 3.0 * stated)
    assert np.any(rms_pct(found, found.before_s) > 3.0 * stated)
    assert np.nanmin(found.left) < 0.7


def inside(found):
    return all(
        np.all((a >= m.alpha_low) & (a <= m.alpha_high))
        for m, a in zip(found.materials, found.alpha, strict=True)
    )


@pytest.mark.parametrize("factor", [0.3, 3.0])
def test_ranges_are_kept(room, measured, factor):
    """Times that no range could give push coefficients to its ends, and no further."""
    far = [replace(row, value_s=factor * row.value_s, error_s=1e-3) for row in measured]
    found = calibrate([room], far, n_ray=512, seed=7, model_pct=MODEL_PCT)
    assert inside(found)
    assert (found.at_end == np.sign(1.0 - factor)).sum() >= 8
    told = " ".join(sentences(found))
    assert "came to an end of its range" in told
    assert "farther off than their errors" in told


def test_range_test_can_fail(found):
    """Planted fault: one coefficient beyond its range."""
    assert inside(found)
    other = copy.copy(found)
    object.__setattr__(other, "alpha", found.alpha + 0.4)
    assert not inside(other)


def test_what_is_not_measured_stays(room, measured):
    """Truth: an octave without data keeps its likely values, and all of the doubt."""
    part = [row for row in measured if row.band in (3, 4)]
    found = calibrate([room], part, n_ray=512, seed=7)
    likely = np.stack([m.alpha for m in found.materials])
    silent = [0, 1, 2, 5, 6, 7]
    assert np.array_equal(found.alpha[:, silent], likely[:, silent])
    assert np.allclose(np.nan_to_num(found.left[:, silent], nan=1.0), 1.0, atol=1e-9)
    assert np.nanmin(found.left[:, [3, 4]]) < 0.9
    assert sentences(found)[0].startswith("Nothing was measured at 63 Hz, 125 Hz")


def test_more_trust_in_the_model_leaves_less_doubt(room, measured):
    """Truth: information only grows as errors shrink."""
    left = [
        np.nanmean(calibrate([room], measured, n_ray=512, seed=7, model_pct=pct).left)
        for pct in (1.0, 30.0)
    ]
    assert all(a < b for a, b in pairwise(left))


def test_prior_spread():
    """Truth: a triangular distribution, drawn a hundred thousand times. Tolerance: 2 %; four
    sigma of such a standard deviation are about 1 %."""
    rng = np.random.default_rng(1)
    for low, likely, high in ((0.1, 0.2, 0.8), (0.0, 0.0, 1.0), (0.3, 0.4, 0.5)):
        drawn = rng.triangular(low, likely, high, 100_000).std()
        ours = float(prior_spread(*(np.array(v) for v in (low, likely, high))))
        assert ours == pytest.approx(drawn, rel=0.02)
    assert float(prior_spread(np.array(0.2), np.array(0.2), np.array(0.2))) == 0.0


def test_materials_in_question(room):
    """Those with a range; layers and walls without one are left alone."""
    assert [m.name for m in in_question([room])] == [
        "lining", "boards", "felt", "painted_plaster",
    ]  # fmt: skip


def test_page_is_printed(found):
    from rich.console import Console

    console = Console(width=110, record=True, file=io.StringIO())
    console.print(calibration_page(found))
    text = console.export_text()
    for word in ("boards", "doubt left", "before", "fitted", "no measurement"):
        assert word in text
