"""What a ray leaves at a receiver: length in a counting sphere, and directional moments.

Theory: DEVELOPERS.md, R6 and R8.
"""

from math import sqrt

from raysim.core.compile import kernel


@kernel
def add_to(cell, moment, band, value):
    """Add to one number of a time cell.

    A processor's task has its histogram to itself; on a card many rays add to one at once,
    so there it is another function (`raysim.propagation.gpu_rays`).
    """
    cell[moment, band] += value


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
        add_to(cell, 0, b, e)
        add_to(cell, 1, b, e * x)
        add_to(cell, 2, b, e * y)
        add_to(cell, 3, b, e * z)
        add_to(cell, 4, b, e * x * x)
        add_to(cell, 5, b, e * y * y)
        add_to(cell, 6, b, e * x * y)
        add_to(cell, 7, b, e * x * z)
        add_to(cell, 8, b, e * y * z)
