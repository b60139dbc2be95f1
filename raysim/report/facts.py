"""What the report says of a room, as plain numbers: gathered once for all that shows it.

Measuring the pairs is most of the work of a report, so it is done here and only here.
"""

from collections.abc import Callable, Container
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from raysim.measures.diffuseness import Diffuseness, diffuseness
from raysim.measures.theory import (
    decay_time_s,
    eyring_area_m2,
    mean_free_path_m,
    transition_frequency_hz,
)
from raysim.report.flutter import FacingPair, facing_pairs
from raysim.report.pairs import PairFacts, mean_of, pair_facts, within
from raysim.report.shell import thing_of
from raysim.scene.air import attenuation_per_m, speed_m_s
from raysim.scene.model import Bands
from raysim.store.file import Results
from raysim.units import Float

#: A flutter is told of where it lasts so many times as long as the room; and surfaces
#: that absorb less than this share count as hard. Common practice, no source.
_OUTLASTING = 1.25
_HARD = 0.2

#: Nobody hears a row of claps that loses this much each time it comes back: common
#: practice, no source.
_LOST_PER_RETURN_DB = 6.0

#: Called with the share done and what is being done.
Tell = Callable[[float, str], None]


@dataclass(frozen=True, slots=True)
class Target:
    """The usual aim for decay time, where it applies."""

    low_s: float
    high_s: float
    words: str
    labels: tuple[str, ...]  # of the bands it is drawn in
    remark: str  # what was done where the formula leaves its range, or empty


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
    nearest: FacingPair | None  # the hard parallel surfaces that are closest together
    n_ray: int
    n_lost: int
    n_segment: int
    volume_m3: float  # of air, with all that stands in it
    area_m2: float
    mean_free_path_m: float
    eyring_mid_s: float  # 500 Hz and 1 kHz, by formula, of all that is in the room
    mixing: Diffuseness  # 500 Hz and 1 kHz


@dataclass(frozen=True, slots=True)
class RoomFacts:
    """The room, and all its layouts."""

    speed_m_s: float
    target: Target  # of the first layout's volume, so that all are held to one aim
    layouts: tuple[LayoutFacts, ...]


def gather(results: Results, tell: Tell | None = None) -> RoomFacts:
    """Measure the pairs of a result file, and read off all else that the report shows.

    Parameters
    ----------
    results : Results
        An open result file with at least one layout.
    tell : callable, optional
        Called before each pair with the share done.

    Returns
    -------
    RoomFacts
    """
    names = [
        (layout, *n) for layout in results.layout_names for n in results.pair_names(layout)
    ]
    in_room = {layout: _things(results, layout) for layout in results.layout_names}
    sources = {s.name: s for s in results.sources}
    receivers = {r.name: r for r in results.receivers}
    pairs: dict[str, list[PairFacts]] = {}
    for i, (layout, s, r) in enumerate(names):
        if tell is not None:
            tell(i / len(names), f"measures {i + 1} of {len(names)}")
        one = pair_facts(
            results.pair(layout, s, r), layout, sources[s], receivers[r],
            results.sides(layout).names, results.bands, in_room[layout], results.air,
            results.settings.image_order, results.bass_response(layout, s, r),
        )  # fmt: skip
        pairs.setdefault(layout, []).append(one)
    layouts = tuple(
        _layout(results, name, tuple(of), in_room[name]) for name, of in pairs.items()
    )
    return RoomFacts(
        speed_m_s=speed_m_s(results.air),
        target=target_for(layouts[0].volume_m3, results.bands),
        layouts=layouts,
    )


def _things(results: Results, layout: str) -> dict[str, str]:
    """Give the thing in the room that a side is part of, by the name of the side."""
    room = results.room(layout)
    things = {name: thing_of(name, room) for name in results.sides(layout).names}
    return {name: thing for name, thing in things.items() if thing is not None}


def target_for(volume_m3: float, bands: Bands) -> Target:
    """Give the usual aim for the decay time of control and listening rooms  (M16).

    Tm = 0.25 (V / 100 m3)^(1/3) s, from 0.2 to 0.4 s, within 0.05 s from 200 Hz to
    4 kHz: EBU Tech 3276, 2nd edition (1998), section 2.3. Below 51.2 m3 the formula
    falls under 0.2 s: it leaves its range, and the range's lower end is used.
    """
    formula = 0.25 * (volume_m3 / 100.0) ** (1.0 / 3.0)
    middle = min(0.4, max(0.2, formula))
    low, high = middle - 0.05, middle + 0.05
    words = (
        f"the usual aim for control and listening rooms, {low:.2f} to {high:.2f} s from "
        "200 Hz to 4 kHz (EBU Tech 3276, 2nd ed., 2.3)"
    )
    remark = (
        f"for {volume_m3:.0f} m³ its formula gives {formula:.2f} s and leaves its range, so "
        "the range's lower end, 0.2 s, is used"
        if formula < 0.2
        else ""
    )
    labels = tuple(
        label
        for label, f in zip(bands.labels, bands.centre_hz.tolist(), strict=True)
        if 190.0 < f < 4100.0
    )
    return Target(low, high, words, labels, remark)


def _column_means(values: Float) -> Float:
    """Average each column's numbers; NaN where a column has none."""
    known = np.isfinite(values)
    count = known.sum(axis=0)
    total = np.where(known, values, 0.0).sum(axis=0)
    return np.where(count > 0, total / np.maximum(count, 1), np.nan)


def _layout(
    results: Results, name: str, pairs: tuple[PairFacts, ...], things: Container[str]
) -> LayoutFacts:
    bands, mesh = results.bands, results.room(name)
    t30_s = _column_means(np.stack([p.room_decay.t30_s for p in pairs]))
    error_s = _column_means(np.stack([p.room_decay.error_s for p in pairs]))
    middle = bands.middle
    mid_s = mean_of(t30_s, middle)
    eyring_s = _eyring_s(results, name)
    known_s = mid_s if np.isfinite(mid_s) else mean_of(eyring_s, middle)
    transition = float(transition_frequency_hz(mesh.air_volume_m3, known_s))
    counts = results.counts(name).values()
    facing = _facing(results, name)
    # What dies away with the rest is not heard as flutter. The flutter itself may have
    # stretched T30, or kept it from being read: Eyring's formula has it die with the rest.
    lasting = mean_of(np.fmin(t30_s, eyring_s), within(bands, 1000.0, 4000.0))
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
        flutter=tuple(
            p
            for p in facing
            if p.decay_s > _OUTLASTING * lasting and p.lost_db < _LOST_PER_RETURN_DB
        ),
        nearest=_nearest(facing, things),
        n_ray=sum(c.n_ray for c in counts),
        n_lost=sum(c.n_lost for c in counts),
        n_segment=sum(c.n_segment for c in counts),
        volume_m3=mesh.air_volume_m3,
        area_m2=mesh.area_m2,
        mean_free_path_m=mean_free_path_m(mesh.air_volume_m3, mesh.area_m2),
        eyring_mid_s=mean_of(eyring_s, middle),
        mixing=_mixing(results, name),
    )


def _mixing(results: Results, layout: str) -> Diffuseness:
    """Give how far a room is from diffuse at 500 Hz and 1 kHz."""
    room, sides, middle = results.room(layout), results.sides(layout), results.bands.middle
    return diffuseness(
        room.face_normal,
        room.face_area_m2,
        sides.alpha[:, middle].mean(axis=1)[room.face_surface],
        sides.scattering[:, middle].mean(axis=1)[room.face_surface],
    )


def _eyring_s(results: Results, layout: str) -> Float:
    """Give Eyring's decay time per band, from materials and air."""
    sides, air = results.sides(layout), results.air
    return decay_time_s(
        eyring_area_m2(sides.area_m2, sides.alpha),
        results.room(layout).air_volume_m3,
        speed_m_s(air),
        attenuation_per_m(air, results.bands.centre_hz),
    )


def _facing(results: Results, layout: str) -> tuple[FacingPair, ...]:
    """Give all parallel surfaces that face each other, as sound from 1 to 4 kHz meets them."""
    high = within(results.bands, 1000.0, 4000.0)
    room, sides = results.room(layout), results.sides(layout)
    n_surface = len(room.surfaces)
    return facing_pairs(
        room,
        sides.alpha[:n_surface, high].mean(axis=1),
        sides.scattering[:n_surface, high].mean(axis=1),
        speed_m_s(results.air),
    )


def _nearest(facing: tuple[FacingPair, ...], things: Container[str]) -> FacingPair | None:
    """Give the hard pair with the least distance among the room's own surfaces."""
    hard = [
        p
        for p in facing
        if p.alpha < _HARD and p.first not in things and p.second not in things
    ]
    return min(hard, key=lambda p: p.distance_m, default=None)
