"""Single numbers of absorption, and the chamber, against the standards' worked examples."""

import numpy as np
import pytest

from raysim.absorbers.rating import CLASSES, chamber, nrc, practical, saa, weighted

#: ISO 11654:1997: practical coefficients at 250 Hz to 4 kHz -> rating and class. The first
#: two are the standard's examples A.1 and A.2 (seen second-hand); the others computed from
#: its clauses.
RATED = {
    (0.35, 0.70, 0.65, 0.60, 0.55): ("0.60", "C"),
    (0.35, 1.00, 0.65, 0.60, 0.55): ("0.60(M)", "C"),
    (0.15, 0.45, 0.80, 0.95, 0.95): ("0.45(MH)", "D"),
    (0.50, 0.90, 1.00, 1.00, 1.00): ("0.80(H)", "B"),
    (0.25, 0.75, 1.00, 1.00, 0.95): ("0.55(MH)", "D"),
    (0.80, 1.00, 1.00, 1.00, 0.90): ("1.00", "A"),
    (0.00, 0.00, 0.00, 0.00, 0.00): ("0.00", "not classified"),
    # The curve does not go below zero, so that 0.10 at 250 Hz is no excess of 0.25.
    (0.10, 0.05, 0.05, 0.05, 0.05): ("0.05", "not classified"),
    # Half of the curve everywhere but at 250 Hz, which stands high.
    (0.80, 0.50, 0.50, 0.50, 0.40): ("0.50(L)", "D"),
}


@pytest.mark.parametrize(("alpha_p", "expected"), RATED.items())
def test_weighted_absorption(alpha_p, expected):
    """Truth: the standard's examples. Exact."""
    got = weighted(np.array(alpha_p))
    assert (str(got), got.grade) == expected
    # 125 Hz does not count.
    assert weighted(np.array([0.9, *alpha_p])) == got


def test_weighted_test_can_fail():
    """Planted fault: bands in the wrong order."""
    got = weighted(np.array([0.55, 0.60, 0.65, 0.70, 0.35]))
    assert str(got) != "0.60"


def test_classes():
    """Truth: ISO 11654, table B.1 (seen second-hand): A from 0.90, B 0.80, C 0.60, D 0.30,
    E 0.15."""
    table = {1.0: "A", 0.9: "A", 0.85: "B", 0.8: "B", 0.75: "C", 0.6: "C", 0.55: "D"}
    table |= {0.3: "D", 0.25: "E", 0.15: "E", 0.1: "not classified"}
    for alpha_w, grade in table.items():
        got = weighted(alpha_w * np.array([0.8, 1.0, 1.0, 1.0, 0.9]))
        assert (got.alpha_w, got.grade) == (alpha_w, grade)
    assert [name for _, name in CLASSES] == list("ABCDE")


@pytest.mark.parametrize(
    ("thirds", "expected"),
    [
        ((0.92, 0.92, 0.92), 0.90),  # the note of 4.1 (seen second-hand)
        ((1.10, 1.20, 1.05), 1.00),
        ((0.60, 0.65, 0.625), 0.65),  # the mean is 0.625: half a step goes up
        ((0.10, 0.10, 0.17), 0.10),
        ((-0.03, 0.0, 0.0), 0.00),
    ],
)
def test_practical_absorption(thirds, expected):
    """Truth: ISO 11654, 4.1: mean of three thirds, nearest 0.05, at most 1. Exact."""
    assert practical(np.array(thirds)).tolist() == [expected]
    assert practical(np.array([*thirds, 0.5, 0.5, 0.5])).tolist() == [expected, 0.5]


def test_practical_is_rounded_not_cut():
    """Planted fault: 0.92 cut to the step below is 0.90 as well, 0.94 is not."""
    assert practical(np.full(3, 0.94)).tolist() == [0.95]


#: Thirds 200 Hz to 2.5 kHz (invented), with a mean of .82 at 250, 500, 1k and 2k.
THIRDS = np.array([0.35, 0.46, 0.58, 0.71, 0.82, 0.91, 0.97, 1.01, 1.04, 1.02, 0.99, 0.98])


def test_american_single_numbers():
    """Truth: ASTM C423 worked: .8200 to .80, and .82 (computed; SAA's rule from memory)."""
    assert nrc(THIRDS[[1, 4, 7, 10]]) == 0.80
    assert saa(THIRDS) == 0.82
    # Planted fault: the bands beside.
    assert nrc(THIRDS[[0, 3, 6, 9]]) != 0.80
    assert saa(THIRDS - 0.01) != 0.82


def test_halves_do_not_hang_on_the_last_bit():
    for whole in range(20):
        half = (whole + 0.5) / 20.0
        assert nrc(np.full(4, half)) == (whole + 1) / 20.0
        assert nrc(np.full(4, half - 1e-6)) == whole / 20.0


@pytest.mark.parametrize("function", [nrc, saa, weighted, practical])
def test_wrong_number_of_bands(function):
    with pytest.raises(ValueError, match="expected"):
        function(np.full(7, 0.5))


def test_chamber():
    """Truth: ISO 354:2003, 8.1 (formula from memory), 200 m3, 5.0 and 2.5 s, 10.8 m2, 20
    degrees (computed). Tolerance: half the last digit."""
    got = chamber(200.0, 5.0, 2.5, 10.8)
    assert got.empty_area_m2 == pytest.approx(6.44898, abs=0.51e-5)
    assert got.with_area_m2 == pytest.approx(12.89796, abs=0.51e-5)
    assert got.alpha == pytest.approx(0.59713, abs=0.51e-5)
    # Planted fault: one room warmer than thought.
    assert chamber(200.0, 5.0, 2.5, 10.8, (20.0, 25.0)).alpha != pytest.approx(
        0.59713, abs=1e-3
    )


def test_air_of_the_chamber():
    """Truth: 4 V m of each measurement, by hand. Tolerance: rounding."""
    m = (np.array([0.001, 0.006]), np.array([0.0012, 0.0055]))
    times_s = np.array([5.0, 2.0]), np.array([2.5, 1.4])
    got = chamber(200.0, *times_s, 10.8, attenuation_per_m=m)
    dry = chamber(200.0, *times_s, 10.8)
    assert got.alpha - dry.alpha == pytest.approx(-800.0 * (m[1] - m[0]) / 10.8)
