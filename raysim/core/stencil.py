"""One step of sound pressure on a grid, cell by cell, wall by wall and face by face.

Everything is float32 and without units: pressures are relative to any reference, and the
Courant numbers are in the coefficients. ``own`` is a cell's pressure, ``before`` that a step
earlier. Loops around these are in `raysim.propagation`. Theory: DEVELOPERS.md, W1 and W7 to
W9.
"""

from numba import float32, float64

from raysim.core.compile import kernel, stencil_kernel

# As a literal it would make float64 of everything.
_HALF = float32(0.5)


@stencil_kernel
def whole_cell(own, before, west, east, south, north, below, above, middle, x, y, z):
    """Give the pressure of a whole cell after a step  (W1)."""
    return middle * own + x * (west + east) + y * (south + north) + z * (below + above) - before


@stencil_kernel
def bent_cell(own, before, west, east, south, north, below, above, w, e, s, n, b, a):
    """Give the pressure of a cell with openings of its own after a step without walls  (W1)."""
    return (
        w * (west - own)
        + e * (east - own)
        + s * (south - own)
        + n * (north - own)
        + b * (below - own)
        + a * (above - own)
    ) + (own + own - before)


@stencil_kernel
def closed_cell(own, before):
    """Give the pressure of a cell without open faces after a step without walls  (W1)."""
    return own + own - before


@stencil_kernel
def at_wall(plain, before, own, pending, wane, shut, ease):
    """Give the pressure after a step, with walls, from that without  (W7, W8).

    ``pending`` is what states of the walls draw, ``wane`` and ``ease`` are H and 1/(1 + H),
    ``shut`` the sum of squared Courant numbers of faces with nothing but a wall behind.
    """
    return (plain + wane * before + shut * own - pending) * ease


@stencil_kernel
def rise_of(after, before):
    """Give half the change of pressure in two steps, which drives walls."""
    return _HALF * (after - before)


@stencil_kernel
def yielding(rise, speed, place, l2, e, ease):
    """Give gain, then speed and place of a branch after a step  (W8).

    ``l2``, ``e``, ``ease``: 2 l, e and 1/(2 l + r + e/2), per step.
    """
    gain = ease * (rise + l2 * speed - e * place)
    return gain, gain + gain - speed, place + gain


@stencil_kernel
def drawing(speed, place, l2, e, ease):
    """Give what a branch draws in the next step whatever the pressure  (W8)."""
    return ease * (l2 * speed - e * place)


@stencil_kernel
def flowing(
    drop, spread, work, before, u, i, i_gain, s, s_gain,
    inertia, drag, hold, rate, slow, keep, held_loss, slow_loss,
):  # fmt: skip
    """Step the flow through a face with pores  (W9).

    ``drop`` is the difference of pressure, ``spread`` and ``work`` what uneven flow has less
    of drag, ``before`` and ``u`` the gain of velocity in the last step and the velocity,
    then place and gain of what is held and of what is slow. Gives the same after a step,
    and what was lost.
    """
    gain = inertia * (drop - (drag + hold + slow) * u + hold * i - keep * s + spread)
    middle = u + _HALF * gain
    held = rate * (middle - i)
    late = slow * middle + keep * s - s
    late = late + late
    mean, mean_held = _HALF * (gain + before), _HALF * (held + i_gain)
    mean_late, slip = _HALF * (late + s_gain), mean - mean_held
    lost = drag * mean * mean + held_loss * slip * slip + slow_loss * mean_late * mean_late
    return gain, u + gain, i + held, held, s + late, late, lost - work * mean


@kernel
def energy(old, new, c, stride_y, stride_z, x, y, z):
    """Give the energy of a cell's change and of its lower faces, over its volume  (W2)."""
    rise = float64(new[c]) - float64(old[c])
    total = 0.5 * rise * rise
    total += 0.5 * x * (float64(old[c]) - old[c - 1]) * (float64(new[c]) - new[c - 1])
    south, below = c - stride_y, c - stride_z
    total += 0.5 * y * (float64(old[c]) - old[south]) * (float64(new[c]) - new[south])
    total += 0.5 * z * (float64(old[c]) - old[below]) * (float64(new[c]) - new[below])
    return total
