"""Where a ray meets a flat piece of wall: a triangle or a parallelogram.

A piece is 16 float32 numbers: the plane (unit normal, offset), two rows that map a
point of the plane to its affine coordinates u and v, and what u, v and u + v may be.
Precomputing the map is Baldwin and Weber, "Fast ray-triangle intersections by
coordinate transformation", JCGT 5(3), 2016; taking two triangles as one parallelogram
halves the work in rooms. u and v are counted from the middle, so that one comparison
holds for both ends. Every bound is widened by 2 micrometres, so that pieces which
share an edge overlap and no ray slips between them (the lost-ray rate is reported).

    0-3 normal, offset | 4-7 u row | 8-11 v row | 12 largest |u| | 13 largest |v|
    14 largest u + v, negative for a piece of solid matter | 15 number of the plane

Solid matter is met from the normal's side only. Behind a hidden face there is no air to
come from, and where it reaches over an edge it must not stop a ray that grazes it.
"""

from numba import float32, uint64

from raysim.core.compile import fast_kernel
from raysim.core.packs import read_four

#: How far, in metres, a piece reaches over its edges.
OVERLAP_M = 2e-6


@fast_kernel
def meet(row, k, ox, oy, oz, dx, dy, dz, t_min, t_max):
    """Give the distance to piece ``row[k:]`` if within (t_min, t_max), else t_max  (R5)."""
    nx, ny, nz, offset = read_four(row, k)
    towards = nx * dx + ny * dy + nz * dz
    away = nx * ox + ny * oy + nz * oz + offset
    most_u, most_v, most, _ = read_four(row, k + uint64(12))
    if towards >= float32(0.0) and (most < float32(0.0) or towards == float32(0.0)):
        return t_max  # from behind, or within the plane of the piece
    t = -away / towards
    if not (t_min < t and t < t_max):
        return t_max
    x, y, z = ox + t * dx, oy + t * dy, oz + t * dz
    ux, uy, uz, u = read_four(row, k + uint64(4))
    vx, vy, vz, v = read_four(row, k + uint64(8))
    u = ux * x + uy * y + uz * z + u
    v = vx * x + vy * y + vz * z + v
    room = min(min(most_u - abs(u), most_v - abs(v)), abs(most) - (u + v))
    return t if room >= float32(0.0) else t_max
