"""Tuned absorbers, flow resistivity from density, and covers, against worked examples."""

import math

import numpy as np
import pytest

from raysim.absorbers import resistivity as rs
from raysim.absorbers import resonance as rn
from raysim.absorbers.cover import with_backing
from raysim.absorbers.layers import AirGap, Membrane, Stack
from raysim.absorbers.media import Gas
from raysim.absorbers.stack import holes_end_m, surface_impedance

#: The worked plate: holes of 5 mm every 20 mm in 6 mm, 50 mm off the wall.
SHARE = rn.open_share_of_holes(0.005, 0.020)


def test_open_share():
    """Truth: pi/4 (d/b)^2 (computed). Tolerance: half the last digit."""
    assert pytest.approx(0.0490874, abs=0.51e-7) == SHARE


@pytest.mark.parametrize(
    ("end_m", "printed_hz"),
    [
        (rn.lone_end_m(0.005), 534.6),
        (rn.crowded_end_m(0.005, SHARE), 579.7),
        (holes_end_m(0.005, 0.020), 572.3),
    ],
)
def test_perforated(end_m, printed_hz):
    """Truth: (c/2 pi) sqrt(e/(D t')) with three end corrections (formulas from memory,
    values computed). Tolerance: half the last digit."""
    assert rn.perforated_hz(SHARE, 0.006 + end_m, 0.05) == pytest.approx(printed_hz, abs=0.051)
    # Planted fault: no end correction.
    assert rn.perforated_hz(SHARE, 0.006, 0.05) != pytest.approx(printed_hz, abs=5.0)


def test_end_corrections():
    """Truth: 2.718 mm of crowded holes (computed). Tolerance: half the last digit."""
    assert rn.crowded_end_m(0.005, SHARE) == pytest.approx(2.718e-3, abs=0.51e-6)
    assert rn.lone_end_m(0.005) == pytest.approx(4.25e-3)


def test_perforated_by_the_cotangent():
    """Truth: 514.1 Hz (computed from cot(kD) = k t'/e). Tolerance: half the last digit."""
    mass = 1.204 * (0.006 + rn.lone_end_m(0.005)) / SHARE
    assert rn.cavity_hz(mass, 0.05) == pytest.approx(514.1, abs=0.051)


def test_handbook_rule_for_plates():
    """Truth: the exact constant with inches and per cent is 215.05, so 200 is 7 % low."""
    exact = rn.perforated_hz(SHARE, 0.010, 0.05)
    rule = rn.handbook_perforated_hz(100.0 * SHARE, 0.010, 0.05)
    assert 200.0 * exact / rule == pytest.approx(215.05, abs=0.01)


def test_slots():
    """Truth: 2160 sqrt(r/(1.2 d D (r + w))) in inches (seen second-hand), by hand."""
    d, r, w, depth = 1.0, 0.25, 3.0, 8.0  # inches
    by_hand = 2160.0 * math.sqrt(r / (1.2 * d * depth * (r + w)))
    got = rn.slots_hz(*(0.0254 * x for x in (d, r, w, depth)))
    assert got == pytest.approx(by_hand, rel=1e-12)
    # The plate's own rule with t' = 1.2 d differs by c alone: 2160 inches are 54.86 m.
    other = rn.perforated_hz(r / (r + w), 1.2 * d * 0.0254, depth * 0.0254)
    assert got / other == pytest.approx(54.864 / 54.622, abs=1e-4)
    # Planted fault: the sum that one handbook prints in place of a product.
    assert got != pytest.approx(2160.0 * math.sqrt(r / (1.2 * d * depth + (r + w))), rel=0.1)


def test_helmholtz():
    """Truth: "Audio Engineering", p. 863 (read): 55 sqrt(S/(lV)); c/2 pi is 54.62."""
    assert rn.helmholtz_hz(0.001, 0.05, 0.02) == pytest.approx(55.0)
    assert Gas().speed_m_s / (2 * math.pi) == pytest.approx(54.62, abs=0.0051)


#: kg/m2, m -> short form (read, p. 863), cotangent where printed (computed).
MEMBRANES = {(5.0, 0.1): (84.85, 84.42), (10.0, 0.1): (60.00, None), (4.0, 0.2): (67.08, 66.34)}


@pytest.mark.parametrize(("made", "printed"), MEMBRANES.items())
def test_membranes(made, printed):
    """Truth: worked values. Tolerance: half the last digit."""
    short_hz, exact_hz = printed
    assert rn.membrane_hz(*made) == pytest.approx(short_hz, abs=0.0051)
    if exact_hz is not None:
        assert rn.cavity_hz(*made) == pytest.approx(exact_hz, abs=0.0051)
        assert rn.membrane_hz(*made) != pytest.approx(exact_hz, abs=0.1)


def test_membrane_constant():
    """Truth: sqrt(gamma P0)/2 pi = 59.94, isothermal 50.66 (computed)."""
    assert math.sqrt(1.4 * 101_325.0) / (2 * math.pi) == pytest.approx(59.94, abs=0.0051)
    assert math.sqrt(101_325.0) / (2 * math.pi) == pytest.approx(50.66, abs=0.0051)
    assert pytest.approx(59.94, rel=0.0011) == rn.MEMBRANE_CONSTANT


def test_a_stack_resonates_where_the_root_is():
    """Truth: no reactance at the root. Tolerance: rounding over the slope."""
    for mass, depth in MEMBRANES:
        freq_hz = np.array([rn.cavity_hz(mass, depth)])
        z = surface_impedance(Stack((Membrane(mass, 30.0), AirGap(depth))), freq_hz)[0, 0]
        assert abs(z.imag) < 1e-6
        assert z.real == pytest.approx(30.0)
        # Planted fault: 1 % off.
        beside = surface_impedance(Stack((Membrane(mass), AirGap(depth))), 1.01 * freq_hz)
        assert abs(beside[0, 0].imag) > 10.0


def test_flow_resistivity_rules():
    """Truth: 48 kg/m3 of glass wool: Bies and Hansen, Appl. Acoust. 13, 1980 (constant from
    memory) at 6, 7, 10 um; the rules of a table of Cox and D'Antonio's book (seen
    second-hand) at 7 um (all computed). Tolerance: one, in the last digit."""
    for diameter_um, printed in ((6, 32_993), (7, 24_240), (10, 11_878)):
        assert rs.bies_hansen(48.0, 1e-6 * diameter_um) == pytest.approx(printed, abs=0.51)
    assert rs.packed(48.0, 7e-6, 4.4, 1.59, 2600.0) == pytest.approx(11_574, abs=0.51)
    assert rs.packed(48.0, 7e-6, 3.2, 1.42, 2600.0) == pytest.approx(16_593, abs=0.51)
    # Planted fault: radius for diameter.
    assert rs.bies_hansen(48.0, 3.5e-6) != pytest.approx(24_240, rel=0.5)


@pytest.mark.parametrize("material", ["glass", "stone", "polyester"])
@pytest.mark.parametrize("diameter_m", [None, 7e-6, 30e-6])
@pytest.mark.parametrize("density_kg_m3", [12.0, 48.0, 140.0])
def test_only_ranges(material, diameter_m, density_kg_m3):
    """Truth: the rules differ by a factor of two for one board, so no range is narrower
    than that either way; and every rule lies inside."""
    low, likely, high = rs.range_from_density(density_kg_m3, diameter_m, material)
    assert low <= likely / 2.0
    assert high >= likely * 2.0
    for d in rs.DIAMETERS_M[material] if diameter_m is None else (diameter_m,):
        for rule in rs.rules(density_kg_m3, d, material):
            assert low <= rule <= high


def test_resistivity_grows_with_density_and_falls_with_diameter():
    for material in ("glass", "stone", "polyester"):
        for i in range(3):
            light, heavy = (rs.range_from_density(r, None, material)[i] for r in (20.0, 40.0))
            assert heavy > 2.0 * light
            fine, coarse = (rs.range_from_density(30.0, d, material)[i] for d in (8e-6, 16e-6))
            assert fine == pytest.approx(4.0 * coarse)


def test_cover_keeps_what_is_behind():
    """Truth: 1 - (1 - a)(1 - b). Never less than either, never above one."""
    a, b = np.meshgrid(np.linspace(0, 1, 21), np.linspace(0, 1, 21))
    got = with_backing(a, b)
    assert np.all(got >= np.maximum(a, b) - 1e-15)
    assert np.all(got <= 1.0)
    assert with_backing(np.array([0.0]), np.array([0.29])) == pytest.approx(0.29)
    assert with_backing(np.array([0.5]), np.array([0.5])) == pytest.approx(0.75)
    assert with_backing(a, b) == pytest.approx(with_backing(b, a))
