"""What rooms of each use usually aim at, as bands with their source, and how near one comes.

An aim is never one number: each octave has its band, and each source its certainty. The
distance of a layout is counted in just-noticeable steps beyond the band, averaged over the
octaves that the source speaks of and that are no hints; those of the bass stand beside it.
Theory: DEVELOPERS.md, C4. Times are decay times in seconds.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from raysim.compare.figures import OCTAVES, Readings
from raysim.compare.jnd import JNDS
from raysim.measures.pair import spread
from raysim.report.facts import target_for
from raysim.report.pairs import WINDOW_DB, WINDOW_MS
from raysim.scene.model import Bands
from raysim.scene.uses import USES
from raysim.units import Float

#: How sure a number is.
READ, SEEN, MEMORY = "read", "seen second-hand", "value from memory"


@dataclass(frozen=True, slots=True)
class AimBand:
    """What decay time one octave should have."""

    band: str  # nominal octave
    low_s: float  # 0: no lower limit
    high_s: float
    counts: bool  # towards the distance
    source: str
    certainty: str


@dataclass(frozen=True, slots=True)
class Aim:
    """What rooms of one use aim at."""

    use: str  # one of `USES`
    words: str
    bands: tuple[AimBand, ...]
    remarks: tuple[str, ...]

    @property
    def counted(self) -> tuple[AimBand, ...]:
        """The bands that the distance is of."""
        return tuple(b for b in self.bands if b.counts)


@dataclass(frozen=True, slots=True)
class Mark:
    """A value to find one's own place by; not an aim."""

    words: str
    t30_s: float
    source: str
    certainty: str


#: Where rooms at home are today.
HOME = Mark(
    "rooms in homes today, mean", 0.4, "a Canadian survey of home rooms, as quoted", SEEN
)


def aim_for(use: str, volume_m3: float) -> Aim:
    """Give the usual aim of a use.

    Parameters
    ----------
    use : str
        One of `raysim.scene.uses.USES`.
    volume_m3 : float
        Of the room's air; counts for listening only.

    Returns
    -------
    Aim
    """
    makers: Mapping[str, Aim] = {
        "voice": _voice(),
        "listening": _listening(volume_m3),
        "ensemble": _ensemble(),
    }
    return makers[use]


def aims_for(use: str | None, volume_m3: float) -> tuple[Aim, ...]:
    """Give the aim of a use, or of all uses if it is not known."""
    return tuple(aim_for(one, volume_m3) for one in ([use] if use else USES))


def _within(low_hz: float, high_hz: float) -> list[str]:
    return [label for label, f in OCTAVES if 0.97 * low_hz < f < 1.03 * high_hz]


def _listening(volume_m3: float) -> Aim:
    usual = target_for(volume_m3, Bands())
    middle_s = 0.5 * (usual.low_s + usual.high_s)
    tech = "EBU Tech 3276, 2nd ed. (1998), 2.3"
    bands = []
    for label, f in OCTAVES:
        low_s, high_s, certainty = usual.low_s, usual.high_s, SEEN
        if f < 190.0:  # rises with log f from 200 Hz to 0.3 s more than the middle at 63 Hz
            rise = min(1.0, math.log(200.0 / f) / math.log(200.0 / 63.0))
            high_s, certainty = high_s + rise * (middle_s + 0.3 - high_s), MEMORY
        elif f > 4100.0:
            low_s, high_s, certainty = middle_s - 0.1, middle_s + 0.1, MEMORY
        counts = 190.0 < f < 4100.0
        bands.append(AimBand(label, max(low_s, 0.0), high_s, counts, tech, certainty))
    remarks = [
        f"Early reflections should be {-WINDOW_DB:.0f} dB below the direct sound for "
        f"{WINDOW_MS:.0f} ms, 1 to 8 kHz (EBU Tech 3276, 2nd ed., 2.2; {SEEN})."
    ]
    if usual.remark:
        remarks.insert(0, usual.remark[0].upper() + usual.remark[1:] + ".")
    words = "mixing and listening"
    return Aim("listening", words, tuple(bands), tuple(remarks))


def _voice() -> Aim:
    book = "a textbook of audio engineering, ch. 29: talks studios of 60 m3, within 10 %"
    bass = "Spring and Randall, BBC RD 1970/10: permissible bass rise for speech"
    handbook = f"{bass}; 20 % above 1 kHz in Everest, Master Handbook of Acoustics"
    low_s, high_s = 0.9 * 0.25, 1.1 * 0.25
    bands = [
        AimBand("63", 0.0, 0.73, False, bass, READ),
        AimBand("125", 0.0, 1.2 * high_s, False, handbook, SEEN),
    ]
    bands += [AimBand(b, low_s, high_s, True, book, READ) for b in _within(250.0, 4000.0)]
    remarks = (
        "Speech forgives bass: 80 % more at 63 Hz than at 1 kHz passed, in a studio of 0.4 s "
        f"({SEEN}). How much depends on the microphone.",
        "A close microphone takes less of the room than its decay says: see C50.",
    )
    return Aim("voice", "spoken voice", tuple(bands), remarks)


def _ensemble() -> Aim:
    guide = "British school guidance for ensemble and recording rooms, as quoted"
    bands = [AimBand(b, 0.6, 1.2, True, guide, SEEN) for b in _within(500.0, 2000.0)]
    remarks = (
        "Made for larger rooms; check the edition.",
        "Loudness pulls the other way: 5 x 7 x 3 m go from 1.2 s to 0.2 s, and from +1 to "
        "-10 dB of early support, as absorption goes from 0.1 to 0.5 (a study of rehearsal "
        f"rooms; {READ}). Look at G beside the decay.",
    )
    return Aim("ensemble", "ensembles that rehearse", tuple(bands), remarks)


def beyond_steps(t30_s: Float, aim: Aim) -> Float:
    """Give how many just-noticeable steps decay times lie beyond an aim's bands  (C4).

    Parameters
    ----------
    t30_s : (..., n_counted) float64
        In the octaves of ``aim.counted``.
    aim : Aim

    Returns
    -------
    (..., n_counted) float64
        0 inside, positive on either side; NaN where the time is not known.

    Examples
    --------
    >>> beyond_steps(np.array([0.25, 0.275 * 1.05**2, 0.225 / 1.05, 0.26, 0.26]),
    ...              aim_for("voice", 30.0)).round(6)
    array([0., 2., 1., 0., 0.])
    """
    jnd = JNDS["t30_s"]
    low = jnd.steps(np.array([b.low_s for b in aim.counted]))
    high = jnd.steps(np.array([b.high_s for b in aim.counted]))
    scale = jnd.steps(t30_s)
    beyond = np.maximum(scale - high, low - scale)
    return np.where(np.isnan(beyond), np.nan, np.maximum(beyond, 0.0))


@dataclass(frozen=True, slots=True)
class Reached:
    """How near every layout comes to an aim."""

    aim: Aim
    layouts: tuple[str, ...]
    beyond: Float  # (n_layout, n_counted) steps beyond the band, NaN not known
    steps: Float  # (n_layout,) their mean over ``octaves``
    without: tuple[Float | None, ...]  # per layout (n_batch,) the mean without each batch
    octaves: tuple[str, ...]  # that count: all layouts know them, and none is a hint

    @property
    def error(self) -> Float:
        """Standard error of each layout's steps, (n_layout,)."""
        return np.array([math.nan if w is None else float(spread(w)) for w in self.without])

    def of(self, layout: str) -> float:
        """Give the steps of one layout."""
        return float(self.steps[self.layouts.index(layout)])

    def less(self, first: str, other: str) -> tuple[float, float]:
        """Give how much nearer ``first`` comes than ``other``, and its error  (M17)."""
        a, b = self.layouts.index(first), self.layouts.index(other)
        x, y = self.without[a], self.without[b]
        gain = float(self.steps[b] - self.steps[a])
        if x is None or y is None:
            return gain, math.nan
        if len(x) == len(y):
            return gain, float(spread(y - x))
        return gain, math.hypot(float(spread(x)), float(spread(y)))


def reached(readings: Readings, aim: Aim) -> Reached:
    """Hold the decay of every layout against an aim.

    Parameters
    ----------
    readings : Readings
    aim : Aim

    Returns
    -------
    Reached
        Octaves that some layout does not know do not count, nor do hints: those that the
        wave solver answers for have no error, and would make any difference certain.
    """
    where = [readings.find("t30_s", b.band) for b in aim.counted]
    columns = [i for i in where if i is not None]
    beyond = beyond_steps(readings.value[:, columns], aim)
    is_hint = np.array([readings.quantities[i].is_hint for i in columns], dtype=bool)
    known = np.isfinite(beyond).all(axis=0) & ~is_hint

    def mean(values: Float) -> Float:
        if not known.any():
            return np.full(values.shape[:-1], np.nan)
        return np.asarray(values[..., known].mean(axis=-1))

    without = [
        None if w is None else mean(beyond_steps(w[:, columns], aim)) for w in readings.without
    ]
    octaves = tuple(
        readings.quantities[i].band for i, k in zip(columns, known, strict=True) if k
    )
    return Reached(aim, readings.layouts, beyond, mean(beyond), tuple(without), octaves)
