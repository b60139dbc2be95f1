"""Eight boxes, or eight pieces of wall, met at once: one vector instruction for all eight.

Numba makes vectors of loops over arrays, not of eight tests that end in one decision, so
these are written in the compiler's own language. A vector of eight float32 is one register
of most processors and two of others: LLVM sees to that, and no instruction of a particular
processor is named. Plainly, one lane after another, they stand in
`tests/reference/lanes.py`, with which a test compares them. Sums may be contracted, as
everywhere in a walk.

NaN is not ruled out here: a ray within the plane of a piece divides by zero, and what
comes of it, infinite or NaN, must compare as false.
"""

from llvmlite import ir
from numba import types
from numba.core import cgutils
from numba.extending import intrinsic

#: Lanes of a vector.
N_LANE = 8
#: Float32 numbers of eight boxes: low and high along x, low and high along y, ...
BOX_SIZE = 6 * N_LANE
#: Float32 numbers of eight pieces, sixteen rows; see `raysim.core.triangle`.
PIECE_SIZE = 16 * N_LANE

_BIT, _INT, _LONG, _FLOAT = ir.IntType(1), ir.IntType(32), ir.IntType(64), ir.FloatType()
_FLOATS = ir.VectorType(_FLOAT, N_LANE)
_ZERO = ir.Constant(_FLOATS, [0.0] * N_LANE)
_CONTRACT = ("nsz", "contract")
_f4, _u4, _u8 = types.float32, types.uint32, types.uint64


class Lanes:
    """Writes vector arithmetic into a function that is being compiled."""

    def __init__(self, context, builder):
        self.context, self.b = context, builder

    def array(self, kind, array):
        """Give an array's start and shape."""
        return self.context.make_array(kind)(self.context, self.b, array)

    def start_of(self, kind, array):
        """Give where an array's numbers begin."""
        return self.array(kind, array).data

    def all(self, x, n=N_LANE):
        """Put one number into all lanes."""
        none = ir.Constant(ir.VectorType(x.type, n), ir.Undefined)
        first = self.b.insert_element(none, x, ir.Constant(_INT, 0))
        order = ir.Constant(ir.VectorType(_INT, n), [0] * n)
        return self.b.shuffle_vector(first, none, order)

    def read(self, start, at, row):
        """Read a row of eight, counted from a place."""
        place = self.b.add(at, ir.Constant(_LONG, N_LANE * row))
        address = self.b.bitcast(self.b.gep(start, [place]), _FLOATS.as_pointer())
        return self.b.load(address, align=4)

    def write(self, value, start):
        """Write eight numbers."""
        self.b.store(value, self.b.bitcast(start, _FLOATS.as_pointer()), align=4)

    def product_and(self, x, y, z):
        """Give x y + z."""
        return self.b.fadd(self.b.fmul(x, y, flags=_CONTRACT), z, flags=_CONTRACT)

    def less(self, x, y):
        """Give x - y."""
        return self.b.fsub(x, y, flags=_CONTRACT)

    def smaller(self, x, y):
        """Give y where it is smaller or x is NaN, else x."""
        return self.b.select(self.b.fcmp_ordered("<", x, y, flags=("nsz",)), x, y)

    def larger(self, x, y):
        """Give y where it is larger or x is NaN, else x."""
        return self.b.select(self.b.fcmp_ordered(">", x, y, flags=("nsz",)), x, y)

    def size(self, x):
        """Give |x|."""
        return self.call("llvm.fabs.v8f32", _FLOATS, x)

    def call(self, name, gives, *values):
        """Call what the compiler knows by a name."""
        kind = ir.FunctionType(gives, [v.type for v in values])
        return self.b.call(cgutils.get_or_insert_function(self.b.module, kind, name), values)

    def compare(self, x, sign, y):
        """Compare; false where either is NaN."""
        return self.b.fcmp_ordered(sign, x, y, flags=("nsz",))

    def bits(self, which):
        """Give a bit for each lane."""
        return self.b.zext(self.b.bitcast(which, ir.IntType(N_LANE)), _INT)

    def pieces(self, start, k, ray, skips, low, high):
        """Give distances to eight pieces, and which of them are hits  (R5)."""
        b = self.b
        row = [self.read(start, k, i) for i in range(16)]
        ox, oy, oz, dx, dy, dz = (self.all(value) for value in ray)

        def dot(i, x, y, z, more):
            more_z = self.product_and(row[i + 2], z, more)
            return self.product_and(row[i], x, self.product_and(row[i + 1], y, more_z))

        towards = self.product_and(
            row[0], dx, self.product_and(row[1], dy, b.fmul(row[2], dz, flags=_CONTRACT))
        )
        away = dot(0, ox, oy, oz, row[3])
        t = b.fdiv(self.less(_ZERO, away), towards, flags=("nsz",))
        x, y, z = (self.product_and(t, d, o) for d, o in ((dx, ox), (dy, oy), (dz, oz)))
        u, v, most = dot(4, x, y, z, row[7]), dot(8, x, y, z, row[11]), row[14]
        # One comparison for three bounds; where one is NaN, so is t, which tells below.
        room = self.smaller(self.less(row[12], self.size(u)), self.less(row[13], self.size(v)))
        room = self.smaller(room, self.less(self.size(most), b.fadd(u, v, flags=_CONTRACT)))
        behind = b.and_(self.compare(most, "<", _ZERO), self.compare(towards, ">", _ZERO))
        met = b.and_(self.compare(room, ">=", _ZERO), b.not_(behind))
        span = self.smaller(self.less(t, self.all(low)), self.less(self.all(high), t))
        met = b.and_(met, self.compare(span, ">", _ZERO))
        for skip in skips:
            met = b.and_(met, self.compare(row[15], "!=", self.all(skip)))
        return t, met


@intrinsic
def meet_boxes(_typing, box, k, nx, ny, nz, ix, iy, iz, px, py, pz, low, high, near):
    """Say which of eight boxes a ray passes between the distances ``low`` and ``high``.

    ``box[k:]`` holds the boxes; ``nx`` is 0 where x grows along the ray and `N_LANE` where
    it falls, ``ix`` the inverse of the direction's x, ``px`` the start's x times that; so
    for y and z. Gives a bit for each box. ``near[:8]`` (uint32) takes how far each begins,
    in the bits of a float32 that is not negative: these are in the order of their numbers.
    """
    takes = _u4(box, *[_u8] * 4, *[_f4] * 8, near)

    def write(context, builder, signature, values):
        lanes, b = Lanes(context, builder), builder
        k, nears, inverses, places = values[1], values[2:5], values[5:8], values[8:11]
        start = lanes.start_of(signature.args[0], values[0])
        begin, end = lanes.all(values[11]), lanes.all(values[12])
        for axis in range(3):
            inverse, place = lanes.all(inverses[axis]), lanes.all(places[axis])
            first = b.add(k, nears[axis])
            last = b.add(k, b.xor(nears[axis], ir.Constant(_LONG, N_LANE)))
            met_first, met_last = (
                lanes.less(
                    b.fmul(lanes.read(start, at, 2 * axis), inverse, flags=_CONTRACT), place
                )
                for at in (first, last)
            )
            begin, end = lanes.larger(met_first, begin), lanes.smaller(met_last, end)
        lanes.write(lanes.larger(begin, _ZERO), lanes.start_of(signature.args[13], values[13]))
        return lanes.bits(lanes.compare(begin, "<=", end))

    return takes, write


@intrinsic
def meet_pieces(_typing, row, k, ox, oy, oz, dx, dy, dz, skip, low, high):
    """Give the distance to the nearest of eight pieces between two distances, and its lane.

    Pieces of plane number ``skip`` are passed over. Gives ``high`` and `N_LANE` if there is
    none  (R5).
    """
    takes = types.Tuple((_f4, _u4))(row, _u8, *[_f4] * 9)

    def write(context, builder, signature, values):
        lanes, b = Lanes(context, builder), builder
        start, high = lanes.start_of(signature.args[0], values[0]), lanes.all(values[10])
        t, met = lanes.pieces(start, values[1], values[2:8], values[8:9], values[9], values[10])
        t = b.select(met, t, high)
        least = lanes.call("llvm.vector.reduce.fmin.v8f32", _FLOAT, t)
        which = lanes.bits(b.and_(met, lanes.compare(t, "==", lanes.all(least))))
        # one bit more, so that the lowest is `N_LANE` where there is none
        which = b.or_(which, ir.Constant(_INT, 1 << N_LANE))
        lane = lanes.call("llvm.cttz.i32", _INT, which, ir.Constant(_BIT, 1))
        return context.make_tuple(b, signature.return_type, (least, lane))

    return takes, write


@intrinsic
def any_piece(_typing, row, k, ox, oy, oz, dx, dy, dz, skip, skip2, low, high):
    """Say whether one of eight pieces lies between two distances, but of two planes."""
    takes = types.boolean(row, _u8, *[_f4] * 10)

    def write(context, builder, signature, values):
        lanes = Lanes(context, builder)
        start = lanes.start_of(signature.args[0], values[0])
        _, met = lanes.pieces(
            start, values[1], values[2:8], values[8:10], values[10], values[11]
        )
        return builder.icmp_unsigned("!=", lanes.bits(met), ir.Constant(_INT, 0))

    return takes, write


@intrinsic
def lowest(_typing, bits):
    """Give the place of the lowest bit of a number that is not 0."""

    def write(context, builder, _signature, values):
        return Lanes(context, builder).call(
            "llvm.cttz.i32", _INT, values[0], ir.Constant(_BIT, 1)
        )

    return _u4(_u4), write


@intrinsic
def bits_of(_typing, number):
    """Give the bits of a float32."""
    return _u4(_f4), lambda _context, builder, _signature, values: builder.bitcast(
        values[0], _INT
    )
