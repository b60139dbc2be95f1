"""T30 and its error while rays are followed: the same as in the report.

Truth: `measure_pair` and `room_decay`, which measure all there is without each batch in turn.
Tolerance: sums in another order, 1e-9 of the value.
"""

from dataclasses import replace

import numpy as np
import pytest
from records import SHAPES, close_by, header, microphone, one_batch_louder, pair_result

from raysim.measures import replicas
from raysim.measures.pair import measure_pair, room_decay
from raysim.measures.replicas import look_at_decay


def in_full(pair, of, fraction=1):
    place = (pair.arrivals, pair.histogram, header(fraction=fraction).scene.bands, of.aim)
    return room_decay(measure_pair(*place, of.pattern), *place, of.pattern)


def alike(quick, full):
    known = np.isfinite(full.t30_s)
    parts = [(quick.t30_s, full.t30_s), (quick.error_s, np.where(known, full.error_s, np.nan))]
    if full.without_s is not None:
        parts.append((quick.without_s, np.where(known, full.without_s, np.nan)))
    same = all(np.allclose(a, b, rtol=1e-9, atol=0.0, equal_nan=True) for a, b in parts)
    return same and quick.hidden == full.hidden


@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize(
    ("pattern", "fraction", "shape"), [*SHAPES, (1.0, 1, {"n_batch": 1})]
)  # one batch has no errors
def test_same_t30_and_error(seed, pattern, fraction, shape):
    pair, of = pair_result("voice", "mic", seed, 8 * fraction, **shape), microphone(pattern)
    full = in_full(pair, of, fraction)
    assert alike(look_at_decay(pair.arrivals, pair.histogram, of), full)
    # the twin: one batch twice as loud
    changed = one_batch_louder(pair.histogram)
    if np.isfinite(full.t30_s).any():
        assert not alike(look_at_decay(pair.arrivals, changed, of), full)


def test_a_curve_followed_farther_than_that_of_all(monkeypatch):
    """One batch holds the early sound: without it the rest lies higher, and longer."""
    pair = pair_result("voice", "mic", 1, n_time=1500, t60_s=0.6)
    energy = pair.histogram.energy.copy()
    energy[0, :, :60] *= 1e3
    pair = replace(pair, histogram=replace(pair.histogram, energy=energy))
    full, readers, reader = in_full(pair, microphone()), [], replicas._Reader
    monkeypatch.setattr(replicas, "_Reader", lambda *a: readers.append(a) or reader(*a))
    assert alike(look_at_decay(pair.arrivals, pair.histogram, microphone()), full)
    assert len(readers) == 2
    # the twin: curves of all batches are never followed beyond that of the mean
    monkeypatch.setattr(replicas, "_Reader", lambda h, t, k: reader(h, readers[0][1], k))
    with pytest.raises(ValueError, match="reshape"):
        look_at_decay(pair.arrivals, pair.histogram, microphone())


@pytest.mark.parametrize("n_batch", [1, 8])
def test_close_microphone(n_batch):
    pair = pair_result("voice", "mic", 2, n_batch=n_batch)
    near = close_by(pair.arrivals)
    full = in_full(replace(pair, arrivals=near), microphone())
    assert full.hidden
    assert alike(look_at_decay(near, pair.histogram, microphone()), full)
    # the twin: the same without what hides the room
    assert not alike(look_at_decay(pair.arrivals, pair.histogram, microphone()), full)
