"""The only file that says how kernels are compiled and where machine code is kept.

Importing it sets Numba's process-wide cache folder. Numba's disk cache notices an
edit to a function's own file, not to the files it calls into; naming the folder after
the text of every kernel keeps it honest.
"""

import hashlib
import os
from pathlib import Path

import numba
from numba.extending import overload

_FOLDER = Path(__file__).resolve().parent
_LOOPS = [_FOLDER.parent / "propagation" / name for name in ("cpu.py", "wave_cpu.py")]
_SOURCES = [*sorted(_FOLDER.glob("*.py")), *_LOOPS]
_DIGEST = hashlib.sha256(b"".join(p.read_bytes() for p in _SOURCES)).hexdigest()[:16]
_HOME = Path(os.environ.get("XDG_CACHE_HOME") or Path.home() / ".cache")

#: Machine code lives here; deleting it costs one compilation.
CACHE_DIR = _HOME / "raysim" / f"{_DIGEST}-numba{numba.__version__}"

numba.config.CACHE_DIR = str(CACHE_DIR)

# error_model "numpy": x / 0 is inf, as on the GPU. No fastmath: sums keep order.
kernel = numba.njit(cache=True, error_model="numpy")
# Traversal works on finite float32 numbers only and sums nothing that is kept, so it may
# contract a*b+c and drop the NaN and signed-zero rules: a third faster, same hits.
fast_kernel = numba.njit(
    cache=True, error_model="numpy", fastmath={"nnan", "nsz", "contract", "arcp"}
)
# The wave solver may contract a*b+c: every cell is its own sum, in one order, whatever
# the number of threads. A test that energy stays says that nothing else is lost.
stencil_kernel = numba.njit(cache=True, error_model="numpy", fastmath={"nsz", "contract"})
# Sums of what walls take may go several abreast: their order depends on the processor alone.
summing_kernel = numba.njit(
    cache=True, error_model="numpy", fastmath={"nsz", "contract", "reassoc"}
)
loop = numba.njit(cache=True, error_model="numpy", parallel=True)
serial_loop = numba.njit(cache=True, error_model="numpy")

#: What a processor runs instead of a function that each kind of machine has its own of.
instead = overload


def compiled_before() -> bool:
    """Say whether machine code from an earlier run is there."""
    return CACHE_DIR.is_dir() and any(CACHE_DIR.rglob("*.nbi"))
