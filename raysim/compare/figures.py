"""What is read off each layout for a comparison: figures with what each batch does to them.

T30 is of the room, per octave, the mean over pairs; all else is of 500 Hz and 1 kHz (STI: of
all octaves), for each pair and as their mean. Only pairs and bands count that every layout
has, so that like is compared with like. Octaves below the transition frequency of any of the
layouts are hints: shown, not judged. So are octaves that the wave solver answers for, which
have no chance in them and are of one place each: `bass.py` judges the bass. An octave that one
layout has from waves and another from rays is not compared.
"""

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from raysim.compare.jnd import JNDS, Jnd
from raysim.errors import Complaint, SettingsError
from raysim.report.facts import LayoutFacts, RoomFacts
from raysim.report.pairs import PairFacts
from raysim.scene.model import Bands
from raysim.units import OCTAVE_LABELS, Float, Int, band_edges_hz, octave_centres_hz

#: Octaves that decay is compared in, with their nominal names.
OCTAVES = tuple(zip(OCTAVE_LABELS, octave_centres_hz().tolist(), strict=True))

_UNITS = {"s": "s", "db": "dB"}


@dataclass(frozen=True, slots=True)
class Quantity:
    """One thing that layouts are compared by."""

    measure: str  # a key of `JNDS`
    band: str  # nominal octave; "mid": 500 Hz and 1 kHz; "": all
    source: str  # "": mean over pairs
    receiver: str
    is_hint: bool  # lies below the transition frequency
    by_wave: bool = False  # the wave solver answers for it, in every layout

    @property
    def jnd(self) -> Jnd:
        """What listeners notice of it."""
        return JNDS[self.measure]

    @property
    def unit(self) -> str:
        """Of its values; "1" without dimension."""
        return _UNITS.get(self.measure.rsplit("_", 1)[-1], "1")


@dataclass(frozen=True, slots=True)
class Readings:
    """All figures of all layouts; NaN where a layout lacks one."""

    layouts: tuple[str, ...]
    quantities: tuple[Quantity, ...]
    value: Float  # (n_layout, n_quantity)
    #: per layout (n_batch, n_quantity), the figures without each batch; None: not known
    without: tuple[Float | None, ...]
    pairs: tuple[tuple[str, str], ...]  # source and receiver, those that every layout has
    pair_t30_s: Float  # (n_layout, n_pair, n_octave)
    #: (n_layout, n_octave) by rays where waves answer, of the same pairs; NaN elsewhere
    rays_t30_s: Float | None = None

    def index(self, layout: str) -> int:
        """Give the place of a layout."""
        return self.layouts.index(layout)

    def find(self, measure: str, band: str) -> int | None:
        """Give the place of a mean over pairs, or None."""
        for i, q in enumerate(self.quantities):
            if (q.measure, q.band, q.source) == (measure, band, ""):
                return i
        return None

    def t30_s(self, layout: str, band: str) -> float:
        """Give T30 in an octave, NaN if it is not known."""
        i = self.find("t30_s", band)
        return math.nan if i is None else float(self.value[self.index(layout), i])


#: Values per band or single, and the same without each batch.
_Pick = Callable[[PairFacts], tuple[Float, Float | None]]


def _t30(pair: PairFacts) -> tuple[Float, Float | None]:
    return pair.room_decay.t30_s, pair.room_decay.without_s


def _by_rays(pair: PairFacts) -> tuple[Float, Float | None]:
    decay = pair.room_decay
    return decay.t30_s if decay.rays_t30_s is None else decay.rays_t30_s, None


def _measured(name: str) -> _Pick:
    def pick(pair: PairFacts) -> tuple[Float, Float | None]:
        value = np.atleast_1d(np.asarray(getattr(pair.measures, name), dtype=np.float64))
        without = pair.measures.without.get(name)
        return value, None if without is None else without.reshape(len(without), -1)

    return pick


def readings(
    room: RoomFacts, bands: Bands, waves: Mapping[str, NDArray[np.bool_]] | None = None
) -> Readings:
    """Read all figures off the layouts of a result file.

    Parameters
    ----------
    room : RoomFacts
    bands : Bands
    waves : dict of str to (n_band,) bool, optional
        By layout: bands that the wave solver answered for; none otherwise.

    Returns
    -------
    Readings

    Raises
    ------
    SettingsError
        RS-T50: the layouts have no pair in common.
    """
    layouts = room.layouts
    pairs = _common(layouts)
    held = [[_by_name(layout)[name] for name in pairs] for layout in layouts]
    columns: list[tuple[Quantity, Float, list[Float | None]]] = []
    per_pair, by_rays = [], []
    none = np.zeros(bands.n_band, dtype=bool)
    by_wave = np.stack([(waves or {}).get(layout.name, none) for layout in layouts])
    alike = np.asarray(by_wave.all(axis=0) | ~by_wave.any(axis=0))
    modal_hz = max(layout.transition_hz for layout in layouts)
    is_hint_band = (bands.centre_hz < modal_hz) | by_wave.any(axis=0)
    lacking = np.full(len(layouts), np.nan)
    for label, centre_hz in OCTAVES:
        octave = _octave(bands, centre_hz)
        value, without = _cells(held, _t30, octave[alike[octave]])
        per_pair.append(value)
        is_hint = centre_hz < modal_hz or bool(is_hint_band[octave].any())
        is_wave = bool(octave.size) and bool(by_wave[:, octave].all())
        by_rays.append(_rays_beside(held, octave, value) if is_wave else lacking)
        quantity = Quantity("t30_s", label, "", "", is_hint, is_wave)
        columns.append((quantity, *_mean(value, without)))
    for name in ("edt_s", "c50_db", "c80_db", "g_db", "sti"):
        where = np.zeros(1, dtype=np.int64)
        if name != "sti":
            where = bands.middle[alike[bands.middle]]
        value, without = _cells(held, _measured(name), where)
        if name == "edt_s":  # close to the mouth it is the fall after the direct sound alone
            close = [any(of[i].is_close for of in held) for i in range(len(pairs))]
            value[:, close] = np.nan
        band = "" if name == "sti" else "mid"
        is_hint = name != "sti" and bool(is_hint_band[bands.middle].any())
        mean = Quantity(name, band, "", "", is_hint)
        columns.append((mean, *_mean(value, without)))
        if len(pairs) > 1:
            for i, (s, r) in enumerate(pairs):
                each = [None if w is None else w[:, i] for w in without]
                columns.append((Quantity(name, band, s, r, is_hint), value[:, i], each))
    batches = []
    for i in range(len(layouts)):
        each = [without[i] for _, _, without in columns]
        known = [one for one in each if one is not None]
        batches.append(np.stack(known, axis=1) if len(known) == len(each) else None)
    return Readings(
        layouts=tuple(layout.name for layout in layouts),
        quantities=tuple(q for q, _, _ in columns),
        value=np.stack([value for _, value, _ in columns], axis=1),
        without=tuple(batches),
        pairs=tuple(pairs),
        pair_t30_s=np.stack(per_pair, axis=2),
        rays_t30_s=np.stack(by_rays, axis=1),
    )


def _rays_beside(held: list[list[PairFacts]], octave: Int, waves_s: Float) -> Float:
    """Give an octave by rays, (n_layout,), of the pairs that waves have it of, or NaN."""
    rays_s, _ = _cells(held, _by_rays, octave)
    known = np.asarray(np.isfinite(waves_s).all(axis=0))
    if not known.any():
        return np.full(len(held), np.nan)
    return np.asarray(rays_s[:, known].mean(axis=1))


def _by_name(layout: LayoutFacts) -> dict[tuple[str, str], PairFacts]:
    return {(p.source, p.receiver): p for p in layout.pairs}


def _common(layouts: Sequence[LayoutFacts]) -> list[tuple[str, str]]:
    """Give the pairs that every layout has, in the order of the first."""
    pairs = [name for name in _by_name(layouts[0]) if all(name in _by_name(x) for x in layouts)]
    if not pairs:
        wrong = "the layouts of this file have no source and receiver in common."
        fix = "Simulate them again, all together."
        raise SettingsError(Complaint("layouts", wrong, fix, "RS-T50"))
    return pairs


def _octave(bands: Bands, centre_hz: float) -> Int:
    """Give the indices of the bands that make up an octave."""
    low, high = band_edges_hz(np.array([centre_hz]), 1)[0].tolist()
    inside = (bands.centre_hz > low) & (bands.centre_hz < high)
    return np.flatnonzero(inside)


def _cells(
    held: list[list[PairFacts]], pick: _Pick, where: Int
) -> tuple[Float, list[Float | None]]:
    """Give (n_layout, n_pair), and per layout (n_batch, n_pair) without each batch.

    Each is the mean over those of the bands ``where`` that all layouts know, and know without
    each batch: a number that hangs on one batch has no error, and is none to compare.
    """
    picked = [[pick(pair) for pair in pairs] for pairs in held]
    bandwise = np.stack([np.stack([v[where] for v, _ in row]) for row in picked])
    known = np.asarray(np.isfinite(bandwise).all(axis=0))  # (n_pair, n_band)
    batches: list[Float | None] = []
    for row in picked:
        each = [w[:, where] for _, w in row if w is not None]
        if len(each) < len(row) or len({len(w) for w in each}) != 1:
            batches.append(None)
            continue
        stacked = np.stack(each, axis=1)  # (n_batch, n_pair, n_band)
        known &= np.isfinite(stacked).all(axis=0)
        batches.append(stacked)
    without = [None if w is None else _mean_where(w, known) for w in batches]
    return _mean_where(bandwise, known), without


def _mean_where(values: Float, known: NDArray[np.bool_]) -> Float:
    """Average over the last axis where known; NaN where nothing is."""
    count = known.sum(axis=-1)
    total = np.where(known, values, 0.0).sum(axis=-1)
    return np.where(count > 0, total / np.maximum(count, 1), np.nan)


def _mean(value: Float, without: list[Float | None]) -> tuple[Float, list[Float | None]]:
    """Average over the pairs that all layouts know."""
    known = np.asarray(np.isfinite(value).all(axis=0))
    return (
        _mean_where(value, known),
        [None if w is None else _mean_where(w, known) for w in without],
    )
