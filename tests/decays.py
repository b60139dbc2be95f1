"""Decays with known measures, as echograms, as stored records and as noisy recordings.

Import it from any test file: ``from decays import exponential``.
"""

import numpy as np

from raysim.measures.echogram import Echogram
from raysim.records import Arrivals, EnergyHistogram
from raysim.units import LN_60_DB

AHEAD = np.array([1.0, 0.0, 0.0])


def echogram(edge_s, left) -> Echogram:
    """Give the echogram whose energy left after each edge is ``left`` (n_band, n_edge)."""
    left = np.atleast_2d(left)
    return Echogram(np.zeros(0), np.zeros((left.shape[0], 0)), edge_s, -np.diff(left, axis=1))


def slopes(*parts, bin_s=2e-5, end_s=None) -> Echogram:
    """Give the sum of exponential decays (energy, time of 60 dB in s), one band."""
    end_s = 2.5 * max(t for _, t in parts) if end_s is None else end_s
    edge_s = np.arange(int(end_s / bin_s) + 1) * bin_s
    return echogram(edge_s, sum(a * np.exp(-LN_60_DB * edge_s / t) for a, t in parts))


def exponential(t60_s, **how) -> Echogram:
    """Give one exponential decay, one band."""
    return slopes((1.0, t60_s), **how)


def octaves(one: Echogram) -> Echogram:
    """Give seven equal bands."""
    return Echogram(
        one.arrival_s,
        np.repeat(one.arrival_energy, 7, 0),
        one.edge_s,
        np.repeat(one.binned, 7, 0),
    )


def paths(delay_s, energy, direction=None, order=None) -> Arrivals:
    """Give specular paths; ``energy`` is (n_arrival, n_band)."""
    delay_s = np.asarray(delay_s, dtype=np.float64)
    n = delay_s.size
    direction = np.tile(AHEAD, (n, 1)) if direction is None else np.asarray(direction, float)
    order = np.arange(n) if order is None else np.asarray(order)
    return Arrivals(
        delay_s, 343.0 * delay_s, order, direction, direction, np.full((n, 1), -1),
        np.atleast_2d(np.asarray(energy, dtype=np.float64)),
    )  # fmt: skip


def nothing(n_band=8) -> Arrivals:
    """Give no path at all."""
    return paths([], np.zeros((0, n_band)))


def isotropic(energy, bin_s=0.001) -> EnergyHistogram:
    """Give a histogram (n_batch, n_band, n_time) whose sound comes evenly from all sides."""
    mean = energy.mean(axis=0)
    none = np.zeros_like(mean)
    third = mean / 3.0
    return EnergyHistogram(
        bin_s, energy, np.stack([none, none, none, third, third, none, none, none])
    )


def late(t60_s, total=1.0, start_s=0.0, end_s=0.6, n_band=8, n_batch=2, bin_s=0.001):
    """Give an isotropic histogram of exact exponential decay from ``start_s`` on."""
    edge_s = np.maximum(np.arange(round(end_s / bin_s) + 1) * bin_s - start_s, 0.0)
    t60_s = np.broadcast_to(t60_s, (n_band,))[:, np.newaxis]
    one = -np.diff(np.exp(-LN_60_DB * edge_s / t60_s), axis=1) * total
    return isotropic(np.repeat(one[np.newaxis], n_batch, axis=0), bin_s)


def recording(t60_s, noise_db, seed, sample_rate_hz=48_000, silence_s=0.05) -> np.ndarray:
    """Give Gaussian noise of decaying strength, with steady noise ``noise_db`` re its start."""
    rng = np.random.default_rng(seed)
    time_s = np.arange(int((2.0 * t60_s + 0.5) * sample_rate_hz)) / sample_rate_hz
    decay = rng.standard_normal(time_s.size) * np.exp(-0.5 * LN_60_DB * time_s / t60_s)
    sound = np.concatenate([np.zeros(int(silence_s * sample_rate_hz)), decay])
    return sound + 10.0 ** (noise_db / 20.0) * rng.standard_normal(sound.size)
