"""What a wall does to a direction: mirror it, or scatter it by Lambert's law.

Scalars in, scalars out. n is the unit normal on the ray's side, d a unit direction,
u1 and u2 are uniform in (0, 1). Theory: DEVELOPERS.md, R3 and R4.
"""

from math import cos, pi, sin, sqrt

from raysim.core.compile import inner_kernel, kernel


@inner_kernel
def mirror(dx, dy, dz, nx, ny, nz):
    """Reflect specularly: d - 2 (d.n) n  (R3)."""
    twice = 2.0 * (dx * nx + dy * ny + dz * nz)
    return dx - twice * nx, dy - twice * ny, dz - twice * nz


@inner_kernel
def sphere(u1, u2):
    """Draw a direction with density 1/(4 pi) per steradian  (R2)."""
    z = 1.0 - 2.0 * u1
    r = sqrt(max(0.0, 1.0 - z * z))
    return r * cos(2.0 * pi * u2), r * sin(2.0 * pi * u2), z


@inner_kernel
def lambert(nx, ny, nz, u1, u2):
    """Draw a direction with density cos(theta)/pi per steradian  (R4).

    n plus a uniform point of the unit sphere, scaled to length one. A component of
    at least 1e-6 along n is kept, so that the ray leaves its wall.
    """
    x, y, z = sphere(u1, u2)
    x, y, z = nx + x, ny + y, nz + z
    length = sqrt(x * x + y * y + z * z)
    if length < 1e-6:  # the sphere point landed on -n
        return nx, ny, nz
    scale = 1.0 / length
    x, y, z = x * scale, y * scale, z * scale
    c = x * nx + y * ny + z * nz
    if c < 1e-6:
        x, y, z = x + 1e-6 * nx, y + 1e-6 * ny, z + 1e-6 * nz
    return x, y, z


@kernel
def lambert_pdf(cos_theta):
    """Give the density, per steradian, with which `lambert` draws  (R4)."""
    return max(0.0, cos_theta) / pi
