"""What a comparison needs of a result file, measured in a part of a report's time.

A report has the error of everything that it shows, which is most of its work. Here the file
is measured as one batch of rays, and only what is compared is measured without each batch
besides: see `replicas.py`. The numbers are those of `raysim.report.facts.gather`.
"""

from dataclasses import replace
from typing import Any, cast

import numpy as np

from raysim.compare.replicas import decay_without_each, without_each
from raysim.measures.low_bands import bands_below
from raysim.records import EnergyHistogram, PairResult
from raysim.report.facts import RoomFacts, gather
from raysim.report.pairs import PairFacts
from raysim.scene.directivity import mean_gain
from raysim.store.file import Results


class _Averaged:
    """One layout of a result file, its batches of rays taken as one: all but the errors."""

    def __init__(self, results: Results, layout: str) -> None:
        self._results = results
        self.layout_names = (layout,)
        self.pairs: dict[tuple[str, str], PairResult] = {}  # as stored, for errors

    def __getattr__(self, name: str) -> Any:  # noqa: ANN401  whatever the file has
        return getattr(self._results, name)

    def pair(self, layout: str, source: str, receiver: str) -> PairResult:
        """Give one pair with the mean of its batches."""
        pair = self._results.pair(layout, source, receiver)
        self.pairs[source, receiver] = pair
        mean = pair.histogram.energy.mean(axis=0, keepdims=True)
        return replace(
            pair, histogram=EnergyHistogram(pair.histogram.bin_s, mean, pair.histogram.moments)
        )


def gather_compared(results: Results) -> RoomFacts:
    """Measure the pairs of a result file as far as layouts are compared.

    Parameters
    ----------
    results : Results

    Returns
    -------
    RoomFacts
        As `gather` gives it, but for ``without``, which holds only what is compared, and
        for errors, which are not known.
    """
    rooms = [_gather_one(results, name) for name in results.layout_names]
    return replace(rooms[0], layouts=tuple(room.layouts[0] for room in rooms))


def _gather_one(results: Results, name: str) -> RoomFacts:
    """Measure one layout: one at a time in memory."""
    averaged = _Averaged(results, name)
    room = gather(cast("Results", averaged))
    (layout,) = room.layouts
    pairs = tuple(
        _with_batches(results, facts, averaged.pairs[facts.source, facts.receiver])
        for facts in layout.pairs
    )
    return replace(room, layouts=(replace(layout, pairs=pairs),))


def _with_batches(results: Results, facts: PairFacts, pair: PairResult) -> PairFacts:
    """Give a pair with what its measures are without each batch."""
    names = (facts.layout, facts.source, facts.receiver)
    receiver = next(r for r in results.receivers if r.name == facts.receiver)
    source = next(s for s in results.sources if s.name == facts.source)
    measures, decay = facts.measures, facts.room_decay
    without = without_each(
        pair, receiver, results.bands, measures, mean_gain(source.directivity)
    )
    if not without:
        return facts
    t30_s = decay_without_each(pair, receiver, measures, decay, without["t30_s"])
    wave = results.bass_response(*names)
    if wave is not None:  # octaves that the wave solver answers for have no chance in them
        low = bands_below(results.bands, wave.crossover_hz)
        for name, each in without.items():
            if each.ndim > 1:
                without[name] = np.where(low, getattr(measures, name), each)
        t30_s = np.where(low, decay.t30_s, t30_s)
    return replace(
        facts,
        measures=replace(measures, without=without),
        room_decay=replace(decay, without_s=t30_s),
    )
