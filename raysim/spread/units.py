"""One piece of a run's work, what it gives, and how both travel to another process.

Arrays travel with their write protection: Numba compiles a kernel anew for arrays that
may be written to where those it knows may not.
"""

import io
import pickle
from dataclasses import dataclass
from importlib.metadata import version
from typing import Any, TypeAlias

import numpy as np

import raysim
from raysim.algebra import one_blas_thread
from raysim.propagation.bass import bass_of
from raysim.propagation.rays import N_BATCH, expected_duration_s
from raysim.propagation.room import AcousticRoom
from raysim.records import MOMENTS, Bass, PairResult, RayCount
from raysim.scene.model import Receiver, Scene, Source
from raysim.store.key import BASS_PHYSICS, PHYSICS
from raysim.tracing import Tell, trace_source
from raysim.units import Float

#: How many sources' rays the bass of a layout counts as, when progress is told.
BASS_WEIGHT = 2.0
#: What a process needs before it computes anything, and for the bass, in bytes: seen in the
#: demo rooms and rounded up.
_ALONE, _BASS = 500_000_000, 400_000_000

#: Rays of a source, or the bass of a layout.
Result: TypeAlias = tuple[list[PairResult], RayCount] | Bass


@dataclass(frozen=True, slots=True)
class Unit:
    """The rays of one source in one layout, or the bass of one layout."""

    layout: str  # what it is stored under, for those who watch
    scene: Scene  # with all that the layout puts in and takes out
    room: AcousticRoom
    source: Source | None = None  # None: the bass
    receivers: tuple[Receiver, ...] = ()  # that hear the source

    @property
    def weight(self) -> float:
        """Share of the work, in sources."""
        return BASS_WEIGHT if self.source is None else 1.0

    @property
    def label(self) -> str:
        """What it is, in words."""
        what = "bass" if self.source is None else self.source.name
        return f'{what} in "{self.layout}"'

    @property
    def need_bytes(self) -> int:
        """About how much memory a process needs that computes it."""
        if self.source is None:
            return _ALONE + _BASS
        n_time = expected_duration_s(self.room) / self.scene.settings.bin_s
        shape = N_BATCH * len(self.receivers) * n_time * (1 + len(MOMENTS))
        # sums, the same in order, and what is taken out of them
        return _ALONE + int(3 * 8 * shape * self.scene.bands.n_band)


@one_blas_thread()
def compute(unit: Unit, tell: Tell) -> Result:
    """Compute one unit; errors as for `trace_source` and `bass_of`."""
    if unit.source is None:
        return bass_of(unit.scene, unit.room, tell)
    return trace_source(unit.scene, unit.room, unit.source, list(unit.receivers), tell)


def fingerprint() -> str:
    """Say which code computes here: results of another may differ.

    Examples
    --------
    >>> fingerprint().split(",")[0] == f"raysim {raysim.__version__}"
    True
    """
    from raysim.core.compile import CACHE_DIR

    libraries = (f"{name} {version(name)}" for name in ("numpy", "scipy"))
    physics = f"physics {PHYSICS}.{BASS_PHYSICS}"
    kernels = f"kernels {CACHE_DIR.name}"
    return ", ".join((f"raysim {raysim.__version__}", physics, kernels, *libraries))


def pack(what: object) -> bytes:
    """Give records as bytes, with the write protection of their arrays."""
    stream = io.BytesIO()
    _Packer(stream, protocol=pickle.HIGHEST_PROTOCOL).dump(what)
    return stream.getvalue()


def unpack(packed: bytes) -> Any:  # noqa: ANN401  what was packed
    """Give back what `pack` was given."""
    return pickle.loads(packed)


class _Packer(pickle.Pickler):
    def reducer_override(self, what: object) -> Any:  # noqa: ANN401
        if type(what) is np.ndarray and not what.flags.writeable:
            return _protected, (what.copy(),)
        return NotImplemented


def _protected(array: Float) -> Float:
    array.flags.writeable = False
    return array
