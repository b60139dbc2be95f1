"""What the report says of one source and one receiver, as plain numbers.

Times are seconds after emission unless the name says otherwise; early arrivals count
from the direct sound, or from the first arrival where there is no line of sight.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from raysim.measures.low_bands import bands_below, room_decay_with_bass, with_bass
from raysim.measures.pair import (
    PairMeasures,
    RoomDecay,
    decay_levels,
    measure_pair,
    room_decay,
)
from raysim.records import Arrivals, BassResponse, PairResult
from raysim.response.join import ear_of
from raysim.response.microphone import arrival_gain, histogram_share
from raysim.scene.air import attenuation_per_m
from raysim.scene.directivity import gain as source_gain
from raysim.scene.directivity import mean_gain
from raysim.scene.model import Air, Bands, Receiver, Source
from raysim.units import Float, to_level_db

#: How long reflections count as early here.
EARLY_MS = 50.0

#: Early-reflection window: EBU Tech 3276, 2nd edition (1998), section 2.2.
WINDOW_MS = 15.0
WINDOW_DB = -10.0

#: A microphone that takes the direct sound weaker than this is turned away from it.
TURNED_AWAY_DB = -6.0

#: A source that sends the direct sound so much weaker than on its axis, mean from 1 to
#: 8 kHz, points away: levels re that would say nothing. Only nulls are as deep; the
#: built-in talker and loudspeaker stay well above it all round.
SOURCE_AWAY_DB = -20.0

#: Early over late sound from which on a microphone is close: common practice, no source.
CLOSE_C50_DB = 10.0


@dataclass(frozen=True, slots=True)
class Arrival:
    """One early reflection as a listener meets it."""

    delay_ms: float  # after the direct sound, or after the first arrival
    level_db: float  # re the same, in the octave from 1 to 8 kHz where it is strongest
    surfaces: tuple[str, ...]  # in the order of reflection
    things: tuple[str, ...] = ()  # for each the thing it is part of; "" for the room's own

    @property
    def is_of_room(self) -> bool:
        """Whether only the room's own surfaces took part, nothing that stands in it."""
        return not any(self.things)

    @property
    def is_in_window(self) -> bool:
        """Whether it is early and strong enough to colour what one records or hears."""
        return 0.0 < self.delay_ms <= WINDOW_MS and self.level_db > WINDOW_DB


@dataclass(frozen=True, slots=True)
class Decay:
    """Backward-integrated decay of every band, for plots."""

    time_s: Float  # (n_time,) after the direct sound
    level_db: Float  # (n_band, n_time) re its start
    error_db: Float  # (n_band, n_time)


@dataclass(frozen=True, slots=True)
class EnergyInTime:
    """Energy per bin re the direct sound's, or re the first arrival's."""

    start_ms: Float  # (n_time,) after the direct sound
    bin_ms: float
    total: Float  # (n_band, n_time)
    specular: Float  # (n_band, n_time), the part of exact paths


@dataclass(frozen=True, slots=True)
class PairFacts:
    """All about one source and one receiver in one layout."""

    layout: str
    source: str
    receiver: str
    sounds: str  # the name of the source's directivity
    distance_m: float
    is_seen: bool  # there is a line of sight
    direct_gain_db: float  # what the receiver's pattern makes of the first arrival
    c50_mid_db: float  # early over late sound, mean of 500 Hz and 1 kHz
    measures: PairMeasures
    room_decay: RoomDecay
    early: tuple[Arrival, ...]  # by delay, up to EARLY_MS
    decay: Decay
    energy: EnergyInTime
    source_gain_db: float  # what the source sends this way re its axis, 1 to 8 kHz
    is_listed: bool  # mirror images were searched, so `early` says what there is

    @property
    def source_is_turned_away(self) -> bool:
        """Whether the source points away: levels are then re the same sound on its axis."""
        return self.source_gain_db < SOURCE_AWAY_DB

    @property
    def is_turned_away(self) -> bool:
        """Whether the microphone points away from the source."""
        return self.direct_gain_db <= TURNED_AWAY_DB

    @property
    def is_close(self) -> bool:
        """Whether the microphone takes far more of the source than of the room."""
        hidden = self.room_decay.hidden and self.c50_mid_db > 0.0
        return self.is_seen and (hidden or self.c50_mid_db > CLOSE_C50_DB)

    @property
    def strongest(self) -> Arrival | None:
        """The early reflection with the highest level; never the one that levels are re."""
        others = self.early if self.is_seen else self.early[1:]
        return max(others, key=lambda a: a.level_db, default=None)


def within(bands: Bands, low_hz: float, high_hz: float) -> NDArray[np.intp]:
    """Give the indices of the bands whose nominal centres lie in a range, ends included."""
    centre = bands.centre_hz
    return np.flatnonzero((centre > 0.97 * low_hz) & (centre < 1.03 * high_hz))


def mean_of(values: Float, index: NDArray[np.intp]) -> float:
    """Average what is a number among some bands; NaN if none is."""
    chosen = values[index]
    chosen = chosen[np.isfinite(chosen)]
    return float(chosen.mean()) if len(chosen) else float("nan")


def pair_facts(
    pair: PairResult,
    layout: str,
    source: Source,
    receiver: Receiver,
    side_names: Sequence[str],
    bands: Bands,
    things: Mapping[str, str] | None = None,
    air: Air | None = None,
    image_order: int = 1,
    bass: BassResponse | None = None,
) -> PairFacts:
    """Gather what is said of one source and one receiver.

    Parameters
    ----------
    pair : PairResult
    layout : str
    source : Source
    receiver : Receiver
    side_names : sequence of str
        Names that the arrivals' surface numbers stand for.
    bands : Bands
    things : dict of str to str, optional
        By the name of a side: the thing in the room it is part of.
    air : Air, optional
        That the sound went through; the usual air otherwise.
    image_order : int
        To which order reflections were listed. Below 1 the few that are there for another
        reason, to and fro between two walls, are left out: no list is better than half.

    Returns
    -------
    PairFacts
    """
    arrivals = pair.arrivals
    gain = arrival_gain(arrivals.direction, receiver.aim, receiver.pattern)
    measures = measure_pair(
        arrivals, pair.histogram, bands, receiver.aim, receiver.pattern,
        mean_gain(source.directivity),
    )  # fmt: skip
    decay = room_decay(
        measures, arrivals, pair.histogram, bands, receiver.aim, receiver.pattern
    )
    if bass is not None:
        measures = with_bass(
            measures, bass, ear_of(pair, source, receiver, bands, air or Air())
        )
        low = bands_below(bands, bass.crossover_hz)
        decay = room_decay_with_bass(decay, measures, low)
    sent_db = _source_gain_db(arrivals, source, bands)
    first = _first_arrival(arrivals, gain)
    if sent_db < SOURCE_AWAY_DB:
        first = _first_on_axis(arrivals, gain, bands, air or Air())
    is_listed = image_order >= 1
    curve = decay_levels(arrivals, pair.histogram, receiver.aim, receiver.pattern)
    return PairFacts(
        layout=layout,
        source=source.name,
        receiver=receiver.name,
        sounds=source.directivity.name,
        distance_m=float(np.linalg.norm(source.position_m - receiver.position_m)),
        is_seen=measures.from_direct,
        direct_gain_db=float(to_level_db(gain[0] ** 2)) if len(gain) else float("nan"),
        c50_mid_db=mean_of(measures.c50_db, bands.middle),
        measures=measures,
        room_decay=decay,
        early=_early(arrivals, gain, first, side_names, things or {}, bands)
        if is_listed
        else (),
        decay=Decay(curve.time_s, curve.level_db, curve.error_db),
        energy=_energy_in_time(pair, receiver, first),
        source_gain_db=sent_db,
        is_listed=is_listed,
    )


def _source_gain_db(arrivals: Arrivals, source: Source, bands: Bands) -> float:
    """Give what the source sends as direct sound re its axis, 1 to 8 kHz; NaN without any."""
    if not len(arrivals.delay_s) or arrivals.order[0] != 0:
        return float("nan")
    cosine = np.clip(arrivals.departure[0] @ source.aim, -1.0, 1.0)
    sent = source_gain(source.directivity, np.degrees(np.arccos([cosine])))[:, 0]
    return float(to_level_db(sent[within(bands, 1000.0, 8000.0)].mean()))


def _taken(gain: Float) -> float:
    """Give what the microphone takes of the first arrival, as levels are re it.

    A microphone turned away from the source takes little of it; what one that hears all
    round would take stands for it then.
    """
    taken = float(gain[0] ** 2)
    return 1.0 if to_level_db(taken) <= TURNED_AWAY_DB else taken


def _first_on_axis(arrivals: Arrivals, gain: Float, bands: Bands, air: Air) -> Float:
    """Give the direct sound's energy per band as if the source had pointed this way.

    It is 1/d^2, less what the air takes: energy is re 1 m on the axis.
    """
    distance_m = float(arrivals.distance_m[0])
    in_air = np.exp(-attenuation_per_m(air, bands.centre_hz) * distance_m)
    return np.asarray(in_air / distance_m**2 * _taken(gain))


def _first_arrival(arrivals: Arrivals, gain: Float) -> Float:
    """Give the first arrival's energy per band, which levels are re; empty without one."""
    if not len(arrivals.delay_s):
        return np.zeros(0)
    return np.asarray(arrivals.energy[0] * _taken(gain))


def _early(
    arrivals: Arrivals,
    gain: Float,
    reference: Float,  # (n_band,) energy that levels are re
    names: Sequence[str],
    things: Mapping[str, str],
    bands: Bands,
) -> tuple[Arrival, ...]:
    """List the early reflections as the microphone takes them, re the first arrival."""
    if not len(arrivals.delay_s):
        return ()
    high = within(bands, 1000.0, 8000.0)
    heard = arrivals.energy * gain[:, None] ** 2
    first = reference[high]
    usable = first > 0.0
    if not usable.any():
        return ()
    ratio = (heard[:, high][:, usable] / first[usable]).max(axis=1)
    level_db = to_level_db(ratio)
    delay_ms = 1000.0 * (arrivals.delay_s - arrivals.delay_s[0])
    found = []
    for i in range(len(delay_ms)):
        if arrivals.order[i] == 0 or delay_ms[i] > EARLY_MS or not np.isfinite(level_db[i]):
            continue
        over = tuple(names[k] for k in arrivals.surfaces[i, : arrivals.order[i]].tolist())
        part_of = tuple(things.get(name, "") for name in over)
        found.append(Arrival(float(delay_ms[i]), float(level_db[i]), over, part_of))
    return tuple(found)


def _energy_in_time(pair: PairResult, receiver: Receiver, first: Float) -> EnergyInTime:
    """Sum arrivals and rays, as the microphone takes them, into the histogram's bins.

    Levels are re ``first``, the first arrival's energy per band as in `_early`.
    """
    arrivals, histogram = pair.arrivals, pair.histogram
    gain = arrival_gain(arrivals.direction, receiver.aim, receiver.pattern)
    heard = arrivals.energy * gain[:, None] ** 2
    n_time = histogram.energy.shape[2]
    specular = np.zeros((histogram.energy.shape[1], n_time))
    if len(arrivals.delay_s):
        column = (arrivals.delay_s / histogram.bin_s).astype(np.int64)
        inside = column < n_time
        np.add.at(specular.T, column[inside], heard[inside])
    share = histogram_share(histogram, receiver.aim, receiver.pattern)
    total = histogram.energy.mean(axis=0) * share + specular
    if first.size and bool((first > 0.0).all()):
        reference, start_s = first, float(arrivals.delay_s[0])
    else:
        loudest = int(np.argmax(total.sum(axis=0)))
        reference, start_s = total[:, loudest], loudest * histogram.bin_s
    safe = np.where(reference > 0.0, reference, 1.0)[:, None]
    # The bin that holds the direct sound starts the picture.
    first_bin = np.floor(start_s / histogram.bin_s) * histogram.bin_s
    start_ms = 1000.0 * (np.arange(n_time) * histogram.bin_s - first_bin)
    return EnergyInTime(start_ms, 1000.0 * histogram.bin_s, total / safe, specular / safe)
