"""What happens to the energies of a ray's bands, four bands at a time.

Energies are float64, one per band; tables of walls are (n_side, n_band), contiguous. Four
bands are one instruction in the compiler's own language, as in `raysim.core.lanes`; what
is left over is taken band by band, and so are all on a card (`raysim.propagation.gpu_rays`).
Sums are formed in an order that depends on the number of bands alone.
"""

from llvmlite import ir
from numba import types
from numba.extending import intrinsic

from raysim.core.compile import inner_kernel
from raysim.core.lanes import Lanes

_N_LANE = 4
_f8, _i8 = types.float64, types.int64


@inner_kernel
def absorb_each(energy, reflect, scatter, side, first, total, diffuse, loudest):
    """Do what `absorb` does, from one band on."""
    for b in range(first, energy.shape[0]):
        energy[b] *= reflect[side, b]
        total += energy[b]
        diffuse += energy[b] * scatter[side, b]
        loudest = max(loudest, energy[b])
    return total, diffuse, loudest


@inner_kernel
def turn_each(energy, scatter, side, base, slope, first):
    """Do what `turn` does, from one band on."""
    for b in range(first, energy.shape[0]):
        energy[b] *= base + slope * scatter[side, b]


@inner_kernel
def leave_each(energy, scatter, side, share, x, y, z, histogram, receiver, i_time, first):
    """Do what `leave` does, from one band on."""
    cell = histogram[receiver, i_time]
    for b in range(first, energy.shape[0]):
        e = energy[b] * share
        if scatter is not None:
            e *= scatter[side, b]
        ex, ey, ez = e * x, e * y, e * z
        cell[0, b] += e
        cell[1, b] += ex
        cell[2, b] += ey
        cell[3, b] += ez
        cell[4, b] += ex * x
        cell[5, b] += ey * y
        cell[6, b] += ex * y
        cell[7, b] += ex * z
        cell[8, b] += ey * z


@inner_kernel
def absorb(energy, reflect, scatter, side):
    """Take off what a wall absorbs; give sum, scattered sum and largest of what is left."""
    total, diffuse, loudest = 0.0, 0.0, 0.0
    n = energy.shape[0]
    for b in range(0, n - _N_LANE + 1, _N_LANE):
        t, d, most = _absorb_four(energy, reflect, scatter, side, b)
        total += t
        diffuse += d
        loudest = max(loudest, most)
    return absorb_each(energy, reflect, scatter, side, n & -_N_LANE, total, diffuse, loudest)


@inner_kernel
def turn(energy, scatter, side, base, slope):
    """Multiply each band's energy by base + slope * s: what the coin makes of it  (R7)."""
    n = energy.shape[0]
    for b in range(0, n - _N_LANE + 1, _N_LANE):
        _turn_four(energy, scatter, side, base, slope, b)
    turn_each(energy, scatter, side, base, slope, n & -_N_LANE)


@inner_kernel
def leave(energy, scatter, side, share, x, y, z, histogram, receiver, i_time):
    """Add a share of each band's energy, or of its scattered part, to one time cell  (R8).

    It arrives from unit (x, y, z). ``scatter`` None: all of it. ``histogram`` is (n_receiver,
    n_time, n_moment, n_band), the energy first, then the moments in the order of
    `raysim.records.MOMENTS`.
    """
    n = energy.shape[0]
    for b in range(0, n - _N_LANE + 1, _N_LANE):
        _leave_four(energy, scatter, side, share, x, y, z, histogram, receiver, i_time, b)
    leave_each(energy, scatter, side, share, x, y, z, histogram, receiver, i_time, n & -_N_LANE)


class _Fours(Lanes):
    """Reads and writes four bands of an array or of a row of a table."""

    def place(self, kind, array, band, row=None):
        """Give where a band is, of a row if one is named."""
        struct = self.array(kind, array)
        if row is not None:
            width = self.b.extract_value(struct.shape, kind.ndim - 1)
            band = self.b.add(self.b.mul(row, width), band)
        return self.b.gep(struct.data, [band])

    def get(self, place):
        """Read four bands."""
        kind = ir.VectorType(ir.DoubleType(), _N_LANE)
        return self.b.load(self.b.bitcast(place, kind.as_pointer()), align=8)

    def put(self, value, place):
        """Write four bands."""
        self.b.store(value, self.b.bitcast(place, value.type.as_pointer()), align=8)

    def spread(self, x):
        """Put one number into all lanes."""
        return self.all(x, _N_LANE)

    def pairwise(self, x, join):
        """Join four lanes to one number, two by two."""
        one = [self.b.extract_element(x, ir.Constant(ir.IntType(32), i)) for i in range(4)]
        return join(join(one[0], one[2]), join(one[1], one[3]))


@intrinsic
def _absorb_four(_typing, energy, reflect, scatter, side, band):
    takes = types.UniTuple(_f8, 3)(energy, reflect, scatter, _i8, _i8)

    def write(context, builder, signature, values):
        fours, b, kinds = _Fours(context, builder), builder, signature.args
        side, band = values[3:]
        own = fours.place(kinds[0], values[0], band)
        kept, thrown = (fours.get(fours.place(kinds[i], values[i], band, side)) for i in (1, 2))
        e = b.fmul(fours.get(own), kept)
        fours.put(e, own)

        def larger(p, q):
            return b.select(b.fcmp_ordered(">", p, q), p, q)

        found = [
            fours.pairwise(e, b.fadd),
            fours.pairwise(b.fmul(e, thrown), b.fadd),
            fours.pairwise(e, larger),
        ]
        return context.make_tuple(b, signature.return_type, found)

    return takes, write


@intrinsic
def _turn_four(_typing, energy, scatter, side, base, slope, band):
    takes = types.void(energy, scatter, _i8, _f8, _f8, _i8)

    def write(context, builder, signature, values):
        fours, b, kinds = _Fours(context, builder), builder, signature.args
        side, base, slope, band = values[2:]
        own = fours.place(kinds[0], values[0], band)
        s = fours.get(fours.place(kinds[1], values[1], band, side))
        by = b.fadd(fours.spread(base), b.fmul(fours.spread(slope), s))
        fours.put(b.fmul(fours.get(own), by), own)
        return context.get_dummy_value()

    return takes, write


@intrinsic
def _leave_four(
    _typing, energy, scatter, side, share, x, y, z, histogram, receiver, i_time, band
):
    takes = types.void(energy, scatter, _i8, *[_f8] * 4, histogram, _i8, _i8, _i8)

    def write(context, builder, signature, values):
        fours, b, kinds = _Fours(context, builder), builder, signature.args
        side, receiver, i_time, band = values[2], *values[8:]
        share, x, y, z = (fours.spread(v) for v in values[3:7])
        e = b.fmul(fours.get(fours.place(kinds[0], values[0], band)), share)
        if not isinstance(kinds[1], types.NoneType):
            e = b.fmul(e, fours.get(fours.place(kinds[1], values[1], band, side)))
        shape = fours.array(kinds[7], values[7]).shape
        n_time, n_moment, n_band = (b.extract_value(shape, i) for i in (1, 2, 3))
        row = b.mul(b.add(b.mul(receiver, n_time), i_time), n_moment)
        place = fours.place(kinds[7], values[7], band, row)
        ex, ey, ez = b.fmul(e, x), b.fmul(e, y), b.fmul(e, z)
        second = [(ex, x), (ey, y), (ex, y), (ex, z), (ey, z)]
        for part in (e, ex, ey, ez, *(b.fmul(p, q) for p, q in second)):
            fours.put(b.fadd(fours.get(place), part), place)
            place = b.gep(place, [n_band])
        return context.get_dummy_value()

    return takes, write
