"""Formulas of statistics and of boxes against worked examples."""

import numpy as np
import pytest

from raysim.measures import theory

C = 343.0

#: 5 x 4 x 3 m, walls x0 x1 y0 y1 z0 z1, c = 343 m/s: alpha of each -> Sabine, Eyring,
#: Millington, Kuttruff without and with path variance 0.3524, Fitzroy, Arau-Puchades
#: (computed from the formulas by hand, apart from this code).
BOX_AREA_M2 = np.array([12.0, 12.0, 15.0, 15.0, 20.0, 20.0])
BOX = {
    (0.1, 0.1, 0.1, 0.1, 0.6, 0.1): "0.4983 0.4449 0.3701 0.4265 0.4438 0.6623 0.5361",
    (0.5, 0.5, 0.05, 0.05, 0.05, 0.05): "0.6237 0.5707 0.4779 0.5199 0.5354 1.5309 1.0313",
    (0.5, 0.5, 0.1, 0.1, 0.1, 0.1): "0.5088 0.4554 0.4026 0.4258 0.4422 0.7647 0.6034",
}


def box_times_s(alpha) -> np.ndarray:
    """Give the seven times in the order of the table."""
    alpha = np.array(alpha)[:, np.newaxis]
    pair_m2, pair_alpha = BOX_AREA_M2[::2] * 2.0, 0.5 * (alpha[::2] + alpha[1::2])
    areas = [
        theory.sabine_area_m2(BOX_AREA_M2, alpha),
        theory.eyring_area_m2(BOX_AREA_M2, alpha),
        theory.millington_area_m2(BOX_AREA_M2, alpha),
        theory.kuttruff_area_m2(BOX_AREA_M2, alpha),
        theory.kuttruff_area_m2(BOX_AREA_M2, alpha, 0.3524),
    ]
    times = [theory.decay_time_s(a, 60.0, C)[0] for a in areas]
    times.append(theory.fitzroy_s(pair_m2, pair_alpha, 60.0, C)[0])
    times.append(theory.arau_puchades_s(pair_m2, pair_alpha, 60.0, C)[0])
    return np.array(times)


@pytest.mark.parametrize(("alpha", "printed"), BOX.items())
def test_box_of_unequal_walls(alpha, printed):
    """Truth: worked table. Tolerance: half the last digit."""
    assert box_times_s(alpha) == pytest.approx(np.array(printed.split(), float), abs=5.1e-5)


def test_box_test_can_fail():
    """Planted fault: the absorbing wall is taken for another of a different size."""
    wrong = box_times_s((0.6, 0.1, 0.1, 0.1, 0.1, 0.1))
    printed = next(iter(BOX.values()))
    assert wrong != pytest.approx(np.array(printed.split(), float), abs=5.1e-5)


def test_arau_example():
    """Truth: 8 x 5 x 3 m, 0.5 on the 5 x 3 pair, else 0.1: 0.812147 s (quoted in a public
    text about Arau-Puchades, and reproduced); the others computed from their formulas."""
    pair_m2 = np.array([30.0, 48.0, 80.0])
    alpha = np.array([[0.5], [0.1], [0.1]])
    args = (pair_m2, alpha, 120.0, C)
    assert theory.arau_puchades_s(*args)[0] == pytest.approx(0.812147, abs=5e-7)
    assert theory.fitzroy_s(*args)[0] == pytest.approx(0.974394, abs=5e-7)
    for area, time_s in (
        (theory.sabine_area_m2, 0.695455),
        (theory.eyring_area_m2, 0.632301),
        (theory.millington_area_m2, 0.563983),
    ):
        got = theory.decay_time_s(area(pair_m2, alpha), 120.0, C)
        assert got[0] == pytest.approx(time_s, abs=5e-7)


#: F. A. Everest, Master Handbook of Acoustics, p. 163, page text: 3728 cubic feet, concrete
#: 373, gypsum 1159, tile 340 square feet; octaves 125 Hz to 4 kHz; T = 0.049 V / A.
EVEREST_ALPHA = np.array(
    [
        [0.01, 0.01, 0.015, 0.02, 0.02, 0.02],
        [0.29, 0.10, 0.05, 0.04, 0.07, 0.09],
        [0.09, 0.28, 0.78, 0.84, 0.73, 0.64],
    ]
)
EVEREST_AREA = np.array([373.0, 1159.0, 340.0])
EVEREST_SABINS = np.array([370.4, 214.8, 328.8, 339.5, 336.8, 329.4])
EVEREST_S = np.array([0.49, 0.85, 0.56, 0.54, 0.54, 0.55])


def everest_s(metres_per_foot: float) -> np.ndarray:
    """Give the book's times through SI units; 0.049 is 24 ln 10 / c at 1128 ft/s."""
    sabins = theory.sabine_area_m2(EVEREST_AREA, EVEREST_ALPHA)
    speed_m_s = 24.0 * np.log(10.0) / 0.049 * 0.3048
    volume, area = 3728.0 * metres_per_foot**3, sabins * metres_per_foot**2
    return theory.decay_time_s(area, volume, speed_m_s)


def test_everest_example():
    """Truth: a handbook's page. Tolerance: half the last digit; sabins, summed there from
    rounded products, to 0.1."""
    got = theory.sabine_area_m2(EVEREST_AREA, EVEREST_ALPHA)
    assert got == pytest.approx(EVEREST_SABINS, abs=0.1)
    assert everest_s(0.3048) == pytest.approx(EVEREST_S, abs=0.0051)


def test_everest_test_can_fail():
    """Planted fault: a yard for every three and a quarter feet."""
    assert everest_s(0.3048 * 1.08) != pytest.approx(EVEREST_S, abs=0.0051)


def test_uniform_walls():
    """Truth: V = 120 m3, S = 158 m2, alpha 0.2 (computed from the formulas by hand)."""
    area, alpha = np.array([158.0]), np.array([[0.2]])
    sabine = theory.decay_time_s(theory.sabine_area_m2(area, alpha), 120.0, C)
    eyring = theory.decay_time_s(theory.eyring_area_m2(area, alpha), 120.0, C)
    assert sabine[0] == pytest.approx(0.611825, abs=5e-7)
    assert eyring[0] == pytest.approx(0.548369, abs=5e-7)


def test_air_alone():
    """Truth: with hard walls T = 6 ln 10 / (m c): 5.94 s at 4 kHz, m = 6.774e-3 (computed)."""
    got = theory.decay_time_s(np.array([0.0]), 77.0, 343.2, 6.774e-3)
    assert got[0] == pytest.approx(5.94, abs=0.005)
    pairs = np.array([24.0, 30.0, 40.0]), np.zeros((3, 1)), 60.0, 343.2, 6.774e-3
    assert theory.fitzroy_s(*pairs)[0] == pytest.approx(5.94, abs=0.005)
    assert theory.arau_puchades_s(*pairs)[0] == pytest.approx(5.94, abs=0.005)


def test_total_absorption_and_none():
    """Truth: limits. Open air has no decay time above 0, hard walls no end."""
    area = np.array([10.0, 10.0])
    black, hard = np.ones((2, 1)), np.zeros((2, 1))
    assert theory.decay_time_s(theory.eyring_area_m2(area, black), 5.0, C)[0] == 0.0
    assert theory.decay_time_s(theory.eyring_area_m2(area, hard), 5.0, C)[0] == np.inf


#: Lowest modes of rigid boxes, c = 343 m/s, Hz (computed from the formula by hand).
MODES_HZ = {
    (5.0, 4.0, 3.0): "34.300 42.875 54.907 57.167 66.667 68.600 71.458 79.264 80.896 85.750",
    (4.0, 3.0, 2.5): "42.875 57.167 68.600 71.458 80.896 85.750 89.297 99.057 103.059 109.814",
    (6.0, 4.0, 2.5): "28.583 42.875 51.529 57.167 68.600 71.458 74.317 80.896 85.750 85.750",
}


@pytest.mark.parametrize(("length_m", "printed"), MODES_HZ.items())
def test_lowest_modes(length_m, printed):
    """Truth: worked list. Tolerance: half the last digit."""
    freq_hz, _ = theory.box_modes_hz(length_m, 120.0, C)
    assert freq_hz[:10] == pytest.approx(np.array(printed.split(), float), abs=5.1e-4)


def test_axial_modes_of_a_published_room():
    """Truth: Handbook for Sound Engineers, table 6-4, page text: 16 x 12 x 8 ft, 1130 ft/s."""
    freq_hz, index = theory.box_modes_hz((16.0, 12.0, 8.0), 142.0, 1130.0)
    axial = freq_hz[(index > 0).sum(axis=1) == 1]
    printed = [35.31, 47.08, 70.63, 70.63, 94.17, 105.94, 141.25, 141.25, 141.25]
    assert axial == pytest.approx(printed, abs=0.0051)


#: Modes up to a frequency: exact count, and the smoothed formula (computed by hand).
COUNTS = {
    ((5.0, 4.0, 3.0), 200.0): (76, 78.42),
    ((5.0, 4.0, 3.0), 1000.0): (6851, 6873.14),
    ((4.0, 3.0, 2.5), 500.0): (493, 494.65),
    ((6.0, 4.0, 2.5), 200.0): (77, 79.64),
}


@pytest.mark.parametrize(("case", "counts"), COUNTS.items())
def test_mode_counts(case, counts):
    """Truth: worked counts. Tolerance: exact, and half the last digit."""
    length_m, freq_hz = case
    assert theory.box_modes_hz(length_m, freq_hz, C)[0].size == counts[0]
    assert theory.box_mode_count(length_m, freq_hz, C) == pytest.approx(counts[1], abs=0.0051)


def test_mode_tests_can_fail():
    """Planted fault: a box 1 cm longer has its modes 0.07 Hz and more away."""
    freq_hz, _ = theory.box_modes_hz((5.01, 4.0, 3.0), 120.0, C)
    printed = np.array(MODES_HZ[5.0, 4.0, 3.0].split(), float)
    assert freq_hz[:10] != pytest.approx(printed, abs=5.1e-4)


def test_transition_frequency_and_mean_free_path():
    """Truth: M. R. Schroeder's 2000 sqrt(T / V), and 4 V / S (computed by hand)."""
    assert theory.transition_frequency_hz(60.0, 0.5) == pytest.approx(182.57, abs=0.0051)
    assert theory.transition_frequency_hz(30.0, 0.3) == pytest.approx(200.0, abs=0.0051)
    assert theory.mean_free_path_m(60.0, 94.0) == pytest.approx(240.0 / 94.0)


def test_diffuse_field():
    """Truth: r_c = 0.8007 m for V = 60, T = 0.3 s, c = 343 (computed by hand); and at the
    critical distance of an omnidirectional source the diffuse strength is that of the
    direct sound, 20 lg(10 m / r_c)."""
    area_m2 = 24.0 * np.log(10.0) * 60.0 / (C * 0.3)
    distance_m = theory.critical_distance_m(area_m2)
    assert distance_m == pytest.approx(0.8007, abs=5e-5)
    assert theory.diffuse_strength_db(area_m2) == pytest.approx(
        20.0 * np.log10(10.0 / distance_m)
    )
    assert theory.diffuse_strength_db(area_m2) == pytest.approx(
        10 * np.log10(0.3 / 60) + 44.94, abs=0.0051
    )
