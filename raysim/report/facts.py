"""What the report says, as plain numbers: gathered once for page, table and files.

Times are seconds after emission unless the name says otherwise; early arrivals count
from the direct sound, or from the first arrival where there is no line of sight.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from raysim.measures.pair import (
    PairMeasures,
    RoomDecay,
    decay_levels,
    measure_pair,
    room_decay,
)
from raysim.measures.theory import (
    decay_time_s,
    eyring_area_m2,
    mean_free_path_m,
    transition_frequency_hz,
)
from raysim.records import Arrivals, PairResult
from raysim.report.flutter import FacingPair, facing_pairs
from raysim.response.microphone import arrival_gain, histogram_share
from raysim.scene.air import attenuation_per_m, speed_m_s
from raysim.scene.directivity import mean_gain
from raysim.scene.model import Bands, Receiver, Source
from raysim.store.file import Results
from raysim.units import Float, to_level_db

#: How long reflections count as early here.
EARLY_MS = 50.0

#: Early-reflection window: EBU Tech 3276, 2nd edition (1998), section 2.2.
WINDOW_MS = 15.0
WINDOW_DB = -10.0

#: A microphone that takes the direct sound weaker than this is turned away from it.
TURNED_AWAY_DB = -6.0


@dataclass(frozen=True, slots=True)
class Target:
    """The usual aim for decay time, where it applies."""

    low_s: float
    high_s: float
    words: str
    labels: tuple[str, ...]  # of the bands it is drawn in
    is_extrapolated: bool


@dataclass(frozen=True, slots=True)
class Arrival:
    """One early reflection as a listener meets it."""

    delay_ms: float  # after the direct sound, or after the first arrival
    level_db: float  # re the same, in the octave from 1 to 8 kHz where it is strongest
    surfaces: tuple[str, ...]  # in the order of reflection

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
    distance_m: float
    is_seen: bool  # there is a line of sight
    direct_gain_db: float  # what the receiver's pattern makes of the first arrival
    measures: PairMeasures
    room_decay: RoomDecay
    early: tuple[Arrival, ...]  # by delay, up to EARLY_MS
    decay: Decay
    energy: EnergyInTime

    @property
    def is_turned_away(self) -> bool:
        """Whether the microphone points away from the source."""
        return self.direct_gain_db <= TURNED_AWAY_DB

    @property
    def strongest(self) -> Arrival | None:
        """The early reflection with the highest level."""
        return max(self.early, key=lambda a: a.level_db, default=None)


@dataclass(frozen=True, slots=True)
class LayoutFacts:
    """One layout: its pairs, and what holds for the room as a whole."""

    name: str
    pairs: tuple[PairFacts, ...]
    t30_s: Float  # (n_band,) mean over pairs, of the room even at a close microphone
    t30_error_s: Float  # (n_band,) as if the pairs shared all their chance
    t30_mid_s: float  # 500 Hz and 1 kHz
    t30_mid_error_s: float
    is_hidden: bool  # for some pair, T30 is that of the sound without the direct
    transition_hz: float
    is_modal: NDArray[np.bool_]  # (n_band,)
    flutter: tuple[FacingPair, ...]  # only those that outlast the room
    n_ray: int
    n_lost: int
    n_segment: int


@dataclass(frozen=True, slots=True)
class RoomFacts:
    """The room, and all its layouts."""

    volume_m3: float
    area_m2: float
    mean_free_path_m: float
    speed_m_s: float
    target: Target
    layouts: tuple[LayoutFacts, ...]


def gather(results: Results) -> RoomFacts:
    """Read off a result file all that the report shows.

    Parameters
    ----------
    results : Results
        An open result file with at least one layout.

    Returns
    -------
    RoomFacts
    """
    volume = results.room.air_volume_m3
    return RoomFacts(
        volume_m3=volume,
        area_m2=results.room.area_m2,
        mean_free_path_m=mean_free_path_m(volume, results.room.area_m2),
        speed_m_s=speed_m_s(results.air),
        target=target_for(volume, results.bands),
        layouts=tuple(_layout(results, name) for name in results.layout_names),
    )


def target_for(volume_m3: float, bands: Bands) -> Target:
    """Give the usual aim for the decay time of control and listening rooms  (M16).

    Tm = 0.25 (V / 100 m3)^(1/3) s, from 0.2 to 0.4 s, within 0.05 s from 200 Hz to
    4 kHz: EBU Tech 3276, 2nd edition (1998), section 2.3. Below 51.2 m3 the formula
    falls under 0.2 s; the lower end of the range is kept there, which extrapolates.
    """
    formula = 0.25 * (volume_m3 / 100.0) ** (1.0 / 3.0)
    middle = min(0.4, max(0.2, formula))
    low, high = middle - 0.05, middle + 0.05
    words = (
        f"the usual aim for control and listening rooms, {low:.2f} to {high:.2f} s from "
        "200 Hz to 4 kHz (EBU Tech 3276, 2nd ed., 2.3)"
    )
    if formula < 0.2:
        words += (
            f"; for {volume_m3:.0f} m³ its formula gives {formula:.2f} s, below its own range, "
            "so the range's lower end, 0.2 s, is used"
        )
    labels = tuple(
        label
        for label, f in zip(bands.labels, bands.centre_hz.tolist(), strict=True)
        if 190.0 < f < 4100.0
    )
    return Target(low, high, words, labels, formula < 0.2)


def within(bands: Bands, low_hz: float, high_hz: float) -> NDArray[np.intp]:
    """Give the indices of the bands whose nominal centres lie in a range, ends included."""
    centre = bands.centre_hz
    return np.flatnonzero((centre > 0.97 * low_hz) & (centre < 1.03 * high_hz))


def middle_of(bands: Bands) -> NDArray[np.intp]:
    """Give the bands of the octaves 500 Hz and 1 kHz, whose mean ISO 3382-1 reports."""
    return np.flatnonzero((bands.centre_hz > 360.0) & (bands.centre_hz < 1400.0))


def mean_of(values: Float, index: NDArray[np.intp]) -> float:
    """Average what is a number among some bands; NaN if none is."""
    chosen = values[index]
    chosen = chosen[np.isfinite(chosen)]
    return float(chosen.mean()) if len(chosen) else float("nan")


def _column_means(values: Float) -> Float:
    """Average each column's numbers; NaN where a column has none."""
    known = np.isfinite(values)
    count = known.sum(axis=0)
    total = np.where(known, values, 0.0).sum(axis=0)
    return np.where(count > 0, total / np.maximum(count, 1), np.nan)


def _layout(results: Results, name: str) -> LayoutFacts:
    sources = {s.name: s for s in results.sources}
    receivers = {r.name: r for r in results.receivers}
    pairs = tuple(
        pair_facts(
            results.pair(name, s, r), name, sources[s], receivers[r], results.sides.names,
            results.bands,
        )
        for s, r in results.pair_names(name)
    )  # fmt: skip
    bands = results.bands
    t30_s = _column_means(np.stack([p.room_decay.t30_s for p in pairs]))
    error_s = _column_means(np.stack([p.room_decay.error_s for p in pairs]))
    middle = middle_of(bands)
    mid_s = mean_of(t30_s, middle)
    known_s = mid_s if np.isfinite(mid_s) else mean_of(_eyring_s(results), middle)
    transition = float(transition_frequency_hz(results.room.air_volume_m3, known_s))
    counts = results.counts(name).values()
    return LayoutFacts(
        name=name,
        pairs=pairs,
        t30_s=t30_s,
        t30_error_s=error_s,
        t30_mid_s=mid_s,
        t30_mid_error_s=mean_of(error_s, middle),
        is_hidden=any(p.room_decay.hidden for p in pairs),
        transition_hz=transition,
        is_modal=np.asarray(bands.centre_hz < transition),
        flutter=_audible_flutter(results, t30_s),
        n_ray=sum(c.n_ray for c in counts),
        n_lost=sum(c.n_lost for c in counts),
        n_segment=sum(c.n_segment for c in counts),
    )


def _eyring_s(results: Results) -> Float:
    """Give Eyring's decay time per band, for when none could be read off."""
    sides, air = results.sides, results.air
    return decay_time_s(
        eyring_area_m2(sides.area_m2, sides.alpha),
        results.room.air_volume_m3,
        speed_m_s(air),
        attenuation_per_m(air, results.bands.centre_hz),
    )


def _audible_flutter(results: Results, t30_s: Float) -> tuple[FacingPair, ...]:
    """Keep the facing pairs whose own decay outlasts the room's, 1 to 4 kHz.

    Common practice, no source: what dies away with the rest is not heard as flutter.
    """
    high = within(results.bands, 1000.0, 4000.0)
    n_surface = len(results.room.surfaces)
    pairs = facing_pairs(
        results.room,
        results.sides.alpha[:n_surface, high].mean(axis=1),
        results.sides.scattering[:n_surface, high].mean(axis=1),
        speed_m_s(results.air),
    )
    lasting = mean_of(t30_s, high)
    return tuple(p for p in pairs if p.decay_s > lasting)


def pair_facts(
    pair: PairResult,
    layout: str,
    source: Source,
    receiver: Receiver,
    side_names: Sequence[str],
    bands: Bands,
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
    curve = decay_levels(arrivals, pair.histogram, receiver.aim, receiver.pattern)
    return PairFacts(
        layout=layout,
        source=source.name,
        receiver=receiver.name,
        distance_m=float(np.linalg.norm(source.position_m - receiver.position_m)),
        is_seen=measures.from_direct,
        direct_gain_db=float(to_level_db(gain[0] ** 2)) if len(gain) else float("nan"),
        measures=measures,
        room_decay=room_decay(
            measures, arrivals, pair.histogram, bands, receiver.aim, receiver.pattern
        ),
        early=_early(arrivals, gain, side_names, bands),
        decay=Decay(curve.time_s, curve.level_db, curve.error_db),
        energy=_energy_in_time(pair, receiver),
    )


def _first_arrival(arrivals: Arrivals, gain: Float) -> Float:
    """Give the first arrival's energy per band, which levels of later ones are re.

    A microphone turned away from the source takes little of it; what one that hears all
    round would take stands for it then. Empty without arrivals.
    """
    if not len(arrivals.delay_s):
        return np.zeros(0)
    turned_away = to_level_db(gain[0] ** 2) <= TURNED_AWAY_DB
    return np.asarray(arrivals.energy[0] * (1.0 if turned_away else gain[0] ** 2))


def _early(
    arrivals: Arrivals, gain: Float, names: Sequence[str], bands: Bands
) -> tuple[Arrival, ...]:
    """List the early reflections as the microphone takes them, re the first arrival."""
    if not len(arrivals.delay_s):
        return ()
    high = within(bands, 1000.0, 8000.0)
    heard = arrivals.energy * gain[:, None] ** 2
    first = _first_arrival(arrivals, gain)[high]
    usable = first > 0.0
    if not usable.any():
        return ()
    ratio = (heard[:, high][:, usable] / first[usable]).max(axis=1)
    level_db = to_level_db(ratio)
    delay_ms = 1000.0 * (arrivals.delay_s - arrivals.delay_s[0])
    return tuple(
        Arrival(
            float(delay_ms[i]),
            float(level_db[i]),
            tuple(names[k] for k in arrivals.surfaces[i, : arrivals.order[i]].tolist()),
        )
        for i in range(len(delay_ms))
        if arrivals.order[i] > 0 and delay_ms[i] <= EARLY_MS and np.isfinite(level_db[i])
    )


def _energy_in_time(pair: PairResult, receiver: Receiver) -> EnergyInTime:
    """Sum arrivals and rays, as the microphone takes them, into the histogram's bins.

    Levels are re the first arrival; a microphone turned away as in `_early`.
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
    first = _first_arrival(arrivals, gain)
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
