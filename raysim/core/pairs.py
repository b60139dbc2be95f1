"""The nearest piece of wall a ray meets, through a binary tree: for cards.

What a card's threads do side by side each is a ray of its own, so boxes are met two by two
and pieces one by one. One piece to a leaf: in rooms a box test is much cheaper than a piece
test. Node n is ``box[12 n : 12 n + 12]``, lower and upper corner of the left child, then of
the right, so that one read answers two tests, and ``child[2 n : 2 n + 2]``: a node, or a
leaf with the top bit set and the piece in the other bits. Piece k is ``row[16 k :
16 k + 16]``. The numbers of pieces are those of `raysim.core.walk`, and so are the answers.

Threads that have parted read from as many places as there are threads, and a card then
counts reads, not bytes: four numbers are read at once.
"""

from numba import float32, uint32, uint64

from raysim.core.compile import fast_kernel
from raysim.core.packs import read_four, read_two
from raysim.core.triangle import meet
from raysim.core.walk import BEHIND_M, LEAF, NOTHING, inverse

#: Nodes that can be put aside on the way down.
PAIR_DEPTH = 96


@fast_kernel
def _reach(x0, y0, z0, x1, y1, z1, ix, iy, iz, px, py, pz, low, high):
    """Give where a ray enters and leaves a box, within two distances."""
    x0, x1 = x0 * ix - px, x1 * ix - px
    y0, y1 = y0 * iy - py, y1 * iy - py
    z0, z1 = z0 * iz - pz, z1 * iz - pz
    near = max(max(min(x0, x1), min(y0, y1)), max(min(z0, z1), low))
    return near, min(min(max(x0, x1), max(y0, y1)), min(max(z0, z1), high))


@fast_kernel
def nearest_by_pairs(box, child, row, ox, oy, oz, dx, dy, dz, skip, t_max, stack):
    """Do what `raysim.core.walk.nearest` does; ``stack`` is (PAIR_DEPTH,) uint32."""
    ox, oy, oz = float32(ox), float32(oy), float32(oz)
    dx, dy, dz = float32(dx), float32(dy), float32(dz)
    skip = float32(skip)
    ix, iy, iz = inverse(dx), inverse(dy), inverse(dz)
    px, py, pz = ox * ix, oy * iy, oz * iz
    best, low = float32(t_max), float32(BEHIND_M)
    hit = uint32(NOTHING)
    depth = uint64(0)
    at = uint32(0)
    while True:
        if at & uint32(LEAF):
            piece = at & uint32(LEAF - 1)
            k = uint64(piece) * uint64(16)
            if row[k + uint64(15)] != skip:
                t = meet(row, k, ox, oy, oz, dx, dy, dz, low, best)
                if t < best:
                    best = t
                    hit = piece
            if depth == 0:
                break
            depth -= uint64(1)
            at = stack[depth]
            continue
        k = uint64(at) * uint64(12)
        x0, y0, z0, x1 = read_four(box, k)
        y1, z1, x2, y2 = read_four(box, k + uint64(4))
        z2, x3, y3, z3 = read_four(box, k + uint64(8))
        near0, far0 = _reach(x0, y0, z0, x1, y1, z1, ix, iy, iz, px, py, pz, low, best)
        near1, far1 = _reach(x2, y2, z2, x3, y3, z3, ix, iy, iz, px, py, pz, low, best)
        in0, in1 = near0 <= far0, near1 <= far1
        left, right = read_two(child, uint64(at) * uint64(2))
        if in0 and in1:
            first, second = left, right
            if near1 < near0:
                first, second = second, first
            stack[depth] = second
            depth += uint64(1)
            at = first
        elif in0:
            at = left
        elif in1:
            at = right
        elif depth == 0:
            break
        else:
            depth -= uint64(1)
            at = stack[depth]
    return best, hit


@fast_kernel
def blocked_by_pairs(box, child, row, ox, oy, oz, dx, dy, dz, skip, skip2, t_max, stack):
    """Do what `raysim.core.walk.blocked` does; ``stack`` is (PAIR_DEPTH,) uint32."""
    ox, oy, oz = float32(ox), float32(oy), float32(oz)
    dx, dy, dz = float32(dx), float32(dy), float32(dz)
    skip, skip2 = float32(skip), float32(skip2)
    ix, iy, iz = inverse(dx), inverse(dy), inverse(dz)
    px, py, pz = ox * ix, oy * iy, oz * iz
    end, low = float32(t_max), float32(-BEHIND_M)
    depth = uint64(0)
    at = uint32(0)
    while True:
        if at & uint32(LEAF):
            k = uint64(at & uint32(LEAF - 1)) * uint64(16)
            plane = row[k + uint64(15)]
            passed_over = plane in (skip, skip2)
            if not passed_over and meet(row, k, ox, oy, oz, dx, dy, dz, low, end) < end:
                return True
        else:
            k = uint64(at) * uint64(12)
            left, right = read_two(child, uint64(at) * uint64(2))
            x0, y0, z0, x1 = read_four(box, k)
            y1, z1, x2, y2 = read_four(box, k + uint64(4))
            z2, x3, y3, z3 = read_four(box, k + uint64(8))
            near0, far0 = _reach(x0, y0, z0, x1, y1, z1, ix, iy, iz, px, py, pz, low, end)
            near1, far1 = _reach(x2, y2, z2, x3, y3, z3, ix, iy, iz, px, py, pz, low, end)
            if near0 <= far0:
                stack[depth] = left
                depth += uint64(1)
            if near1 <= far1:
                stack[depth] = right
                depth += uint64(1)
        if depth == 0:
            return False
        depth -= uint64(1)
        at = stack[depth]
