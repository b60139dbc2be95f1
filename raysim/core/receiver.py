"""How far a ray runs inside a receiver's counting sphere. Theory: DEVELOPERS.md, R8."""

from math import sqrt

from raysim.core.compile import inner_kernel


@inner_kernel
def chord(ox, oy, oz, dx, dy, dz, length, cx, cy, cz, radius):
    """Give length inside a sphere of a segment, and distance to where that part begins.

    The segment starts at o, runs along unit d for ``length``; the sphere has centre c.
    """
    px, py, pz = cx - ox, cy - oy, cz - oz
    along = px * dx + py * dy + pz * dz
    miss2 = px * px + py * py + pz * pz - along * along
    if miss2 >= radius * radius:
        return 0.0, 0.0
    half = sqrt(radius * radius - miss2)
    start = max(0.0, along - half)
    end = min(length, along + half)
    if end <= start:
        return 0.0, 0.0
    return end - start, start
