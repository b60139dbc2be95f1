"""Neighbouring numbers of four bytes read at once, which a card does in one instruction.

Arrays begin, and the numbers read lie, at whole multiples of what is read.
"""

from llvmlite import ir
from numba import types
from numba.extending import intrinsic


def _read(signature, context, builder, values, n):
    array, at = values
    start = context.make_array(signature.args[0])(context, builder, array).data
    first = builder.gep(start, [at])
    pack = ir.VectorType(context.get_value_type(signature.args[0].dtype), n)
    read = builder.load(builder.bitcast(first, pack.as_pointer()), align=4 * n)
    lanes = [builder.extract_element(read, ir.Constant(ir.IntType(32), i)) for i in range(n)]
    return context.make_tuple(builder, signature.return_type, lanes)


@intrinsic
def read_four(_typing, array, at):
    """Give four numbers of a flat array, from one on whose place is a multiple of 4."""
    takes = types.UniTuple(array.dtype, 4)(array, types.uint64)
    return takes, lambda context, builder, kinds, values: _read(
        kinds, context, builder, values, 4
    )


@intrinsic
def read_two(_typing, array, at):
    """Give two numbers of a flat array, from one on whose place is even."""
    takes = types.UniTuple(array.dtype, 2)(array, types.uint64)
    return takes, lambda context, builder, kinds, values: _read(
        kinds, context, builder, values, 2
    )
