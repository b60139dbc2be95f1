"""T30 and its error while rays are followed: the same as in the report.

Truth: `measure_pair` and `room_decay`, which measure all there is without each batch in turn.
Tolerance: sums in another order, 1e-9 of the value.
"""

from dataclasses import replace

import numpy as np
import pytest
from records import header, pair_result

from raysim.measures import replicas
from raysim.measures.pair import measure_pair, room_decay
from raysim.measures.replicas import look_at_decay
from raysim.scene.model import Receiver


def receiver(pattern=1.0):
    return Receiver("mic", np.array([2.0, 2.0, 1.2]), np.array([0.6, 0.8, 0.0]), pattern)


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
    ("pattern", "fraction", "shape"),
    [
        (1.0, 1, {}),
        (0.5, 1, {}),
        (1.0, 3, {"n_batch": 3}),
        (1.0, 1, {"n_batch": 1}),  # no errors
        (1.0, 1, {"t60_s": 1.4}),  # some decays are not known deep enough
        (1.0, 1, {"t60_s": 0.05, "n_time": 600}),  # followed far beyond the lines
    ],
)
def test_same_t30_and_error(seed, pattern, fraction, shape):
    pair, of = pair_result("voice", "mic", seed, 8 * fraction, **shape), receiver(pattern)
    full = in_full(pair, of, fraction)
    assert alike(look_at_decay(pair.arrivals, pair.histogram, of), full)
    # the twin: one batch twice as loud
    louder = pair.histogram.energy.copy()
    louder[0] *= 2.0
    changed = replace(pair.histogram, energy=louder)
    if np.isfinite(full.t30_s).any():
        assert not alike(look_at_decay(pair.arrivals, changed, of), full)


def test_a_curve_followed_farther_than_that_of_all(monkeypatch):
    """One batch holds the early sound: without it the rest lies higher, and longer."""
    pair = pair_result("voice", "mic", 1, n_time=1500, t60_s=0.6)
    energy = pair.histogram.energy.copy()
    energy[0, :, :60] *= 1e3
    pair = replace(pair, histogram=replace(pair.histogram, energy=energy))
    full, readers, reader = in_full(pair, receiver()), [], replicas._Reader
    monkeypatch.setattr(replicas, "_Reader", lambda *a: readers.append(a) or reader(*a))
    assert alike(look_at_decay(pair.arrivals, pair.histogram, receiver()), full)
    assert len(readers) == 2
    # the twin: curves of all batches are never followed beyond that of the mean
    monkeypatch.setattr(replicas, "_Reader", lambda h, t, k: reader(h, readers[0][1], k))
    with pytest.raises(ValueError, match="reshape"):
        look_at_decay(pair.arrivals, pair.histogram, receiver())


@pytest.mark.parametrize("n_batch", [1, 8])
def test_close_microphone(n_batch):
    pair = pair_result("voice", "mic", 2, n_batch=n_batch)
    energy = pair.arrivals.energy.copy()
    energy[0] *= 1e5
    order = np.maximum(pair.arrivals.order, np.arange(len(energy)) > 0)  # one direct sound
    near = replace(pair.arrivals, energy=energy, order=order)
    full = in_full(replace(pair, arrivals=near), receiver())
    assert full.hidden
    assert alike(look_at_decay(near, pair.histogram, receiver()), full)
    # the twin: the same without what hides the room
    assert not alike(look_at_decay(pair.arrivals, pair.histogram, receiver()), full)
