"""How rays leave a source: evenly spread directions, energy by directivity.

The directions are an additive recurrence with the plastic number's powers (M. Roberts'
R2 sequence, value of the constant computed), moved by a random shift per batch
(Cranley and Patterson, SIAM J. Numer. Anal. 13, 1976), so that batches are independent
and a batch can be continued. Theory: DEVELOPERS.md, R2.
"""

from math import acos, floor, pi

from raysim.core.compile import inner_kernel, kernel
from raysim.core.rng import draws
from raysim.core.wall import sphere

_STEP_1 = 0.7548776662466927  # 1/g, with g^3 = g + 1
_STEP_2 = 0.5698402909980532  # 1/g^2
_SHIFT_RAY = 0x7FFFFFFFFFFF  # the ray number whose draws shift the batch


#: So many rays in a row look for receivers at the same bounces: the threads of a card that
#: go through the same instructions together.
LOOK_TOGETHER = 32
#: Steps of the numbers that decide on it, from one such group to the next and from bounce to
#: bounce: the golden section and the root of 2, whose multiples fill (0, 1) evenly.
LOOK_GROUP = 0.6180339887498949
LOOK_BOUNCE = 0.41421356237309515


@inner_kernel
def look_from(seed, i_batch, i_ray):
    """Give what decides at bounce 0 whether a ray's wall looks for receivers  (R6)."""
    _, _, shift, _ = draws(seed, i_batch, _SHIFT_RAY, 0)
    return shift + (i_ray // LOOK_TOGETHER) * LOOK_GROUP


@kernel
def set_out(seed, i_batch, i_ray, axis, gain, energy):
    """Give a ray's first direction and write its energy, 4 pi gain per ray  (R2).

    ``gain[band, angle]`` is the energy gain relative to the axis, angles even from 0 to
    180 degrees. Divide what the rays leave by their number.
    """
    s1, s2, _, _ = draws(seed, i_batch, _SHIFT_RAY, 0)
    u1 = s1 + i_ray * _STEP_1
    u2 = s2 + i_ray * _STEP_2
    dx, dy, dz = sphere(u1 - floor(u1), u2 - floor(u2))
    cosine = min(1.0, max(-1.0, dx * axis[0] + dy * axis[1] + dz * axis[2]))
    n_angle = gain.shape[1]
    at = acos(cosine) / pi * (n_angle - 1)
    i = min(int(at), n_angle - 2)
    f = at - i
    for b in range(gain.shape[0]):
        energy[b] = 4.0 * pi * ((1.0 - f) * gain[b, i] + f * gain[b, i + 1])
    return dx, dy, dz
