"""Image sources by beams: which mirrors can follow which, and whether a path is real.

A beam is an image source and the part of its last mirror through which it can send
sound. Cutting the next mirror's outline by the beam leaves the next beam, or nothing,
and then no longer sequence can exist either: the search is complete and still small.
Outlines are the mirrors' convex hulls, which can only keep too much; every path that is
found is then checked against the real triangles and for obstruction. Theory:
DEVELOPERS.md, I1 to I4.
"""

from math import sqrt

from numba import int64

from raysim.core.compile import kernel
from raysim.core.walk import blocked

#: Corners a beam's outline may have; where more would be needed the cut is left out,
#: which keeps the search complete.
MAX_CORNERS = 64
#: A point is outside a half-space only if by more than this (m): never cut too much.
KEEP_M = 1e-7
#: A beam narrower than about this (m) is nothing.
THIN_M = 1e-6
#: A reflection point may lie this far outside its triangle (m).
EDGE_M = 1e-9


@kernel
def cut(points, n_point, ax, ay, az, offset, out):
    """Keep the part of a convex polygon where a.x >= offset; give its corner count  (I2)."""
    n_out = 0
    for i in range(n_point):
        j = i + 1 if i + 1 < n_point else 0
        hi = ax * points[i, 0] + ay * points[i, 1] + az * points[i, 2] - offset + KEEP_M
        hj = ax * points[j, 0] + ay * points[j, 1] + az * points[j, 2] - offset + KEEP_M
        if hi >= 0.0:
            if n_out == MAX_CORNERS:
                return -1
            out[n_out, 0], out[n_out, 1], out[n_out, 2] = (
                points[i, 0],
                points[i, 1],
                points[i, 2],
            )
            n_out += 1
        if (hi >= 0.0) != (hj >= 0.0):
            if n_out == MAX_CORNERS:
                return -1
            f = hi / (hi - hj)
            for k in range(3):
                out[n_out, k] = points[i, k] + f * (points[j, k] - points[i, k])
            n_out += 1
    return n_out if n_out >= 3 else 0


@kernel
def _copy(source, n, target):
    for i in range(n):
        for k in range(3):
            target[i, k] = source[i, k]


@kernel
def narrow(outline, n_outline, image, aperture, n_aperture, a, b):
    """Cut a mirror's outline by the beam from ``image`` through ``aperture``  (I2).

    ``a`` holds the outline's first ``n_outline`` corners on entry and the result on
    return; ``b`` is scratch. Gives the number of corners, 0 if nothing is left.
    """
    _copy(outline, n_outline, a)
    n = n_outline
    mx, my, mz = 0.0, 0.0, 0.0
    for i in range(n_aperture):
        mx += aperture[i, 0] / n_aperture
        my += aperture[i, 1] / n_aperture
        mz += aperture[i, 2] / n_aperture
    for i in range(n_aperture):
        j = i + 1 if i + 1 < n_aperture else 0
        ux, uy, uz = (
            aperture[i, 0] - image[0],
            aperture[i, 1] - image[1],
            aperture[i, 2] - image[2],
        )
        vx, vy, vz = (
            aperture[j, 0] - image[0],
            aperture[j, 1] - image[1],
            aperture[j, 2] - image[2],
        )
        nx, ny, nz = uy * vz - uz * vy, uz * vx - ux * vz, ux * vy - uy * vx
        size = sqrt(nx * nx + ny * ny + nz * nz)
        if size < 1e-12:  # two corners fell together: no edge here
            continue
        nx, ny, nz = nx / size, ny / size, nz / size
        if (mx - image[0]) * nx + (my - image[1]) * ny + (mz - image[2]) * nz < 0.0:
            nx, ny, nz = -nx, -ny, -nz
        offset = nx * image[0] + ny * image[1] + nz * image[2]
        m = cut(a, n, nx, ny, nz, offset, b)
        if m == 0:
            return 0
        if m > 0:
            _copy(b, m, a)
            n = m
    return n


@kernel
def thin(outline, n):
    """Say whether a polygon is narrower than a micrometre: what `KEEP_M` left of nothing.

    Without this, beams that graze edges would breed sequences without number.
    """
    sx, sy, sz, around = 0.0, 0.0, 0.0, 0.0
    for i in range(n):
        j = i + 1 if i + 1 < n else 0
        ax, ay, az = (
            outline[i, 0] - outline[0, 0],
            outline[i, 1] - outline[0, 1],
            outline[i, 2] - outline[0, 2],
        )
        bx, by, bz = (
            outline[j, 0] - outline[0, 0],
            outline[j, 1] - outline[0, 1],
            outline[j, 2] - outline[0, 2],
        )
        sx, sy, sz = sx + ay * bz - az * by, sy + az * bx - ax * bz, sz + ax * by - ay * bx
        around += sqrt((bx - ax) ** 2 + (by - ay) ** 2 + (bz - az) ** 2)
    return sqrt(sx * sx + sy * sy + sz * sz) < THIN_M * around


@kernel
def distance2(outline, n, p, height):
    """Give the squared distance from p to a convex polygon; p is ``height`` off its plane."""
    least = 1e300
    turns_left, turns_right = True, True
    ox, oy, oz = 0.0, 0.0, 0.0
    for i in range(n):
        j = i + 1 if i + 1 < n else 0
        ex, ey, ez = (
            outline[j, 0] - outline[i, 0],
            outline[j, 1] - outline[i, 1],
            outline[j, 2] - outline[i, 2],
        )
        qx, qy, qz = p[0] - outline[i, 0], p[1] - outline[i, 1], p[2] - outline[i, 2]
        size2 = ex * ex + ey * ey + ez * ez
        f = 0.0
        if size2 > 0.0:
            f = min(1.0, max(0.0, (qx * ex + qy * ey + qz * ez) / size2))
        rx, ry, rz = qx - f * ex, qy - f * ey, qz - f * ez
        least = min(least, rx * rx + ry * ry + rz * rz)
        # e x q of all edges points one way if p stands over the inside
        cx, cy, cz = ey * qz - ez * qy, ez * qx - ex * qz, ex * qy - ey * qx
        if i == 0:
            ax, ay, az = (
                outline[1, 0] - outline[0, 0],
                outline[1, 1] - outline[0, 1],
                outline[1, 2] - outline[0, 2],
            )
            bx, by, bz = (
                outline[2, 0] - outline[0, 0],
                outline[2, 1] - outline[0, 1],
                outline[2, 2] - outline[0, 2],
            )
            ox, oy, oz = ay * bz - az * by, az * bx - ax * bz, ax * by - ay * bx
        side = cx * ox + cy * oy + cz * oz
        turns_left = turns_left and side >= 0.0
        turns_right = turns_right and side <= 0.0
    if turns_left or turns_right:
        return height * height
    return least


@kernel
def in_triangle(tri, i, x, y, z):
    """Say whether a point of its plane lies in triangle i, edges included."""
    for e in range(3):
        f = e + 1 if e < 2 else 0
        g = e - 1 if e > 0 else 2
        ex, ey, ez = (
            tri[i, f, 0] - tri[i, e, 0],
            tri[i, f, 1] - tri[i, e, 1],
            tri[i, f, 2] - tri[i, e, 2],
        )
        qx, qy, qz = x - tri[i, e, 0], y - tri[i, e, 1], z - tri[i, e, 2]
        rx, ry, rz = (
            tri[i, g, 0] - tri[i, e, 0],
            tri[i, g, 1] - tri[i, e, 1],
            tri[i, g, 2] - tri[i, e, 2],
        )
        # component of q and of the third corner square to the edge
        length2 = ex * ex + ey * ey + ez * ez
        a = (qx * ex + qy * ey + qz * ez) / length2
        b = (rx * ex + ry * ey + rz * ez) / length2
        sx, sy, sz = rx - b * ex, ry - b * ey, rz - b * ez
        size = sqrt(sx * sx + sy * sy + sz * sz)
        if ((qx - a * ex) * sx + (qy - a * ey) * sy + (qz - a * ez) * sz) / size < -EDGE_M:
            return False
    return True


@kernel
def check_path(
    depth, sequence, image, source, target, normal, offset, plane, tri, tri_side, tri_start,
    box, child, row, stack, point, sides,
):  # fmt: skip
    """Say whether the path by ``sequence[:depth]`` to ``target`` is real  (I3).

    ``image[k]`` is the source after k reflections. Fills ``point[:depth]``, the
    reflection points in order from the source, and ``sides[:depth]``.
    """
    tx, ty, tz = target[0], target[1], target[2]
    for k in range(depth - 1, -1, -1):
        m = sequence[k]
        ix, iy, iz = image[k + 1, 0], image[k + 1, 1], image[k + 1, 2]
        nx, ny, nz = normal[m, 0], normal[m, 1], normal[m, 2]
        h_target = nx * tx + ny * ty + nz * tz - offset[m]
        h_image = nx * ix + ny * iy + nz * iz - offset[m]
        if h_target <= 0.0 or h_image >= 0.0:
            return False
        f = h_target / (h_target - h_image)
        tx, ty, tz = tx + f * (ix - tx), ty + f * (iy - ty), tz + f * (iz - tz)
        side = -1
        for i in range(tri_start[m], tri_start[m + 1]):
            if in_triangle(tri, i, tx, ty, tz):
                side = tri_side[i]
                break
        if side < 0:
            return False
        point[k, 0], point[k, 1], point[k, 2] = tx, ty, tz
        sides[k] = side
    ax, ay, az = source[0], source[1], source[2]
    leaving = -1.0
    for k in range(depth + 1):
        if k < depth:
            bx, by, bz = point[k, 0], point[k, 1], point[k, 2]
            reaching = float(plane[sequence[k]])
        else:
            bx, by, bz = target[0], target[1], target[2]
            reaching = -1.0
        dx, dy, dz = bx - ax, by - ay, bz - az
        far = sqrt(dx * dx + dy * dy + dz * dz)
        if far > 1e-9 and blocked(
            box, child, row, ax, ay, az, dx / far, dy / far, dz / far, leaving, reaching,
            far - 1e-6, stack,
        ):  # fmt: skip
            return False
        ax, ay, az = bx, by, bz
        leaving = reaching
    return True


@kernel
def search(
    source, targets, least_order, most_order, farthest_m,
    normal, offset, plane, hull, hull_start, tri, tri_side, tri_start,
    box, child, row, stack,
    image, sequence, upcoming, beam, n_beam, a, b, point, sides,
    out_target, out_order, out_image, out_first, out_last, out_sides, out_mirrors,
):  # fmt: skip
    """Find every specular path of ``least_order`` to ``most_order`` reflections  (I1).

    Walks the tree of mirror sequences depth first; a sequence ends where its beam is
    empty or starts farther than ``farthest_m`` from its image. Paths go to the ``out_``
    arrays while they have room; gives how many there are. Other arrays are scratch.
    """
    n_mirror = offset.shape[0]
    n_found = 0
    for k in range(3):
        image[0, k] = source[k]
    depth = int64(0)  # a plain 0 has `check_path` compiled for that 0 alone, and again
    upcoming[0] = 0
    n_beam[0] = 0
    while depth >= 0:
        if upcoming[depth] == 0 and depth >= least_order:
            for r in range(targets.shape[0]):
                ex = targets[r, 0] - image[depth, 0]
                ey = targets[r, 1] - image[depth, 1]
                ez = targets[r, 2] - image[depth, 2]
                if ex * ex + ey * ey + ez * ez > farthest_m * farthest_m:
                    continue
                if check_path(
                    depth, sequence, image, source, targets[r], normal, offset, plane, tri,
                    tri_side, tri_start, box, child, row, stack, point, sides,
                ):  # fmt: skip
                    if n_found < out_target.shape[0]:
                        out_target[n_found] = r
                        out_order[n_found] = depth
                        last = depth - 1
                        for k in range(3):
                            out_image[n_found, k] = image[depth, k]
                            out_first[n_found, k] = point[0, k] if depth > 0 else targets[r, k]
                            out_last[n_found, k] = point[last, k] if depth > 0 else source[k]
                        for k in range(depth):
                            out_sides[n_found, k] = sides[k]
                            out_mirrors[n_found, k] = sequence[k]
                    n_found += 1
        m = upcoming[depth]
        if depth == most_order or m == n_mirror:
            depth -= 1
            continue
        upcoming[depth] = m + 1
        if depth > 0 and plane[m] == plane[sequence[depth - 1]]:
            continue
        h = -offset[m]
        for k in range(3):
            h += normal[m, k] * image[depth, k]
        if h <= KEEP_M:  # the image lies behind this mirror and cannot light it
            continue
        first, n = hull_start[m], hull_start[m + 1] - hull_start[m]
        if depth == 0:
            _copy(hull[first:], n, a)
        else:
            n = narrow(hull[first:], n, image[depth], beam[depth], n_beam[depth], a, b)
            if n == 0:
                continue
            # only what lies before the last mirror can be lit by it
            last = sequence[depth - 1]
            n_front = cut(
                a, n, normal[last, 0], normal[last, 1], normal[last, 2], offset[last], b
            )
            if n_front == 0:
                continue
            if n_front > 0:
                _copy(b, n_front, a)
                n = n_front
        if thin(a, n):
            continue
        if distance2(a, n, image[depth], h) > farthest_m * farthest_m:
            continue
        _copy(a, n, beam[depth + 1])
        sequence[depth] = m
        for k in range(3):
            image[depth + 1, k] = image[depth, k] - 2.0 * h * normal[m, k]
        depth += 1
        upcoming[depth] = 0
        n_beam[depth] = n
    return n_found
