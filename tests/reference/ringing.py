"""Frequencies and decay rates of what rings after a sound has stopped: the matrix pencil.

A sum of damped sines, sampled, makes a Hankel matrix whose rank is the number of terms,
and which a shift by one sample multiplies by e^((jw - rate) dt) in each (Hua and Sarkar,
IEEE Trans. ASSP 38 (1990); from memory). No spectrum, hence no limit of resolution.
"""

import math

import numpy as np


def resonances(signals, sample_rate_hz, highest_hz, rank):
    """Give (frequency in Hz, decay rate of pressure in 1/s), strongest first.

    ``signals`` (n_receiver, n_sample) ring freely and hold nothing above ``highest_hz``;
    ``rank`` is twice the number of sines at most. Samples are thinned to what that needs.
    """
    signals = np.atleast_2d(np.asarray(signals, dtype=np.float64))
    thin = max(1, int(sample_rate_hz / (4.0 * highest_hz)))
    kept = signals[:, ::thin]
    n = kept.shape[1]
    width = min(n // 2, 4 * rank)
    rows = np.concatenate([
        np.lib.stride_tricks.sliding_window_view(one, width + 1) for one in kept
    ])  # fmt: skip
    _, size, right = np.linalg.svd(rows, full_matrices=False)
    order = min(rank, int((size > 1e-7 * size[0]).sum()))
    basis = right[:order].conj().T
    poles = np.linalg.eigvals(np.linalg.lstsq(basis[:-1], basis[1:], rcond=None)[0].conj().T)
    modes = np.log(poles.astype(complex)) * sample_rate_hz / thin
    powers = poles[None, :] ** np.arange(n)[:, None]
    part = np.linalg.lstsq(powers, kept.T.astype(complex), rcond=None)[0]
    strength = np.abs(part).sum(axis=1)
    found = [
        (mode.imag / (2.0 * math.pi), -mode.real)
        for mode in modes[np.argsort(-strength)]
        if 0.0 < mode.imag < 2.0 * math.pi * highest_hz
    ]
    return np.array(found).reshape(-1, 2)


def nearest(found, freq_hz):
    """Give the resonance nearest to a frequency."""
    return found[np.argmin(np.abs(found[:, 0] - freq_hz))]
