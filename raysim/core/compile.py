"""The only file that says how kernels are compiled and where machine code is kept.

Importing it sets Numba's process-wide cache folder. Numba's disk cache notices an
edit to a function's own file, not to the files it calls into; naming the folder after
the text of every kernel keeps it honest.
"""

import hashlib
import os
from pathlib import Path
from types import FunctionType

import numba
from numba.core.options import DefaultOptions

_FOLDER = Path(__file__).resolve().parent
_NAMES = ("cpu.py", "wave_cpu.py", "wave_cells.py", "wave_flow.py")
_LOOPS = [_FOLDER.parent / "propagation" / name for name in _NAMES]
_SOURCES = [*sorted(_FOLDER.glob("*.py")), *_LOOPS]
_DIGEST = hashlib.sha256(b"".join(p.read_bytes() for p in _SOURCES)).hexdigest()[:16]
_HOME = Path(os.environ.get("XDG_CACHE_HOME") or Path.home() / ".cache")

#: Machine code lives here; deleting it costs one compilation.
CACHE_DIR = _HOME / "raysim" / f"{_DIGEST}-numba{numba.__version__}"

numba.config.CACHE_DIR = str(CACHE_DIR)

_USUAL = {"cache": True, "error_model": "numpy"}
# Kernels keep no arrays, so none need be counted: a leg of a ray would count half a dozen in
# and out again, each time for all threads to see, and empty every register for it.
_BARE = _USUAL | ({"_nrt": False} if hasattr(DefaultOptions, "_nrt") else {})
_FAST = {"nnan", "nsz", "contract", "arcp"}
# error_model "numpy": x / 0 is inf, as on the GPU. No fastmath: sums keep order.
kernel = numba.njit(**_BARE)
# What every leg of a ray calls is written into its caller: to hand over a dozen arrays takes
# a processor as long as the work itself.
inner_kernel = numba.njit(**_BARE, forceinline=True)
# Traversal works on finite float32 numbers only and sums nothing that is kept, so it may
# contract a*b+c and drop the NaN and signed-zero rules: a third faster, same hits.
fast_kernel = numba.njit(**_BARE, fastmath=_FAST)
fast_inner_kernel = numba.njit(**_BARE, fastmath=_FAST, forceinline=True)
# The wave solver may contract a*b+c: every cell is its own sum, in one order, whatever
# the number of threads. A test that energy stays says that nothing else is lost.
_STENCIL = {"nsz", "contract"}
stencil_kernel = numba.njit(**_BARE, fastmath=_STENCIL)
# Loops over a few cells are written into their caller too, for the same reason as above.
inner_stencil_kernel = numba.njit(**_BARE, fastmath=_STENCIL, forceinline=True)
# Sums of what walls take may go several abreast: their order depends on the processor alone.
summing_kernel = numba.njit(**_BARE, fastmath={"nsz", "contract", "reassoc"})
loop = numba.njit(**_USUAL, parallel=True)
serial_loop = numba.njit(**_USUAL)


def rebound(function, **others):
    """Give a kernel's function that calls others in place of some, as a card does.

    Whatever chose between them while it runs would cost a processor more than the walk.
    """
    plain = function.py_func
    return FunctionType(
        plain.__code__, {**plain.__globals__, **others}, plain.__name__, plain.__defaults__
    )


def compiled_before() -> bool:
    """Say whether machine code from an earlier run is there."""
    return CACHE_DIR.is_dir() and any(CACHE_DIR.rglob("*.nbi"))
