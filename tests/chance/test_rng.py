"""Random numbers: the published generator, uniform, independent, and replayed at will."""

import numpy as np
import pytest
from reference.chi2 import chance_of, least_chance
from reference.philox import philox_words

from raysim.core.rng import draws, philox, unit

#: Test vectors of the authors' own code, ten rounds: counter, key, answer. Values from
#: memory; a slip of memory could not have been reproduced by accident.
KNOWN = (
    ((0, 0, 0, 0), (0, 0), (0x6627E8D5, 0xE169C58D, 0xBC57AC4C, 0x9B00DBD8)),
    (
        (0xFFFFFFFF,) * 4,
        (0xFFFFFFFF,) * 2,
        (0x408F276D, 0x41C83B0E, 0xA20BC7C6, 0x6D5451FD),
    ),
    (
        (0x243F6A88, 0x85A308D3, 0x13198A2E, 0x03707344),
        (0xA4093822, 0x299F31D0),
        (0xD16CFE09, 0x94FDCCEB, 0x5001E420, 0x24126EA1),
    ),
)


@pytest.mark.parametrize(("counter", "key", "answer"), KNOWN)
def test_known_answers(counter, key, answer):
    """Truth: the generator's published test vectors, values from memory. Exact."""
    assert philox(*counter, *key) == answer
    assert philox_words(counter, key) == answer


@pytest.mark.parametrize(("counter", "key", "answer"), KNOWN)
def test_known_answers_notice_a_missing_round(counter, key, answer):
    """Planted fault: nine rounds instead of ten."""
    assert philox_words(counter, key, n_round=9) != answer


def test_kernel_agrees_with_the_slow_form():
    """Truth: plain integers of any size. Exact."""
    words = np.random.default_rng(1).integers(0, 1 << 32, size=(300, 6)).tolist()
    for *counter, k0, k1 in words:
        assert philox(*counter, k0, k1) == philox_words(counter, (k0, k1))


def test_units_lie_inside_the_unit_interval():
    """Truth: definition; the ends are half a cell of 2**-32 away from 0 and 1."""
    assert unit(np.uint32(0)) == 2.0**-33
    assert unit(np.uint32(0xFFFFFFFF)) == 1.0 - 2.0**-33


def test_draws_are_a_function_of_their_address():
    """Truth: the words of the slow form at that address; large seeds and rays too."""
    for seed, batch, ray, bounce in ((1, 0, 0, 0), (2**63 + 5, 31, 2**40 + 3, 77)):
        low = (1 << 32) - 1
        words = philox_words((ray & low, ray >> 32, bounce, batch), (seed & low, seed >> 32))
        expected = tuple((w + 0.5) / 2.0**32 for w in words)
        assert draws(np.uint64(seed), batch, ray, bounce) == pytest.approx(expected, abs=1e-15)


N = 60_000


def along(what):
    """Draw N times with one part of the address running."""
    at = {
        "ray": lambda i: (7, 3, i, 2),
        "bounce": lambda i: (7, 3, 11, i),
        "batch": lambda i: (7, i, 11, 2),
        "seed": lambda i: (i, 3, 11, 2),
    }[what]
    return np.array([draws(np.uint64(at(i)[0]), *at(i)[1:]) for i in range(N)])


def chance_uniform(u):
    return chance_of(np.histogram(u, bins=128, range=(0.0, 1.0))[0], np.ones(128))


def chance_independent(u, v):
    cells = np.histogram2d(u, v, bins=20, range=((0.0, 1.0), (0.0, 1.0)))[0]
    return chance_of(cells, np.ones_like(cells))


@pytest.mark.parametrize("what", ["ray", "bounce", "batch", "seed"])
def test_draws_are_uniform_and_independent(what):
    """Truth: uniform on the unit cube. Tolerance: 1 % chance of a false alarm in all.

    Each of the four draws alone, all pairs of draws of one address, and each draw
    beside the same draw of the next address.
    """
    u = along(what)
    chances = [chance_uniform(u[:, k]) for k in range(4)]
    chances += [chance_independent(u[:, j], u[:, k]) for j in range(4) for k in range(j)]
    chances += [chance_independent(u[:-1, k], u[1:, k]) for k in range(4)]
    assert min(chances) > least_chance(4 * len(chances))


def test_uniformity_notices_a_slight_slope():
    """Planted fault: density 1 + 0.05 (2 u - 1), drawn from the true numbers."""
    u = along("ray")[:, 0]
    a = 0.05
    sloped = (-(1 - a) + np.sqrt((1 - a) ** 2 + 4 * a * u)) / (2 * a)
    assert chance_uniform(sloped) < least_chance(56)


def test_independence_notices_an_even_sequence():
    """Planted fault: steps of the golden ratio, uniform but each fixed by the last."""
    u = np.arange(N) * 0.6180339887498949 % 1.0
    assert chance_uniform(u) > least_chance(56)
    assert chance_independent(u[:-1], u[1:]) < least_chance(56)
