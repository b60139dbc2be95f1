"""Plane waves in a tube and at an impedance: layers, reflection, two-microphone evaluation.

Time e^(jwt). Standard transmission-line formulas (from memory): a layer of characteristic
impedance zc and wavenumber k before an impedance z2 shows
zc (z2 + j zc tan kd)/(zc + j z2 tan kd). All impedances over rho c.
"""

import numpy as np


def miki(resistivity_pa_s_m2, freq_hz, speed_m_s):
    """Give zc over rho c, and k, of a porous layer: Miki, JASJ(E) 11 (1990) 19.

    Its numbers seen second-hand, for 1000 f/sigma.
    """
    x = 1e3 * np.asarray(freq_hz) / resistivity_pa_s_m2
    zc = 1.0 + 5.50 * x**-0.632 - 8.43j * x**-0.632
    k0 = 2.0 * np.pi * np.asarray(freq_hz) / speed_m_s
    k = k0 * (1.0 + 7.81 * x**-0.618 - 11.41j * x**-0.618)
    return zc, k


def before(zc, k, thickness_m, behind=None):
    """Give the impedance at the front of a layer; before a rigid wall if ``behind`` is None."""
    t = np.tan(k * thickness_m)
    if behind is None:
        return zc / (1j * t)
    return zc * (behind + 1j * zc * t) / (zc + 1j * behind * t)


def porous_layer(resistivity_pa_s_m2, thickness_m, gap_m, freq_hz, speed_m_s):
    """Give the impedance of a Miki layer before a gap of air and a rigid wall."""
    zc, k = miki(resistivity_pa_s_m2, freq_hz, speed_m_s)
    air_k = 2.0 * np.pi * np.asarray(freq_hz) / speed_m_s + 0j
    return before(zc, k, thickness_m, before(1.0 + 0j, air_k, gap_m) if gap_m else None)


def reflection(admittance, cos_theta=1.0):
    """Give the pressure reflected from an admittance over that of air, at an angle."""
    return (cos_theta - admittance) / (cos_theta + admittance)


def alpha(admittance, cos_theta=1.0):
    """Give the share of energy that is not reflected."""
    return 1.0 - np.abs(reflection(admittance, cos_theta)) ** 2


def reflection_from_two(pressure_far, pressure_near, far_m, near_m, wavenumber):
    """Give the reflection factor at a wall from the pressures at two distances before it.

    With p(s) = e^(jks) + R e^(-jks) at distance s: the transfer-function method of
    ISO 10534-2 (from memory). ``wavenumber`` is that along the tube, complex if need be.
    """
    ratio = pressure_near / pressure_far
    toward = np.exp(1j * wavenumber * near_m) - ratio * np.exp(1j * wavenumber * far_m)
    away = ratio * np.exp(-1j * wavenumber * far_m) - np.exp(-1j * wavenumber * near_m)
    return toward / away
