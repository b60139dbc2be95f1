"""Ambisonic channels against what spherical harmonics and stored moments say.

Truths are closed forms: addition theorem, first-order patterns, the direction of a single
arrival, the histogram's own energies.
"""

from dataclasses import replace

import numpy as np
import pytest
from decays import late, nothing, paths
from scipy import special

from raysim.records import EnergyHistogram
from raysim.response.bands import band_energy
from raysim.response.channels import _gathered, early_and_late_channels
from raysim.response.ears import Ambisonic, Hearing, axes_of, even_directions
from raysim.response.harmonics import channel_names, degrees, harmonics
from raysim.response.impulse import early_and_late
from raysim.scene.model import Bands
from raysim.units import to_level_db

C, KEY = 343.0, (1, 0, 0)
#: What a band of early or late sound may miss its stored energy by.
STATED_DB = 0.1


def hearing(aim=(1.0, 0.0, 0.0), rate_hz=48_000):
    return Hearing(axes_of(np.array(aim)), C, Bands(), rate_hz)


class TestHarmonics:
    def test_first_order_is_the_direction(self):
        """Truth: W = 1, Y = y, Z = z, X = x, by definition of ACN and SN3D."""
        directions = even_directions(50)
        x, y, z = directions.T
        assert channel_names(1) == ("W", "Y", "Z", "X")
        assert harmonics(directions, 1) == pytest.approx(
            np.stack([np.ones(50), y, z, x]), abs=1e-12
        )

    def test_second_order(self):
        """Truth: V, T, R, S, U in Cartesian form (value from memory; they follow from the
        definition)."""
        x, y, z = (directions := even_directions(50)).T
        root = np.sqrt(3.0)
        wanted = [root * x * y, root * y * z, 1.5 * z * z - 0.5, root * x * z,
                  0.5 * root * (x * x - y * y)]  # fmt: skip
        assert harmonics(directions, 2)[4:] == pytest.approx(np.stack(wanted), abs=1e-12)

    @staticmethod
    def addition_error(gain_of, order=5):
        """Give the worst error of the sums over m of Y_lm(a) Y_lm(b) = P_l(a . b)."""
        a, b = even_directions(40), even_directions(41)[:40]
        both = gain_of(a, order) * gain_of(b, order)
        degree = np.array(degrees(order))
        return max(
            np.abs(
                both[degree == n].sum(axis=0) - special.eval_legendre(n, (a * b).sum(1))
            ).max()
            for n in range(order + 1)
        )

    def test_addition_theorem(self):
        assert self.addition_error(harmonics) < 1e-12

    def test_addition_test_can_fail(self):
        """Planted fault: the scale N3D, root(2l + 1) larger."""

        def n3d(directions, order):
            return np.sqrt(2.0 * np.array(degrees(order)) + 1.0)[:, None] * harmonics(
                directions, order
            )

        assert self.addition_error(n3d) > 1.0


def vector_of(channels, order=(0, 1, 2, 3)):
    """Give the energy vector of ACN channels: W with X, Y, Z over W with itself."""
    w, y, z, x = channels[list(order)]
    return np.array([w @ x, w @ y, w @ z]) / (w @ w)


DIRECTIONS = [(1.0, 0.0, 0.0), (0.0, 0.6, 0.8), (-0.48, 0.64, -0.6)]


@pytest.mark.parametrize("direction", DIRECTIONS)
@pytest.mark.parametrize("aim", [(1.0, 0.0, 0.0), (0.0, -1.0, 0.0), (0.6, 0.0, 0.8)])
def test_energy_vector_of_one_arrival_is_its_direction(direction, aim):
    """Truth: the arrival's direction, in axes found here by hand: the aim, level and left of
    it, and up. Tolerance: rounding."""
    arrivals = paths([0.01], np.full(8, 0.2), direction=[direction])
    early, _ = early_and_late_channels(
        arrivals, late(0.3, total=0.0), Ambisonic(1), hearing(aim), KEY
    )
    ahead = np.array(aim)
    left = np.cross([0.0, 0.0, 1.0], ahead)
    left /= np.linalg.norm(left)
    wanted = np.array([ahead, left, np.cross(ahead, left)]) @ np.array(direction)
    assert vector_of(early) == pytest.approx(wanted, abs=1e-9)
    swapped = vector_of(early, order=(0, 3, 1, 2))  # planted fault: W, X, Y, Z
    assert swapped != pytest.approx(wanted, abs=1e-3)


def test_higher_orders_of_one_arrival():
    """Truth: all channels are one pulse, by their harmonics."""
    direction = np.array([-0.48, 0.64, -0.6])
    arrivals = paths([0.01], np.full(8, 0.2), direction=[direction])
    early, _ = early_and_late_channels(
        arrivals, late(0.3, total=0.0), Ambisonic(3), hearing(), KEY
    )
    gain = harmonics(direction[None], 3)[:, 0]
    assert early == pytest.approx(np.outer(gain, early[0]), abs=1e-12)


def towards(mean, spread, total=0.3, end_s=0.6):
    """Give a histogram of sound with a mean direction and these mean squares of x, y, z."""
    base = late(0.4, total, start_s=0.009, end_s=end_s)
    energy = base.energy.mean(axis=0)
    x, y, _ = spread
    moments = np.stack([*(m * energy for m in mean), x * energy, y * energy,
                        *(0.0 * energy,) * 3])  # fmt: skip
    return EnergyHistogram(base.bin_s, base.energy, moments)


@pytest.mark.parametrize("rate_hz", [44_100, 48_000, 96_000])
def test_late_energy_of_every_channel(rate_hz):
    """Truth: W has the stored energy, X, Y, Z their moments' share of it, order 2 a fifth.
    Tolerance: the stated 0.1 dB."""
    spread = (0.2, 0.3, 0.5)
    histogram = towards((0.1, 0.2, -0.1), spread)
    _, got = early_and_late_channels(
        nothing(), histogram, Ambisonic(2), hearing(rate_hz=rate_hz), KEY
    )
    share = np.array([1.0, spread[1], spread[2], spread[0], *(0.2,) * 5])
    for channel, of in zip(got, share, strict=True):
        off_db = to_level_db(band_energy(channel, rate_hz, Bands()) / (0.3 * of))
        assert np.abs(off_db).max() < STATED_DB


def test_late_energy_test_can_fail():
    """Planted fault: moments of y and z exchanged."""
    histogram = towards((0.0, 0.0, 0.0), (0.2, 0.5, 0.3))
    _, got = early_and_late_channels(nothing(), histogram, Ambisonic(1), hearing(), KEY)
    off_db = to_level_db(band_energy(got[1], 48_000, Bands()) / (0.3 * 0.3))
    assert np.abs(off_db).max() > STATED_DB


def test_pressure_is_what_an_omnidirectional_microphone_hears():
    """Two ways to one sound: W, and the plain microphone, with the same noise."""
    arrivals = paths([0.01, 0.017], np.full((2, 8), 0.1))
    histogram = late(0.3, 0.2, start_s=0.009)
    plain = early_and_late(arrivals, histogram, Bands(), 48_000, np.array([1.0, 0.0, 0.0]))
    parts = early_and_late_channels(arrivals, histogram, Ambisonic(1), hearing(), KEY)
    for one, several in zip(plain, parts, strict=True):
        assert several[0][: one.size] == pytest.approx(one, abs=1e-12)


class TestDirectionsOfLateSound:
    N = 20_000

    def off_sigma(self, mean, drawn):
        """Give by how many standard errors the mean of draws misses one."""
        error = drawn.std(axis=0) / np.sqrt(self.N)
        return float(np.abs((drawn.mean(axis=0) - mean) / error).max())

    @pytest.mark.parametrize("size", [0.0, 0.1, 0.5, 0.9])
    def test_mean_is_the_stored_one(self, size):
        """Truth: the mean direction asked for. Tolerance: four sigma."""
        mean = size * np.array([0.48, -0.64, 0.6])
        drawn = _gathered(
            np.tile(mean, (self.N, 1)), np.random.default_rng(3).random((self.N, 2))
        )
        assert np.linalg.norm(drawn, axis=1) == pytest.approx(1.0, abs=1e-12)
        assert self.off_sigma(mean, drawn) < 4.0
        # planted fault: directions that know nothing of the mean
        even = _gathered(np.zeros((self.N, 3)), np.random.default_rng(3).random((self.N, 2)))
        assert size == 0.0 or self.off_sigma(mean, even) > 4.0

    def mean_vector(self, histogram):
        """Give the energy vector of late sound, mean of 6 seeds, and its standard error."""
        found = []
        for seed in range(6):
            _, got = early_and_late_channels(
                nothing(), histogram, Ambisonic(1), hearing(rate_hz=44_100), (seed, 0, 0)
            )
            found.append(vector_of(got))
        return np.mean(found, axis=0), np.std(found, axis=0, ddof=1) / np.sqrt(6)

    def test_energy_vector_of_late_sound(self):
        """Truth: the stored mean direction. Its squares are those that the drawn directions
        have, so that nothing else enters: kappa 1.3 gives mean 0.3883 and mean square
        1 - 2 * 0.3883 / 1.3 along the axis (closed form). Tolerance: four sigma."""
        kappa = 1.3
        mean = 1.0 / np.tanh(kappa) - 1.0 / kappa
        along = 1.0 - 2.0 * mean / kappa
        across = 0.5 * (1.0 - along)
        histogram = towards((0.0, mean, 0.0), (across, along, across), end_s=0.15)
        got, error = self.mean_vector(histogram)
        assert np.all(np.abs(got - [0.0, mean, 0.0]) < 4.0 * error)
        # planted fault: sound from the other side
        turned = replace(histogram, moments=histogram.moments * np.array(
            [-1.0, -1.0, -1.0, 1.0, 1.0, 1.0, 1.0, 1.0])[:, None, None])  # fmt: skip
        got, error = self.mean_vector(turned)
        assert not np.all(np.abs(got - [0.0, mean, 0.0]) < 4.0 * error)
