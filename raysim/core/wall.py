"""What a wall does to a direction: mirror it, or scatter it by Lambert's law.

Scalars in, scalars out. n is the unit normal on the ray's side, d a unit direction,
u1 and u2 are uniform in (0, 1). Theory: DEVELOPERS.md, R3 and R4.
"""

from math import factorial, pi, sqrt

from raysim.core.compile import inner_kernel, kernel

# Coefficients of the series of cosine and sine, by power.
_C2, _C4, _C6, _C8, _C10, _C12, _C14 = ((-1.0) ** k / factorial(2 * k) for k in range(1, 8))
_S3, _S5, _S7, _S9, _S11, _S13, _S15 = ((-1.0) ** k / factorial(2 * k + 1) for k in range(1, 8))


@inner_kernel
def mirror(dx, dy, dz, nx, ny, nz):
    """Reflect specularly: d - 2 (d.n) n  (R3)."""
    twice = 2.0 * (dx * nx + dy * ny + dz * nz)
    return dx - twice * nx, dy - twice * ny, dz - twice * nz


@inner_kernel
def turned(u):
    """Give cosine and sine of 2 pi u, u from 0 to 1, within 2e-15.

    Their own series (Taylor) about the nearest quarter: what a processor would call for it
    takes twice as long, and a ray waits for it.
    """
    quarter = int(4.0 * u + 0.5)
    x = 2.0 * pi * (u - 0.25 * quarter)  # at most pi/4 in size
    y = x * x
    s = _S9 + y * (_S11 + y * (_S13 + y * _S15))
    c = _C8 + y * (_C10 + y * (_C12 + y * _C14))
    s = x * (1.0 + y * (_S3 + y * (_S5 + y * (_S7 + y * s))))
    c = 1.0 + y * (_C2 + y * (_C4 + y * (_C6 + y * c)))
    if quarter & 1:
        c, s = s, c
    return (-c if (quarter + 1) & 2 else c), (-s if quarter & 2 else s)


@inner_kernel
def sphere(u1, u2):
    """Draw a direction with density 1/(4 pi) per steradian  (R2)."""
    z = 1.0 - 2.0 * u1
    r = sqrt(max(0.0, 1.0 - z * z))
    c, s = turned(u2)
    return r * c, r * s, z


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
