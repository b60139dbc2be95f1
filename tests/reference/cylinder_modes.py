"""Resonances of a rigid cylinder: J_m(k r) cos(m phi) cos(l pi z/h) with J_m'(k a) = 0.

Zeros of the derivative of Bessel functions by scipy; 1.84118 and 3.83171 are the first of
m = 1 and 0 (handbook values, from memory). Modes of m > 0 come in pairs.
"""

import math

from scipy.special import jnp_zeros


def frequencies_hz(radius_m, height_m, speed_m_s, highest_hz):
    """Give the frequencies above zero up to a highest one, in order, pairs twice."""
    most_ka = 2.0 * math.pi * highest_hz / speed_m_s * radius_m
    found = []
    for m in range(int(most_ka) + 2):  # the first zero of J_m' lies above m
        zeros = [z for z in jnp_zeros(m, int(most_ka) + 2) if z <= most_ka]
        for z in [0.0, *zeros] if m == 0 else zeros:
            for l in range(int(2.0 * highest_hz * height_m / speed_m_s) + 1):  # noqa: E741
                f = (
                    speed_m_s
                    / (2.0 * math.pi)
                    * math.hypot(z / radius_m, l * math.pi / height_m)
                )
                if 0.0 < f <= highest_hz:
                    found += [f] * (2 if m else 1)
    return sorted(found)
