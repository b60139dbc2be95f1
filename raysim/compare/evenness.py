"""How evenly sound dies away over octaves, held within one method, and where two disagree.

Octaves that the wave solver answers for and octaves from rays are never held against each
other: what would be found is the seam between the methods. Evenness and tilt are of octaves
that are no hints, with the error that batches of rays give; two layouts by waves are held
against each other as shares of what the room had, in which a factor between the methods
cancels. Theory: DEVELOPERS.md, C9. Times are decay times T30 in seconds.
"""

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from raysim.compare.figures import OCTAVES, Readings
from raysim.compare.jnd import least_factor
from raysim.measures.pair import spread
from raysim.report.numbers import amount, band_name, with_error
from raysim.units import Float

#: Octaves of one room that differ by less are even: a consultant's standard, as quoted.
EVEN_RATIO: Final = 1.25

#: Octaves whose decay is held against each other.
LOWS, HIGHS = ("250", "500"), ("2k", "4k")


@dataclass(frozen=True, slots=True)
class Evenness:
    """How much longer one octave lasts than another in a layout."""

    longest: str  # nominal octave
    shortest: str
    ratio: float
    error: float  # standard error of the ratio, NaN not known
    is_uneven: bool  # beyond `EVEN_RATIO`, for certain

    @property
    def is_even(self) -> bool:
        """Whether no octave was found to last longer than even ones may."""
        return self.ratio <= EVEN_RATIO

    @property
    def times(self) -> str:
        """The ratio with its error, for a sentence."""
        return f"{with_error(self.ratio, self.error, 0.01)} times as long"


@dataclass(frozen=True, slots=True)
class Tilt:
    """Low-mids over highs in a layout, by one method."""

    lows: tuple[str, ...]  # nominal octaves; empty: none is known
    value: float  # NaN not known
    without: Float | None  # (n_batch,) the same without each batch

    @property
    def error(self) -> float:
        """Standard error; NaN not known."""
        return math.nan if self.without is None else float(spread(self.without))


@dataclass(frozen=True, slots=True)
class Kept:
    """What a layout leaves of the room's decay: lows by waves, highs by rays."""

    lows: tuple[str, ...]  # that waves answer for
    low_s: tuple[float, float]  # in the layout and in the room, by waves
    high_s: tuple[float, float]  # the same, by rays


@dataclass(frozen=True, slots=True)
class Seam:
    """One octave that both methods answer for, in one layout."""

    layout: str
    band: str
    waves_s: float
    rays_s: float

    @property
    def apart(self) -> float:
        """The longer over the shorter."""
        return max(self.waves_s, self.rays_s) / min(self.waves_s, self.rays_s)


def judged_octaves(readings: Readings, names: Sequence[str]) -> tuple[str, ...]:
    """Give those octaves that are no hints and that all layouts know."""
    return tuple(
        name
        for name in names
        if (i := readings.find("t30_s", name)) is not None
        and not readings.quantities[i].is_hint
        and np.isfinite(readings.value[:, i]).all()
    )


def _columns(readings: Readings, octaves: Sequence[str]) -> list[int]:
    """Give the places of T30 in octaves that are known."""
    found = (readings.find("t30_s", octave) for octave in octaves)
    return [i for i in found if i is not None]


def wave_octaves(readings: Readings) -> tuple[str, ...]:
    """Give the octaves that the wave solver answers for in all layouts."""
    return tuple(q.band for q in readings.quantities if q.measure == "t30_s" and q.by_wave)


def evenness(readings: Readings, layout: str, octaves: Sequence[str]) -> Evenness:
    """Hold octaves of one layout against each other  (C9).

    Parameters
    ----------
    readings : Readings
    layout : str
    octaves : sequence of str
        Two or more of `judged_octaves`: the caller sees to it that none is a hint.

    Returns
    -------
    Evenness
        The longest over the shortest; if some octave outlasts another for certain, the
        longest over the shortest of those.
    """
    i_layout = readings.index(layout)
    columns = _columns(readings, octaves)
    t30_s = readings.value[i_layout, columns]
    without = readings.without[i_layout]
    n_pair = len(octaves) * (len(octaves) - 1) // 2
    n_batch = 0 if without is None else len(without)
    factor = least_factor(len(readings.layouts) * n_pair, n_batch)
    found = []
    for a, b in itertools.permutations(range(len(octaves)), 2):
        ratio, error = float(t30_s[a] / t30_s[b]), math.nan
        if without is not None:
            error = float(spread(np.log(without[:, columns[a]] / without[:, columns[b]])))
        is_uneven = math.log(ratio / EVEN_RATIO) > factor * error if n_batch > 1 else False
        found.append(Evenness(octaves[a], octaves[b], ratio, ratio * error, is_uneven))
    certain = [one for one in found if one.is_uneven]
    return max(certain or found, key=lambda one: one.ratio)


def tilt(readings: Readings, layout: str) -> Tilt:
    """Give the low-mids over the highs of a layout, of octaves that are no hints  (C9)."""
    lows, highs = judged_octaves(readings, LOWS), judged_octaves(readings, HIGHS)
    if not lows or not highs:
        return Tilt((), math.nan, None)
    low, high = _columns(readings, lows), _columns(readings, highs)
    i_layout = readings.index(layout)
    t30_s, without = readings.value[i_layout], readings.without[i_layout]
    value = float(t30_s[low].mean() / t30_s[high].mean())
    if without is None:
        return Tilt(lows, value, None)
    return Tilt(lows, value, without[:, low].mean(axis=1) / without[:, high].mean(axis=1))


def is_tilted(one: Tilt, room: Tilt, factor: float) -> bool:
    """Tell if lows outlast highs for certain, and more than in the room  (C9).

    Parameters
    ----------
    one, room : Tilt
        Of a layout and of the room as described.
    factor : float
        Standard errors to exceed.
    """
    if one.without is None or room.without is None:
        return False
    more = math.log(one.value) - max(math.log(room.value), 0.0) - math.log(EVEN_RATIO)
    first, other = np.log(one.without), np.maximum(np.log(room.without), 0.0)
    if len(first) == len(other):
        error = float(spread(first - other))
    else:
        error = math.hypot(float(spread(first)), float(spread(other)))
    return more > factor * error


def kept_by_waves(readings: Readings, layout: str, room: str) -> Kept | None:
    """Give what a layout leaves of lows by waves, if waves tell of the same tilt  (C9).

    Returns
    -------
    Kept or None
        None: no low-mid is known from waves, or a layout leaves no more of it than of the
        highs, each share within its own method.
    """
    waves = wave_octaves(readings)
    lows = tuple(b for b in LOWS if b in waves and math.isfinite(readings.t30_s(layout, b)))
    highs = judged_octaves(readings, HIGHS)
    if not lows or not highs:
        return None
    low_s, high_s = (
        tuple(float(np.mean([readings.t30_s(n, b) for b in of])) for n in (layout, room))
        for of in (lows, highs)
    )
    left_low, left_high = (now_s / was_s for now_s, was_s in (low_s, high_s))
    if not left_low > EVEN_RATIO * left_high:
        return None
    return Kept(lows, (low_s[0], low_s[1]), (high_s[0], high_s[1]))


def seam(readings: Readings, layout: str) -> Seam | None:
    """Give the highest octave that waves and rays both answer for; None without any."""
    i_layout = readings.index(layout)
    for i, (octave, _) in reversed(tuple(enumerate(OCTAVES))):
        if octave in wave_octaves(readings) and readings.rays_t30_s is not None:
            waves_s = readings.t30_s(layout, octave)
            rays_s = float(readings.rays_t30_s[i_layout, i])
            if waves_s > 0.0 and rays_s > 0.0:  # neither is NaN
                return Seam(layout, octave, waves_s, rays_s)
    return None


def seam_sentence(seams: Sequence[Seam]) -> str:
    """Say what both methods give where they meet; empty without any.

    Parameters
    ----------
    seams : sequence of Seam
        Of layouts of one comparison, as they are to be called.
    """
    if not seams:
        return ""
    band = seams[0].band
    told = [s for s in seams if s.band == band]
    each = "; ".join(
        f"{s.layout} {amount(s.waves_s, 0.01)} / {amount(s.rays_s, 0.01)} s" for s in told
    )
    most = 100.0 * (max(s.apart for s in told) - 1.0)
    return (
        f"At {band_name(band)} both methods give T30 (by waves / by rays): {each}. The longer "
        f"exceeds the shorter by up to {amount(most, 1.0)} %: that octave is a hint, and none "
        "from waves is held against one from rays."
    )
