"""How much sound gets through: limp sheets, two of them, gaps beside them, one figure for all.

Sound reduction R is -10 lg of the transmitted share of energy, dB, and cannot be negative
here. Sheets are limp (no stiffness), so that near coincidence a real pane does worse than
this. Lengths metres, surface mass kg/m2, flow resistance Pa s/m. Theory: DEVELOPERS.md,
N1 to N6. This is for saying what does not stop noise, not for designing a wall that does.
"""

import math
from dataclasses import dataclass
from typing import Final

import numpy as np

from raysim.units import Float, to_energy, to_level_db

#: Air at 20 degrees: density times speed of sound, Pa s/m, and the speed.
RHO_C: Final = 413.213
SPEED_M_S: Final = 343.2
#: Sound in a room meets its walls from all sides but the last degrees of grazing.
FIELD_LIMIT_DEG: Final = 78.0
#: Directions between the normal and that limit that the field is summed over.
_N_ANGLE: Final = 256

#: ISO 717-1, reference curve and the spectra of C and Ctr, dB, thirds 100 Hz to 3.15 kHz and
#: octaves 125 Hz to 2 kHz (from memory; the standard's example comes out as printed).
_REFERENCE: Final = {
    3: (33, 36, 39, 42, 45, 48, 51, 52, 53, 54, 55, 56, 56, 56, 56, 56),
    1: (36, 45, 52, 55, 56),
}
_PINK: Final = {
    3: (-29, -26, -23, -21, -19, -17, -15, -13, -12, -11, -10, -9, -9, -9, -9, -9),
    1: (-21, -14, -8, -5, -4),
}
_TRAFFIC: Final = {
    3: (-20, -20, -18, -16, -15, -14, -13, -12, -11, -9, -8, -9, -10, -11, -13, -15),
    1: (-14, -10, -7, -4, -6),
}
#: Unfavourable deviations may add up to so much, dB.
_ALLOWED_DB: Final = {3: 32.0, 1: 10.0}
_AT_500_HZ: Final = {3: 7, 1: 2}


def mass_law_db(mass_kg_m2: float, freq_hz: Float, theta_rad: float = 0.0) -> Float:
    """Give R of a limp sheet for sound from one direction, (n_freq,) dB  (N1).

    Examples
    --------
    >>> mass_law_db(10.0, np.array([500.0])).round(1)
    array([31.6])
    """
    x = math.pi * np.asarray(freq_hz) * mass_kg_m2 * math.cos(theta_rad) / RHO_C
    return to_level_db(1.0 + x**2)


def field_db(mass_kg_m2: float, freq_hz: Float, limit_deg: float = FIELD_LIMIT_DEG) -> Float:
    """Give R of a limp sheet for sound from all directions up to a limit, (n_freq,) dB  (N2).

    Examples
    --------
    >>> field_db(10.0, np.array([500.0])).round(1)
    array([26.5])
    """
    grazing = math.cos(math.radians(limit_deg)) ** 2
    x2 = (math.pi * np.asarray(freq_hz) * mass_kg_m2 / RHO_C) ** 2
    ratio = x2 * (1.0 - grazing) / (1.0 + x2 * grazing)
    # log1p(ratio) / ratio is 1 where there is no mass
    mean = np.divide(np.log1p(ratio), ratio, out=np.ones_like(ratio), where=ratio > 0.0)
    return to_level_db((1.0 + x2 * grazing) / mean)


def with_opening_db(reduction_db: Float | float, open_share: float) -> Float:
    """Give R of a partition of which a share is open to sound, dB  (N3).

    Examples
    --------
    >>> with_opening_db(20.0, 0.05).round(1)
    np.float64(12.3)
    """
    through = (1.0 - open_share) * to_energy(-np.asarray(reduction_db)) + open_share
    return np.asarray(-to_level_db(through))


def resonance_hz(first_kg_m2: float, second_kg_m2: float, gap_m: float) -> float:
    """Give where two sheets swing against the air between them, Hz  (N4).

    Below about 1.4 times this the second sheet gains nothing, and near it the pair is
    worse than one alone.

    Examples
    --------
    >>> round(resonance_hz(10.0, 2.0, 0.05))
    208
    """
    stiffness = RHO_C * SPEED_M_S / gap_m
    masses = first_kg_m2 * second_kg_m2 / (first_kg_m2 + second_kg_m2)
    return math.sqrt(stiffness / masses) / (2.0 * math.pi)


def pair_db(
    first_kg_m2: float,
    second_kg_m2: float,
    gap_m: float,
    freq_hz: Float,
    *,
    flow_pa_s_m: float | None = None,
    damped: bool = False,
    limit_deg: float = FIELD_LIMIT_DEG,
) -> Float:
    """Give R of two limp sheets with air between, (n_freq,) dB  (N4).

    Parameters
    ----------
    first_kg_m2, second_kg_m2 : float
    gap_m : float
    freq_hz : (n_freq,) float64
    flow_pa_s_m : float, optional
        Flow resistance of the second sheet, if air passes through it; None: it is tight.
    damped : bool
        No sound runs along inside the gap. False and True bound what a real gap does.
    limit_deg : float
        Directions up to here; 0 is normal incidence.

    Returns
    -------
    (n_freq,) float64
    """
    cosine = np.cos(_angles_rad(limit_deg))
    weight = np.sin(2.0 * _angles_rad(limit_deg)) if limit_deg > 0.0 else np.ones(1)
    omega = 2.0 * math.pi * np.asarray(freq_hz)[:, None]
    across = np.ones_like(cosine) if damped else cosine
    phase, gap_z = omega * gap_m / SPEED_M_S * across, RHO_C / across
    first, second = 1j * omega * first_kg_m2, 1j * omega * second_kg_m2
    if flow_pa_s_m is not None:
        second = second * flow_pa_s_m / (second + flow_pa_s_m)
    # pressure and velocity before the first sheet, from those behind the second
    a, b = np.cos(phase), 1j * gap_z * np.sin(phase)
    c, d = 1j * np.sin(phase) / gap_z, np.cos(phase)
    a, b = a + first * c, b + first * d
    b, d = a * second + b, c * second + d
    outside = RHO_C / cosine
    share = np.abs(2.0 / (a + b / outside + c * outside + d)) ** 2
    return np.asarray(-to_level_db(share @ weight / weight.sum()))


def _angles_rad(limit_deg: float) -> Float:
    """Give the middles of equal steps from the normal to a limit; the normal alone for 0."""
    if limit_deg <= 0.0:
        return np.zeros(1)
    return np.asarray(math.radians(limit_deg) * (np.arange(_N_ANGLE) + 0.5) / _N_ANGLE)


def coincidence_hz(
    thickness_m: float,
    density_kg_m3: float = 2500.0,
    modulus_pa: float = 70e9,
    poisson: float = 0.22,
) -> float:
    """Give above which frequency a pane of glass lets more through than its mass says  (N5).

    Examples
    --------
    >>> round(coincidence_hz(0.004))
    2993
    """
    stiff = modulus_pa / (12.0 * density_kg_m3 * (1.0 - poisson**2))
    return SPEED_M_S**2 / (2.0 * math.pi * thickness_m * math.sqrt(stiff))


@dataclass(frozen=True, slots=True)
class Rated:
    """A reduction spectrum as one figure with two adaptation terms, ISO 717-1, dB."""

    rw_db: int
    c_db: int  # for even noise, voices
    ctr_db: int  # for traffic, music with bass

    def __str__(self) -> str:
        return f"{self.rw_db}({_term(self.c_db)};{_term(self.ctr_db)})"


def _term(value_db: int) -> str:
    return f"{value_db:d}".replace("-", "−")


def rated(reduction_db: Float, fraction: int = 3) -> Rated:
    """Rate R by ISO 717-1  (N6).

    Parameters
    ----------
    reduction_db : (16,) or (5,) float64
        Thirds from 100 Hz to 3.15 kHz, or octaves from 125 Hz to 2 kHz.
    fraction : int
        3 for thirds, 1 for octaves.

    Returns
    -------
    Rated

    Examples
    --------
    >>> print(rated(np.array([18.0, 23, 30, 35, 27]), 1))
    31(−2;−4)
    """
    reduction = np.floor(10.0 * np.asarray(reduction_db) + 0.5) / 10.0
    reference = np.array(_REFERENCE[fraction], dtype=np.float64)
    if reduction.shape != reference.shape:
        raise ValueError(f"{reference.size} bands are rated, {reduction.size} were given")
    # the deviations grow by a step with every dB: from far below upwards, the last allowed
    shift = math.floor(float((reduction - reference).min()))
    while _unfavourable_db(reference + shift + 1, reduction) <= _ALLOWED_DB[fraction] + 1e-9:
        shift += 1
    rw = int(reference[_AT_500_HZ[fraction]]) + shift
    c, ctr = (
        int(np.floor(-to_level_db(to_energy(np.array(spectrum) - reduction).sum()) + 0.5)) - rw
        for spectrum in (_PINK[fraction], _TRAFFIC[fraction])
    )
    return Rated(rw, c, ctr)


def _unfavourable_db(shifted: Float, reduction: Float) -> float:
    return float(np.maximum(shifted - reduction, 0.0).sum())
