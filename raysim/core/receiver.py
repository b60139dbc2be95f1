"""What a ray leaves at a receiver: length in a counting sphere, and directional moments.

Theory: DEVELOPERS.md, R6 and R8.
"""

from math import sqrt

from raysim.core.compile import kernel


@kernel
def chord(ox, oy, oz, dx, dy, dz, length, cx, cy, cz, radius):
    """Give length inside a sphere of a segment, and distance to the middle of that part.

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
    return end - start, 0.5 * (start + end)


@kernel
def leave(energy, first, n_band, x, y, z, cell):
    """Add per-band energy arriving from unit (x, y, z) to one time cell  (R8).

    ``cell[moment, band]`` holds the energy first, then the moments in the order of
    `raysim.records.MOMENTS`. ``energy[first : first + n_band]`` is read.
    """
    for b in range(n_band):
        e = energy[first + b]
        cell[0, b] += e
        cell[1, b] += e * x
        cell[2, b] += e * y
        cell[3, b] += e * z
        cell[4, b] += e * x * x
        cell[5, b] += e * y * y
        cell[6, b] += e * x * y
        cell[7, b] += e * x * z
        cell[8, b] += e * y * z
