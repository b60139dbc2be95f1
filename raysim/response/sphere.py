"""Sound at the surface of a rigid sphere, re what a point source gives at its middle.

The sphere stands for a head. Angles are between the source and the point on the surface,
seen from the middle; time runs as exp(+j omega t). Theory: DEVELOPERS.md, H1 to H3.
"""

import math
from typing import Final

import numpy as np
from numpy.typing import NDArray

from raysim.units import Float

Complex = NDArray[np.complex128]

#: ka at which the series is taken for ka = 0: its terms are at their limits there.
_STILL: Final = 1e-6
#: Terms beyond ka: of a plane wave, and for what a near source adds, over ln(rho): both
#: leave out less than 1e-6.
_MORE, _NEAR = 16.0, 16.0


def _ratios(x: Float, n_term: int) -> Complex:
    """Give h_m(x) / h_(m-1)(x) for m from 0 on, (n_term, n_x)  (H1).

    Forwards, which is stable: h grows with m as no other solution does.
    """
    ratio = np.zeros((n_term, x.size), np.complex128)
    ratio[0] = -1j
    for m in range(1, n_term):
        ratio[m] = (2 * m - 1) / x - 1.0 / ratio[m - 1]
    return ratio


def _terms(ka: Float, distance_over_radius: float) -> int:
    near = 0.0 if math.isinf(distance_over_radius) else _NEAR / math.log(distance_over_radius)
    top = float(ka.max(initial=0.0))
    return int(top + 6.0 * np.cbrt(top) + _MORE + near)


def sphere_orders(ka: Float, distance_over_radius: float, n_term: int | None = None) -> Complex:
    """Give the factor of each Legendre polynomial in the pressure on the sphere  (H1).

    Parameters
    ----------
    ka : (n_freq,) float64
        Wavenumber times radius; 0 gives the limit.
    distance_over_radius : float
        Of the source from the middle, above 1; infinity for a plane wave.
    n_term : int, optional
        As many as the series needs by default.

    Returns
    -------
    (n_term, n_freq) complex128
        Their sum with P_m(cos angle) is the pressure re free field at the middle.
    """
    ka = np.maximum(np.asarray(ka, np.float64), _STILL)
    n = _terms(ka, distance_over_radius) if n_term is None else n_term
    own = _ratios(ka, n)
    far = np.full_like(own, -1j)
    if not math.isinf(distance_over_radius):
        far = _ratios(ka * distance_over_radius, n)
    m = np.arange(n)[:, None]
    # h_m(rho ka) / h_m(ka), with the phase of the way to the middle taken off
    carried = np.cumprod(np.concatenate([np.ones((1, ka.size)), far[1:] / own[1:]]), axis=0)
    slope = 1.0 / own - (m + 1) / ka  # h'_m / h_m
    value = -np.exp(-1j * ka) / ka * (2 * m + 1) * carried / slope
    return np.asarray(np.conj(value))


def sphere_transfer(ka: Float, distance_over_radius: float, cosine: Float) -> Complex:
    """Give the pressure on a rigid sphere re free field at its middle  (H1).

    Parameters
    ----------
    ka : (n_freq,) float64
    distance_over_radius : float
        Above 1; infinity for a plane wave.
    cosine : (n_angle,) float64
        Of the angle between source and point.

    Returns
    -------
    (n_angle, n_freq) complex128

    Examples
    --------
    >>> h = sphere_transfer(np.array([1.0]), 100.0, np.array([1.0, -1.0]))
    >>> (20.0 * np.log(np.abs(h[:, 0])) / np.log(10.0)).round(3).tolist()
    [3.123, 0.443]
    """
    orders = sphere_orders(ka, distance_over_radius)
    return np.asarray(legendre(len(orders), cosine).T @ orders)


def legendre(n_term: int, cosine: Float) -> Float:
    """Give P_m of some cosines, (n_term, n_angle), by the usual recursion."""
    x = np.asarray(cosine, np.float64)
    p = np.ones((n_term, x.size))
    if n_term > 1:
        p[1] = x
    for m in range(1, n_term - 1):
        p[m + 1] = ((2 * m + 1) * x * p[m] - m * p[m - 1]) / (m + 1)
    return p


def onset_over_radius(cosine: Float) -> Float:
    """Give the way to a point on the sphere less that to its middle, over the radius  (H2).

    Of a plane wave's first sign: straight to the lit side, round the sphere to the other.
    """
    angle = np.arccos(np.clip(cosine, -1.0, 1.0))
    return np.asarray(np.where(angle < 0.5 * math.pi, -np.cos(angle), angle - 0.5 * math.pi))


def left_out(ka: Float, first: int) -> Float:
    """Give what a sphere's orders from ``first`` on are of a plane wave's pressure  (H3).

    Root mean square over directions, re that of all orders: (n_freq,).
    """
    orders = sphere_orders(ka, math.inf)
    power = np.abs(orders) ** 2 / (2 * np.arange(len(orders))[:, None] + 1)
    return np.asarray(np.sqrt(power[first:].sum(axis=0) / power.sum(axis=0)))
