"""Linear algebra stays on one thread, and the same to the last bit.

Truth: what the libraries themselves say of their threads; room modes with any number of
threads set outside, which must be the same bits.
"""

import numpy as np
import pytest
from threadpoolctl import threadpool_info, threadpool_limits
from waves import box_mesh

from raysim.absorbers.admittance import Admittance
from raysim.algebra import one_blas_thread
from raysim.propagation import modes
from raysim.propagation.modes import room_modes

N_SET = 3


def threads():
    """Give the threads of every library of linear algebra that is loaded."""
    return {one["num_threads"] for one in threadpool_info() if one["user_api"] == "blas"}


@pytest.fixture(autouse=True)
def several():
    """Have several threads at first, as on a larger machine."""
    with threadpool_limits(N_SET, user_api="blas"):
        yield


def test_one_inside_and_as_before_outside():
    assert threads() == {N_SET}  # the twin: not limited
    with one_blas_thread():
        assert threads() == {1}
        with one_blas_thread():
            assert threads() == {1}
        assert threads() == {1}
    assert threads() == {N_SET}


def test_taken_back_after_an_error():
    with pytest.raises(ZeroDivisionError), one_blas_thread():
        1 / 0  # noqa: B018
    assert threads() == {N_SET}


def box_modes(function):
    mesh = box_mesh((5.0, 4.0, 3.0))
    sides = [Admittance.of(0.1)] * len(mesh.surfaces)
    at = np.array([[1.0, 1.2, 1.4]])
    return function(mesh, sides, (), at, at, 343.2, 120.0)


def test_modes_are_found_on_one(monkeypatch):
    seen = []
    solve = modes.hard_modes
    monkeypatch.setattr(modes, "hard_modes", lambda *a: seen.append(threads()) or solve(*a))
    box_modes(room_modes)
    box_modes(room_modes.__wrapped__)  # the twin: without the limit
    assert seen == [{1}, {N_SET}]


def test_modes_are_the_same_bits_for_any_number():
    found = []
    for n in (1, 2, 4):
        with threadpool_limits(n, user_api="blas"):
            found.append(box_modes(room_modes))
    for other in found[1:]:
        assert np.array_equal(found[0].freq_hz, other.freq_hz)
        assert np.array_equal(found[0].decay_s, other.decay_s)
        assert np.array_equal(found[0].at_source, other.at_source)
