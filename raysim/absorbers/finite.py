"""What one rectangular absorber takes up per square metre: more than an endless one.

Sound bends round the edges, so that a piece drains more than the sound that falls on it.
The absorber is taken as flush with an endless hard wall; its own sides are left out.
Source: Thomasson, Acustica 44 (1980) (from memory). Theory: DEVELOPERS.md, L12 and L13.
"""

from itertools import pairwise

import numpy as np
from scipy.special import j0

from raysim.absorbers.layers import Stack
from raysim.absorbers.media import NORMAL_AIR, Complex, Gas
from raysim.absorbers.stack import surface_admittance
from raysim.units import Float

#: Angles of the quadrature over the cosine. Twice as many change an alpha by under 1e-3.
N_ANGLE = 48

#: Nodes of each panel of the quadrature over distance.
N_NODE = 20


def overlap_m2(distance_m: Float, size_m: tuple[float, float]) -> Float:
    """Give the overlap of a rectangle with itself shifted, over a quarter turn  (L12).

    The integral over the direction of the shift, 0 to pi/2, of (w - R cos)(h - R sin)
    where both are positive. ``distance_m`` is above zero and at most the diagonal.
    """
    w, h = size_m
    r = np.asarray(distance_m, np.float64)
    first = np.arccos(np.minimum(1.0, w / r))
    last = np.arcsin(np.minimum(1.0, h / r))

    def primitive(psi: Float) -> Float:
        sine = np.sin(psi)
        return np.asarray(
            w * h * psi + w * r * np.cos(psi) - h * r * sine + 0.5 * (r * sine) ** 2
        )

    return np.asarray(primitive(last) - primitive(first))


def radiation_impedance(
    freq_hz: float, theta_rad: Float, size_m: tuple[float, float], gas: Gas = NORMAL_AIR
) -> Complex:
    """Give the mean radiation impedance over rho c of a rectangle driven obliquely  (L12).

    Parameters
    ----------
    freq_hz : float
        Above zero.
    theta_rad : (n_theta,) float64
        The velocity runs along the rectangle as that of a plane wave from this angle;
        directions round the normal are averaged.
    size_m : (float, float)
        Width and height.
    gas : Gas

    Returns
    -------
    (n_theta,) complex128
        Near 1/cos(theta) for a rectangle of many wavelengths.
    """
    k = 2.0 * np.pi * freq_hz / gas.speed_m_s
    short, long = sorted(size_m)
    ends = (0.0, short, long, float(np.hypot(short, long)))
    # Panels in which the quickest phase, 2 k R, turns by less than two full turns.
    faces = np.concatenate(
        [
            np.linspace(start, stop, 2 + int(k * (stop - start) / 6.0))[:-1]
            for start, stop in pairwise(ends)
        ]
    )
    width = np.diff(faces, append=ends[-1])[:, np.newaxis]
    x, weight = np.polynomial.legendre.leggauss(N_NODE)
    r_m = (faces[:, np.newaxis] + 0.5 * width * (1.0 + x)).ravel()
    part = (0.5 * width * weight).ravel() * overlap_m2(r_m, size_m) * np.exp(-1j * k * r_m)
    along = j0(k * np.sin(np.asarray(theta_rad, np.float64))[:, np.newaxis] * r_m)
    return np.asarray(2j * k / (np.pi * short * long) * (along @ part))


def alpha_finite(
    stack: Stack, freq_hz: Float, size_m: tuple[float, float], gas: Gas = NORMAL_AIR
) -> Float:
    """Give the absorption per square metre of one rectangle in a hard wall  (L13).

    Parameters
    ----------
    stack : Stack
    freq_hz : (n_freq,) float64
        Single frequencies, above zero.
    size_m : (float, float)
        Width and height of the piece.
    gas : Gas

    Returns
    -------
    (n_freq,) float64
        May exceed one: equivalent absorption area over the area of the front.

    Raises
    ------
    AbsorberError
        RS-M11 or RS-M12, from a porous layer's model.
    """
    node, weight = np.polynomial.legendre.leggauss(N_ANGLE)
    theta_rad = np.arccos(0.5 + 0.5 * node)
    beta = surface_admittance(stack, freq_hz, theta_rad, gas)
    impedance = np.stack(
        [radiation_impedance(float(f), theta_rad, size_m, gas) for f in np.ravel(freq_hz)]
    )
    taken = beta.real / np.abs(1.0 + beta * impedance) ** 2
    return np.asarray(8.0 * taken @ (0.5 * weight))
