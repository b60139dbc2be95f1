"""From a scene file to everything a person asked for, through the result file.

`run` lists what the layouts still lack, the rays of each source and the bass, has it computed
here or elsewhere (`raysim.spread`), and stores each piece as soon as it is there, so that a
run that is stopped keeps what it has and can be taken up again. Layouts that are the same
room are computed once. `raysim.outputs` makes all the rest from the result file alone.
"""

import math
import os
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from difflib import get_close_matches
from pathlib import Path
from typing import TypeVar

from raysim.compare.leave_one_out import reduced, with_reduced
from raysim.errors import Complaint, RaysimError, SceneError, SettingsError, Stopped
from raysim.folders import BEFORE_NAME, RESULTS_NAME, make_folder, refuse_foreign
from raysim.geometry.build import collect_room
from raysim.geometry.furnish import furnish
from raysim.geometry.mesh import RoomMesh
from raysim.outputs import derive
from raysim.propagation.gpu import check_gpu
from raysim.propagation.room import AcousticRoom, acoustic_room
from raysim.records import Bass, PairResult
from raysim.report.facts import RoomFacts
from raysim.scene.conditions import RAYS, SEED, UNTIL_T30_PCT
from raysim.scene.layouts import RESERVED_NAMES
from raysim.scene.model import Receiver, Scene, Settings, Source
from raysim.scene.plan import Layout, State
from raysim.scene.read import collect_scene
from raysim.spread.share import check_workers, compute_all
from raysim.spread.units import Result, Unit
from raysim.store.file import (
    LayoutRoom,
    Results,
    RunHeader,
    bass_key,
    check_writable,
    complete_layouts,
    content_key,
    open_results,
)
from raysim.store.parts import Stock, Wanted, whole_key
from raysim.store.replace import replace_file, replacement_target
from raysim.tracing import Tell, say_nothing, t30_certainty

#: The room without any treatment, all that the scene file describes; and all layouts,
#: or all states, of a scene.
AS_DESCRIBED, ALL = RESERVED_NAMES
#: The share of a run's progress that belongs to tracing and to the bass; the rest to what
#: is made of it.
_TRACED = 0.9


@dataclass(frozen=True, slots=True)
class Prepared:
    """A scene that was read and found usable, in one layout and state, and its room."""

    scene: Scene  # with all that the layout puts in and takes out
    mesh: RoomMesh
    room: AcousticRoom
    notes: tuple[str, ...]  # what was done to make the mesh
    described: Scene  # as the scene file says
    layout: Layout | None = None  # None: as described
    state: State | None = None  # None: as described

    @property
    def name(self) -> str:
        """What results are stored under."""
        return layout_name(self.layout, self.state)

    @property
    def key(self) -> str:
        """Fingerprint of all that the results depend on."""
        return content_key(self.scene, self.mesh, self.room.sides)

    def stored(self, key: str) -> LayoutRoom:
        """Give what the result file says of the layout, under a key."""
        sides = self.room.sides
        abouts = [one.about for one in (self.layout, self.state) if one is not None]
        return LayoutRoom(
            name=self.name,
            key=key,
            mesh=self.mesh,
            sides=sides,
            materials={n: m for n, m in self.scene.materials.items() if n in sides.materials},
            treatment_layout="" if self.layout is None else self.layout.name,
            state="" if self.state is None else self.state.name,
            about=" ".join(about for about in abouts if about),
        )

    def receivers_of(self, source: Source) -> list[Receiver]:
        """List the receivers that a source is heard at."""
        names = source.receivers
        return [r for r in self.scene.receivers if names is None or r.name in names]


def layout_name(layout: Layout | None, state: State | None) -> str:
    """Give the name that results of a layout in a state are stored under."""
    name = AS_DESCRIBED if layout is None else layout.name
    return name if state is None else f"{name}, {state.name}"


def prepare(
    path: str | os.PathLike[str], layout: str | None = None, state: str | None = None
) -> Prepared:
    """Read a scene, build its room in one layout and state, and check both.

    Parameters
    ----------
    path : path
        The scene file, or the folder with ``scene.toml`` in it.
    layout, state : str, optional
        As the scene calls them; None is the room as described.

    Returns
    -------
    Prepared

    Raises
    ------
    SceneError
        With every mistake of the scene file and of the room at once.
    """
    (prepared,) = prepare_all(path, [layout or AS_DESCRIBED], [state or AS_DESCRIBED])
    return prepared


def prepare_all(
    path: str | os.PathLike[str],
    layouts: Sequence[str] = (),
    states: Sequence[str] = (),
    *,
    without_each: bool = False,
) -> list[Prepared]:
    """Read a scene, build its room in several layouts and states, and check all of them.

    Parameters
    ----------
    path : path
        The scene file, or the folder with ``scene.toml`` in it.
    layouts, states : sequence of str
        As the scene calls them: every layout in every state. "as described" is the room
        without either, and what none is; "all" is that and all that the scene has. A layout
        "C2" without its item "W1" is "C2 without W1".
    without_each : bool
        Besides, each of the layouts without each of its items in turn.

    Returns
    -------
    list of Prepared
        As described first, then in the scene's order, what lacks an item after its whole.

    Raises
    ------
    SceneError
        With every mistake of the scene file, of the names and of all rooms at once.
    """
    complaints: list[Complaint] = []
    scene = collect_scene(Path(path), complaints)
    if scene is None:
        raise SceneError(complaints)
    every = with_reduced(scene.layouts)
    chosen = _named(scene.layouts, layouts, "--layout", complaints, every)
    if without_each:
        chosen = _with_each_left_out(scene, chosen, complaints)
    chosen_states = _named(scene.states, states, "--state", complaints)
    asked = [(layout, state) for layout in chosen for state in chosen_states]
    names = [layout_name(*one) for one in asked]
    usable: list[Prepared] = []
    only_in: dict[Complaint, str] = {}
    for one, name in zip(asked, names, strict=True):
        told = set(complaints)
        usable += _assemble(scene, *one, complaints)
        if one != (None, None):  # the room as described may be in order
            only_in |= {c: name for c in complaints if c not in told}
    if complaints:
        raise SceneError(
            replace(c, wrong=f'in "{only_in[c]}": {c.wrong}') if c in only_in else c
            for c in dict.fromkeys(complaints)
        )
    return usable


_Item = TypeVar("_Item", Layout, State)


def _named(
    held: Sequence[_Item],
    names: Sequence[str],
    option: str,
    complaints: list[Complaint],
    every: Sequence[_Item] = (),
) -> list[_Item | None]:
    """Give the layouts or states of these names, in the scene's order; None: as described.

    ``every`` holds those of ``held`` and others between them that only their name asks for.
    """
    known: list[str] = [AS_DESCRIBED, *(one.name for one in held)]
    possible = [*known, ALL, *(one.name for one in every)]
    for name in dict.fromkeys(names):
        if name not in possible:
            near = get_close_matches(name, possible, n=1)
            has = f"The scene has: {', '.join(known)}."
            fix = f'Did you mean "{near[0]}"?' if near else has
            what = "layout" if option == "--layout" else "state"
            wrong = f'the scene has no {what} "{name}".'
            complaints.append(Complaint(option, wrong, fix, "RS-P03"))
    chosen = {AS_DESCRIBED} if not names else set(known if ALL in names else names)
    first: list[_Item | None] = [None] if AS_DESCRIBED in chosen else []
    return first + [one for one in every or held if one.name in chosen]


def _with_each_left_out(
    scene: Scene, chosen: Sequence[Layout | None], complaints: list[Complaint]
) -> list[Layout | None]:
    """Add to layouts of the scene what they are without each of their items."""
    whole = [one for one in chosen if one in scene.layouts]
    lacking = [one for layout in whole if layout is not None for one in reduced(layout)]
    if not lacking:
        wrong = "none of the layouts asked for has an item that could be left out."
        fix = "Name a layout of the scene that puts something up: --layout NAME."
        complaints.append(Complaint("--without-each", wrong, fix, "RS-T81"))
    own = {one.name for one in scene.layouts}
    for name in sorted(own.intersection(one.name for one in lacking)):
        wrong = f'the scene has a layout "{name}" of its own.'
        fix = "Give it another name: this one is for the layout without that item."
        complaints.append(Complaint("--without-each", wrong, fix, "RS-T80"))
    asked = {one.name for one in (*chosen, *lacking) if one is not None}
    first: list[Layout | None] = [None] if None in chosen else []
    return first + [one for one in with_reduced(scene.layouts) if one.name in asked]


def _assemble(
    scene: Scene, layout: Layout | None, state: State | None, complaints: list[Complaint]
) -> list[Prepared]:
    """Give the room of one layout in one state, or none after complaining."""
    notes: list[str] = []
    before = len(complaints)
    furnished = furnish(scene, layout, state, complaints, notes)
    mesh = collect_room(furnished, complaints, notes)
    if mesh is None or len(complaints) > before:
        return []
    room = acoustic_room(furnished, mesh)
    return [Prepared(furnished, mesh, room, tuple(notes), scene, layout, state)]


def read_scene(path: str | os.PathLike[str]) -> Scene:
    """Read a scene and check it and its room; see `prepare`."""
    return prepare(path).scene


def with_settings(
    prepared: Prepared,
    *,
    n_ray: int | None = None,
    until_t30_pct: float | None = None,
    seed: int | None = None,
    bass: bool | None = None,
    on_gpu: bool | None = None,
) -> Prepared:
    """Give the same scene with some settings replaced; 0 per cent means one round.

    Raises
    ------
    SettingsError
        RS-P01: a number that no run can have. RS-P04: there is no GPU.
    """
    if on_gpu:
        check_gpu()
    limits = (
        ("--rays", n_ray, RAYS, "."),
        ("--until-t30", until_t30_pct or None, UNTIL_T30_PCT, " per cent; 0: one round."),
        ("--seed", seed, SEED, "."),
    )
    wrong = [
        Complaint(
            name,
            f"{value} is not possible.",
            f"Give {least} to {most}{what}",
            "RS-P01",
        )
        for name, value, (least, most), what in limits
        if value is not None and not least <= value <= most
    ]
    if wrong:
        raise SettingsError(wrong)
    settings = prepared.described.settings
    if n_ray is not None:
        settings = replace(settings, n_ray=n_ray, max_ray=max(settings.max_ray, n_ray))
    if until_t30_pct is not None:
        settings = replace(settings, until_t30_pct=until_t30_pct or None)
    if seed is not None:
        settings = replace(settings, seed=seed)
    if bass is not None:
        settings = replace(settings, bass=bass)
    if on_gpu is not None:
        settings = replace(settings, on_gpu=on_gpu)
    return replace(
        prepared,
        scene=replace(prepared.scene, settings=settings),
        described=replace(prepared.described, settings=settings),
    )


@dataclass(frozen=True, slots=True)
class Outcome:
    """What a run came to."""

    folder: Path
    results: Path
    facts: RoomFacts
    reused: int  # sources taken from an earlier run, of all layouts
    lost_per_million: float
    #: layout and source whose T30 missed the uncertainty asked for, in per cent
    uncertain: dict[tuple[str, str], float]
    dropped: tuple[str, ...]  # stored layouts that the scene no longer describes
    alike: tuple[tuple[str, ...], ...] = ()  # layouts that are the same room, computed once
    remarks: tuple[str, ...] = ()  # what went wrong and was made good, in sentences


def simulate(
    scene: str | os.PathLike[str],
    into: str | os.PathLike[str] | None = None,
    *,
    layouts: Sequence[str] = (),
    states: Sequence[str] = (),
    without_each: bool = False,
    n_ray: int | None = None,
    until_t30_pct: float | None = None,
    seed: int | None = None,
    bass: bool | None = None,
    workers: int | None = 1,
    cluster: str | None = None,
) -> Results:
    """Simulate a scene: result file, responses, tables and page.

    Parameters
    ----------
    scene : path
        The scene file or its folder.
    into : path, optional
        Folder for the results; by default ``<scene>-results`` in the current folder.
    layouts, states, without_each : optional
        As for `prepare_all`.
    n_ray, until_t30_pct, seed, bass : optional
        Instead of what the scene's ``[simulate]`` table says.
    workers, cluster : optional
        As for `run`.

    Returns
    -------
    Results
        The open result file; a context manager.

    Raises
    ------
    RaysimError
        Input that cannot be used, or a place that cannot be written to.
    """
    prepared = [
        with_settings(one, n_ray=n_ray, until_t30_pct=until_t30_pct, seed=seed, bass=bass)
        for one in prepare_all(scene, layouts, states, without_each=without_each)
    ]
    folder = folder_for(prepared[0].described, into)
    return open_results(run(prepared, folder, workers=workers, cluster=cluster).results)


def folder_for(scene: Scene, into: str | os.PathLike[str] | None = None) -> Path:
    """Give the folder for results: what was asked for, or one named after the scene."""
    if into is not None:
        return Path(into)
    name = (
        scene.path.resolve().parent.name if scene.path.name == "scene.toml" else scene.path.stem
    )
    return Path(f"{name}-results")


def run(
    prepared: Sequence[Prepared],
    folder: Path,
    tell: Tell = say_nothing,
    *,
    workers: int | None = 1,
    cluster: str | None = None,
) -> Outcome:
    """Trace all sources of a scene's layouts, store them, and derive all the rest.

    Parameters
    ----------
    prepared : sequence of Prepared
        Of one scene, in the order of `prepare_all`; at least one. All have the scene's
        one seed, so that they share their chance and differ as little as can be by it.
    folder : Path
        Made if it is not there. A result file in it is taken up: sources of layouts that
        are still the same are not traced again, and other layouts of the file stay if
        the scene still describes the same.
    tell : callable, optional
        Called with the share done and what is known so far.
    workers : int, optional
        Processes to compute on; None: as many as pay. The result is the same to the last
        bit. A script that asks for several must guard its own start, as ever with
        processes: ``if __name__ == "__main__":``.
    cluster : str, optional
        Address of a Dask scheduler whose workers compute instead.

    Returns
    -------
    Outcome

    Raises
    ------
    RaysimError
        A place that cannot be written to, or holds what raysim did not write; a number of
        workers that cannot be had, or a cluster that does not answer.
    Stopped
        Ctrl-C; a folder that was made for nothing is taken away again.
    """
    check_workers(workers, cluster)
    refuse_foreign(folder)
    is_new = make_folder(folder)
    path = folder / RESULTS_NAME
    check_writable(path)
    sources = prepared[0].described.sources
    remarks: list[str] = []
    n_kept = 0
    try:
        with Stock(path) as stock:
            wanted, dropped = _wanted(stock, prepared)
            if _set_aside(path, {whole_key(one.room.key) for one in wanted.values()}):
                remarks.append(f"What the file held before is kept in {BEFORE_NAME}.")
            stock.want(RunHeader(prepared[0].described), list(wanted.values()))

            def kept() -> int:
                keys = (wanted[one.name].room.key for one in prepared)
                return sum(stock.has_rays(key, s.name) for key in keys for s in sources)

            reused = n_kept = kept()
            units = _units(prepared, wanted, stock)

            def done(unit: Unit, result: Result) -> None:
                one = wanted[unit.layout]
                if isinstance(result, Bass):
                    stock.put_bass(one, result)
                else:
                    assert unit.source is not None
                    stock.put_rays(one, unit.source.name, *result)

            try:
                compute_all(
                    units, done, lambda share, known: tell(_TRACED * share, known),
                    workers=workers, cluster=cluster, several=len(prepared) > 1,
                    note=remarks.append,
                )  # fmt: skip
            finally:
                n_kept = kept()
                stock.gather_pieces()
        begin = _TRACED if units else 0.0
        facts = derive(
            path, folder, lambda share, what: tell(begin + (1 - begin) * share, what)
        )
        tell(1.0, "done")
    except (KeyboardInterrupt, RaysimError) as error:
        if is_new and not any(folder.iterdir()):
            folder.rmdir()
        if isinstance(error, RaysimError):
            raise
        raise Stopped(n_kept, len(prepared) * len(sources), len(prepared)) from None
    with open_results(path) as results:
        counts = [c for one in prepared for c in results.counts(one.name).values()]
    segments = sum(c.n_segment for c in counts)
    return Outcome(
        folder=folder,
        results=path,
        facts=facts,
        reused=reused,
        lost_per_million=1e6 * sum(c.n_lost for c in counts) / max(segments, 1),
        uncertain={
            (one.name, name): error
            for one in prepared
            for name, error in _uncertain(one.scene, path, one.name).items()
        },
        dropped=dropped,
        alike=_alike([wanted[one.name] for one in prepared]),
        remarks=tuple(dict.fromkeys(remarks)),
    )


def _set_aside(path: Path, keys: set[str]) -> bool:
    """Copy a file with results that this run replaces: if it is stopped, they stay."""
    if all(whole_key(key) in keys for key in complete_layouts(path).values()):
        return False
    replace_file(replacement_target(path.with_name(BEFORE_NAME)), path.read_bytes)
    return True


def _units(
    prepared: Sequence[Prepared], wanted: Mapping[str, Wanted], stock: Stock
) -> list[Unit]:
    """List what is not there yet, once for layouts that are the same room."""
    units: list[Unit] = []
    listed: set[object] = set()
    for one in prepared:
        key, key_of_bass = wanted[one.name].room.key, wanted[one.name].bass_key
        for source in one.described.sources:
            if (key, source.name) not in listed and not stock.has_rays(key, source.name):
                listed.add((key, source.name))
                heard = tuple(one.receivers_of(source))
                units.append(Unit(one.name, one.scene, one.room, source, heard))
        lacks = one.scene.settings.bass and not stock.has_bass(key_of_bass)
        if lacks and key_of_bass not in listed:
            listed.add(key_of_bass)
            units.append(Unit(one.name, one.scene, one.room))
    return units


def _alike(wanted: Sequence[Wanted]) -> tuple[tuple[str, ...], ...]:
    """Give the names of layouts that are the same room, rays and bass."""
    names: dict[tuple[str, str], list[str]] = {}
    for one in wanted:
        names.setdefault((one.room.key, one.bass_key), []).append(one.room.name)
    return tuple(tuple(same) for same in names.values() if len(same) > 1)


def _wanted(
    stock: Stock, prepared: Sequence[Prepared]
) -> tuple[dict[str, Wanted], tuple[str, ...]]:
    """Give all layouts that the file may hold, in order.

    Those of this run, and others of which there is something if the scene still describes
    the same. Also the names of those that go.
    """
    described = prepared[0].described
    held = stock.rooms()
    wanted = {one.name: _as_wanted(one) for one in prepared}
    for name, room in held.items():
        if name not in wanted:
            again = {one.name: _as_wanted(one) for one in _again(described, room)}
            wanted |= {n: w for n, w in again.items() if w.room.key == whole_key(room.key)}
    states = (None, *described.states)
    every = with_reduced(described.layouts)
    order = [layout_name(a, b) for a in (None, *every) for b in states]
    dropped = tuple(name for name in held if name not in wanted)
    return {name: wanted[name] for name in sorted(wanted, key=order.index)}, dropped


def _as_wanted(one: Prepared) -> Wanted:
    key = one.key
    return Wanted(one.stored(key), bass_key(one.scene, key))


def _again(described: Scene, stored: LayoutRoom) -> list[Prepared]:
    """Give the room that a stored layout has by now, or none if it cannot be had."""
    layouts = {"": None, **{one.name: one for one in with_reduced(described.layouts)}}
    states = {"": None, **{one.name: one for one in described.states}}
    if stored.treatment_layout not in layouts or stored.state not in states:
        return []
    layout, state = layouts[stored.treatment_layout], states[stored.state]
    return _assemble(described, layout, state, [])


def _pairs(path: Path, layout: str) -> list[PairResult]:
    """Give what an earlier run has completed of a layout."""
    with open_results(path) as results:
        return [results.pair(layout, *names) for names in results.pair_names(layout)]


def _uncertain(scene: Scene, path: Path, layout: str) -> dict[str, float]:
    """Give the error of T30 from sources where it is too large, also of those reused.

    In per cent; infinite where a band outlasts its histogram.
    """
    target = scene.settings.until_t30_pct
    if target is None:
        return {}
    pairs = _pairs(path, layout)
    error_pct = {
        s.name: t30_certainty(scene, [p for p in pairs if p.source == s.name])[1]
        for s in scene.sources
    }
    return {name: error for name, error in error_pct.items() if error > target}


def too_uncertain(source: str, error_pct: float, settings: Settings, layout: str = "") -> str:
    """Say how certain T30 from a source is, why no more than that, and what to do.

    Examples
    --------
    >>> too_uncertain("voice", 2.61, Settings()).partition(": ")[0]
    'T30 from "voice" is certain to within 2.7 %, not 2 %'
    """
    which = f'T30 from "{source}"' + (f' in "{layout}"' if layout else "")
    if math.isinf(error_pct):
        return (
            f"{which} is not known: a band outlasts the longest histogram. Check "
            "the absorption coefficients: hardly anything in this room absorbs that band."
        )
    target, rays = settings.until_t30_pct or 0.0, f"{settings.max_ray:,}".replace(",", " ")
    # upwards, so that no error prints as the target that it missed
    shown = math.ceil(10.0 * error_pct) / 10.0
    ways = []
    if settings.max_ray < RAYS[1]:
        ways.append("raise max_rays in [simulate]")
    if (easier := math.ceil(error_pct)) <= UNTIL_T30_PCT[1]:
        ways.append(f"ask for --until-t30 {easier}")
    do = ", or ".join(ways)
    return (
        f"{which} is certain to within {shown:g} %, not {target:g} %: the most "
        f"rays allowed ({rays}) were traced. {do[:1].upper()}{do[1:]}."
    )
