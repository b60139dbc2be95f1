"""How rays leave a source: evenly spread directions, energy by directivity.

The directions are an additive recurrence with the plastic number's powers (M. Roberts'
R2 sequence, value of the constant computed), moved by a random shift per batch
(Cranley and Patterson, SIAM J. Numer. Anal. 13, 1976), so that batches are independent
and a batch can be continued. Theory: DEVELOPERS.md, R2.
"""

from math import acos, floor, pi

from raysim.core.compile import kernel
from raysim.core.rng import draws
from raysim.core.wall import sphere

_STEP_1 = 0.7548776662466927  # 1/g, with g^3 = g + 1
_STEP_2 = 0.5698402909980532  # 1/g^2
_SHIFT_RAY = 0x7FFFFFFFFFFF  # the ray number whose draws shift the batch


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
