"""What to expect before anything is simulated: formulas of statistics and of boxes.

Every decay formula is an exponent area A* in m2, and T = 24 ln 10 V / (c (A* + 4 m V)).
Surfaces come as `area_m2` (n_surface,) and `alpha` (n_surface, n_band); alpha is the
random-incidence absorption coefficient. Source: H. Kuttruff, Room Acoustics, for all
but Fitzroy (J. Acoust. Soc. Am. 31, 1959) and Arau-Puchades (Acustica 65, 1988).
"""

import math

import numpy as np

from raysim.units import Float, Int, to_level_db


def decay_time_s(
    exponent_area_m2: Float,
    volume_m3: float,
    speed_m_s: float,
    attenuation_per_m: Float | float = 0.0,
) -> Float:
    """Give the time of a 60 dB decay, (n_band,) s, for an exponent area  (M10).

    ``attenuation_per_m`` is the energy coefficient m of the air. Nothing that
    absorbs gives infinity.

    Examples
    --------
    >>> decay_time_s(np.array([10.0]), 60.0, 343.0).round(4)
    array([0.9667])
    """
    total = np.asarray(exponent_area_m2) + 4.0 * np.asarray(attenuation_per_m) * volume_m3
    with np.errstate(divide="ignore"):
        return np.asarray(24.0 * math.log(10.0) * volume_m3 / (speed_m_s * total))


def _exponent(alpha: Float) -> Float:
    """Give -ln(1 - alpha); total absorption gives infinity without a warning."""
    with np.errstate(divide="ignore"):
        return np.asarray(-np.log1p(-np.asarray(alpha, dtype=np.float64)))


def mean_alpha(area_m2: Float, alpha: Float) -> Float:
    """Give the area-weighted mean absorption coefficient, (n_band,)."""
    return np.asarray(area_m2 @ alpha / np.sum(area_m2))


def sabine_area_m2(area_m2: Float, alpha: Float) -> Float:
    """Give the equivalent absorption area sum(S alpha), (n_band,) m2."""
    return np.asarray(area_m2 @ alpha)


def eyring_area_m2(area_m2: Float, alpha: Float) -> Float:
    """Give -S ln(1 - mean alpha), (n_band,) m2."""
    return np.asarray(np.sum(area_m2) * _exponent(mean_alpha(area_m2, alpha)))


def millington_area_m2(area_m2: Float, alpha: Float) -> Float:
    """Give -sum(S_i ln(1 - alpha_i)), (n_band,) m2."""
    return np.asarray(area_m2 @ _exponent(alpha))


def kuttruff_area_m2(area_m2: Float, alpha: Float, path_variance: float = 0.0) -> Float:
    """Give Kuttruff's area for diffusely reflecting walls of unequal absorption.

    Parameters
    ----------
    area_m2 : (n_surface,) float64
    alpha : (n_surface, n_band) float64
    path_variance : float
        Relative variance of the free path lengths: about 0.35 for a box of usual
        proportions, 0 to leave that correction out.

    Returns
    -------
    (n_band,) float64
    """
    rho = 1.0 - np.asarray(alpha, dtype=np.float64)
    reflected = area_m2[:, None] * rho
    total = reflected.sum(axis=0)
    mean_rho = total / np.sum(area_m2)
    spread = np.sum(reflected * (rho - mean_rho) * area_m2[:, None], axis=0)
    exponent = _exponent(1.0 - mean_rho)
    path = exponent * (1.0 - 0.5 * path_variance * exponent)
    unequal = np.log1p(spread / (total**2 - np.sum(reflected**2, axis=0)))
    return np.asarray(np.sum(area_m2) * (path + unequal))


def _axis_times_s(
    area_m2: Float, alpha: Float, volume_m3: float, speed_m_s: float, m: Float | float
) -> Float:
    """Give the time each pair of walls would cause, were the whole room lined so."""
    return decay_time_s(np.sum(area_m2) * _exponent(alpha), volume_m3, speed_m_s, m)


def fitzroy_s(
    area_m2: Float,
    alpha: Float,
    volume_m3: float,
    speed_m_s: float,
    attenuation_per_m: Float | float = 0.0,
) -> Float:
    """Give Fitzroy's time, (n_band,) s: area-weighted mean over the three axes.

    ``area_m2`` (3,) and ``alpha`` (3, n_band) are of the pairs of walls across x, y
    and z, each pair with its mean alpha.
    """
    share = area_m2 / np.sum(area_m2)
    times = _axis_times_s(area_m2, alpha, volume_m3, speed_m_s, attenuation_per_m)
    return np.asarray(share @ times)


def arau_puchades_s(
    area_m2: Float,
    alpha: Float,
    volume_m3: float,
    speed_m_s: float,
    attenuation_per_m: Float | float = 0.0,
) -> Float:
    """Give Arau-Puchades' time, (n_band,) s: area-weighted geometric mean over the axes.

    Parameters are those of `fitzroy_s`.
    """
    share = area_m2 / np.sum(area_m2)
    times = _axis_times_s(area_m2, alpha, volume_m3, speed_m_s, attenuation_per_m)
    return np.asarray(np.exp(share @ np.log(times)))


def mean_free_path_m(volume_m3: float, area_m2: float) -> float:
    """Give 4 V / S in m, exact for a diffuse field in a room of any shape."""
    return 4.0 * volume_m3 / area_m2


def transition_frequency_hz(volume_m3: float, decay_s: Float | float) -> Float:
    """Give 2000 sqrt(T / V): below it single modes, above it statistics  (M11).

    M. R. Schroeder, J. Acoust. Soc. Am. 99 (1996) 3240: threefold modal overlap.

    Examples
    --------
    >>> transition_frequency_hz(60.0, 0.3).round(2)
    np.float64(141.42)
    """
    return np.asarray(2000.0 * np.sqrt(np.asarray(decay_s) / volume_m3))


def box_modes_hz(
    length_m: tuple[float, float, float], up_to_hz: float, speed_m_s: float
) -> tuple[Float, Int]:
    """List the modes of a box with rigid walls  (M12).

    Returns
    -------
    freq_hz : (n_mode,) float64
        Ascending; the constant (0, 0, 0) is left out.
    index : (n_mode, 3) int64
        Half wavelengths along x, y and z.
    """
    size = [int(2.0 * up_to_hz * length / speed_m_s) + 1 for length in length_m]
    index = np.stack(np.meshgrid(*map(np.arange, size), indexing="ij"), axis=-1).reshape(-1, 3)
    freq = 0.5 * speed_m_s * np.linalg.norm(index / np.asarray(length_m), axis=1)
    order = np.argsort(freq, kind="stable")
    order = order[(freq[order] > 0.0) & (freq[order] <= up_to_hz)]
    return np.asarray(freq[order]), np.asarray(index[order], dtype=np.int64)


def box_mode_count(
    length_m: tuple[float, float, float], freq_hz: Float | float, speed_m_s: float
) -> Float:
    """Give the smoothed number of modes of a rigid box up to a frequency."""
    x, y, z = length_m
    volume, area, edge = x * y * z, 2.0 * (x * y + y * z + z * x), 4.0 * (x + y + z)
    wave = np.asarray(freq_hz, dtype=np.float64) / speed_m_s
    return np.asarray(
        4.0 / 3.0 * math.pi * volume * wave**3
        + 0.25 * math.pi * area * wave**2
        + edge / 8.0 * wave
    )


def diffuse_strength_db(absorption_area_m2: Float | float) -> Float:
    """Give the strength G of a diffuse field, 10 lg(1600 pi / A) dB, re 10 m free field."""
    return to_level_db(1600.0 * math.pi / np.asarray(absorption_area_m2, dtype=np.float64))


def critical_distance_m(absorption_area_m2: Float | float, directivity: float = 1.0) -> Float:
    """Give the distance at which direct and diffuse sound are equal, sqrt(Q A / 16 pi) m."""
    return np.asarray(np.sqrt(directivity * np.asarray(absorption_area_m2) / (16.0 * math.pi)))
