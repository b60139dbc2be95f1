"""The bass of layouts beside each other: how even, how deep its dips, what rings, how loud.

Below the crossover nothing is left to chance; what is not known is where a head will be and
what walls take. Each number is therefore had at the place and 10 cm to all sides of it, and
a difference between layouts is called only if it exceeds both what these places make of it
and the least that is noticed. Theory: DEVELOPERS.md, C8. Levels are re free field at 1 m.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import scipy

from raysim.compare.figures import OCTAVES
from raysim.compare.jnd import JNDS, Jnd
from raysim.compare.robust import Held, held
from raysim.measures.bass import NAMED_HZ, mode_levels_db, ringing_band_s, seat_levels
from raysim.records import Bass, BassResponse
from raysim.store.file import Results
from raysim.units import Float, to_energy, to_level_db

#: Modes that join source and microphone at least so strongly are judged, dB re places of
#: mean strength: common practice, no source.
JOINED_DB = -10.0
#: Shares of the draws that a decay time is told between.
LOW_SHARE, HIGH_SHARE = 0.05, 0.95

_LEVEL = JNDS["g_db"]
_EVEN = Jnd(3.0, False, "no source", "common practice", (0.0, 60.0), (31.5, 250.0))
#: What is noticed of each measure of the bass.
BASS_JNDS: Mapping[str, Jnd] = {
    "bass_range_db": _EVEN,
    "bass_dip_db": _EVEN,
    "bass_level_db": Jnd(
        _LEVEL.size, False, f"{_LEVEL.source}; taken over, the table has no row for the bass",
        _LEVEL.certainty, _LEVEL.typical, _LEVEL.bands_hz,
    ),
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Ringing:
    """The standing wave that outlasts published limits by most at one place."""

    freq_hz: float
    decay_s: float
    decay_low_s: float  # by the materials' bounds
    decay_high_s: float
    kind: str
    between: tuple[str, ...]
    limit_low_s: float  # published limits at its pitch: they disagree between these
    limit_high_s: float
    n_mode: int  # that join source and microphone
    n_over: int  # that ring longer than any published limit
    n_open: int  # that ring for as long as the limits disagree about

    @property
    def verdict(self) -> str:
        """What limits say: "over" all published ones, "open" between them, or "under" all."""
        if self.decay_s > self.limit_high_s:
            return "over"
        return "open" if self.decay_s > self.limit_low_s else "under"


@dataclass(frozen=True, slots=True)
class BassSeat:
    """The bass of one layout from one source at one receiver.

    Values are at the place itself, first, and at six places 10 cm from it; nan where there
    is no air.
    """

    layout: str
    source: str
    receiver: str
    value: Mapping[tuple[str, str], Float]  # by measure and nominal octave: (7,)
    dip_hz: float  # of the deepest dip; nan without any
    ringing: Ringing | None  # None: no standing wave joins the two

    def at_place(self, measure: str, band: str = "") -> float:
        """Give a measure at the place itself."""
        return float(self.value[measure, band][0])

    def spread(self, measure: str, band: str = "") -> float:
        """Give how far 10 cm take a measure from what it is at the place."""
        return place_spread(self.value[measure, band])


@dataclass(frozen=True, slots=True)
class BassDifference:
    """How the bass of one layout differs from another's at one place: other less first."""

    first: str
    other: str
    source: str
    receiver: str
    measure: str  # a key of `BASS_JNDS`
    band: str
    value: float
    spread: float  # how far 10 cm take it
    steps: float  # in just-noticeable differences

    @property
    def is_audible(self) -> bool:
        """Whether it is noticed, and of one sign within 10 cm."""
        return abs(self.steps) >= 1.0 and abs(self.value) > self.spread


@dataclass(frozen=True, slots=True)
class BassRise:
    """How long the lowest octave lasts in one layout, against what an aim lets pass."""

    layout: str
    band: str
    t30_s: float  # mean over pairs, by the wave solver
    error_s: float
    limit_s: float
    source_text: str
    certainty: str

    @property
    def verdict(self) -> str:
        """What the limit says: "over" it, "under", or "open" within two standard errors."""
        apart = self.t30_s - self.limit_s
        if abs(apart) <= 2.0 * self.error_s:
            return "open"
        return "over" if apart > 0.0 else "under"


@dataclass(frozen=True, slots=True)
class BassCompared:
    """The bass of all layouts that have it."""

    layouts: tuple[str, ...]
    low_hz: float  # known between these in all layouts
    high_hz: float
    seats: tuple[BassSeat, ...]
    held: Held  # evenness at the seven places, mean over pairs

    def seats_of(self, layout: str) -> tuple[BassSeat, ...]:
        """Give the seats of one layout."""
        return tuple(seat for seat in self.seats if seat.layout == layout)

    def between(self, first: str, other: str) -> tuple[BassDifference, ...]:
        """Give the differences from one layout to another, place by place  (C8)."""
        pairs = zip(self.seats_of(first), self.seats_of(other), strict=True)
        return tuple(bass_difference(a, b, *which) for a, b in pairs for which in a.value)


def place_spread(values: Float) -> float:
    """Give how far the values at other places lie from that of the first, at most.

    NaN where there is no other place.

    Examples
    --------
    >>> place_spread(np.array([1.0, 3.0, np.nan, 0.5]))
    2.0
    """
    away = np.abs(values[1:] - values[0])
    known = away[np.isfinite(away)]
    return float(known.max()) if known.size else math.nan


def bass_difference(a: BassSeat, b: BassSeat, measure: str, band: str) -> BassDifference:
    """Give how one seat differs from the same in another layout  (C8)."""
    change = b.value[measure, band] - a.value[measure, band]
    return BassDifference(
        first=a.layout,
        other=b.layout,
        source=a.source,
        receiver=a.receiver,
        measure=measure,
        band=band,
        value=float(change[0]),
        spread=place_spread(change),
        steps=float(change[0]) / BASS_JNDS[measure].size,
    )


def bass_compared(
    results: Results, layouts: Sequence[str], changes: Mapping[str, Float]
) -> BassCompared | None:
    """Read the bass of layouts off a result file.

    Parameters
    ----------
    results : Results
    layouts : sequence of str
    changes : dict of str to (n_draw, n_octave) float64
        By layout: what drawn materials make of decay, as factors.

    Returns
    -------
    BassCompared or None
        Of the layouts that have bass; None for fewer than two, or without a common pair.
    """
    held_in = {name: results.bass(name) for name in layouts}
    known = {name: bass for name, bass in held_in.items() if bass is not None}
    names = common_pairs(list(known.values()))
    if len(known) < 2 or not names:
        return None
    by_pair = {
        layout: {(pair.source, pair.receiver): pair for pair in bass.pairs}
        for layout, bass in known.items()
    }
    every = [by_pair[layout][name] for layout in known for name in names]
    low_hz = max(seat_levels(pair).freq_hz[0] for pair in every)
    high_hz = min(min(pair.crossover_hz, pair.high_hz) for pair in every)
    sources = {s.name: i for i, s in enumerate(results.sources)}
    receivers = {r.name: i for i, r in enumerate(results.receivers)}
    seats = []
    for layout, bass in known.items():
        for source, receiver in names:
            at = (sources[source], receivers[receiver])
            rings = ringing(bass, at, changes.get(layout))
            pair = by_pair[layout][source, receiver]
            seats.append(bass_seat(layout, pair, (low_hz, high_hz), rings))
    return BassCompared(
        tuple(known), float(low_hz), float(high_hz), tuple(seats), held_by_place(seats)
    )


def common_pairs(basses: Sequence[Bass]) -> tuple[tuple[str, str], ...]:
    """Give the pairs of source and receiver that all have, in the order of the first."""
    each = [[(pair.source, pair.receiver) for pair in bass.pairs] for bass in basses]
    return tuple(name for name in each[0] if all(name in of for of in each)) if each else ()


def bass_seat(
    layout: str, pair: BassResponse, range_hz: tuple[float, float], rings: Ringing | None = None
) -> BassSeat:
    """Read one place, between two frequencies  (C8).

    The range is the highest over the lowest level up to `NAMED_HZ`, the dip how far the
    deepest stands out below both its sides, each in twelfths of an octave.
    """
    levels = seat_levels(pair)
    low_hz, high_hz = range_hz
    f = levels.freq_hz
    used = (f >= 0.999 * low_hz) & (f <= 1.001 * min(high_hz, NAMED_HZ))
    level = levels.around_db[:, used]
    dips = [_deepest(one) for one in level]
    value = {
        ("bass_range_db", ""): level.max(axis=1) - level.min(axis=1),
        ("bass_dip_db", ""): np.array([size for size, _ in dips]),
    }
    for label, centre_hz in OCTAVES:
        lower, upper = centre_hz / math.sqrt(2.0), centre_hz * math.sqrt(2.0)
        if low_hz <= lower and upper <= high_hz:  # all of it is known
            each = to_energy(levels.around_db[:, (f >= lower) & (f <= upper)])
            value["bass_level_db", label] = np.asarray(to_level_db(each.mean(axis=1)))
    at = dips[0][1]
    dip_hz = math.nan if at is None else float(f[used][at])
    return BassSeat(layout, pair.source, pair.receiver, value, dip_hz, rings)


def _deepest(level_db: Float) -> tuple[float, int | None]:
    """Give how far the deepest dip stands out and where it is; 0 and None without any."""
    if not np.isfinite(level_db).all():
        return math.nan, None
    at, known = scipy.signal.find_peaks(-level_db, prominence=0.0)
    if not at.size:
        return 0.0, None
    deepest = int(known["prominences"].argmax())
    return float(known["prominences"][deepest]), int(at[deepest])


def ringing(bass: Bass, at: tuple[int, int], change: Float | None = None) -> Ringing | None:
    """Give what rings on longest for its pitch between a source and a receiver  (W58).

    Parameters
    ----------
    bass : Bass
    at : two int
        Which source and which receiver of the modes.
    change : (n_draw, n_octave) float64, optional
        What drawn materials make of decay.
    """
    modes = bass.modes
    joined = np.flatnonzero(mode_levels_db(modes, at) > JOINED_DB)
    if not joined.size:
        return None
    decay = modes.decay_s[joined]
    low, high = ringing_band_s(modes.freq_hz[joined])
    # of the limits the higher one counts first: what is over all of them, then over some
    worst = int(np.argmax(decay / (high if (decay > high).any() else low)))
    i = int(joined[worst])
    f, time_s = float(modes.freq_hz[i]), float(decay[worst])
    range_s = (time_s, time_s)
    if change is not None:
        octave = int(np.argmin([abs(math.log(f / centre)) for _, centre in OCTAVES]))
        share = np.nanquantile(change[:, octave], [LOW_SHARE, HIGH_SHARE])
        # likely coefficients may lie at an end of what was drawn
        range_s = (time_s * min(1.0, float(share[0])), time_s * max(1.0, float(share[1])))
    return Ringing(
        freq_hz=f,
        decay_s=time_s,
        decay_low_s=range_s[0],
        decay_high_s=range_s[1],
        kind=modes.kind[i],
        between=modes.between[i],
        limit_low_s=float(low[worst]),
        limit_high_s=float(high[worst]),
        n_mode=int(joined.size),
        n_over=int((decay > high).sum()),
        n_open=int(((decay > low) & (decay <= high)).sum()),
    )


def held_by_place(seats: Sequence[BassSeat]) -> Held:
    """Rank layouts by how even the bass is at each of the seven places  (C7).

    The mean over pairs counts, all heads having moved alike.
    """
    layouts = tuple(dict.fromkeys(seat.layout for seat in seats))
    drawn = [
        np.stack([s.value["bass_range_db", ""] for s in seats if s.layout == layout])
        for layout in layouts
    ]
    return held("bass position", layouts, np.stack([one.mean(axis=0) for one in drawn], axis=1))
