"""Absorption for sound from all sides: of a stack, of one impedance, in bands.

Source of the weighting: Paris, Philos. Mag. 5 (1928) (from memory). Theory:
DEVELOPERS.md, L9 to L11 and L19.
"""

from dataclasses import replace
from functools import lru_cache

import numpy as np

from raysim.absorbers.layers import Layer, Membrane, Porous, Stack
from raysim.absorbers.media import NORMAL_AIR, Complex, Gas
from raysim.absorbers.stack import alpha_at, lost_at
from raysim.units import Float

#: Angles of the quadrature. More change an alpha by less than 1e-4 for gaps up to 0.3 m at
#: 8 kHz; an empty gap of 1 m, of 47 half waves there, is seen to several 1e-3.
N_ANGLE = 160

#: Frequencies per one-third octave for a band value.
N_PER_THIRD = 3

#: Flow resistivities taken from low to high, both included, evenly in their logarithm. Over
#: a factor of 15 the extremes between them are met to 1e-3.
N_SPREAD = 13

#: The losses of a closed panel may be so many times less or more than stated: what is built
#: differs widely. A guess; common practice, no source.
LOSS_FACTOR = 2.0


@lru_cache(maxsize=16)  # finding the nodes takes several times as long as using them
def angles(limit_deg: float = 90.0, n_angle: int = N_ANGLE) -> tuple[Float, Float]:
    """Give angles in radians and weights that integrate over 2 cos(theta) sin(theta).

    Gauss-Legendre in cos(theta), from the normal to the limit; the weights add up to one.
    Both arrays are read-only.
    """
    node, weight = np.polynomial.legendre.leggauss(n_angle)
    floor = np.cos(np.radians(limit_deg))
    cosine = 0.5 * (1.0 + floor) + 0.5 * (1.0 - floor) * node
    weight = weight * cosine
    theta_rad, weight = np.arccos(cosine), weight / weight.sum()
    theta_rad.setflags(write=False)
    weight.setflags(write=False)
    return theta_rad, weight


def alpha_random(
    stack: Stack,
    freq_hz: Float,
    gas: Gas = NORMAL_AIR,
    limit_deg: float = 90.0,
    free: bool = False,
) -> Float:
    """Give the random-incidence absorption coefficient of an endless stack  (L9).

    Parameters
    ----------
    stack : Stack
        Extended reaction unless ``stack.local``.
    freq_hz : (n_freq,) float64
        Single frequencies, above zero.
    gas : Gas
    limit_deg : float
        Steepest angle from the normal that counts: 78 leaves grazing sound out, as is
        done for walls in small or dead rooms; the mean is over what is left.
    free : bool
        Air is behind instead of a rigid wall; what passes through is not absorbed  (L19).

    Returns
    -------
    (n_freq,) float64
        0 to 1.

    Raises
    ------
    AbsorberError
        RS-M11 or RS-M12, from a porous layer's model.

    Examples
    --------
    >>> alpha_random(Stack((Porous(0.1, 10_000.0),)), np.array([125.0, 1000.0])).round(2)
    array([0.37, 0.95])
    """
    theta_rad, weight = angles(limit_deg)
    at = lost_at if free else alpha_at
    return np.asarray(at(stack, freq_hz, theta_rad, gas) @ weight)


def alpha_local(zeta: Complex | Float | complex) -> Float:
    """Give the random-incidence absorption of a locally reacting impedance over rho c  (L10).

    London's closed form, J. Acoust. Soc. Am. 22 (1950) (from memory; equal to the
    integral). ``zeta`` of any shape, with Re > 0; infinite gives zero.

    Examples
    --------
    >>> alpha_local(np.array([1.0, 2.0 - 1.0j])).round(4)
    array([0.9096, 0.8705])
    """
    z = np.atleast_1d(np.asarray(zeta, np.complex128))
    rigid = ~np.isfinite(z)
    z = np.where(rigid, 1.0, z)
    r, x, size = z.real, np.abs(z.imag), np.abs(z) ** 2
    small = x < 1e-6 * (1.0 + r)  # arctan(u)/u is 1 to double precision here
    safe = np.where(small, 1.0, x)
    slope = np.where(small, 1.0 / (1.0 + r), np.arctan(safe / (1.0 + r)) / safe)
    inner = 1.0 - r / size * np.log1p(2.0 * r + size) + (r * r - x * x) / size * slope
    alpha = np.where(rigid, 0.0, 8.0 * r / size * inner)
    return np.asarray(alpha.reshape(np.shape(zeta)))


def with_spread(stack: Stack, place: float) -> Stack:
    """Give the stack with each flow resistivity moved between its bounds, 0 low to 1 high.

    So are the losses of closed panels, by `LOSS_FACTOR` either way.
    """

    def moved(layer: Porous | Membrane) -> Porous | Membrane:
        if isinstance(layer, Membrane):
            times = LOSS_FACTOR ** (2.0 * place - 1.0)
            return replace(layer, loss_pa_s_m=times * layer.loss_pa_s_m)
        low, high = layer.low_pa_s_m2, layer.high_pa_s_m2
        return replace(layer, resistivity_pa_s_m2=low ** (1.0 - place) * high**place)

    return replace(
        stack,
        layers=tuple(
            moved(layer) if isinstance(layer, Porous | Membrane) and _is_loose(layer) else layer
            for layer in stack.layers
        ),
    )


def _is_loose(layer: Layer) -> bool:
    """Say whether what a layer takes is known as a range."""
    if isinstance(layer, Membrane):
        return layer.loss_pa_s_m > 0.0
    return isinstance(layer, Porous) and layer.high_pa_s_m2 > 0.0


def in_band(
    stack: Stack,
    centre_hz: Float,
    fraction: int,
    gas: Gas = NORMAL_AIR,
    limit_deg: float = 90.0,
    free: bool = False,
) -> Float:
    """Give the mean over each band of `alpha_random`, (n_band,)  (L11)."""
    n = N_PER_THIRD * 3 // fraction
    step = 10.0 ** (0.3 / fraction * ((np.arange(n) + 0.5) / n - 0.5))
    freq_hz = np.asarray(centre_hz, np.float64)[:, np.newaxis] * step
    return np.asarray(
        alpha_random(stack, freq_hz.ravel(), gas, limit_deg, free).reshape(-1, n).mean(axis=1)
    )


def alpha_in_bands(
    stack: Stack, centre_hz: Float, fraction: int, gas: Gas = NORMAL_AIR, free: bool = False
) -> tuple[Float, Float, Float]:
    """Give low, likely and high random-incidence absorption by band.

    The value of a band is the mean over the band, evenly in the logarithm of frequency:
    a tuned absorber may peak between mid-bands, and an octave stands for its three thirds
    as in ISO 11654. The bounds are the least and the greatest of several flow
    resistivities from low to high, the likely one among them, since absorption need not
    rise or fall throughout with resistivity; porous layers of one stack move together, and
    with them the losses of closed panels, which are never known well.

    Parameters
    ----------
    stack : Stack
    centre_hz : (n_band,) float64
        Exact mid-bands.
    fraction : int
        1 for octaves, 3 for one-third octaves.
    gas : Gas
    free : bool
        Air is behind instead of a rigid wall.

    Returns
    -------
    low, likely, high : (n_band,) float64

    Raises
    ------
    AbsorberError
        RS-M11 or RS-M12, from a porous layer's model.
    """
    likely = in_band(stack, centre_hz, fraction, gas, free=free)
    if not any(_is_loose(layer) for layer in stack.layers):
        return likely, likely, likely
    several = [
        in_band(with_spread(stack, place), centre_hz, fraction, gas, free=free)
        for place in np.linspace(0.0, 1.0, N_SPREAD)
    ]
    several.append(likely)
    return np.min(several, axis=0), likely, np.max(several, axis=0)
