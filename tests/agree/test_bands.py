"""Four bands at a time against band by band."""

import numpy as np
import pytest
from numba import njit

from raysim.core import bands

#: The same products; sums of at most 24 float64 in another order.
SAME = 1e-14


@njit
def at_once(energy, reflect, scatter, side, histogram):
    bands.leave(energy, None, 0, 0.5, 0.6, -0.64, 0.48, histogram, 0, 1)
    found = bands.absorb(energy, reflect, scatter, side)
    bands.leave(energy, scatter, side, 0.25, 0.6, 0.64, -0.48, histogram, 1, 2)
    bands.turn(energy, scatter, side, 1.25, -1.25)
    return found


@njit
def one_by_one(energy, reflect, scatter, side, histogram):
    bands.leave_each(energy, None, 0, 0.5, 0.6, -0.64, 0.48, histogram, 0, 1, 0)
    found = bands.absorb_each(energy, reflect, scatter, side, 0, 0.0, 0.0, 0.0)
    bands.leave_each(energy, scatter, side, 0.25, 0.6, 0.64, -0.48, histogram, 1, 2, 0)
    bands.turn_each(energy, scatter, side, 1.25, -1.25, 0)
    return found


def difference(n_band, other_side=2):
    """Give the largest relative difference of all that either way makes of a wall."""
    random = np.random.default_rng(n_band)
    reflect, scatter = random.uniform(0.1, 0.9, (2, 4, n_band))
    start, made = random.uniform(0.5, 2.0, n_band), []
    for way, side in ((at_once, 2), (one_by_one, other_side)):
        energy, histogram = start.copy(), np.zeros((2, 3, 9, n_band))
        told = way(energy, reflect, scatter, side, histogram)
        made.append(np.concatenate([energy, histogram.ravel(), told]))
    return float(np.max(np.abs(made[0] - made[1]) / np.maximum(np.abs(made[1]), 1e-300)))


@pytest.mark.parametrize("n_band", [1, 3, 4, 7, 8, 9, 24])
def test_four_bands_at_a_time_are_one_by_one(n_band):
    """Truth: the same products and sums, band by band."""
    assert difference(n_band) < SAME


@pytest.mark.parametrize("n_band", [3, 8])
def test_band_test_notices_another_wall(n_band):
    """Planted fault: band by band the wall is another one."""
    assert difference(n_band, other_side=1) > 1e-3
