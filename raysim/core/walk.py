"""The nearest piece of wall a ray meets, through a flat tree of boxes, eight at a time.

Node n is ``box[48 n : 48 n + 48]``, the boxes of its eight children (`raysim.core.lanes`),
and ``child[8 n + 8 : 8 n + 16]``: a node, or with the top bit set a leaf. Leaf m is
``row[128 m : 128 m + 128]``, up to eight pieces, of which lane i has the number 8 m + i.
``child[0]`` is where to begin: a room of up to eight pieces is one leaf. ``child[1]`` is the
leaf of the widest pieces, mostly a room's own walls, which the tree then does not hold; or
NOTHING.

Positions are float32: 0.5 micrometres at 8 m, a quarter of the overlap of the pieces.
Indices are unsigned because Numba tests signed ones for Python's counting from the end.

On a card each thread follows a ray of its own, and boxes are met two by two instead:
`raysim.core.pairs`.
"""

from numba import float32, uint32, uint64

from raysim.core.compile import fast_inner_kernel
from raysim.core.lanes import (
    BOX_SIZE,
    N_LANE,
    PIECE_SIZE,
    any_piece,
    bits_of,
    lowest,
    meet_boxes,
    meet_pieces,
)

#: A hit this far behind the start still counts (m): a start that rounding has put
#: just outside a corner is brought back in.
BEHIND_M = -2e-6
#: Numbers of scratch that a walk needs: distances of a node's children, then what is put
#: aside, a child and its distance each.
STACK_DEPTH = 1024
LEAF = 0x80000000
#: What `nearest` gives for the piece when there is none.
NOTHING = 0xFFFFFFFF


@fast_inner_kernel
def inverse(d):
    """Give 1/d with |d| kept away from 0, so that no box test makes 0 * infinity."""
    tiny = float32(1e-18)
    if abs(d) > tiny:
        return float32(1.0) / d
    return float32(1e18)


@fast_inner_kernel
def nearest(box, child, row, ox, oy, oz, dx, dy, dz, skip, t_max, stack):
    """Give (distance, piece) of the first hit before t_max; piece is NOTHING without one.

    Pieces of plane number ``skip`` are passed over: a ray cannot meet again the plane
    that it leaves. ``stack`` is scratch, (STACK_DEPTH,) uint32.
    """
    ox, oy, oz = float32(ox), float32(oy), float32(oz)
    dx, dy, dz = float32(dx), float32(dy), float32(dz)
    skip = float32(skip)
    ix, iy, iz = inverse(dx), inverse(dy), inverse(dz)
    px, py, pz = ox * ix, oy * iy, oz * iz
    # which side of a box is met first depends on the direction's signs only
    nx = uint64(0) if ix > 0 else uint64(N_LANE)
    ny = uint64(0) if iy > 0 else uint64(N_LANE)
    nz = uint64(0) if iz > 0 else uint64(N_LANE)
    best, low = float32(t_max), float32(BEHIND_M)
    hit = uint32(NOTHING)
    high = best
    bottom = uint64(N_LANE)
    top = bottom
    at = child[uint64(0)]
    widest = child[uint64(1)]
    if widest != uint32(NOTHING):
        # Of the first node nothing waits for these: a processor meets both at once.
        t, lane = meet_pieces(
            row, uint64(widest) * uint64(PIECE_SIZE), ox, oy, oz, dx, dy, dz, skip, low, best
        )
        if t < best:
            best = t
            hit = widest * uint32(N_LANE) + lane
    while True:
        if at & uint32(LEAF):
            leaf = uint64(at & uint32(LEAF - 1))
            t, lane = meet_pieces(
                row, leaf * uint64(PIECE_SIZE), ox, oy, oz, dx, dy, dz, skip, low, best
            )
            if t < best:
                best = t
                hit = uint32(leaf) * uint32(N_LANE) + lane
        else:
            met = meet_boxes(
                box, uint64(at) * uint64(BOX_SIZE), nx, ny, nz, ix, iy, iz, px, py, pz,
                low, high, stack,
            )  # fmt: skip
            below = uint64(N_LANE) * (uint64(at) + uint64(1))
            first = top
            while met != uint32(0):  # the nearest on top
                which = uint64(lowest(met))
                met &= met - uint32(1)
                other, distance = child[below + which], stack[which]
                j = top
                while j > first and stack[j - uint64(1)] < distance:
                    stack[j] = stack[j - uint64(2)]
                    stack[j + uint64(1)] = stack[j - uint64(1)]
                    j -= uint64(2)
                stack[j], stack[j + uint64(1)] = other, distance
                top += uint64(2)
        high = best
        far = bits_of(best)
        while True:
            if top == bottom:
                return best, hit
            top -= uint64(2)
            if stack[top + uint64(1)] < far:
                at = stack[top]
                break


@fast_inner_kernel
def blocked(box, child, row, ox, oy, oz, dx, dy, dz, skip, skip2, t_max, stack):
    """Say whether any piece lies between the start and ``t_max`` along unit d.

    Pieces of the planes ``skip`` and ``skip2`` are passed over.
    """
    ox, oy, oz = float32(ox), float32(oy), float32(oz)
    dx, dy, dz = float32(dx), float32(dy), float32(dz)
    skip, skip2 = float32(skip), float32(skip2)
    ix, iy, iz = inverse(dx), inverse(dy), inverse(dz)
    px, py, pz = ox * ix, oy * iy, oz * iz
    nx = uint64(0) if ix > 0 else uint64(N_LANE)
    ny = uint64(0) if iy > 0 else uint64(N_LANE)
    nz = uint64(0) if iz > 0 else uint64(N_LANE)
    end, low = float32(t_max), float32(-BEHIND_M)
    top = uint64(N_LANE)
    at = child[uint64(0)]
    widest = child[uint64(1)]
    if widest != uint32(NOTHING):
        k = uint64(widest) * uint64(PIECE_SIZE)
        if any_piece(row, k, ox, oy, oz, dx, dy, dz, skip, skip2, low, end):
            return True
    while True:
        if at & uint32(LEAF):
            k = uint64(at & uint32(LEAF - 1)) * uint64(PIECE_SIZE)
            if any_piece(row, k, ox, oy, oz, dx, dy, dz, skip, skip2, low, end):
                return True
        else:
            met = meet_boxes(
                box, uint64(at) * uint64(BOX_SIZE), nx, ny, nz, ix, iy, iz, px, py, pz,
                low, end, stack,
            )  # fmt: skip
            below = uint64(N_LANE) * (uint64(at) + uint64(1))
            while met != uint32(0):
                stack[top] = child[below + uint64(lowest(met))]
                met &= met - uint32(1)
                top += uint64(1)
        if top == uint64(N_LANE):
            return False
        top -= uint64(1)
        at = stack[top]
