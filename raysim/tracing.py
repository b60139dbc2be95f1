"""The paths from one source: exact ones, and rays until T30 is as certain as asked for.

Rays are followed in rounds. What the first ones give says how long histograms must be,
and every round says how many more rays are needed.
"""

import math
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from raysim.measures.pair import RoomDecay
from raysim.measures.replicas import look_at_decay
from raysim.propagation.images import arrivals, pair_order
from raysim.propagation.rays import N_BATCH, RayRun, expected_duration_s
from raysim.propagation.room import AcousticRoom
from raysim.records import Arrivals, PairResult, RayCount
from raysim.scene.model import Receiver, Scene, Source

#: Bands whose T30 must reach the stated uncertainty; lower ones are modal in small rooms.
_CERTAIN_HZ = (120.0, 4500.0)
#: Histograms are at least this many T30 long, while there is energy at their end.
_T30_INSIDE = 1.2
#: No histogram is longer.
_LONGEST_S = 24.0
#: Rays that show how long the decay is and how many rays there must be.
_FIRST_LOOK = 4000
#: Ctrl-C is heard, and the display moves, between calls of the kernels: this often.
_PORTION_S = 0.5

#: Called with the share done and what is known so far.
Tell = Callable[[float, str], None]


def say_nothing(_share: float, _known: str) -> None:
    """Report to nobody."""


def trace_source(
    scene: Scene,
    room: AcousticRoom,
    source: Source,
    receivers: list[Receiver],
    tell: Tell = say_nothing,
) -> tuple[list[PairResult], RayCount]:
    """Find the paths from one source to its receivers, and trace its rays until certain.

    Parameters
    ----------
    scene : Scene
    room : AcousticRoom
    source : Source
    receivers : list of Receiver
        Those of the scene that hear this source.
    tell : callable, optional
        Called about twice a second with the share done and what is known so far.

    Returns
    -------
    list of PairResult, RayCount
        One pair for each receiver: as certain as asked for, or with the most rays that
        the settings allow.
    """
    settings = scene.settings
    n_first = min(settings.n_ray, settings.max_ray)
    n_done, n_round = min(n_first, _FIRST_LOOK), 1
    target = settings.until_t30_pct

    def begin(duration_s: float) -> _Run:
        run = _begin(scene, room, source, receivers, duration_s)
        _follow(run.rays, n_done, lambda _: tell(0.0, f"{source.name}: how long it lasts"))
        return run

    run = begin(expected_duration_s(room))
    while True:
        pairs = run.pairs()
        decays = _decays(scene, pairs)
        if run.duration_s < _LONGEST_S and _unfinished(pairs, decays):
            # the latest rays found a tail that outlasts the histograms: all of them again
            run = begin(min(1.6 * run.duration_s, _LONGEST_S))
            continue
        t30_s, error_pct = _certainty(scene, pairs, decays)
        known = f"{source.name}: T30 not known yet"
        if math.isfinite(t30_s) and math.isfinite(error_pct):
            known = f"{source.name}: T30 {t30_s:.2f} s, {error_pct:.1f} % uncertain"
        enough = target is None or error_pct <= target or math.isinf(error_pct)
        if n_done >= n_first and (enough or n_done >= settings.max_ray):
            break
        # errors fall with the square root of the rays
        needed = n_done * (1.0 if enough else (error_pct / (target or error_pct)) ** 2)
        n_next = n_first
        if n_done >= n_next:  # aim a little below the target
            n_next = math.ceil(min(4.0 * n_done, max(1.3 * n_done, 1.15 * needed)))
        n_next = min(n_next, settings.max_ray)
        needed = min(max(needed, n_next), settings.max_ray)

        def tell_of_round(
            n_more: int, before: int = n_done, needed: float = needed, known: str = known
        ) -> None:
            tell(min(1.0, (before + n_more) / needed), known)

        _follow(run.rays, n_next - n_done, tell_of_round)
        n_done, n_round = n_next, n_round + 1
    tell(1.0, known)
    return pairs, replace(run.rays.count, n_round=n_round)


@dataclass(frozen=True, slots=True)
class _Run:
    """Exact paths and rays of one source, for histograms of one length."""

    source: str
    receivers: tuple[str, ...]
    duration_s: float
    exact: list[Arrivals]
    rays: RayRun

    def pairs(self) -> list[PairResult]:
        """Give what is known so far."""
        found = zip(self.receivers, self.exact, self.rays.histograms(), strict=True)
        return [PairResult(self.source, name, a, h) for name, a, h in found]


def _begin(
    scene: Scene,
    room: AcousticRoom,
    source: Source,
    receivers: list[Receiver],
    duration_s: float,
) -> _Run:
    settings = scene.settings
    chain = pair_order(room, duration_s)
    exact = arrivals(
        room, source, receivers, settings.image_order, chain,
        farthest_m=duration_s * room.speed_m_s,
    )  # fmt: skip
    rays = RayRun(
        room, source, receivers, seed=settings.seed, duration_s=duration_s,
        bin_s=settings.bin_s, image_order=settings.image_order, pair_order=chain,
        on_gpu=settings.on_gpu,
    )  # fmt: skip
    return _Run(source.name, tuple(r.name for r in receivers), duration_s, exact, rays)


def _follow(rays: RayRun, n_ray: int, tell: Callable[[int], None]) -> None:
    """Follow rays in portions, and call ``tell`` with the number followed so far.

    Every batch takes its rays in their order however they are portioned, so that sums
    are the same to the last bit.
    """
    n_left = math.ceil(n_ray / N_BATCH)  # per batch
    n_portion = 16
    while n_left > 0:
        n_now = min(n_portion, n_left)
        start_s = time.monotonic()
        rays.follow(n_now * N_BATCH)
        pace = _PORTION_S / max(time.monotonic() - start_s, 1e-6)
        n_portion = max(1, int(n_now * min(pace, 2.0)))
        n_left -= n_now
        tell(n_ray - n_left * N_BATCH)


def _decays(scene: Scene, pairs: Sequence[PairResult]) -> list[RoomDecay]:
    by_name = {r.name: r for r in scene.receivers}
    return [look_at_decay(p.arrivals, p.histogram, by_name[p.receiver]) for p in pairs]


def _unfinished(pairs: Sequence[PairResult], decays: Sequence[RoomDecay]) -> bool:
    """Say whether a band is still heard at the histogram's end and needs a longer one.

    It does if T30 does not exist for that, and if T30 is nearly as long as the histogram:
    what is missing after the end is guessed from the end's slope, and in a room with a
    slow tail that guess is too small.
    """
    for decay, p in zip(decays, pairs, strict=True):
        duration_s = p.histogram.bin_s * p.histogram.energy.shape[2]
        short = np.isnan(decay.t30_s) | (duration_s < _T30_INSIDE * decay.t30_s)
        if np.any(short & _sounding(p)):
            return True
    return False


def _sounding(pair: PairResult) -> NDArray[np.bool_]:
    """Mark the bands with energy in the last tenth of the time."""
    energy = pair.histogram.energy
    return np.asarray(energy[:, :, -math.ceil(energy.shape[2] / 10) :].any(axis=(0, 2)))


def t30_certainty(scene: Scene, pairs: Sequence[PairResult]) -> tuple[float, float]:
    """Give mid-frequency T30, mean over pairs, and the largest standard error in %.

    Parameters
    ----------
    scene : Scene
    pairs : sequence of PairResult
        At least one.

    Returns
    -------
    t30_s : float
        NaN if a pair has none.
    error_pct : float
        The largest of the octaves 125 Hz to 4 kHz and all pairs; at a microphone so close
        that the direct sound hides the room, of the decay without it. Infinite if a band
        has no T30 because it outlasts the histogram; a band that is gone too soon for T30
        to be defined does not count.
    """
    return _certainty(scene, pairs, _decays(scene, pairs))


def _certainty(
    scene: Scene, pairs: Sequence[PairResult], decays: Sequence[RoomDecay]
) -> tuple[float, float]:
    centre = scene.bands.centre_hz
    bands = (centre > _CERTAIN_HZ[0]) & (centre < _CERTAIN_HZ[1])
    worst = 0.0
    for decay, p in zip(decays, pairs, strict=True):
        relative = np.where(_sounding(p), np.inf, 0.0)
        np.divide(decay.error_s, decay.t30_s, out=relative, where=np.isfinite(decay.t30_s))
        # A spread that cannot be told is that of a number of which nothing is known.
        relative[np.isnan(relative)] = 1.0
        worst = max(worst, 100.0 * float(relative[bands].max()))
    return float(np.mean([d.t30_s[scene.bands.middle].mean() for d in decays])), worst
