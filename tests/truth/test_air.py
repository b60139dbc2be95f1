"""Air against the printed tables of ISO 9613, gas laws, and a table of its own misreadings."""

import numpy as np
import pytest

from raysim.scene.air import (
    attenuation_db_per_m,
    attenuation_per_m,
    density_kg_m3,
    speed_m_s,
)
from raysim.scene.model import Air
from raysim.units import octave_centres_hz

OCTAVE_HZ = octave_centres_hz()
NOMINAL_HZ = np.array([63.0, 125.0, 250.0, 500.0, 1000.0, 2000.0, 4000.0, 8000.0])

#: ISO 9613-1:1993, table 1: degrees Celsius and per cent -> dB/km at 125 Hz to 8 kHz.
#: Read in secondary public texts that quote the standard.
TABLE_1 = {
    (20.0, 30.0): "0.615 1.42 2.52 5.01 14.1 48.5 166",
    (20.0, 40.0): "0.521 1.39 2.63 4.65 11.2 36.1 128",
    (20.0, 50.0): "0.445 1.32 2.73 4.66 9.86 29.4 104",
    (20.0, 60.0): "0.386 1.23 2.79 4.80 9.25 25.4 87.8",
    (20.0, 70.0): "0.339 1.13 2.80 4.98 9.02 22.9 76.6",
    (20.0, 80.0): "0.302 1.04 2.77 5.15 8.98 21.3 68.6",
    (20.0, 90.0): "0.272 0.966 2.71 5.30 9.06 20.2 62.6",
    (20.0, 100.0): "0.247 0.895 2.63 5.42 9.21 19.4 58.1",
    (10.0, 70.0): "0.411 1.04 1.93 3.66 9.66 32.8 117",
    (30.0, 70.0): "0.256 0.963 3.14 7.41 12.7 23.1 59.3",
    (0.0, 70.0): "0.390 0.763 1.61 4.64 16.1 55.5 153",
}

#: Single entries of the same table: degrees, per cent, number of the third from 1 kHz.
TABLE_1_POINTS = {
    (20.0, 10.0, -13): "0.270",
    (20.0, 10.0, -10): "0.622",
    (20.0, 10.0, 6): "109",
    (20.0, 15.0, 8): "175",
    (0.0, 10.0, 9): "26.4",
    (10.0, 100.0, 6): "23.5",
    (15.0, 10.0, 6): "87.3",
    (30.0, 10.0, 6): "96.0",
    (-20.0, 10.0, -13): "0.589",
    (-20.0, 10.0, 0): "1.65",
    (50.0, 70.0, 9): "80.3",
}

#: ISO 9613-2:1996, table 2: dB/km, 63 Hz to 8 kHz. Read in secondary public texts. The
#: dash stands for 4.1, where the formula of part 1 has 4.151: cut there, not rounded.
TABLE_2 = {
    (10.0, 70.0): "0.1 0.4 1.0 1.9 3.7 9.7 32.8 117",
    (20.0, 70.0): "0.1 0.3 1.1 2.8 5.0 9.0 22.9 76.6",
    (30.0, 70.0): "0.1 0.3 1.0 3.1 7.4 12.7 23.1 59.3",
    (15.0, 20.0): "0.3 0.6 1.2 2.7 8.2 28.2 88.8 202",
    (15.0, 50.0): "0.1 0.5 1.2 2.2 4.2 10.8 36.2 129",
    (15.0, 80.0): "0.1 0.3 1.1 2.4 - 8.3 23.7 82.8",
}


def printed_so(got, printed: str) -> bool:
    """Say whether a value is the printed one to half the last printed digit."""
    places = len(printed.partition(".")[2])
    return abs(got - float(printed)) <= 0.5 * 10.0**-places * (1.0 + 1e-9)


def row_agrees(weather, row: str, freq_hz) -> bool:
    """Say whether every entry of a row is as printed."""
    got = 1000.0 * attenuation_db_per_m(Air(*weather), freq_hz)
    entries = zip(got, row.split(), strict=True)
    return all(printed_so(g, p) for g, p in entries if p != "-")


@pytest.mark.parametrize(("weather", "row"), TABLE_1.items())
def test_table_1_of_iso_9613_1(weather, row):
    """Truth: the standard's table. Tolerance: half the last printed digit."""
    assert row_agrees(weather, row, OCTAVE_HZ[1:])


@pytest.mark.parametrize(("point", "printed"), TABLE_1_POINTS.items())
def test_points_of_table_1(point, printed):
    """Truth: the standard's table. Tolerance: half the last printed digit."""
    temperature_c, humidity_pct, third = point
    freq_hz = np.array([1000.0 * 10.0 ** (third / 10.0)])
    got = attenuation_db_per_m(Air(temperature_c, humidity_pct), freq_hz)[0]
    assert printed_so(1000.0 * got, printed)


@pytest.mark.parametrize(("weather", "row"), TABLE_2.items())
def test_table_2_of_iso_9613_2(weather, row):
    """Truth: another document's table. Tolerance: half the last printed digit."""
    assert row_agrees(weather, row, OCTAVE_HZ)


def test_table_tests_can_fail():
    """Planted fault: nominal instead of exact frequencies, 1 % off at 8 kHz."""
    assert not row_agrees((20.0, 50.0), TABLE_1[20.0, 50.0], NOMINAL_HZ[1:])
    assert not row_agrees((15.0, 50.0), TABLE_2[15.0, 50.0], NOMINAL_HZ)


def test_pressure():
    """Truth: ISO 9613-1 computed by hand at 80 kPa (computed from eqs 3 to 5)."""
    air = Air(20.0, 50.0, 80_000.0)
    got = 1000.0 * attenuation_db_per_m(air, OCTAVE_HZ[[4, 6]])
    assert printed_so(got[0], "4.6188")
    assert printed_so(got[1], "28.930")


def test_energy_coefficient():
    """Truth: m x = 1 is a loss of 10 lg e = 4.342945 dB. Tolerance: its printed digits."""
    air = Air()
    ratio = attenuation_db_per_m(air, OCTAVE_HZ) / attenuation_per_m(air, OCTAVE_HZ)
    assert ratio == pytest.approx(4.342945, abs=5e-7)
    assert attenuation_per_m(air, OCTAVE_HZ)[4] == pytest.approx(1.074e-3, abs=5e-7)


def ideal_gas_speed_m_s(air, molar_mass_kg=0.0289647) -> float:
    """Give sqrt(1.4 R T / M) with the molar mass of dry air and R = 8.314463 J/(mol K)."""
    return float(np.sqrt(1.4 * 8.314463 * (air.temperature_c + 273.15) / molar_mass_kg))


@pytest.mark.parametrize("temperature_c", [-10.0, 0.0, 20.0, 35.0])
def test_speed_is_that_of_an_ideal_gas(temperature_c):
    """Truth: sqrt(gamma R T / M) of dry air. Tolerance: half the last digit of 343.2."""
    air = Air(temperature_c, 10.0)
    assert speed_m_s(air) == pytest.approx(ideal_gas_speed_m_s(air), abs=0.06)
    assert speed_m_s(Air()) == pytest.approx(343.2, abs=1e-9)


def test_speed_test_can_fail():
    """Planted fault: the linear rule 331 + 0.6 t is off by 0.2 m/s at 20 degrees already."""
    linear = 331.0 + 0.6 * 20.0
    assert linear != pytest.approx(ideal_gas_speed_m_s(Air(20.0)), abs=0.06)


#: Saturation pressure of water vapour, Pa, steam tables (values from memory).
SATURATION_PA = {0.0: 611.2, 20.0: 2339.0, 30.0: 4246.0, 40.0: 7384.0}

#: ISO 9613-1's own saturation formula is within 1 % of the tables: 40 Pa at 40 degrees.
DENSITY_TOLERANCE = 0.01 * 7384.0 * 0.378 / (287.0 * 313.0)


def molar_density_kg_m3(temperature_c, humidity_pct) -> float:
    """Give the density from molar masses 28.9647 and 18.0153 g and R = 8.314463."""
    vapour_pa = humidity_pct / 100.0 * SATURATION_PA[temperature_c]
    mass = (101_325.0 - vapour_pa) * 0.0289647 + vapour_pa * 0.0180153
    return mass / (8.314463 * (temperature_c + 273.15))


@pytest.mark.parametrize("temperature_c", SATURATION_PA)
@pytest.mark.parametrize("humidity_pct", [10.0, 50.0, 100.0])
def test_density(temperature_c, humidity_pct):
    """Truth: mole balance with tabulated vapour pressure. Tolerance: of that pressure."""
    expected = molar_density_kg_m3(temperature_c, humidity_pct)
    got = density_kg_m3(Air(temperature_c, humidity_pct))
    assert got == pytest.approx(expected, abs=DENSITY_TOLERANCE)


def test_density_test_can_fail():
    """Planted fault: air taken as dry."""
    dry = 101_325.0 / (287.05 * 293.15)
    expected = pytest.approx(molar_density_kg_m3(20.0, 50.0), abs=DENSITY_TOLERANCE)
    assert dry != expected
