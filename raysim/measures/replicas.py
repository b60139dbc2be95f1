"""Decay times of one pair without each batch of rays in turn, and nothing more.

The numbers are those of `raysim.measures.pair.PairMeasures.without`, in a small part of the
time: decay curves are followed only as far down as lines are fitted to them, what exact
arrivals leave is read once for all, and several batches are fitted together. Theory:
DEVELOPERS.md, M9.
"""

from collections.abc import Iterator, Mapping

import numpy as np
from numpy.typing import NDArray

from raysim.measures.decay import RANGES_DB, STEP_S, decay_curve_db, fit_line
from raysim.measures.echogram import Echogram
from raysim.measures.pair import RoomDecay, deepest_db, spread, start_of, without_direct
from raysim.records import Arrivals, EnergyHistogram
from raysim.response.microphone import arrival_gain, histogram_share
from raysim.scene.model import Receiver
from raysim.units import Float, to_level_db

#: Numbers of a curve at once: more leave the processor's own memory.
_AT_ONCE = 60_000


class Heard:
    """One pair as one microphone takes it.

    Parameters
    ----------
    arrivals : Arrivals
    histogram : EnergyHistogram
    receiver : Receiver
        Whose place and aim it is.
    pattern : float
        First-order pattern, 1 omnidirectional.
    """

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
        """Give the echogram for an omnidirectional histogram (n_band, n_time)."""
        return Echogram(self.arrival_s, self.arrival_energy, self.edge_s, binned * self.share)

    def without(self, batches: slice) -> Float:
        """Give what the bins hold without some batches, each for itself.

        Returns
        -------
        (n_batch, n_band, n_time) float64
        """
        rest = (self.whole - self.energy[batches]) / (len(self.energy) - 1)
        return np.asarray(rest * self.share)

    def without_each(self) -> Iterator[Echogram]:
        """Give the echograms of all batches but one."""
        for i in range(len(self.energy)):
            binned = self.without(slice(i, i + 1))[0]
            yield Echogram(self.arrival_s, self.arrival_energy, self.edge_s, binned)


class _Reader:
    """Reads decay curves that differ in their bins alone, at the same instants  (M1)."""

    def __init__(self, heard: Heard, time_s: Float, bands: NDArray[np.bool_]) -> None:
        self.time_s, self._bands = time_s, bands
        exact = Echogram(
            heard.arrival_s, heard.arrival_energy[bands], heard.edge_s,
            np.zeros((np.count_nonzero(bands), 0)),
        )  # fmt: skip
        self._exact, self._exact_total = exact.after(time_s), exact.total
        edge, last = heard.edge_s, len(heard.edge_s) - 2
        bin_of = np.clip(np.searchsorted(edge, time_s, side="right") - 1, 0, last)
        width = edge[bin_of + 1] - edge[bin_of]
        gone = np.clip((time_s - edge[bin_of]) / np.where(width > 0.0, width, 1.0), 0.0, 1.0)
        self._bin, self._left = bin_of, 1.0 - gone

    def level_db(self, binned: Float) -> Float:
        """Give the curves of some batches, (n_batch, n_band, n_time), bands known alone."""
        binned = binned[:, self._bands]
        later = np.zeros((*binned.shape[:2], binned.shape[2] + 1))
        later[..., :-1] = np.cumsum(binned[..., ::-1], axis=2)[..., ::-1]
        after = self._exact + later[..., self._bin + 1]
        after += self._left * binned[..., self._bin]
        total = (self._exact_total + binned.sum(axis=2))[..., None]
        np.maximum(after, 0.0, out=after)  # noise taken out can leave less than none
        share = np.divide(after, total, out=np.zeros_like(after), where=total > 0.0)
        return to_level_db(share)


def decays_without_each(heard: Heard, values: Mapping[str, Float]) -> dict[str, Float]:
    """Give decay times without each batch; NaN where those of all batches are  (M9).

    Lines end where the curve falls below their range, and so may its reading: the curve of
    all batches tells about where, and others are followed to the end if that was not enough.

    Parameters
    ----------
    heard : Heard
        With two batches or more.
    values : mapping of (n_band,) float64
        Decay times of all batches, by the names of `raysim.measures.decay.RANGES_DB`.

    Returns
    -------
    dict of (n_batch, n_band) float64
    """
    lowest_db = min(RANGES_DB[name][1] for name in values)
    known = np.asarray(np.isfinite(np.stack(list(values.values()))).any(axis=0))
    n_batch, n_band = heard.energy.shape[:2]
    found = {name: np.full((n_batch, n_band), np.nan) for name in values}
    if not known.any():
        return found
    mean = heard.hears(heard.whole / n_batch)
    every, level_db = decay_curve_db(mean, heard.step_s)
    n_used = min(len(every), int(1.05 * _n_above(level_db[known], lowest_db)) + 2)
    reader, whole = _Reader(heard, every[:n_used], known), None
    n_row = int(np.count_nonzero(known))
    n_part = max(1, _AT_ONCE // (n_row * n_used))
    for begin in range(0, n_batch, n_part):
        part = slice(begin, begin + n_part)
        binned, of = heard.without(part), reader
        curves = reader.level_db(binned).reshape(-1, n_used)
        if n_used < len(every) and bool((curves[:, -1] >= lowest_db).any()):
            of = whole = whole or _Reader(heard, every, known)
            curves = whole.level_db(binned).reshape(-1, len(every))
        for name, each in found.items():
            upper_db, lower_db = RANGES_DB[name]
            n = _n_above(curves, lower_db)
            decay_s = fit_line(of.time_s[:n], curves[:, :n], upper_db, lower_db)[0]
            each[part, known] = decay_s.reshape(-1, n_row)
    return {
        name: np.where(np.isfinite(values[name]), each, np.nan) for name, each in found.items()
    }


def _n_above(level_db: Float, lower_db: float) -> int:
    """Give to where falling curves have to be read for all to end below a level."""
    above = (level_db >= lower_db).any(axis=0)
    return max(1, int(np.count_nonzero(above)))


def look_at_decay(
    arrivals: Arrivals, histogram: EnergyHistogram, receiver: Receiver
) -> RoomDecay:
    """Give T30 of a pair and its error, and where direct sound hides it, that of the rest.

    What `raysim.measures.pair.room_decay` gives of `measure_pair`, which measures all there
    is: while rays are followed, only this is asked for.

    Parameters
    ----------
    arrivals, histogram
        Of the pair.
    receiver : Receiver

    Returns
    -------
    RoomDecay
        Errors and values without each batch are NaN where T30 is.
    """
    t30_s, without = _t30(arrivals, histogram, receiver)
    lacks, hidden = np.isnan(t30_s), False
    if lacks.any() and np.any(arrivals.order == 0):
        rest_s, without_rest = _t30(without_direct(arrivals), histogram, receiver)
        hidden = bool(np.isfinite(rest_s[lacks]).any())
        t30_s = np.where(lacks, rest_s, t30_s)
        if without is not None and without_rest is not None:
            without = np.where(lacks, without_rest, without)
    error_s = np.full_like(t30_s, np.nan) if without is None else spread(without)
    return RoomDecay(t30_s, error_s, hidden, without)


def _t30(
    arrivals: Arrivals, histogram: EnergyHistogram, receiver: Receiver
) -> tuple[Float, Float | None]:
    """Give T30, (n_band,), and without each batch, (n_batch, n_band), if there are two."""
    heard = Heard(arrivals, histogram, receiver, receiver.pattern)
    n_batch = len(heard.energy)
    mean = heard.hears(heard.whole / n_batch)
    upper_db, lower_db = RANGES_DB["t30_s"]
    t30_s, _ = fit_line(*decay_curve_db(mean, heard.step_s), upper_db, lower_db)
    t30_s = np.where(deepest_db(mean) <= lower_db, t30_s, np.nan)
    if n_batch < 2:
        return t30_s, None
    return t30_s, decays_without_each(heard, {"t30_s": t30_s})["t30_s"]
