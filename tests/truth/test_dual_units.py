"""Feet, inches and pounds beside metric: the definitions of 1959, and a carpenter's tape."""

import re
from fractions import Fraction

import pytest

from raysim.decision import dual_units
from raysim.decision.dual_units import dual, dual_mm, dual_picture, feet, inches, other_unit

#: One inch in millimetres, one pound in kilograms: the international yard and pound
#: agreement of 1959 (value from memory).
INCH_MM, POUND_KG = 25.4, 0.45359237


def inches_back(text):
    """Read inches off a tape: "47 1/4 in" to a number."""
    return float(sum(Fraction(part) for part in text.removesuffix(" in").split()))


@pytest.mark.parametrize("length_mm", [1, 12, 18, 25.4, 564, 600, 964, 1164, 1200, 2500, 5200])
def test_inches_are_right_to_half_a_sixteenth(length_mm):
    """Truth: the inch's definition. Tolerance: half the last step of a tape."""
    assert abs(inches_back(inches(length_mm)) * INCH_MM - length_mm) <= INCH_MM / 32 + 1e-9


def test_a_wrong_inch_is_found(monkeypatch):
    """Planted fault: an inch of 25 mm is off by more than half a sixteenth on a panel."""
    monkeypatch.setattr(dual_units, "MM_PER_IN", 25.0)
    assert abs(inches_back(inches(1200)) * INCH_MM - 1200) > INCH_MM / 32


@pytest.mark.parametrize(
    ("length_mm", "on_tape"),
    [(25.4, "1 in"), (12.7, "1/2 in"), (1219.2, "48 in"), (609.6, "24 in"), (406.4, "16 in")],
)
def test_round_inches_stay_round(length_mm, on_tape):
    """Truth: 16 in and 24 in between studs are 406 and 610 mm (common practice)."""
    assert inches(length_mm) == on_tape


def mm_of(text):
    """Read the first length in feet and inches off HTML, in millimetres."""
    feet_in = re.search(r'"us">(?:(\d+) ft ?)?([\d/ ]*?)(?: in)?<', text)
    more = sum(Fraction(part) for part in feet_in[2].split())
    return float(12 * int(feet_in[1] or 0) + more) * INCH_MM


@pytest.mark.parametrize("length", ["0.9 m", "0.3 m", "0.6 m", "50 mm", "1.83 m", "0.05 m"])
@pytest.mark.parametrize("least", ["keep {} away", "Keep {} between", "leave at least {} free"])
def test_distances_to_keep_are_not_cut(length, least):
    """Truth: the inch's definition; going by inches must not come nearer than by metres.

    Tolerance: none below; an inch above.
    """
    number, unit = length.split()
    metric_mm = float(number) * {"m": 1000.0, "mm": 1.0}[unit]
    assert metric_mm <= mm_of(dual(least.format(length))) <= metric_mm + INCH_MM


def test_a_distance_that_is_cut_is_noticed():
    """Planted fault: the same length as a plain one, rounded to the nearest, is less."""
    assert mm_of(dual("0.9 m from the heater")) < 900.0


@pytest.mark.parametrize(
    ("value", "unit", "factor"),
    [(7.2, "kg", 1 / POUND_KG), (24.2, "m³", 0.3048**-3), (5.4, "m2", 0.3048**-2)],
)
def test_pounds_areas_and_volumes(value, unit, factor):
    """Truth: the definitions. Tolerance: half the last printed digit."""
    text = other_unit(value, unit).split()[0]
    digit = 0.1 if "." in text else 1.0
    assert abs(float(text) - value * factor) <= 0.5 * digit


def test_feet_never_show_twelve_inches():
    """Truth: twelve inches are a foot."""
    assert feet(0.3048 * 4 - 0.001) == "4 ft"
    assert all(" 12 in" not in feet(0.7 + 0.001 * i) for i in range(4000))


@pytest.mark.parametrize(
    ("text", "metric"),
    [
        ("Keep 0.9 m away, 3 ms and 5 dB later.", ["0.9 m"]),
        ("wool 1200 x 600 x 100 mm, 45 kg/m3, 300 g/m2", ["1200 x 600 x 100 mm"]),
        ("46 kg in all; T30 0.40 s at 500 Hz", ["46 kg"]),
        ("A1 m", []),
        ("1 minute and 2 metres", []),
    ],
)
def test_only_quantities_are_converted(text, metric):
    """Truth: what a reader takes for a length, an area, a volume or a weight."""
    assert re.findall(r'class="si">([^<]*)<', dual(text)) == metric
    plain = re.sub(r'<span class="us">[^<]*</span>', "", dual(text))
    assert re.sub(r"<[^>]*>", "", plain) == text


def test_packs_are_counted_and_sizes_are_not():
    """Truth: "2 x 4.32 m2" are two packs; "1200 x 600 mm" are two lengths."""
    assert '"us">2 x 47 sq ft<' in dual("2 x 4.32 m2")
    assert '"us">10 x 8 ft 2 in<' in dual("10 x 2.50 m")
    assert '"us">47 1/4 in x 23 5/8 in<' in dual("1200 x 600 mm")


def test_text_cannot_become_markup():
    """Truth: a sign of HTML in a name is shown, not obeyed."""
    assert "<b>" not in dual("<b>2 m</b>") + dual_mm("<b>2</b>")


def test_measures_in_drawings_get_inches():
    """Truth: each number of a drawing once more on screen and once on paper."""
    svg = '<text class="measure-text" x="1" y="2">1200</text><text class="tick">30</text>'
    found = dual_picture(svg)
    assert found.count(">47 1/4<") == 2
    assert found.count(">1200<") == 1
    assert found.count('class="tick"') == 1
