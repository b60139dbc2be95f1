"""The stated error of a difference between two layouts is how much it scatters by seed.

Truth: the scatter over seeds itself. Tolerance: chi-square of n - 1 degrees of freedom at
four sigma each way (6e-5 outside), fixed seeds.
"""

import numpy as np
import pytest
from quick import LAYOUTS, write_quick
from scipy.stats import chi2, norm

from raysim.measures.pair import measure_pair, spread
from raysim.study import prepare_all, with_settings
from raysim.tracing import trace_source

N_SEED = 24
OUTSIDE = float(norm.sf(4.0))


def c50_mid_db(prepared):
    """Give C50 of the first pair, mean of 500 Hz and 1 kHz, and without each batch."""
    scene = prepared.scene
    source = scene.sources[0]
    (pair,), _ = trace_source(scene, prepared.room, source, prepared.receivers_of(source))
    aim = scene.receivers[0].aim
    measured = measure_pair(pair.arrivals, pair.histogram, scene.bands, aim)
    mid = scene.bands.middle
    return measured.c50_db[mid].mean(), measured.without["c50_db"][:, mid].mean(axis=1)


@pytest.fixture(scope="module")
def by_seed(tmp_path_factory):
    """Give differences over seeds, their stated errors, and those of the two numbers."""
    folder = write_quick(tmp_path_factory.mktemp("chance") / "room", more=LAYOUTS)
    prepared = prepare_all(folder, ["all"])[:2]
    found = []
    for seed in range(1, N_SEED + 1):
        (a, a_each), (b, b_each) = (
            c50_mid_db(with_settings(one, seed=seed, n_ray=1024)) for one in prepared
        )
        apart = np.hypot(spread(a_each), spread(b_each))
        found.append((b - a, spread(b_each - a_each), apart))
    return np.array(found).T


def scatter(differences, errors):
    """Give the scatter of differences in units of their errors: chi-square, n - 1."""
    variance = np.mean(errors**2)
    return float(((differences - differences.mean()) ** 2).sum() / variance)


def test_error_of_a_difference_is_its_scatter(by_seed):
    differences, errors, _ = by_seed
    low, high = chi2.ppf([OUTSIDE, 1.0 - OUTSIDE], N_SEED - 1)
    assert low < scatter(differences, errors) < high


def test_scatter_check_can_fail(by_seed):
    """Planted faults: an error a third as large, and one three times as large."""
    differences, errors, _ = by_seed
    low, high = chi2.ppf([OUTSIDE, 1.0 - OUTSIDE], N_SEED - 1)
    assert scatter(differences, errors / 3.0) > high
    assert scatter(differences, errors * 3.0) < low


def test_shared_chance_makes_differences_certain(by_seed):
    """Truth: variances of unshared chance would add."""
    _, errors, apart = by_seed
    assert np.mean(errors**2) < 0.7 * np.mean(apart**2)
