"""How the air carries sound: speed, density, and the attenuation by the air itself.

Frequencies are exact mid-bands in Hz, not nominal band names: at 8 kHz the nominal
one gives over 1 % more. Source: ISO 9613-1:1993, equations (3) to (5) and Annex B.
"""

import math

import numpy as np

from raysim.absorbers.media import Gas
from raysim.errors import Complaint, SceneError, figure
from raysim.scene.model import Air
from raysim.units import Float

REFERENCE_PRESSURE_PA = 101_325.0
REFERENCE_K = 293.15
TRIPLE_POINT_K = 273.16
#: Specific gas constants of dry air and water vapour, J/(kg K).
DRY_GAS_J_KG_K = 287.05
VAPOUR_GAS_J_KG_K = 461.5

#: What the standard's formulas are stated for. Its pressure limit is two atmospheres;
#: the lower bound here is about the highest town on Earth.
TEMPERATURE_C = (-20.0, 50.0)
HUMIDITY_PCT = (10.0, 100.0)
PRESSURE_PA = (50_000.0, 200_000.0)
FREQ_HZ = (50.0, 10_000.0)


def complaints_about(air: Air) -> tuple[Complaint, ...]:
    """List what of an atmosphere lies outside the range of ISO 9613-1."""
    checks = (
        ("temperature", air.temperature_c, TEMPERATURE_C, "degrees Celsius", "RS-S40"),
        ("relative humidity", air.humidity_pct, HUMIDITY_PCT, "per cent", "RS-S41"),
        ("static pressure", air.pressure_pa, PRESSURE_PA, "pascal", "RS-S42"),
    )
    return tuple(
        Complaint(
            where=f"{air.place}: air",
            wrong=f"the {name} is {figure(value, 6)} {unit}.",
            fix=f"Give {low:g} to {high:g} {unit}.",
            code=code,
        )
        for name, value, (low, high), unit, code in checks
        if not low <= value <= high  # so written, NaN is refused too
    )


def _checked(air: Air) -> Air:
    complaints = complaints_about(air)
    if complaints:
        raise SceneError(complaints)
    return air


def _vapour_pressure_pa(air: Air) -> float:
    """Give the partial pressure of water vapour, ISO 9613-1 Annex B."""
    exponent = 4.6151 - 6.8346 * (TRIPLE_POINT_K / (air.temperature_c + 273.15)) ** 1.261
    return float(air.humidity_pct / 100.0 * REFERENCE_PRESSURE_PA * 10.0**exponent)


def attenuation_db_per_m(air: Air, freq_hz: Float) -> Float:
    """Give the attenuation of a plane wave by the air alone  (A1).

    Parameters
    ----------
    air : Air
    freq_hz : (n_freq,) float64
        Exact frequencies, 50 Hz to 10 kHz.

    Returns
    -------
    (n_freq,) float64
        dB per metre of path; positive is loss.

    Raises
    ------
    SceneError
        RS-S40 to RS-S43: temperature, humidity, pressure or a frequency lies outside
        the range of the source.

    References
    ----------
    ISO 9613-1:1993, equations (3) to (5).

    Examples
    --------
    >>> attenuation_db_per_m(Air(20.0, 70.0), np.array([1000.0])).round(5)
    array([0.00498])
    """
    complaints = list(complaints_about(air))
    freq = np.asarray(freq_hz, dtype=np.float64)
    # A mid-band written with its three digits may fall short of the range by a hair.
    outside = ~((freq >= FREQ_HZ[0]) & (freq <= FREQ_HZ[1] * (1.0 + 1e-9)))
    if np.any(outside):
        complaints.append(
            Complaint(
                where="air attenuation",
                wrong=f"a frequency is {np.atleast_1d(freq)[np.atleast_1d(outside)][0]:g} Hz.",
                fix=f"Give {FREQ_HZ[0]:g} to {FREQ_HZ[1]:g} Hz.",
                code="RS-S43",
            )
        )
    if complaints:
        raise SceneError(complaints)

    kelvin = air.temperature_c + 273.15
    warmth = kelvin / REFERENCE_K
    pressure = air.pressure_pa / REFERENCE_PRESSURE_PA
    molar_pct = 100.0 * _vapour_pressure_pa(air) / air.pressure_pa
    oxygen_hz = pressure * (
        24.0 + 4.04e4 * molar_pct * (0.02 + molar_pct) / (0.391 + molar_pct)
    )
    nitrogen_hz = (
        pressure
        / math.sqrt(warmth)
        * (9.0 + 280.0 * molar_pct * math.exp(-4.170 * (warmth ** (-1.0 / 3.0) - 1.0)))
    )
    oxygen = 0.01275 * math.exp(-2239.1 / kelvin) / (oxygen_hz + freq**2 / oxygen_hz)
    nitrogen = 0.1068 * math.exp(-3352.0 / kelvin) / (nitrogen_hz + freq**2 / nitrogen_hz)
    classical = 1.84e-11 / pressure * math.sqrt(warmth)
    return np.asarray(8.686 * freq**2 * (classical + warmth**-2.5 * (oxygen + nitrogen)))


def attenuation_per_m(air: Air, freq_hz: Float) -> Float:
    """Give the energy attenuation coefficient m: energy falls as exp(-m x).

    Parameters, range and errors are those of `attenuation_db_per_m`; the result is in
    1/m.
    """
    return np.asarray(attenuation_db_per_m(air, freq_hz) * (math.log(10.0) / 10.0))


def speed_m_s(air: Air) -> float:
    """Give the speed of sound in m/s: 343.2 m/s at 20 degrees, as the root of T  (A2).

    ISO 9613-1:1993 Annex A; humidity, which adds up to 0.4 %, is left out there.

    Raises
    ------
    SceneError
        RS-S40 to RS-S42: outside the range of the source.
    """
    return float(343.2 * math.sqrt((_checked(air).temperature_c + 273.15) / REFERENCE_K))


def density_kg_m3(air: Air) -> float:
    """Give the density of moist air as a mixture of two ideal gases, in kg/m3.

    Raises
    ------
    SceneError
        RS-S40 to RS-S42: outside the range of the source.
    """
    kelvin = _checked(air).temperature_c + 273.15
    vapour_pa = _vapour_pressure_pa(air)
    dry_pa = air.pressure_pa - vapour_pa
    return (dry_pa / DRY_GAS_J_KG_K + vapour_pa / VAPOUR_GAS_J_KG_K) / kelvin


def gas(air: Air) -> Gas:
    """Give what layers of an absorber need to know of the air: density and speed.

    Raises
    ------
    SceneError
        RS-S40 to RS-S42: outside the range of the source.
    """
    return Gas(density_kg_m3(air), speed_m_s(air))
