"""Passive filters for the air inside a porous layer, for a solver that steps through it.

Theory: DEVELOPERS.md, W24. Density is over that of air, stiffness over rho c^2, so all
is plain numbers, rates in 1/s and times in s; time goes as e^(+jwt). No constant is
negative, hence each term stores or loses energy whatever sound does.
"""

import functools
import itertools
import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy.optimize import least_squares

from raysim.absorbers.admittance import Complex
from raysim.absorbers.layers import Porous
from raysim.absorbers.media import Gas, characteristic
from raysim.units import Float

_N_FREQ = 60
_AIR = Gas()
#: Suddenly moved, the air within is at least as heavy and as soft as air outside: no wave
#: outruns sound in air, and a time step that suits the room suits the layer.
_AS_AIR = (1.0, 1e9)


@dataclass(frozen=True, slots=True)
class PorousFit:
    """How heavy and how soft the air in a porous layer is at any frequency  (W24).

    rho(w)/rho0 = mass + drag/jw + held_mass/(1 + jw held_s) + slow_drag/(jw (1 + jw slow_s));
    rho0 c^2/K(w) = give + sum of late_give/(1 + jw late_s).
    """

    mass: float
    drag_per_s: float
    held_mass: float
    held_s: float
    slow_drag_per_s: float
    slow_s: float
    give: float
    late_give: tuple[float, ...]
    late_s: tuple[float, ...]
    worst_density: float  # of rho, as a share of it, within the range fitted
    worst_give: float  # of 1/K

    def density(self, freq_hz: ArrayLike) -> Complex:
        """Give rho(w)/rho0 at each frequency above zero."""
        jw = np.asarray(2j * math.pi * np.asarray(freq_hz, dtype=np.float64))
        return _density(
            np.array([self.mass, self.drag_per_s, self.held_mass, self.held_s,
                      self.slow_drag_per_s, self.slow_s]), jw,
        )  # fmt: skip

    def softness(self, freq_hz: ArrayLike) -> Complex:
        """Give rho0 c^2/K(w) at each frequency."""
        jw = np.asarray(2j * math.pi * np.asarray(freq_hz, dtype=np.float64))
        pairs = [x for pair in zip(self.late_give, self.late_s, strict=True) for x in pair]
        return _softness(np.array([self.give, *pairs]), jw)


def _density(constants: Float, jw: Complex) -> Complex:
    mass, drag, held, held_s, slow, slow_s = constants
    return np.asarray(
        mass + drag / jw + held / (1.0 + jw * held_s) + slow / (jw * (1.0 + jw * slow_s))
    )


def _softness(constants: Float, jw: Complex) -> Complex:
    late = constants[1:].reshape(-1, 2)
    return np.asarray(
        constants[0] + sum(share / (1.0 + jw * delay_s) for share, delay_s in late)
    )


@functools.lru_cache(maxsize=128)
def porous_volume(
    layer: Porous, gas: Gas = _AIR, low_hz: float = 30.0, high_hz: float = 800.0
) -> PorousFit:
    """Fit effective density and softness of a porous layer's model, each to its own size.

    Raises
    ------
    AbsorberError
        The layer's model cannot be used at these frequencies.
    """
    freq_hz = np.geomspace(low_hz, high_hz, _N_FREQ)
    jw = np.asarray(2j * math.pi * freq_hz)
    zc, k = characteristic(layer, freq_hz, gas, extrapolate=True)
    density = np.asarray(zc * k / (jw.imag * gas.density_kg_m3))
    softness = np.asarray(k * gas.density_kg_m3 * gas.speed_m_s**2 / (jw.imag * zc))
    drag = float(-np.median(density.imag * jw.imag))
    shortest, longest = (1.0 / (2.0 * math.pi * f) for f in (10.0 * high_hz, 0.1 * low_hz))
    corners_s = np.geomspace(2.0 * shortest, 0.5 * longest, 4)
    anything, delay = (1e-9, 1e9), (shortest, longest)
    heavy, worst_density = _best(
        _density, density, jw,
        [[1.2, 0.7 * drag, 0.5, held, 0.2 * drag, slow]
         for held, slow in itertools.combinations(corners_s, 2)],
        [_AS_AIR, anything, anything, delay, anything, delay],
    )  # fmt: skip
    soft, worst_give = _best(
        _softness, softness, jw, [[1.1, 0.15, 4.0 * shortest, 0.15, 0.03 * longest]],
        [_AS_AIR, anything, delay, anything, delay],
    )  # fmt: skip
    mass, drag, held, held_s, slow, slow_s = map(float, heavy)
    give, *pairs = map(float, soft)
    return PorousFit(
        mass, drag, held, held_s, slow, slow_s,
        give, tuple(pairs[::2]), tuple(pairs[1::2]), worst_density, worst_give,
    )  # fmt: skip


def _best(
    form: Callable[[Float, Complex], Complex],
    target: Complex,
    jw: Complex,
    starts: list[list[float]],
    bounds: list[tuple[float, float]],
) -> tuple[Float, float]:
    """Fit the constants of a form by their logarithms; give them and the worst share missed."""

    def missed(log_constants: Float) -> Float:
        share = form(np.exp(log_constants), jw) / target - 1.0
        return np.concatenate([share.real, share.imag])

    edges = tuple(np.log(np.array(bounds)).T)
    found = min(
        (least_squares(missed, np.log(start), bounds=edges, max_nfev=100) for start in starts),
        key=lambda solution: float(solution.cost),
    )
    worst = np.abs(form(np.exp(found.x), jw) / target - 1.0).max()
    return np.exp(found.x), float(worst)
