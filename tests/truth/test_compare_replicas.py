"""Measured for a comparison, or measured for a report: the same numbers.

Truth: `measure_pair` without each batch in turn, which measures all there is. Tolerance: sums
in another order, 1e-9 of the value.
"""

from dataclasses import replace

import numpy as np
import pytest
from records import SHAPES, close_by, header, microphone, one_batch_louder, pair_result

from raysim.compare.replicas import decay_without_each, without_each
from raysim.measures.pair import measure_pair, room_decay

COMPARED = ("edt_s", "t30_s", "c50_db", "c80_db", "g_db", "sti")


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
@pytest.mark.parametrize(("pattern", "fraction", "shape"), SHAPES)
def test_same_numbers(seed, pattern, fraction, shape):
    pair = pair_result("voice", "mic", seed, 8 * fraction, **shape)
    quick, full = both(pair, microphone(pattern), fraction)
    assert set(quick) == set(COMPARED)
    assert alike(quick, full)
    # the twin: one batch twice as loud
    changed = replace(pair, histogram=one_batch_louder(pair.histogram))
    assert not alike(both(changed, microphone(pattern), fraction)[0], full)


@pytest.mark.parametrize("seed", range(3))
def test_a_close_microphone(seed):
    """Truth: `room_decay`, of the sound without the direct where that hides the rest."""
    pair = pair_result("voice", "mic", seed)
    pair = replace(pair, arrivals=close_by(pair.arrivals))
    of, bands = microphone(), header().scene.bands
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
    assert both(pair, microphone())[0] == {}
