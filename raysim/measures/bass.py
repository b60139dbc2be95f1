"""What the bass is like at a place: how even, what each dip and peak comes from, what rings.

Levels are re the same source in free field at 1 m. A dip is put down to one reflection or
to one standing wave only if that alone would make it; else to nothing. Theory:
DEVELOPERS.md, W55 to W58.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import scipy
from numpy.typing import NDArray

from raysim.absorbers.admittance import Admittance
from raysim.records import AROUND_M, Arrivals, BassResponse, Modes, SeatMap
from raysim.units import LN_60_DB, Float, to_energy, to_level_db

#: From here up bass is judged, Hz, and up to here dips and peaks are named one by one.
LOW_HZ, NAMED_HZ = 30.0, 300.0
#: A dip or peak stands out from both sides by this much: common practice, no source.
STANDS_OUT_DB = 6.0
#: Highest over lowest level of a well treated place, and of a good start: common practice,
#: no source.
WELL_DB, START_DB = 10.0, 20.0

#: Points per octave, and the width over which energy is averaged, octaves.
_PER_OCTAVE, _WIDTH = 48, 1.0 / 12.0
#: Hz between two points of a spectrum, at most.
_FINE_HZ = 0.25
#: How far beside a dip two paths may have theirs, and how far round it they are compared
#: with what is heard, octaves.
_BESIDE, _ROUND = 1.0 / 6.0, 1.0 / 3.0
#: What a cause must explain of a dip, as a share, to be called its cause.
_EXPLAINS = 0.5
#: A mode this weak at a place is in its null there, re its mean over the room.
_NULL = 0.35
#: A mode makes a peak if alone it is within this of it, dB.
_MAKES_DB = 6.0


@dataclass(frozen=True, slots=True)
class SeatLevels:
    """Level over frequency at one place, and within 10 cm of it."""

    freq_hz: Float  # (n_freq,) 48 to the octave
    level_db: Float  # (n_freq,) mean energy of a twelfth of an octave
    raw_db: Float  # (n_freq,)
    around_db: Float  # (7, n_freq) the place itself first; nan where there is no air

    @property
    def low_db(self) -> Float:
        """Lowest within 10 cm."""
        return np.asarray(np.nanmin(self.around_db, axis=0))

    @property
    def high_db(self) -> Float:
        """Highest within 10 cm."""
        return np.asarray(np.nanmax(self.around_db, axis=0))

    @property
    def range_db(self) -> float:
        """Highest over lowest level from 30 to 300 Hz."""
        used = self.level_db[self.freq_hz <= NAMED_HZ]
        return float(used.max() - used.min())


@dataclass(frozen=True, slots=True)
class ByReflection:
    """One reflection that makes a dip together with the direct sound."""

    surface: str
    later_m: float  # way longer than the direct one
    alone_db: float  # depth of the dip of these two alone
    fit: float  # correlation with what is heard within 10 cm, -1 to 1
    mirror_m: Float  # (3,) where the mirrored source lies
    source_off_m: float  # of the surface's plane
    receiver_off_m: float


@dataclass(frozen=True, slots=True)
class ByMode:
    """One standing wave that is missing at a dip, or makes a peak."""

    index: int
    freq_hz: float
    kind: str
    between: tuple[str, ...]
    missing_at: tuple[str, ...]  # of "source" and "receiver"
    gain_db: float  # what the level would rise by if it were there; of a peak, its share


@dataclass(frozen=True, slots=True)
class Extreme:
    """A dip or a peak, and what makes it."""

    is_dip: bool
    freq_hz: float
    level_db: float
    size_db: float  # by which it stands out from both sides
    cause: ByReflection | ByMode | None


def seat_levels(pair: BassResponse) -> SeatLevels:
    """Give level over frequency, from 30 Hz or where the response begins, to the crossover."""
    low = max(LOW_HZ, pair.low_hz)
    high = min(pair.crossover_hz, pair.high_hz)
    n = int(_PER_OCTAVE * math.log2(high / low))
    freq_hz = low * 2.0 ** (np.arange(n + 1) / _PER_OCTAVE)
    every = np.concatenate([pair.pressure[None], pair.around])
    n_fft = max(every.shape[1], int(pair.sample_rate_hz / _FINE_HZ))
    energy = np.abs(np.fft.rfft(every, n_fft)) ** 2
    step_hz = pair.sample_rate_hz / n_fft
    total = np.concatenate([np.zeros((len(every), 1)), np.cumsum(energy, axis=1)], axis=1)
    edge = np.arange(total.shape[1]) * step_hz - 0.5 * step_hz
    upper, lower = freq_hz * 2.0 ** (0.5 * _WIDTH), freq_hz * 2.0 ** (-0.5 * _WIDTH)
    mean = np.stack([
        (np.interp(upper, edge, t) - np.interp(lower, edge, t)) / ((upper - lower) / step_hz)
        for t in total
    ])  # fmt: skip
    raw = np.interp(freq_hz, np.arange(energy.shape[1]) * step_hz, energy[0])
    around = np.asarray(to_level_db(np.maximum(mean, 1e-30)))
    return SeatLevels(freq_hz, around[0], to_level_db(np.maximum(raw, 1e-30)), around)


def extremes(
    levels: SeatLevels,
    pair: BassResponse,
    arrivals: Arrivals,
    surfaces: Sequence[str],
    places_m: tuple[Float, Float],
    modes: Modes,
    at: tuple[int, int],
    air_volume_m3: float,
    speed_m_s: float,
    band_hz: Float,
    walls: Sequence[Admittance] | None = None,
) -> tuple[Extreme, ...]:
    """Find the dips and peaks up to 300 Hz, by frequency, and what each comes from  (W55).

    Parameters
    ----------
    levels : SeatLevels
    pair : BassResponse
    arrivals : Arrivals
        Of the same source and receiver.
    surfaces : sequence of str
        Names of the sides that ``arrivals`` tells by number.
    places_m : two (3,) float64
        Of source and receiver.
    modes : Modes
    at : two int
        Which source and receiver of ``modes`` these are.
    air_volume_m3, speed_m_s : float
    band_hz : (n_band,) float64
        Mid-bands of ``arrivals``.
    walls : sequence of Admittance, optional
        Per side: then reflections have their phase too; else as from hard walls.
    """
    ways = _first_reflections(arrivals, surfaces, places_m, band_hz, walls, speed_m_s)
    found = []
    for is_dip in (True, False):
        signed = -levels.level_db if is_dip else levels.level_db
        at_freq, known = scipy.signal.find_peaks(signed, prominence=STANDS_OUT_DB)
        for i, size in zip(at_freq.tolist(), known["prominences"].tolist(), strict=True):
            f, level = float(levels.freq_hz[i]), float(levels.level_db[i])
            if f > NAMED_HZ:
                continue
            if is_dip:
                cause = _of_dip(
                    levels, f, level, size, ways, modes, at, air_volume_m3, speed_m_s
                )
            else:
                cause = _of_peak(f, level, modes, at, air_volume_m3, speed_m_s)
            found.append(Extreme(is_dip, f, level, size, cause))
    return tuple(sorted(found, key=lambda e: e.freq_hz))


@dataclass(frozen=True, slots=True)
class _Way:
    """The direct sound and one reflection, at the receiver and around it."""

    surface: str
    source_m: Float
    mirror_m: Float
    receiver_m: Float
    speed_m_s: float
    strength: Float  # (n_freq,) of the reflection re a hard wall, by ``freq_hz``
    turn: Float  # (n_freq,) its phase
    freq_hz: Float

    def level_db(self, freq_hz: Float) -> Float:
        """Give the level of both re the direct sound at the receiver, (7, n_freq)  (W56)."""
        ears = self.receiver_m + np.concatenate([np.zeros((1, 3)), np.array(AROUND_M)])
        direct = np.linalg.norm(ears - self.source_m, axis=1)[:, None]
        mirrored = np.linalg.norm(ears - self.mirror_m, axis=1)[:, None]
        strength = np.interp(freq_hz, self.freq_hz, self.strength)
        turn = np.interp(freq_hz, self.freq_hz, self.turn)
        k = 2.0 * math.pi * freq_hz / self.speed_m_s
        turned = np.exp(1j * (turn - k * (mirrored - direct)))
        both = 1.0 / direct + strength / mirrored * turned
        return np.asarray(to_level_db(np.abs(both * direct[0]) ** 2))


def _first_reflections(
    arrivals: Arrivals,
    surfaces: Sequence[str],
    places_m: tuple[Float, Float],
    band_hz: Float,
    walls: Sequence[Admittance] | None,
    speed_m_s: float,
) -> list[_Way]:
    """Gather the reflections of first order; none where the direct sound is not seen."""
    source, receiver = places_m
    if not (arrivals.order == 0).any():
        return []
    ways = []
    freq = np.geomspace(0.5 * LOW_HZ, 4.0 * NAMED_HZ, 60)
    for i in np.flatnonzero(arrivals.order == 1).tolist():
        side, distance = int(arrivals.surfaces[i, 0]), float(arrivals.distance_m[i])
        mirror = receiver + distance * arrivals.direction[i]
        if walls is not None and arrivals.cosine is not None:
            y, cosine = walls[side].at(freq), float(arrivals.cosine[i, 0])
            factor = (cosine - y) / (cosine + y)
            strength, turn = np.abs(factor), np.unwrap(np.angle(factor))
        else:
            bands = np.sqrt(arrivals.energy[i]) * distance
            strength, turn = np.interp(freq, band_hz, bands), np.zeros(freq.size)
        ways.append(
            _Way(surfaces[side], source, mirror, receiver, speed_m_s, strength, turn, freq)
        )
    return ways


def _of_dip(
    levels: SeatLevels,
    freq_hz: float,
    level_db: float,
    size_db: float,
    ways: list[_Way],
    modes: Modes,
    at: tuple[int, int],
    air_volume_m3: float,
    speed_m_s: float,
) -> ByReflection | ByMode | None:
    """Give the one cause that explains most of a dip, if it explains enough  (W55)."""
    candidates: list[tuple[float, ByReflection | ByMode]] = []
    near = np.abs(np.log2(levels.freq_hz / freq_hz)) < _ROUND
    heard = levels.around_db[:, near]
    has_air = np.isfinite(heard).all(axis=1)
    for way in ways:
        model = way.level_db(levels.freq_hz[near])
        lowest = int(model[0].argmin())
        if abs(math.log2(float(levels.freq_hz[near][lowest]) / freq_hz)) > _BESIDE:
            continue
        fit = float(np.corrcoef(model[has_air].ravel(), heard[has_air].ravel())[0, 1])
        depth = float(-model[0, lowest])
        normal = way.mirror_m - way.source_m
        source_off = 0.5 * float(np.linalg.norm(normal))
        normal = normal / max(2.0 * source_off, 1e-9)
        off = float(normal @ (0.5 * (way.mirror_m + way.source_m) - way.receiver_m))
        later = float(
            np.linalg.norm(way.receiver_m - way.mirror_m)
            - np.linalg.norm(way.receiver_m - way.source_m)
        )
        candidates.append((
            min(depth, size_db) * max(fit, 0.0),
            ByReflection(way.surface, later, depth, fit, way.mirror_m, source_off, off),
        ))  # fmt: skip
    alone = mode_pressures(modes, (1.0, 1.0), freq_hz, air_volume_m3, speed_m_s)
    for i, (f, decay) in enumerate(zip(modes.freq_hz, modes.decay_s, strict=True)):
        s, r = float(modes.at_source[i, at[0]]), float(modes.at_receiver[i, at[1]])
        missing = tuple(name for name, x in (("source", s), ("receiver", r)) if abs(x) < _NULL)
        # Within its own width, or a semitone where that is less: common practice.
        if not missing or abs(f - freq_hz) > max(0.06 * f, 2.2 / decay):
            continue
        full = abs(alone[i]) * max(abs(s), 1.0 if "source" in missing else 0.0)
        full *= max(abs(r), 1.0 if "receiver" in missing else 0.0)
        gain = float(to_level_db(1.0 + full**2 / float(to_energy(level_db))))
        candidates.append((
            min(gain, size_db),
            ByMode(i, float(f), modes.kind[i], modes.between[i], missing, gain),
        ))  # fmt: skip
    best = max(candidates, key=lambda c: c[0], default=None)
    return best[1] if best is not None and best[0] >= _EXPLAINS * size_db else None


def _of_peak(
    freq_hz: float, level_db: float, modes: Modes, at: tuple[int, int],
    air_volume_m3: float, speed_m_s: float,
) -> ByMode | None:  # fmt: skip
    """Give the mode that makes a peak, if one alone nearly does."""
    if not modes.freq_hz.size:
        return None
    places = modes.at_source[:, at[0]], modes.at_receiver[:, at[1]]
    each = np.abs(mode_pressures(modes, places, freq_hz, air_volume_m3, speed_m_s))
    i = int(each.argmax())
    share = float(to_level_db(each[i] ** 2)) - level_db
    if share < -_MAKES_DB:
        return None
    return ByMode(i, float(modes.freq_hz[i]), modes.kind[i], modes.between[i], (), share)


def mode_pressures(
    modes: Modes,
    places: tuple[Float | float, Float | float],
    freq_hz: float,
    air_volume_m3: float,
    speed_m_s: float,
) -> NDArray[np.complex128]:
    """Give the pressure of each mode alone re free field at 1 m, (n_mode,)  (W57).

    Parameters
    ----------
    modes : Modes
    places : two (n_mode,) float64 or float
        The shape at source and receiver.
    freq_hz, air_volume_m3, speed_m_s : float
    """
    omega, own = 2.0 * math.pi * freq_hz, 2.0 * math.pi * modes.freq_hz
    rate = 0.5 * LN_60_DB / modes.decay_s
    below = own**2 + rate**2 - omega**2 + 2j * omega * rate
    return np.asarray(
        4.0 * math.pi * speed_m_s**2 / air_volume_m3 * places[0] * places[1] / below
    )


def mode_levels_db(modes: Modes, at: tuple[int, int]) -> Float:
    """Give how strongly each mode joins two places, re places of mean strength, dB."""
    both = modes.at_source[:, at[0]] * modes.at_receiver[:, at[1]]
    return np.asarray(to_level_db(np.maximum(both**2, 1e-12)))


def moved_hz(
    cause: ByReflection, freq_hz: float, source_m: Float, receiver_m: Float, by_m: float,
    is_source: bool,
) -> float:  # fmt: skip
    """Give where a dip goes if source or receiver move off the surface that makes it  (W56).

    ``by_m`` is positive away from the surface. The dip keeps its share of a wavelength.
    """
    normal = cause.mirror_m - source_m
    normal = normal / np.linalg.norm(normal)
    source, mirror, receiver = source_m, cause.mirror_m, receiver_m
    if is_source:
        source, mirror = source - by_m * normal, mirror + by_m * normal
    else:
        receiver = receiver - by_m * normal
    later = float(np.linalg.norm(receiver - mirror) - np.linalg.norm(receiver - source))
    return freq_hz * cause.later_m / max(later, 1e-6)


#: Decay times from which single notes were heard to ring, Hz and s, as published: they
#: disagree, so they make a band. Low edge: 0.85 s at 32 Hz falling to 0.2 s from 100 Hz
#: (Stephenson, PhD thesis, University of Salford, 2012; seen second-hand). High edge:
#: nothing noticed up to 2 s at 50 Hz, and 0.4 s at 100 Hz (a later thesis on modal decay;
#: seen second-hand); held level outside.
_HEARD_FROM = ((32.0, 0.85), (100.0, 0.2))
_HEARD_AT_LAST = ((50.0, 2.0), (100.0, 0.4))
#: Above this nothing is published, and its limits stand for all.
LIMITS_TO_HZ = _HEARD_AT_LAST[-1][0]


def ringing_band_s(freq_hz: Float) -> tuple[Float, Float]:
    """Give the decay times between which sources disagree whether a note rings  (W58).

    Examples
    --------
    >>> low, high = ringing_band_s(np.array([32.0, 100.0, 200.0]))
    >>> low.round(2).tolist(), high.round(2).tolist()
    ([0.85, 0.2, 0.2], [2.0, 0.4, 0.4])
    """
    edges = [
        np.exp(np.interp(np.log(freq_hz), *np.log(np.array(table)).T))
        for table in (_HEARD_FROM, _HEARD_AT_LAST)
    ]
    return np.asarray(edges[0]), np.asarray(edges[1])


@dataclass(frozen=True, slots=True)
class SeatQuality:
    """How even the bass is at each place of a map."""

    range_db: Float  # (n_y, n_x) highest over lowest level; nan where nobody can be
    dip_hz: Float  # (n_y, n_x) of the lowest level
    best: tuple[int, int]  # row and column of the most even place


def judged_hz(seats: SeatMap) -> tuple[float, float]:
    """Give the lowest and the highest frequency that places of a map are judged by."""
    used = seats.freq_hz[(seats.freq_hz >= LOW_HZ) & (seats.freq_hz <= NAMED_HZ)]
    return float(used[0]), float(used[-1])


def seat_quality(seats: SeatMap) -> SeatQuality:
    """Judge each place of a map, as far as it goes up to 300 Hz, by highest over lowest."""
    low, high = judged_hz(seats)
    used = (seats.freq_hz >= low) & (seats.freq_hz <= high)
    level = seats.level_db[used]
    range_db = level.max(axis=0) - level.min(axis=0)
    filled = np.where(np.isfinite(level), level, np.inf)
    dip_hz = np.where(np.isfinite(range_db), seats.freq_hz[used][filled.argmin(axis=0)], np.nan)
    best = np.unravel_index(int(np.nanargmin(range_db)), range_db.shape)
    return SeatQuality(range_db, dip_hz, (int(best[0]), int(best[1])))


@dataclass(frozen=True, slots=True)
class Move:
    """A short way to a place where one frequency is louder."""

    x_m: float  # from where one is
    y_m: float
    gain_db: float


def nearest_louder(
    seats: SeatMap, at_m: Float, freq_hz: float, least_db: float = STANDS_OUT_DB,
    reach_m: float = 0.7,
) -> Move | None:  # fmt: skip
    """Give the shortest way on a map to where a frequency is louder by so much, or None."""
    i = int(np.abs(np.log(seats.freq_hz / freq_hz)).argmin())
    if abs(math.log2(float(seats.freq_hz[i]) / freq_hz)) > _WIDTH:
        return None
    dx, dy = seats.x_m[None, :] - at_m[0], seats.y_m[:, None] - at_m[1]
    away = np.hypot(dx, dy)
    level = seats.level_db[i]
    known = np.where(np.isfinite(level), away, np.inf)
    here = np.unravel_index(int(known.argmin()), known.shape)
    if known[here] > reach_m:
        return None
    gain = level - level[here]
    good = np.where(np.isfinite(gain) & (gain >= least_db) & (away <= reach_m), away, np.inf)
    spot = np.unravel_index(int(good.argmin()), good.shape)
    if not np.isfinite(good[spot]):
        return None
    return Move(
        float(seats.x_m[spot[1]] - at_m[0]), float(seats.y_m[spot[0]] - at_m[1]),
        float(gain[spot]),
    )  # fmt: skip
