"""What layouts are compared by, without each batch of rays in turn, and nothing more.

The numbers are those of `raysim.measures.pair.PairMeasures.without`, in a part of the time:
only what is compared is measured, and decay curves are followed only as far down as lines
are fitted to them. Theory: DEVELOPERS.md, M9 and M17.
"""

from collections.abc import Iterator, Mapping

import numpy as np

from raysim.measures.clarity import clarity_db
from raysim.measures.decay import RANGES_DB, STEP_S, fit_line
from raysim.measures.echogram import Echogram
from raysim.measures.level import strength_db
from raysim.measures.pair import PairMeasures, RoomDecay, start_of, without_direct
from raysim.measures.speech import (
    modulation_transfer,
    speech_index,
    speech_octaves,
    transfer_index,
)
from raysim.records import Arrivals, EnergyHistogram, PairResult
from raysim.response.microphone import arrival_gain, histogram_share
from raysim.scene.model import Bands, Receiver
from raysim.units import Float, to_level_db

#: Decay times that are compared.
_DECAYS = ("edt_s", "t30_s")


def without_each(
    pair: PairResult,
    receiver: Receiver,
    bands: Bands,
    measured: PairMeasures,
    mean_gain: Float,
) -> dict[str, Float]:
    """Give EDT, T30, C50, C80, G and STI of one pair without each batch  (M9).

    Parameters
    ----------
    pair : PairResult
    receiver : Receiver
    bands : Bands
    measured : PairMeasures
        Of all batches: decay times that it lacks stay unknown.
    mean_gain : (n_band,) float64
        As for `raysim.measures.pair.measure_pair`.

    Returns
    -------
    dict of str to (n_batch, n_band) float64
        STI (n_batch,). Empty with fewer than two batches.
    """
    histogram = pair.histogram
    if len(histogram.energy) < 2:
        return {}
    own = _Heard(pair.arrivals, histogram, receiver, receiver.pattern)
    omni = own
    if receiver.pattern != 1.0:
        omni = _Heard(pair.arrivals, histogram, receiver, 1.0)
    found: dict[str, list[Float]] = {name: [] for name in ("c50_db", "c80_db", "g_db")}
    octaves = []
    for heard, whole in zip(own.without_each(), omni.without_each(), strict=True):
        found["c50_db"].append(clarity_db(heard, 0.05))
        found["c80_db"].append(clarity_db(heard, 0.08))
        found["g_db"].append(strength_db(whole, mean_gain))
        octaves.append(speech_octaves(heard, bands.fraction))
    without = {name: np.stack(values) for name, values in found.items()}
    without |= _decays_without_each(own, {n: getattr(measured, n) for n in _DECAYS})
    without["sti"] = _speech(octaves)
    return {name: np.where(np.isfinite(v), v, np.nan) for name, v in without.items()}


def decay_without_each(
    pair: PairResult,
    receiver: Receiver,
    measured: PairMeasures,
    decay: RoomDecay,
    without_t30_s: Float,
) -> Float:
    """Give T30 of the room as one pair shows it without each batch, (n_batch, n_band).

    Where the direct sound hides it, it is that of the rest: see
    `raysim.measures.pair.room_decay`, which ``decay`` is of; ``without_t30_s`` is of the pair
    with all its sound.
    """
    lacks = np.isnan(measured.t30_s)
    if not (decay.hidden and lacks.any()):
        return without_t30_s
    rest = _Heard(without_direct(pair.arrivals), pair.histogram, receiver, receiver.pattern)
    return np.where(
        lacks, _decays_without_each(rest, {"t30_s": decay.t30_s})["t30_s"], without_t30_s
    )


class _Heard:
    """One pair as one microphone takes it."""

    def __init__(
        self, arrivals: Arrivals, histogram: EnergyHistogram, receiver: Receiver, pattern: float
    ) -> None:
        start_s, _ = start_of(arrivals, histogram)
        order = np.argsort(arrivals.delay_s, kind="stable")
        gain = arrival_gain(arrivals.direction, receiver.aim, pattern)
        n_time = histogram.energy.shape[2]
        self.energy = histogram.energy
        self.whole = histogram.energy.sum(axis=0)
        self.step_s = min(STEP_S, histogram.bin_s / 4.0)
        self.arrival_s = np.maximum(arrivals.delay_s[order] - start_s, 0.0)
        self.arrival_energy = (arrivals.energy * gain[:, None] ** 2)[order].T
        self.edge_s = np.maximum(np.arange(n_time + 1) * histogram.bin_s - start_s, 0.0)
        self.share = histogram_share(histogram, receiver.aim, pattern)

    def hears(self, binned: Float) -> Echogram:
        """Give the echogram for an omnidirectional histogram."""
        return Echogram(self.arrival_s, self.arrival_energy, self.edge_s, binned * self.share)

    def without_each(self) -> Iterator[Echogram]:
        """Give the echograms of all batches but one."""
        n_batch = len(self.energy)
        for batch in self.energy:
            yield self.hears((self.whole - batch) / (n_batch - 1))

    def time_s(self, echogram: Echogram) -> Float:
        """Give the instants that decay curves are read at."""
        n_step = max(1, int(np.ceil(echogram.end_s / self.step_s)))
        return np.asarray((np.arange(n_step) + 0.5) * self.step_s)


def _decays_without_each(heard: _Heard, values: Mapping[str, Float]) -> dict[str, Float]:
    """Give decay times without each batch; NaN where those of all batches are.

    Lines end where the curve falls below their range, and so may its reading: the first
    curve tells about where, and each is followed to its end if that was not enough.
    """
    lowest_db = min(RANGES_DB[name][1] for name in values)
    known = np.isfinite(np.stack(list(values.values()))).any(axis=0)
    every = heard.time_s(heard.hears(heard.whole))
    n_used = len(every)
    found: dict[str, list[Float]] = {name: [] for name in values}
    for i, echogram in enumerate(heard.without_each()):
        level_db = _level_db(echogram, every[:n_used])
        if n_used < len(every) and bool((level_db[known, -1] >= lowest_db).any()):
            level_db = _level_db(echogram, every)
        for name, each in found.items():
            upper_db, lower_db = RANGES_DB[name]
            n = _n_above(level_db[known], lower_db)
            each.append(fit_line(every[:n], level_db[:, :n], upper_db, lower_db)[0])
        if i == 0:
            n_used = min(len(every), int(1.05 * _n_above(level_db[known], lowest_db)) + 2)
    return {
        name: np.where(np.isfinite(values[name]), np.stack(each), np.nan)
        for name, each in found.items()
    }


def _n_above(level_db: Float, lower_db: float) -> int:
    """Give to where falling curves have to be read for all to end below a level."""
    above = (level_db >= lower_db).any(axis=0)
    return max(1, int(np.count_nonzero(above)))


def _level_db(echogram: Echogram, time_s: Float) -> Float:
    """Read the decay curve of `raysim.measures.decay.decay_curve_db` up to a time."""
    total = echogram.total[:, None]
    after = np.maximum(echogram.after(time_s), 0.0)
    share = np.divide(after, total, out=np.zeros_like(after), where=total > 0.0)
    return to_level_db(share)


def _speech(octaves: list[Echogram]) -> Float:
    """Give the STI of several echograms that differ in their bins alone."""
    first = octaves[0]
    together = Echogram(
        first.arrival_s,
        np.tile(first.arrival_energy, (len(octaves), 1)),
        first.edge_s,
        np.concatenate([one.binned for one in octaves]),
    )
    transfer = modulation_transfer(together).reshape(len(octaves), 7, -1)
    return np.array([speech_index(mti) for mti in transfer_index(transfer)])
