"""Flow resistivity of fibrous boards from their density: a range, never a number.

Published rules differ among themselves by a factor of two for the same board, so no
range here is narrower than a factor of two either way. Theory: DEVELOPERS.md, L17.
"""

import math
from typing import Final

from raysim.absorbers.media import VISCOSITY_PA_S

#: Kilograms per cubic metre of the fibre itself (handbook values, from memory).
FIBRE_KG_M3: Final = {"glass": 2600.0, "stone": 2700.0}

#: Fibre diameters to expect where nobody states them (common practice, no source).
DIAMETERS_M: Final = {
    "glass": (5e-6, 7e-6, 10e-6),
    "stone": (4e-6, 6e-6, 8e-6),
    "polyester": (20e-6, 28e-6, 40e-6),
}

#: No range is narrower than the likely value over and times this.
LEAST_FACTOR: Final = 2.0


def bies_hansen(density_kg_m3: float, diameter_m: float) -> float:
    """Give 3.18e-9 rho^1.53 / d^2 of glass wool: Bies and Hansen, 1980 (from memory)."""
    return 3.18e-9 * math.pow(density_kg_m3, 1.53) / diameter_m**2


def packed(
    density_kg_m3: float, diameter_m: float, factor: float, power: float, fibre_kg_m3: float
) -> float:
    """Give factor * viscosity (1 - porosity)^power / radius^2 (seen second-hand)."""
    solid = density_kg_m3 / fibre_kg_m3
    return factor * VISCOSITY_PA_S * math.pow(solid, power) / (0.5 * diameter_m) ** 2


def rules(density_kg_m3: float, diameter_m: float, material: str) -> tuple[float, ...]:
    """Give what each published rule says, Pa s/m2  (L17).

    Parameters
    ----------
    density_kg_m3 : float
        Of the board.
    diameter_m : float
        Of a fibre.
    material : str
        "glass", "stone" or "polyester".
    """
    if material == "polyester":
        one = 25.909e-9 * math.pow(density_kg_m3, 1.404)
        other = 15e-9 * math.pow(density_kg_m3, 1.53)
        return one / diameter_m**2, other / diameter_m**2
    fibre = FIBRE_KG_M3[material]
    glass = packed(density_kg_m3, diameter_m, 3.2, 1.42, fibre)
    mineral = packed(density_kg_m3, diameter_m, 4.4, 1.59, fibre)
    return (glass if material == "glass" else mineral), bies_hansen(density_kg_m3, diameter_m)


def range_from_density(
    density_kg_m3: float, fibre_diameter_m: float | None = None, material: str = "glass"
) -> tuple[float, float, float]:
    """Give low, likely and high flow resistivity, Pa s/m2  (L17).

    Likely is the geometric mean of the rules. Low and high are the rules' extremes, over
    the usual fibres where the diameter is not stated, and at least a factor of two away.

    Examples
    --------
    >>> low, likely, high = range_from_density(48.0, 7e-6)
    >>> round(low), round(likely), round(high)
    (10028, 20055, 40111)
    """
    if fibre_diameter_m is None:
        coarse, usual, fine = sorted(DIAMETERS_M[material], reverse=True)
    else:
        coarse = usual = fine = fibre_diameter_m
    likely = math.exp(math.fsum(map(math.log, rules(density_kg_m3, usual, material))) / 2.0)
    low = min(*rules(density_kg_m3, coarse, material), likely / LEAST_FACTOR)
    high = max(*rules(density_kg_m3, fine, material), likely * LEAST_FACTOR)
    return low, likely, high
