"""Pearson's test of counts against what was expected, with thin cells pooled."""

import numpy as np
from scipy.stats import chi2

#: Cells are pooled until this many counts are expected, the usual rule of Cochran (1954).
LEAST_EXPECTED = 5.0


def pooled(count, expected):
    """Join the thinnest cells until none expects fewer than `LEAST_EXPECTED`."""
    count, expected = np.ravel(count).astype(float), np.ravel(expected).astype(float)
    order = np.argsort(expected)
    count, expected = count[order], expected[order]
    n = int(np.searchsorted(expected, LEAST_EXPECTED))
    while 0 < n < len(expected) and expected[:n].sum() < LEAST_EXPECTED:
        n += 1
    if n > 1:
        count = np.concatenate([[count[:n].sum()], count[n:]])
        expected = np.concatenate([[expected[:n].sum()], expected[n:]])
    return count, expected


def chance_of(count, expected):
    """Give the chance of counts at least this far from what was expected.

    ``expected`` is scaled to the total of ``count``; a count where nothing is possible
    gives 0.
    """
    count, expected = np.ravel(count).astype(float), np.ravel(expected).astype(float)
    expected = expected * count.sum() / expected.sum()
    if count[expected == 0.0].any():
        return 0.0
    count, expected = pooled(count[expected > 0.0], expected[expected > 0.0])
    return float(chi2.sf(((count - expected) ** 2 / expected).sum(), len(count) - 1))


def least_chance(n_test):
    """Give the chance below which a test fails: 1 % in all, shared out (Bonferroni)."""
    return 0.01 / n_test
