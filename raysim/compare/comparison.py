"""All that is said of the layouts of one result file together, gathered once.

Layouts that were run without one item, to see what it is worth, are compared with their
whole only; layouts in one state of the room with each other; and each layout in one state
with itself in another.
"""

import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from raysim.compare.bass import BassCompared, BassRise, bass_compared
from raysim.compare.figures import Readings, readings
from raysim.compare.front import Front, Price, front
from raysim.compare.gathering import gather_compared
from raysim.compare.groups import Differences, differences, groups
from raysim.compare.leave_one_out import Worth, runs_without, worth
from raysim.compare.robust import (
    Held,
    held_by_materials,
    held_by_position,
    material_changes,
)
from raysim.compare.states import Condition, StateCost, by_state, looked_at, state_costs
from raysim.compare.targets import HOME, Aim, Mark, Reached, aims_for, reached
from raysim.compare.tidy import Row, comparison_difference_rows, comparison_rows
from raysim.errors import Complaint, SettingsError
from raysim.measures.low_bands import bands_below
from raysim.report.facts import RoomFacts
from raysim.report.pairs import WINDOW_MS
from raysim.scene.model import Bands
from raysim.scene.table import nearest
from raysim.scene.uses import USES
from raysim.store.file import Results


@dataclass(frozen=True, slots=True)
class Early:
    """The strongest reflection of a layout's pair within the window of listening rooms."""

    layout: str
    source: str
    receiver: str
    level_db: float  # re the direct sound
    delay_ms: float
    surfaces: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Judged:
    """The layouts held against one aim."""

    reached: Reached
    front: Front | None  # None: no prices
    worth: Mapping[str, tuple[Worth, ...]]  # by whole layout: what to drop first
    held: tuple[Held, ...]
    states: tuple[StateCost, ...] = ()  # what states of the room cost
    rises: tuple[BassRise, ...] = ()  # the lowest octave, where the wave solver tells it


@dataclass(frozen=True, slots=True)
class Comparison:
    """What differs between layouts, for certain and to the ear, and what it costs."""

    title: str
    use: str | None
    layouts: tuple[str, ...]
    readings: Readings  # of the layouts, without those that lack one item
    found: Differences
    groups: tuple[tuple[str, ...], ...]  # of one state, not told apart by anything
    groups_by: Mapping[str, tuple[tuple[str, ...], ...]]  # by measure
    judged: tuple[Judged, ...]
    early: tuple[Early, ...]
    prices: Mapping[str, Price]
    currency: str
    transition_hz: float  # the highest of the layouts: below it decay is a hint
    conditions: Mapping[str, Condition]  # by layout: what it is of the scene's
    bass: BassCompared | None  # None: fewer than two layouts have it
    lacks_bass: tuple[str, ...] = ()  # layouts without bass where others have it
    home: Mark = HOME

    @property
    def states(self) -> dict[str, tuple[str, ...]]:
        """The layouts of each state of the room, in their order."""
        return by_state(self.conditions)

    def rows(self) -> list[Row]:
        """Give all numbers compared as flat dicts with the same keys, for data frames.

        Returns
        -------
        list of dict
            layout, state, source, receiver, measure, freq_hz, value, error, unit: see
            `raysim.compare.tidy`. Errors of the bass are not chance: see
            `difference_rows`.
        """
        return comparison_rows(self)

    def difference_rows(self) -> list[Row]:
        """Give the differences of layouts that belong beside each other, in the same way.

        Returns
        -------
        list of dict
            The keys of `rows`, the value being that of ``layout`` less that of
            ``less_layout``, and besides less_layout, less_state, within_10_cm (how far 10 cm
            of place take a difference of the bass), steps (in just-noticeable ones),
            audible, hint (below the transition frequency: never called audible).
        """
        return comparison_difference_rows(self)

    def is_one_state(self, first: str, other: str) -> bool:
        """Tell if two layouts are of one state of the room."""
        return self.conditions[first].state == self.conditions[other].state

    def is_looked_at(self, first: str, other: str) -> bool:
        """Tell if two layouts belong beside each other: of one state, or one in two."""
        same = self.conditions[first].layout == self.conditions[other].layout
        return same or self.is_one_state(first, other)


def use_of(results: Results) -> str | None:
    """Give what the scene of a result file is for, or None if it does not say."""
    use = tomllib.loads(results.provenance["scene_text"]).get("use")
    return str(use) if use in USES else None


def check_use(use: str | None) -> None:
    """Complain about a use that there is not.

    Raises
    ------
    SettingsError
        RS-T54.
    """
    if use is not None and use not in USES:
        wrong = f'"{use}" is no use of a room that we know an aim for.'
        raise SettingsError(Complaint("--use", wrong, nearest(use, USES), "RS-T54"))


def compare(
    results: Results,
    use: str | None = None,
    prices: Mapping[str, Price] | None = None,
    currency: str = "",
    room: RoomFacts | None = None,
) -> Comparison:
    """Compare the layouts of a result file.

    Parameters
    ----------
    results : Results
        An open result file with at least two layouts.
    use : str, optional
        One of `raysim.scene.uses.USES`; what the scene says otherwise, and else all.
    prices : dict of str to Price, optional
        By the name results are stored under.
    currency : str
    room : RoomFacts, optional
        What `raysim.report.facts.gather` gave for the file, to spare measuring again.

    Returns
    -------
    Comparison

    Raises
    ------
    SettingsError
        RS-T50: the layouts have no pair in common. RS-T51: there is only one layout.
        RS-T54: there is no such use.
    """
    check_use(use)
    if len(results.layout_names) < 2:
        wrong = f'the file has one layout, "{results.layout_names[0]}".'
        fix = "Simulate more of the scene's layouts: --layout all."
        raise SettingsError(Complaint("layouts", wrong, fix, "RS-T51"))
    room = room or gather_compared(results)
    waves = {name: by_wave(results, name) for name in results.layout_names}
    stored = {
        n: (results.layout(n).treatment_layout, results.layout(n).state)
        for n in results.layout_names
    }
    runs = runs_without(stored)
    reduced = {name for by_item in runs.values() for name in by_item.values()}
    names = tuple(n for n in results.layout_names if n not in reduced)
    conditions = {n: Condition(*stored[n]) for n in names}
    own = _readings(room, results.bands, waves, names)
    found = differences(own, looked_at(conditions))
    use = use or use_of(results)
    volume_m3 = room.layouts[0].volume_m3
    changes = material_changes(results, names, results.settings.seed)
    aims = aims_for(use, volume_m3)
    doubted = held_by_materials(changes, own, aims)
    state_of = {n: one.state for n, one in conditions.items()}
    judged = []
    for aim, doubt in zip(aims, doubted, strict=True):
        near = reached(own, aim)
        moved = held_by_position(own, aim, results.receivers, results.settings.seed)
        judged.append(
            Judged(
                reached=near,
                front=front(near, prices, state_of) if prices else None,
                worth={
                    layout: _worth(
                        _readings(room, results.bands, waves, [layout, *by_item.values()]),
                        aim, layout, by_item, prices,
                    )
                    for layout, by_item in runs.items()
                },
                held=(doubt,) if moved is None else (moved, doubt),
                states=state_costs(found, near, conditions),
                rises=_rises(room, results.bands, waves, aim, names),
            )
        )  # fmt: skip
    measures = dict.fromkeys(q.measure for q in own.quantities)
    states = by_state(conditions).values()
    return Comparison(
        title=results.title,
        use=use,
        layouts=names,
        readings=own,
        found=found,
        groups=tuple(group for of in states for group in groups(found, None, of)),
        groups_by={
            m: tuple(group for of in states for group in groups(found, m, of)) for m in measures
        },
        judged=tuple(judged),
        early=_early(room, names),
        prices=prices or {},
        currency=currency,
        transition_hz=max(layout.transition_hz for layout in room.layouts),
        conditions=conditions,
        bass=bass_compared(results, names, changes),
        lacks_bass=_lacking({n: results.bass(n) is not None for n in names}),
    )


def by_wave(results: Results, layout: str) -> NDArray[np.bool_]:
    """Mark the bands that the wave solver answers for in a layout, (n_band,)."""
    bass = results.bass(layout)
    marks = np.zeros(results.bands.n_band, dtype=bool)
    for pair in () if bass is None else bass.pairs:
        marks |= bands_below(results.bands, pair.crossover_hz)
    return marks


def _lacking(has: Mapping[str, bool]) -> tuple[str, ...]:
    """Give those that lack what others have."""
    return tuple(name for name, known in has.items() if not known) if any(has.values()) else ()


def _readings(
    room: RoomFacts, bands: Bands, waves: Mapping[str, NDArray[np.bool_]], names: Sequence[str]
) -> Readings:
    """Read some of the layouts: what one of them lacks is missing for these alone."""
    by_name = {layout.name: layout for layout in room.layouts}
    return readings(replace(room, layouts=tuple(by_name[n] for n in names)), bands, waves)


def _worth(
    read: Readings,
    aim: Aim,
    layout: str,
    by_item: Mapping[str, str],
    prices: Mapping[str, Price] | None,
) -> tuple[Worth, ...]:
    with_whole = np.array([[layout in (a, b) for b in read.layouts] for a in read.layouts])
    found = differences(read, with_whole)
    return worth(found, reached(read, aim), layout, by_item, prices)


def _rises(
    room: RoomFacts,
    bands: Bands,
    waves: Mapping[str, NDArray[np.bool_]],
    aim: Aim,
    names: Sequence[str],
) -> tuple[BassRise, ...]:
    """Hold the lowest octave against an aim, in layouts that have it from the wave solver."""
    lowest = next((b for b in aim.bands if b.band == "63"), None)
    where = [i for i, label in enumerate(bands.labels) if label == "63"]
    if lowest is None or bands.fraction != 1 or not where:
        return ()
    (i,) = where
    return tuple(
        BassRise(
            layout.name, lowest.band, float(layout.t30_s[i]), float(layout.t30_error_s[i]),
            lowest.high_s, lowest.source, lowest.certainty,
        )
        for layout in room.layouts
        if layout.name in names and waves[layout.name][i] and np.isfinite(layout.t30_s[i])
    )  # fmt: skip


def _early(room: RoomFacts, names: tuple[str, ...]) -> tuple[Early, ...]:
    """Give the strongest early reflection of every pair in line of sight."""
    found = []
    for layout in room.layouts:
        for pair in layout.pairs if layout.name in names else ():
            inside = [a for a in pair.early if 0.0 < a.delay_ms <= WINDOW_MS]
            if pair.is_seen and inside:
                a = max(inside, key=lambda one: one.level_db)
                found.append(
                    Early(
                        layout.name, pair.source, pair.receiver, a.level_db, a.delay_ms,
                        a.surfaces,
                    )
                )  # fmt: skip
    return tuple(found)
