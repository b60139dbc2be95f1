"""Where tuned absorbers resonate: short formulas, and the equation that they shorten.

Lengths m, mass kg/m2, result Hz. The short forms take the air behind as a spring, which
holds while it is thin against the wavelength. Theory: DEVELOPERS.md, L16.
"""

import math
from typing import Final

from scipy.optimize import brentq

from raysim.absorbers.media import NORMAL_AIR, Gas

#: 2160 inches per second, as printed in the handbook, in m/s: 343.2 / 2 pi is 54.62.
SLOT_CONSTANT_M_S: Final = 2160.0 * 0.0254

#: "Audio Engineering", p. 863 (read): Helmholtz 55, membrane 60 in metric units.
HELMHOLTZ_CONSTANT_M_S: Final = 55.0
MEMBRANE_CONSTANT: Final = 60.0


def lone_end_m(diameter_m: float) -> float:
    """Give the usual end correction of both ends of a lone hole, 0.85 d (from memory)."""
    return 0.85 * diameter_m


def crowded_end_m(diameter_m: float, open_share: float) -> float:
    """Give that of holes near each other, 0.8 d (1 - 1.47 e^0.5 + 0.47 e^1.5) (from memory)."""
    root = math.sqrt(open_share)
    return 0.8 * diameter_m * (1.0 - 1.47 * root + 0.47 * root**3)


def open_share_of_holes(diameter_m: float, spacing_m: float) -> float:
    """Give the open share of round holes in a square grid."""
    return math.pi / 4.0 * (diameter_m / spacing_m) ** 2


def perforated_hz(
    open_share: float, effective_m: float, depth_m: float, gas: Gas = NORMAL_AIR
) -> float:
    """Give (c / 2 pi) sqrt(e / (D t')) of a perforated plate  (L16).

    ``effective_m`` is the plate's thickness with the end correction of your choice.

    Examples
    --------
    >>> share = open_share_of_holes(0.005, 0.020)
    >>> round(perforated_hz(share, 0.006 + lone_end_m(0.005), 0.05), 1)
    534.6
    """
    return gas.speed_m_s / (2.0 * math.pi) * math.sqrt(open_share / (depth_m * effective_m))


def handbook_perforated_hz(open_pct: float, effective_m: float, depth_m: float) -> float:
    """Give 200 sqrt(p / (D t')) with inches, as Everest prints it: 7 % low  (L16)."""
    inch_m = 0.0254
    return 200.0 * math.sqrt(open_pct / (depth_m / inch_m * effective_m / inch_m))


def slots_hz(thickness_m: float, slot_m: float, slat_m: float, depth_m: float) -> float:
    """Give 2160 sqrt(r / (1.2 d D (r + w))) of slats w with slots r between  (L16).

    A handbook's rule for inches (seen second-hand), here in metres.
    """
    stiff = 1.2 * thickness_m * depth_m * (slot_m + slat_m)
    return SLOT_CONSTANT_M_S * math.sqrt(slot_m / stiff)


def helmholtz_hz(neck_area_m2: float, neck_m: float, volume_m3: float) -> float:
    """Give 55 sqrt(S / (l V)) of a vessel with a neck  (L16)."""
    return HELMHOLTZ_CONSTANT_M_S * math.sqrt(neck_area_m2 / (neck_m * volume_m3))


def membrane_hz(mass_kg_m2: float, depth_m: float) -> float:
    """Give 60 / sqrt(m d) of a limp panel before an empty space  (L16).

    Wool in the space makes its spring isothermal: up to a factor 0.85 lower.

    Examples
    --------
    >>> membrane_hz(10.0, 0.1)
    60.0
    """
    return MEMBRANE_CONSTANT / math.sqrt(mass_kg_m2 * depth_m)


def cavity_hz(mass_kg_m2: float, depth_m: float, gas: Gas = NORMAL_AIR) -> float:
    """Give the lowest root of omega m = rho c cot(omega D / c)  (L16).

    ``mass_kg_m2`` of a membrane, or rho t' / e of the air in a plate's holes.

    Examples
    --------
    >>> round(cavity_hz(5.0, 0.1), 2)
    84.42
    """
    ratio = mass_kg_m2 / (gas.density_kg_m3 * depth_m)

    def excess(kd: float) -> float:
        return kd * math.sin(kd) * ratio - math.cos(kd)

    kd = float(brentq(excess, 0.0, 0.5 * math.pi, xtol=1e-14))
    return kd * gas.speed_m_s / (2.0 * math.pi * depth_m)
