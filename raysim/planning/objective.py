"""What a layout is judged by, in parts that are shown one by one.

Three distances, all in just-noticeable steps (C1): of decay from the aim's band, of early
reflections from the window of listening rooms, and of the balance between octaves. Only
octaves from the transition frequency up count: below it rays cannot tell, and the wave
solver's confirmation stands beside. The sum of the parts that count orders a search and
nothing else. Theory: DEVELOPERS.md, P1 to P3.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from raysim.compare.evenness import EVEN_RATIO
from raysim.compare.figures import OCTAVES
from raysim.compare.jnd import JNDS
from raysim.compare.targets import Aim, beyond_steps
from raysim.records import Arrivals
from raysim.report.pairs import (
    SOURCE_AWAY_DB,
    TURNED_AWAY_DB,
    WINDOW_DB,
    WINDOW_MS,
    PairFacts,
    within,
)
from raysim.response.microphone import arrival_gain
from raysim.scene.model import Bands, Receiver
from raysim.units import Float, to_energy, to_level_db

#: Of which uses the early reflections count; of others they are shown alone: players need
#: some, and the window was made for loudspeakers.
EARLY_COUNTS = ("voice", "listening")
#: The highest octave whose balance with the others counts.
_BALANCE_TO_HZ = 4100.0


@dataclass(frozen=True, slots=True)
class Judge:
    """What a room is for, and from where on rays can tell."""

    aim: Aim
    lowest_hz: float  # transition frequency of the room as described

    @property
    def counted(self) -> tuple[int, ...]:
        """Which of the octaves of `OCTAVES` the decay counts in."""
        named = [b.band for b in self.aim.counted]
        return tuple(
            i for i, (label, f) in enumerate(OCTAVES) if label in named and f >= self.lowest_hz
        )

    @property
    def balanced(self) -> tuple[int, ...]:
        """Which octaves should last alike."""
        return tuple(
            i for i, (_, f) in enumerate(OCTAVES) if self.lowest_hz <= f < _BALANCE_TO_HZ
        )

    @property
    def early_counts(self) -> bool:
        """Whether early reflections count for this use."""
        return self.aim.use in EARLY_COUNTS

    def parts(self, t30_s: Float, edt_mid_s: float, early_db: Sequence[Float]) -> "Parts":
        """Judge a layout by its figures.

        Parameters
        ----------
        t30_s : (8,) float64
            Mean over pairs in the octaves of `OCTAVES`, NaN where it is not known.
        edt_mid_s : float
        early_db : sequence of (n,) float64
            Per pair that counts, levels re the direct sound of what comes within the
            window.
        """
        strongest = [float(one.max()) for one in early_db if len(one)]
        return Parts(
            decay=self.decay_steps(t30_s),
            early=self.early_steps(early_db),
            balance=self.balance_steps(t30_s),
            t30_s=tuple(t30_s.tolist()),
            edt_mid_s=edt_mid_s,
            n_early=sum(int((one > WINDOW_DB).sum()) for one in early_db),
            strongest_db=max(strongest, default=math.nan),
            early_counts=self.early_counts,
        )

    def decay_steps(self, t30_s: Float) -> float:
        """Give the mean steps beyond the aim's band (C4); infinite where T30 is not known."""
        by_band = {b.band: i for i, b in enumerate(self.aim.counted)}
        held = np.full((*t30_s.shape[:-1], len(by_band)), np.nan)
        for i in self.counted:
            held[..., by_band[OCTAVES[i][0]]] = t30_s[..., i]
        columns = [by_band[OCTAVES[i][0]] for i in self.counted]
        beyond = beyond_steps(held, self.aim)[..., columns]
        if not columns:
            return 0.0
        mean = float(beyond.mean())
        return mean if math.isfinite(mean) else math.inf

    def early_steps(self, early_db: Sequence[Float]) -> float:
        """Give by how many dB early reflections stand out of the window, mean  (P1).

        One reflection counts as its level above the window's edge; of several the energies
        above it are added.
        """
        edge = float(to_energy(np.array(WINDOW_DB)))
        above = [
            float(to_level_db(1.0 + np.maximum(to_energy(one) / edge - 1.0, 0.0).sum()))
            for one in early_db
        ]
        return float(np.mean(above)) if above else 0.0

    def balance_steps(self, t30_s: Float) -> float:
        """Give the steps by which the octaves last more unevenly than usual  (P2)."""
        known = t30_s[list(self.balanced)]
        known = known[np.isfinite(known)]
        if len(known) < 2:
            return 0.0
        scale = JNDS["t30_s"].steps(np.array([known.max() / known.min(), EVEN_RATIO]))
        return max(0.0, float(scale[0] - scale[1]))


@dataclass(frozen=True, slots=True)
class Parts:
    """How far a layout is from what its room is for, part by part."""

    decay: float  # steps
    early: float  # steps of 1 dB
    balance: float  # steps
    t30_s: tuple[float, ...]  # octaves of `OCTAVES`
    edt_mid_s: float
    n_early: int  # reflections that stand out of the window, of all pairs
    strongest_db: float  # of the early reflections, re the direct sound
    early_counts: bool

    @property
    def total(self) -> float:
        """The parts that count, added: what a search goes by  (P3)."""
        return self.decay + self.balance + (self.early if self.early_counts else 0.0)


def octaves_of(values: Float, bands: Bands) -> Float:
    """Give means over the bands of each octave, (..., 8), NaN where one is not known."""
    centre = bands.centre_hz
    rows = [np.flatnonzero(np.abs(np.log2(centre / f)) < 0.5) for _, f in OCTAVES]
    return np.stack([values[..., i].mean(axis=-1) for i in rows], axis=-1)


def pairs_mean(values: Float) -> Float:
    """Give means over the first axis of what is known, NaN where nothing is."""
    known = np.isfinite(values)
    count = known.sum(axis=0)
    total = np.where(known, values, 0.0).sum(axis=0)
    return np.where(count > 0, total / np.maximum(count, 1), np.nan)


def early_levels_db(
    arrivals: Arrivals, receiver: Receiver, bands: Bands, sent_db: float
) -> Float | None:
    """Give the levels of what comes within the window, as the report lists them.

    Parameters
    ----------
    arrivals : Arrivals
    receiver : Receiver
    bands : Bands
    sent_db : float
        What the source sends as direct sound re its axis.

    Returns
    -------
    (n,) float64 or None
        In the octave from 1 to 8 kHz where each is strongest; None for a pair without line
        of sight, or whose source points away.
    """
    if not len(arrivals.delay_s) or arrivals.order[0] != 0 or sent_db < SOURCE_AWAY_DB:
        return None
    gain = arrival_gain(arrivals.direction, receiver.aim, receiver.pattern) ** 2
    taken = float(gain[0])
    if to_level_db(np.array(taken)) <= TURNED_AWAY_DB:
        taken = 1.0
    high = within(bands, 1000.0, 8000.0)
    first = arrivals.energy[0, high] * taken
    delay_ms = 1000.0 * (arrivals.delay_s - arrivals.delay_s[0])
    inside = (arrivals.order > 0) & (delay_ms > 0.0) & (delay_ms <= WINDOW_MS)
    usable = first > 0.0
    if not usable.any():
        return None
    heard = (arrivals.energy[inside] * gain[inside, None])[:, high][:, usable]
    return np.asarray(to_level_db((heard / first[usable]).max(axis=1)))


def early_of(pair: PairFacts) -> Float | None:
    """Give the same of a pair that was measured."""
    if not pair.is_seen or pair.source_is_turned_away or not pair.is_listed:
        return None
    return np.array([a.level_db for a in pair.early if 0.0 < a.delay_ms <= WINDOW_MS])
