"""Measured for a comparison, or measured for a report: the same numbers.

Truth: `measure_pair` without each batch in turn, which measures all there is. Tolerance: sums
in another order, 1e-9 of the value.
"""

from dataclasses import replace

import numpy as np
import pytest
from records import header, pair_result

from raysim.compare.replicas import decay_without_each, without_each
from raysim.measures.pair import measure_pair, room_decay
from raysim.scene.model import Receiver

COMPARED = ("edt_s", "t30_s", "c50_db", "c80_db", "g_db", "sti")


def receiver(pattern=1.0):
    return Receiver("mic", np.array([2.0, 2.0, 1.2]), np.array([0.6, 0.8, 0.0]), pattern)


def both(pair, of, fraction=1):
    """Give what a comparison has without each batch, and what a report has."""
    bands = header(fraction=fraction).scene.bands
    gain = np.linspace(0.5, 1.0, bands.n_band)
    full = measure_pair(pair.arrivals, pair.histogram, bands, of.aim, of.pattern, gain)
    averaged = replace(pair.histogram, energy=pair.histogram.energy.mean(axis=0, keepdims=True))
    once = measure_pair(pair.arrivals, averaged, bands, of.aim, of.pattern, gain)
    return without_each(pair, of, bands, once, gain), full


def alike(quick, full):
    """Say whether all that is known with all batches is the same without each."""
    known = {name: np.isfinite(getattr(full, name)) for name in COMPARED}
    pairs = [(quick[n], np.where(known[n], full.without[n], np.nan)) for n in COMPARED]
    return all(np.allclose(a, b, rtol=1e-9, atol=1e-9, equal_nan=True) for a, b in pairs)


@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize(
    ("pattern", "fraction", "shape"),
    [
        (1.0, 1, {}),
        (0.5, 1, {}),
        (1.0, 3, {"n_batch": 3}),
        (1.0, 1, {"t60_s": 1.4}),  # some decays are not known deep enough
        (1.0, 1, {"t60_s": 0.05, "n_time": 600}),  # followed far beyond the lines
    ],
)
def test_same_numbers(seed, pattern, fraction, shape):
    pair = pair_result("voice", "mic", seed, 8 * fraction, **shape)
    quick, full = both(pair, receiver(pattern), fraction)
    assert set(quick) == set(COMPARED)
    assert alike(quick, full)
    # the twin: one batch twice as loud
    louder = pair.histogram.energy.copy()
    louder[0] *= 2.0
    changed = replace(pair, histogram=replace(pair.histogram, energy=louder))
    assert not alike(both(changed, receiver(pattern), fraction)[0], full)


@pytest.mark.parametrize("seed", range(3))
def test_a_close_microphone(seed):
    """Truth: `room_decay`, of the sound without the direct where that hides the rest."""
    pair = pair_result("voice", "mic", seed)
    energy = pair.arrivals.energy.copy()
    energy[0] *= 1e5
    order = np.maximum(pair.arrivals.order, np.arange(len(energy)) > 0)  # one direct sound
    pair = replace(pair, arrivals=replace(pair.arrivals, energy=energy, order=order))
    of, bands = receiver(), header().scene.bands
    full = measure_pair(pair.arrivals, pair.histogram, bands, of.aim)
    decay = room_decay(full, pair.arrivals, pair.histogram, bands, of.aim)
    assert decay.hidden
    whole = without_each(pair, of, bands, full, np.ones(8))["t30_s"]
    quick = decay_without_each(pair, of, full, decay, whole)
    assert np.allclose(quick, decay.without_s, rtol=1e-9, equal_nan=True)
    assert np.isfinite(quick).all()
    assert not np.isfinite(whole).all()  # the twin: with the direct sound there is none


def test_one_batch_has_no_errors():
    pair = pair_result("voice", "mic", n_batch=1)
    assert both(pair, receiver())[0] == {}
