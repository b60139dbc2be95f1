"""Cloth and wool with air on both sides, edges in the upper bound, losses in the bounds.

Truth: waves added by hand. What is even about the middle of a symmetric layer sees a
rigid plane there and what is odd a free one, so that |R|^2 + |T|^2 is the mean of the two
|R|^2; a held cloth is its flow resistance in the way of a wave. Derived here; Miki's model
(J. Acoust. Soc. Jpn. (E) 11 (1990), coefficients seen second-hand) coded apart.
"""

from dataclasses import replace

import numpy as np
import pytest

from raysim.absorbers.diffuse import LOSS_FACTOR, alpha_in_bands, in_band
from raysim.absorbers.finite import alpha_finite
from raysim.absorbers.layers import AirGap, Membrane, Porous, Sheet, Stack
from raysim.absorbers.media import Gas
from raysim.absorbers.stack import alpha_at, lost_at
from raysim.scene.materials import catalogue
from raysim.scene.model import Air, Bands
from raysim.scene.plan import Treatment
from raysim.scene.treated import FREE_SHARE, free_material, front_material
from raysim.units import octave_centres_hz

GAS = Gas()
Z0 = GAS.impedance_pa_s_m
FREQ_HZ = octave_centres_hz()
ANGLES = np.array([0.0, 0.5, 1.1, 1.5])
#: Rounding of some tens of products.
ROUNDING = 1e-12


def cloth(r):
    return Stack((Sheet(0.0, r * Z0),))


@pytest.mark.parametrize("r", [0.1, 1.0, 2.0, 7.0])
def test_a_held_cloth_takes_its_share(r):
    """Truth: at angle u = cos the wave meets r u: R = ru/(2 + ru), T = 2/(2 + ru)."""
    ru = r * np.cos(ANGLES)
    by_hand = 1.0 - (ru / (2.0 + ru)) ** 2 - (2.0 / (2.0 + ru)) ** 2
    assert lost_at(cloth(r), FREQ_HZ, ANGLES)[3] == pytest.approx(by_hand, abs=ROUNDING)
    assert lost_at(cloth(r), FREQ_HZ, ANGLES).max() <= 0.5 + ROUNDING
    # Planted faults: what passes counted as taken; a rigid wall at the cloth's back.
    assert lost_at(cloth(r), FREQ_HZ)[3, 0] != pytest.approx(1 - (ru[0] / (2 + ru[0])) ** 2)
    assert lost_at(cloth(r), FREQ_HZ)[3, 0] != pytest.approx(alpha_at(cloth(r), FREQ_HZ)[3, 0])


@pytest.mark.parametrize("layers", [(AirGap(0.3),), (Membrane(2.0),), (Sheet(0.5, None),)])
def test_what_has_no_friction_takes_nothing(layers):
    """Truth: R and T share all energy. Fault: a membrane with losses."""
    assert lost_at(Stack(layers), FREQ_HZ, ANGLES) == pytest.approx(0.0, abs=ROUNDING)
    lossy = Stack((*layers, Membrane(2.0, 50.0)))
    assert lost_at(lossy, FREQ_HZ, ANGLES) != pytest.approx(0.0, abs=ROUNDING)


def miki(freq_hz, sigma):
    x = 1e3 * freq_hz / sigma
    k0 = 2.0 * np.pi * freq_hz / GAS.speed_m_s
    return 1 + 5.50 * x**-0.632 - 8.43j * x**-0.632, k0 * (
        1 + 7.81 * x**-0.618 - 11.41j * x**-0.618
    )


def halves(thickness_m, sigma, cosine):
    """Give what a layer takes by its even and its odd half, at all frequencies."""
    zc, k = miki(FREQ_HZ, sigma)
    along = 2.0 * np.pi * FREQ_HZ / GAS.speed_m_s * np.sqrt(1.0 - cosine**2)
    across = np.sqrt(k**2 - along**2)
    z, t = zc * k / across * cosine, np.tan(0.5 * across * thickness_m)
    taken = [1.0 - np.abs((x - 1.0) / (x + 1.0)) ** 2 for x in (-1j * z / t, 1j * z * t)]
    return np.mean(taken, axis=0)


@pytest.mark.parametrize(("thickness_m", "sigma"), [(0.008, 40e3), (0.1, 10e3), (0.6, 5e3)])
@pytest.mark.parametrize("cosine", [1.0, 0.6, 0.1])
def test_wool_that_hangs_free(thickness_m, sigma, cosine):
    stack = Stack((Porous(thickness_m, sigma),))
    got = lost_at(stack, FREQ_HZ, np.arccos(cosine))[:, 0]
    assert got == pytest.approx(halves(thickness_m, sigma, cosine), abs=1e-9)
    assert got != pytest.approx(halves(1.02 * thickness_m, sigma, cosine), abs=1e-9)


def test_a_tight_back_is_a_wall():
    """Truth: nothing passes what does not move; the wool before it is on a rigid wall."""
    wool = Porous(0.05, 1e4)
    closed = lost_at(Stack((wool, Sheet(0.0, None))), FREQ_HZ, ANGLES)
    assert closed == pytest.approx(alpha_at(Stack((wool,)), FREQ_HZ, ANGLES), abs=ROUNDING)
    assert lost_at(Stack((wool,)), FREQ_HZ, ANGLES) != pytest.approx(closed, abs=1e-2)


@pytest.mark.parametrize("r", [0.3, 1.0, 3.0])
def test_table_before_a_wall_and_cloth_that_hangs_free(r):
    """Truth: over a whole half wave of the gap the cloth takes 4r/((1 + r)(2 + r)).

    The mean of 1/(a^2 + cot^2) over all phases is 1/(a(a + 1)). Midpoints of a smooth
    periodic function: rounding.
    """
    gap_m = 0.2
    whole_hz = 0.5 * GAS.speed_m_s / gap_m
    freq_hz = whole_hz * (np.arange(400) + 0.5) / 400
    before = Stack((*cloth(r).layers, AirGap(gap_m)))
    mean = alpha_at(before, freq_hz).mean()
    assert mean == pytest.approx(4.0 * r / ((1.0 + r) * (2.0 + r)), abs=1e-9)
    share = lost_at(cloth(r), freq_hz).mean() / mean
    assert share == pytest.approx((1.0 + r) / (2.0 + r), abs=1e-9)
    low, likely, high = FREE_SHARE
    assert low < share < high
    assert bool(abs(share - likely) < 1e-9) is (r == 1.0)


BLANKET = Treatment(
    name="quilt",
    family="curtain",
    about="",
    stack=Stack((Porous(0.008, 4e4, low_pa_s_m2=2e4, high_pa_s_m2=8e4), AirGap(0.05))),
    material=None,
    size_m=None,
    depth_m=0.06,
    two_sided=False,
    goods=(),
    fixings=("on rail",),
    leaves="",
    cautions=(),
    resists_fire=False,
)


def test_a_free_curtain_takes_less_than_one_before_a_wall():
    """Truth: its layers without the air behind; a sheet without mass takes half at most,
    at angles near the normal; the wall doubles that where the air is a quarter wave."""
    free = free_material(BLANKET, Bands(), Air(), {})
    bare = Stack(BLANKET.stack.layers[:1])
    assert free.alpha == pytest.approx(in_band(bare, FREQ_HZ, 1, free=True), abs=2e-3)
    assert np.all(free.alpha_low <= free.alpha)
    assert np.all(free.alpha <= free.alpha_high)
    assert free.stack is None  # layers would be taken as lying on a wall
    before = front_material(BLANKET, 0.2, None, Bands(), Air(), {})
    assert np.all(free.alpha[3:6] < 0.75 * before.alpha[3:6])


def test_a_free_curtain_by_table():
    """Truth: the stated shares of the table; all of it is the fault of a wall behind."""
    known = catalogue(Bands())["curtain_heavy_half_area"]
    pleated = replace(BLANKET, stack=None, material="curtain_heavy_half_area")
    free = free_material(pleated, Bands(), Air(), {})
    for got, share, tabled in zip(
        (free.alpha_low, free.alpha, free.alpha_high),
        FREE_SHARE,
        (known.alpha_low, known.alpha, known.alpha_high),
        strict=True,
    ):
        assert got == pytest.approx(share * tabled, abs=ROUNDING)
    assert free.alpha != pytest.approx(known.alpha, abs=1e-2)


def test_upper_bound_of_a_small_piece_counts_its_edges():
    """Truth: one panel of 1.2 x 0.6 m by Thomasson's formula (from memory), which an
    endless layer's bounds leave out by far; the likely value stays that of the layer."""
    wool = Stack((Porous(0.1, 1e4, low_pa_s_m2=5e3, high_pa_s_m2=2e4),))
    panel = replace(BLANKET, family="panel", stack=wool, size_m=(1.2, 0.6), depth_m=0.1)
    with_edges = front_material(panel, 0.0, None, Bands(), Air(), {})
    endless = front_material(replace(panel, size_m=None), 0.0, None, Bands(), Air(), {})
    piece = np.minimum(alpha_finite(wool, FREQ_HZ, (1.2, 0.6)), 1.0)
    assert np.array_equal(with_edges.alpha, endless.alpha)
    assert np.array_equal(with_edges.alpha_low, endless.alpha_low)
    assert np.all(with_edges.alpha_high >= piece - 0.05)  # thirds against mid-bands
    assert with_edges.alpha_high.max() <= 1.0
    assert not np.all(endless.alpha_high >= piece - 0.05)  # the fault


def test_bounds_of_a_closed_panel_hold_its_losses():
    """Truth: half and twice the stated loss, between which what is built may lie (a guess)."""

    def panel(loss):
        return Stack((Membrane(3.5, loss), AirGap(0.1)), local=True)

    low, likely, high = alpha_in_bands(panel(400.0), FREQ_HZ, 1)
    for loss in np.geomspace(400.0 / LOSS_FACTOR, 400.0 * LOSS_FACTOR, 9):
        one = in_band(panel(loss), FREQ_HZ, 1)
        assert np.all(one >= low - 1e-3)
        assert np.all(one <= high + 1e-3)
    assert likely == pytest.approx(in_band(panel(400.0), FREQ_HZ, 1), abs=ROUNDING)
    assert not np.all(in_band(panel(1600.0), FREQ_HZ, 1) <= high + 1e-3)  # beyond them
