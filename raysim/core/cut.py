"""How triangles cut a grid of unit cells: pieces, openings of cell faces, volumes.

Coordinates are in cells: cell (i, j, k) reaches from (i, j, k) to (i+1, j+1, k+1) and has
the flat number (k * n_y + j) * n_x + i. Normals point into the air. Exact but for
rounding. Theory: DEVELOPERS.md, W3 and W5.
"""

from math import ceil, floor

from raysim.core.compile import kernel

#: A triangle thinner than this along an axis lies in a plane across it, cells.
FLAT_CELL = 1e-9
#: ... and if that plane is this near to faces of cells, it lies in them, cells.
ON_FACE_CELL = 1e-6
#: Corners of a triangle cut by six planes.
MOST_CORNERS = 9


@kernel
def keep_above(points, n, axis, level, sign, out):
    """Keep the part of a polygon where sign * (coordinate - level) >= 0; give its corners."""
    m = 0
    for a in range(n):
        b = a + 1 if a + 1 < n else 0
        da = sign * (points[a, axis] - level)
        db = sign * (points[b, axis] - level)
        if da >= 0.0:
            for c in range(3):
                out[m, c] = points[a, c]
            m += 1
        if (da > 0.0 and db < 0.0) or (da < 0.0 and db > 0.0):
            t = da / (da - db)
            for c in range(3):
                out[m, c] = points[a, c] + t * (points[b, c] - points[a, c])
            out[m, axis] = level
            m += 1
    return m


@kernel
def reach(points, n, axis, facing):
    """Give first and last slab of unit width that a polygon lies in, across one axis.

    What lies in the faces between slabs belongs to the slab on the air's side.
    """
    low, high = points[0, axis], points[0, axis]
    for a in range(1, n):
        low, high = min(low, points[a, axis]), max(high, points[a, axis])
    if high - low > FLAT_CELL:
        return floor(low + FLAT_CELL), ceil(high - FLAT_CELL) - 1
    near = floor(low + 0.5)
    if abs(low - near) > ON_FACE_CELL:
        return floor(low), floor(low)
    return (near, near) if facing > 0.0 else (near - 1, near - 1)


@kernel
def slab(points, n, axis, i, first, last, scratch, out):
    """Keep the part of a polygon that lies in slab i; give its number of corners."""
    if first == last:
        for a in range(n):
            for c in range(3):
                out[a, c] = points[a, c]
        return n
    m = keep_above(points, n, axis, i, 1.0, scratch)
    return keep_above(scratch, m, axis, i + 1.0, -1.0, out)


@kernel
def weigh(points, n, out):
    """Give a polygon's area vector into out[0:3] and its centroid along x  (W3)."""
    out[0], out[1], out[2], moment, weight = 0.0, 0.0, 0.0, 0.0, 0.0
    for a in range(1, n - 1):
        ux, vx = points[a, 0] - points[0, 0], points[a + 1, 0] - points[0, 0]
        uy, vy = points[a, 1] - points[0, 1], points[a + 1, 1] - points[0, 1]
        uz, vz = points[a, 2] - points[0, 2], points[a + 1, 2] - points[0, 2]
        x, y, z = uy * vz - uz * vy, uz * vx - ux * vz, ux * vy - uy * vx
        out[0] += 0.5 * x
        out[1] += 0.5 * y
        out[2] += 0.5 * z
        area = (x * x + y * y + z * z) ** 0.5
        moment += area * (points[0, 0] + points[a, 0] + points[a + 1, 0]) / 3.0
        weight += area
    return moment / weight if weight > 0.0 else points[0, 0]


@kernel
def lean(points, n, i, j, k, way, axis):
    """Give the flux of s^2/2 along an axis through a polygon, s from its cell's low face.

    ``way`` holds the unit normal.
    """
    low = k if axis == 2 else (j if axis == 1 else i)
    total = 0.0
    s0 = points[0, axis] - low
    for a in range(1, n - 1):
        ux, vx = points[a, 0] - points[0, 0], points[a + 1, 0] - points[0, 0]
        uy, vy = points[a, 1] - points[0, 1], points[a + 1, 1] - points[0, 1]
        uz, vz = points[a, 2] - points[0, 2], points[a + 1, 2] - points[0, 2]
        x, y, z = uy * vz - uz * vy, uz * vx - ux * vz, ux * vy - uy * vx
        s1, s2 = points[a, axis] - low, points[a + 1, axis] - low
        mean = (s0 * s0 + s1 * s1 + s2 * s2 + s0 * s1 + s1 * s2 + s2 * s0) / 6.0
        total += 0.25 * mean * (x * way[0] + y * way[1] + z * way[2])
    return total * way[axis]


@kernel
def cut_triangles(
    triangles, n_x, n_y, n_z, work, flux, moment, leans,
    piece_cell, piece_face, piece_share, piece_way,
):  # fmt: skip
    """Cut triangles (n, 3, 3) by the cells; give the number of pieces  (W3).

    ``flux`` (3, n_cell) gains the area vector of the pieces of each cell, ``moment``
    (n_cell,) the air that each piece has before it along x within its cell, ``leans``
    (3, n_cell or 0) what `lean` says of it. Arrays of pieces shorter than their number are
    filled as far as they reach: cell, triangle, share of the triangle's area, and the way
    it mostly faces, 1 to 3 for x to z, negative down. ``work`` (7, n_corner, 3) is scratch.
    """
    n_piece = 0
    full, piece, unit = work[6, 0], work[6, 1], work[6, 2]
    for t in range(triangles.shape[0]):
        triangle = triangles[t]
        weigh(triangle, 3, full)
        whole = (full[0] ** 2 + full[1] ** 2 + full[2] ** 2) ** 0.5
        if whole == 0.0:
            continue
        for c in range(3):
            unit[c] = full[c] / whole
        way = 0
        for c in range(1, 3):
            if abs(full[c]) > abs(full[way]) + 1e-9:
                way = c
        way = way + 1 if full[way] > 0.0 else -way - 1
        i0, i1 = reach(triangle, 3, 0, full[0])
        for i in range(i0, i1 + 1):
            n = slab(triangle, 3, 0, i, i0, i1, work[0], work[1])
            if n < 3:
                continue
            j0, j1 = reach(work[1], n, 1, full[1])
            for j in range(j0, j1 + 1):
                m = slab(work[1], n, 1, j, j0, j1, work[2], work[3])
                if m < 3:
                    continue
                k0, k1 = reach(work[3], m, 2, full[2])
                for k in range(k0, k1 + 1):
                    corners = slab(work[3], m, 2, k, k0, k1, work[4], work[5])
                    if corners < 3:
                        continue
                    middle = weigh(work[5], corners, piece)
                    share = (piece[0] ** 2 + piece[1] ** 2 + piece[2] ** 2) ** 0.5 / whole
                    inside = 0 <= i < n_x and 0 <= j < n_y and 0 <= k < n_z
                    if share < 1e-14 or not inside:
                        continue
                    cell = (k * n_y + j) * n_x + i
                    for c in range(3):
                        flux[c, cell] += piece[c]
                    moment[cell] += piece[0] * (i + 1.0 - middle)
                    if leans.shape[1] > 0:
                        for c in range(3):
                            leans[c, cell] += lean(work[5], corners, i, j, k, unit, c)
                    if n_piece < piece_cell.size:
                        piece_cell[n_piece] = cell
                        piece_face[n_piece] = t
                        piece_share[n_piece] = share
                        piece_way[n_piece] = way
                    n_piece += 1
    return n_piece


@kernel
def pierce(triangles, axis, n_u, n_v, line, place, facing, face):
    """Meet triangles with the lines through cell centres along one axis  (W5).

    u and v are the axes after ``axis`` in the order x, y, z, x. Arrays shorter than the
    number of crossings are filled as far as they reach: line (v * n_u + u), coordinate,
    whether the air lies up the axis (1) or down (-1), triangle. Gives that number.
    """
    u, v = (axis + 1) % 3, (axis + 2) % 3
    n = 0
    for t in range(triangles.shape[0]):
        a, b, c = triangles[t, 0], triangles[t, 1], triangles[t, 2]
        twice = (b[u] - a[u]) * (c[v] - a[v]) - (c[u] - a[u]) * (b[v] - a[v])
        if abs(twice) < FLAT_CELL:
            continue
        u0 = ceil(min(a[u], b[u], c[u]) - 0.5 - FLAT_CELL)
        u1 = floor(max(a[u], b[u], c[u]) - 0.5 + FLAT_CELL)
        v0 = ceil(min(a[v], b[v], c[v]) - 0.5 - FLAT_CELL)
        v1 = floor(max(a[v], b[v], c[v]) - 0.5 + FLAT_CELL)
        for j in range(max(v0, 0), min(v1, n_v - 1) + 1):
            for i in range(max(u0, 0), min(u1, n_u - 1) + 1):
                pu, pv = i + 0.5 - a[u], j + 0.5 - a[v]
                s = (pu * (c[v] - a[v]) - (c[u] - a[u]) * pv) / twice
                r = ((b[u] - a[u]) * pv - pu * (b[v] - a[v])) / twice
                if s < -FLAT_CELL or r < -FLAT_CELL or s + r > 1.0 + FLAT_CELL:
                    continue
                if n < line.size:
                    line[n] = j * n_u + i
                    place[n] = a[axis] + s * (b[axis] - a[axis]) + r * (c[axis] - a[axis])
                    facing[n] = 1 if twice > 0.0 else -1
                    face[n] = t
                n += 1
    return n
