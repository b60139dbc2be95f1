"""All that is said of the layouts of one result file together, gathered once.

Layouts that were run without one item, to see what it is worth, are compared with their
whole only; all others with each other.
"""

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass

from raysim.compare.figures import Readings, readings
from raysim.compare.front import Front, Price, front
from raysim.compare.groups import Differences, differences, groups
from raysim.compare.leave_one_out import Worth, runs_without, worth
from raysim.compare.robust import Held, held_by_materials, held_by_position
from raysim.compare.targets import HOME, Mark, Reached, aims_for, reached
from raysim.errors import Complaint, SettingsError
from raysim.report.facts import RoomFacts, gather
from raysim.report.pairs import WINDOW_MS
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


@dataclass(frozen=True, slots=True)
class Comparison:
    """What differs between layouts, for certain and to the ear, and what it costs."""

    title: str
    use: str | None
    layouts: tuple[str, ...]
    readings: Readings  # of the layouts, without those that lack one item
    found: Differences
    groups: tuple[tuple[str, ...], ...]  # that cannot be told apart by anything
    groups_by: Mapping[str, tuple[tuple[str, ...], ...]]  # by measure
    judged: tuple[Judged, ...]
    early: tuple[Early, ...]
    prices: Mapping[str, Price]
    currency: str
    transition_hz: float  # the highest of the layouts: below it decay is a hint
    home: Mark = HOME


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
        What `gather` gave for the file, to spare measuring again.

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
    room = room or gather(results)
    whole = readings(room, results.bands)
    stored = {
        n: (results.layout(n).treatment_layout, results.layout(n).state) for n in whole.layouts
    }
    runs = runs_without(stored)
    reduced = {name for by_item in runs.values() for name in by_item.values()}
    names = tuple(n for n in whole.layouts if n not in reduced)
    own = whole.only(names)
    found = differences(own)
    use = use or use_of(results)
    judged = []
    aims = aims_for(use, room.layouts[0].volume_m3)
    doubted = held_by_materials(results, own, aims, results.settings.seed)
    for aim, doubt in zip(aims, doubted, strict=True):
        near = reached(own, aim)
        moved = held_by_position(own, aim, results.receivers, results.settings.seed)
        judged.append(
            Judged(
                reached=near,
                front=front(near, prices) if prices else None,
                worth={
                    layout: _worth(
                        whole.only([layout, *by_item.values()]), near, layout, by_item, prices
                    )
                    for layout, by_item in runs.items()
                },
                held=(doubt,) if moved is None else (moved, doubt),
            )
        )
    measures = dict.fromkeys(q.measure for q in own.quantities)
    return Comparison(
        title=results.title,
        use=use,
        layouts=names,
        readings=own,
        found=found,
        groups=groups(found),
        groups_by={m: groups(found, m) for m in measures},
        judged=tuple(judged),
        early=_early(room, names),
        prices=prices or {},
        currency=currency,
        transition_hz=max(layout.transition_hz for layout in room.layouts),
    )


def _worth(
    read: Readings,
    near: Reached,
    layout: str,
    by_item: Mapping[str, str],
    prices: Mapping[str, Price] | None,
) -> tuple[Worth, ...]:
    return worth(differences(read), reached(read, near.aim), layout, by_item, prices)


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
