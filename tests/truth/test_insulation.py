"""Sound insulation of light things: mass laws, two sheets, leaks, coincidence, one figure.

Truth: ISO 717-1, Annex C, table C.1 (seen second-hand), closed forms, and values computed
from the formulas beside them. Tolerance: half the last printed digit, unless said.
"""

import math

import numpy as np
import pytest
from scipy.integrate import quad

from raysim.absorbers import insulation
from raysim.absorbers.insulation import (
    Rated,
    coincidence_hz,
    field_db,
    mass_law_db,
    pair_db,
    rated,
    resonance_hz,
    with_opening_db,
)

#: Nominal octaves that the table of sheets was computed at, and its thirds.
OCTAVES_HZ = np.array([63.0, 125.0, 250.0, 500.0, 1000.0, 2000.0])
THIRDS_HZ = 1000.0 * 10.0 ** (0.1 * np.arange(-10, 6))

#: Limp sheets, 0 to 78 degrees: kg/m2, R in dB by octave, Rw, C, Ctr; computed from N2, N6.
SHEETS = (
    (1, "0.5 1.5 4.0 7.9 12.9 18.6", (13, -1, -4)),
    (2, "1.6 4.0 7.9 12.9 18.6 24.5", (18, -1, -5)),
    (10, "9.5 14.7 20.5 26.5 32.5 38.5", (31, -2, -5)),
    (15, "12.5 18.1 24.0 30.0 36.0 42.0", (34, -1, -5)),
)


def digits_missed(mass_kg_m2, printed, limit_deg=78.0):
    """Give how far R is from a printed row, in half last digits; up to 1 agrees."""
    row = np.array([float(v) for v in printed.split()])
    return float(np.abs(field_db(mass_kg_m2, OCTAVES_HZ, limit_deg) - row).max() / 0.05)


@pytest.mark.parametrize(("mass_kg_m2", "printed", "single"), SHEETS)
def test_field_incidence(mass_kg_m2, printed, single):
    """Truth: the table above; a row of a light sheet never goes negative."""
    assert digits_missed(mass_kg_m2, printed) <= 1.0 + 1e-9
    assert rated(field_db(mass_kg_m2, THIRDS_HZ)) == Rated(*single)


def test_field_incidence_test_can_fail():
    """Planted faults: all directions up to grazing; the usual straight line."""
    assert digits_missed(10, SHEETS[2][1], limit_deg=89.9) > 10.0
    straight = 20.0 * np.log10(OCTAVES_HZ * 1.0) - 47.4
    assert straight.min() < 0.0  # what the integral cannot give
    assert abs(straight - field_db(1.0, OCTAVES_HZ)).max() > 5.0


@pytest.mark.parametrize("mass_kg_m2", [0.5, 10.0, 100.0])
def test_field_incidence_is_the_integral(mass_kg_m2):
    """Truth: numerical quadrature of (N1) over angles. Tolerance: that of quadrature."""
    limit = math.radians(78.0)
    for freq_hz in (63.0, 1000.0):

        def through(theta, freq_hz=freq_hz):
            r_db = mass_law_db(mass_kg_m2, np.array([freq_hz]), theta)[0]
            return 10.0 ** (-0.1 * r_db) * math.sin(2.0 * theta)

        mean = quad(through, 0.0, limit, epsrel=1e-10)[0] / math.sin(limit) ** 2
        got = field_db(mass_kg_m2, np.array([freq_hz]))[0]
        assert got == pytest.approx(-10.0 * math.log10(mean), abs=1e-7)


def test_mass_law_runs_into_its_line():
    """Truth: 20 lg(f m) - 42.38 dB at normal incidence (42.4 computed)."""
    freq_hz = np.array([1000.0, 4000.0])
    line = 20.0 * np.log10(freq_hz * 20.0) - 42.38
    assert mass_law_db(20.0, freq_hz) == pytest.approx(line, abs=0.005)
    assert mass_law_db(0.0, freq_hz) == pytest.approx([0.0, 0.0], abs=0.0)
    assert field_db(0.0, freq_hz) == pytest.approx([0.0, 0.0], abs=0.0)


#: A blanket lying on a pane: kg/m2 of both, dB gained; computed from the masses alone.
IN_CONTACT = (
    (2, 10, 1.58), (2, 15, 1.09), (2, 20, 0.83),
    (1, 10, 0.83), (1, 15, 0.56), (1, 20, 0.42),
)  # fmt: skip


def contact_error_db(blanket, window, printed, freq_hz=4000.0):
    at = np.array([freq_hz])
    return abs(
        float(mass_law_db(window + blanket, at)[0] - mass_law_db(window, at)[0]) - printed
    )


@pytest.mark.parametrize(("blanket", "window", "printed"), IN_CONTACT)
def test_blanket_in_contact(blanket, window, printed):
    assert contact_error_db(blanket, window, printed) <= 0.005


def test_blanket_in_contact_can_fail():
    """Planted fault: as if the blanket's own reduction were added to the pane's."""
    at = np.array([4000.0])
    added = float(mass_law_db(2.0, at)[0])
    assert abs(added - 1.58) > 20.0


@pytest.mark.parametrize(("open_share", "printed"), [(0.01, 17.0), (0.05, 12.3), (0.1, 9.6)])
def test_openings(open_share, printed):
    """Truth: a partition of 20 dB with a share open, computed from energies."""
    assert abs(float(with_opening_db(20.0, open_share)) - printed) <= 0.05
    wrong = (1.0 - open_share) * 20.0  # planted fault: decibels averaged
    assert abs(wrong - printed) > 0.5


@pytest.mark.parametrize(
    ("first", "second", "gap_m", "printed"),
    [(10, 2, 0.05, 208), (10, 2, 0.1, 147), (10, 1, 0.05, 281)],
)
def test_resonance(first, second, gap_m, printed):
    """Truth: 60 sqrt((m1 + m2) / (m1 m2 d)), standard double-wall theory (from memory)."""
    assert abs(resonance_hz(first, second, gap_m) - printed) <= 0.5
    assert abs(60.0 / math.sqrt((first + second) * gap_m) - printed) > 20.0  # planted fault


def test_equal_sheets_vanish_at_their_resonance():
    """Truth: without loss, two equal sheets let all through at (N4) for normal incidence.

    Tolerance: the gap is a spring to order (k d)^2 / 12, so half that in frequency.
    """
    mass, gap_m = 20.0, 0.02
    at = resonance_hz(mass, mass, gap_m)
    freq_hz = np.linspace(0.8 * at, 1.2 * at, 8001)
    reduction = pair_db(mass, mass, gap_m, freq_hz, limit_deg=0.0)
    lowest = int(reduction.argmin())
    kd = 2.0 * math.pi * at * gap_m / insulation.SPEED_M_S
    assert reduction[lowest] < 0.05
    assert abs(freq_hz[lowest] / at - 1.0) < kd**2 / 12.0 + 1e-3
    single = mass_law_db(mass, np.array([at]))[0]
    assert single > 15.0  # one sheet alone: the pair is worse there


@pytest.mark.parametrize("damped", [False, True])
def test_pair_without_a_gap_is_one_sheet(damped):
    """Truth: the mass law of the sum. Tolerance: angles summed in 256 steps, 1e-3 dB."""
    freq_hz = OCTAVES_HZ
    got = pair_db(10.0, 2.0, 1e-7, freq_hz, damped=damped)
    assert got == pytest.approx(field_db(12.0, freq_hz), abs=2e-3)
    assert abs(got - field_db(10.0, freq_hz)).max() > 1.0  # twin: the second forgotten


def test_pair_keeps_energy():
    """Truth: no more than all gets through, whatever the second sheet lets pass."""
    for flow in (None, 100.0, 1000.0):
        for damped in (False, True):
            got = pair_db(3.0, 0.5, 0.1, THIRDS_HZ, flow_pa_s_m=flow, damped=damped)
            assert got.min() > -1e-9


def test_cloth_that_air_passes():
    """Truth: a still cloth in free air, normal incidence: 20 lg(1 + r / 2 rho c)."""
    got = pair_db(0.0, 1e6, 1e-6, np.array([500.0]), flow_pa_s_m=1000.0, limit_deg=0.0)
    assert got[0] == pytest.approx(20.0 * math.log10(1.0 + 500.0 / 413.213), abs=1e-3)


@pytest.mark.parametrize(("mm", "printed"), [(4, 2993), (6, 1995), (10, 1197)])
def test_coincidence_of_glass(mm, printed):
    """Truth: computed from thin-plate theory with 70 GPa; tolerance: the last digit."""
    assert abs(coincidence_hz(0.001 * mm) - printed) <= 0.5
    assert abs(coincidence_hz(0.001 * mm, poisson=0.0) - printed) > 20.0  # planted fault


#: ISO 717-1, Annex C, table C.1 (seen second-hand): R in thirds from 100 Hz.
TABLE_C1 = (
    20.4, 16.3, 17.7, 22.6, 22.4, 22.7, 24.8, 26.6, 28.0, 30.5, 31.8, 32.5, 33.4, 33.0, 31.0,
    25.5,
)  # fmt: skip


def test_example_of_the_standard():
    assert rated(np.array(TABLE_C1)) == Rated(30, -2, -3)
    assert str(rated(np.array(TABLE_C1))) == "30(−2;−3)"


def test_example_of_the_standard_can_fail(monkeypatch):
    """Planted faults: one decibel more is allowed; the spectra change places."""
    monkeypatch.setitem(insulation._ALLOWED_DB, 3, 48.0)
    assert rated(np.array(TABLE_C1)).rw_db == 31
    monkeypatch.setitem(insulation._ALLOWED_DB, 3, 32.0)
    monkeypatch.setattr(insulation, "_PINK", insulation._TRAFFIC)
    assert rated(np.array(TABLE_C1)) == Rated(30, -3, -3)


#: EN 12758, general values of panes and insulating glass (from memory): octaves, Rw as rated.
PANES = (
    ("17 20 26 32 33", 30), ("18 23 30 35 27", 31),
    ("21 17 25 35 37", 29), ("21 20 26 38 37", 31),
)  # fmt: skip


@pytest.mark.parametrize(("printed", "rw_db"), PANES)
def test_octaves_are_rated(printed, rw_db):
    """Truth: the octave spectra rated by hand; products: 29 31 29 32."""
    row = np.array([float(v) for v in printed.split()])
    assert rated(row, 1).rw_db == rw_db
    assert rated(row + 1.0, 1).rw_db == rw_db + 1


def test_octave_spectra_are_sums_of_thirds():
    """Truth: energies of three thirds add up to their octave. Tolerance: rounding to 1 dB."""
    for spectra in (insulation._PINK, insulation._TRAFFIC):
        thirds = np.array(spectra[3][:15]).reshape(5, 3)
        octaves = 10.0 * np.log10((10.0 ** (0.1 * thirds)).sum(axis=1))
        assert np.abs(octaves - spectra[1]).max() <= 0.5


def test_wrong_number_of_bands():
    with pytest.raises(ValueError, match="16 bands are rated, 5 were given"):
        rated(np.zeros(5))
