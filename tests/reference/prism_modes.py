"""Resonances of a rigid room whose plan is a right-angled triangle with two equal legs.

On the square of side a, cos(m pi x/a) cos(n pi y/a) plus its mirror image in the diagonal
has no slope across x = y, so it lives in the half of the square as well: the modes are
those of the square with m >= n, each once (method of images; common knowledge, no source).
"""

import math
from itertools import product


def frequencies_hz(leg_m, height_m, speed_m_s, highest_hz):
    """Give the frequencies above zero up to a highest one, in order."""
    most = [int(2.0 * highest_hz * side / speed_m_s) + 1 for side in (leg_m, leg_m, height_m)]
    found = []
    for m, n, l in product(*(range(n + 1) for n in most)):  # noqa: E741
        f = 0.5 * speed_m_s * math.hypot(m / leg_m, n / leg_m, l / height_m)
        if m >= n and 0.0 < f <= highest_hz:
            found.append(f)
    return sorted(found)
