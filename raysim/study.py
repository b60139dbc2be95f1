"""From a scene file to everything a person asked for, through the result file.

`simulate` prepares the room of each layout, traces it source by source, and stores each
source as soon as it is complete, then the bass of the layout, so that a run that is stopped
keeps what it has and can be taken up again. `derive` makes all the rest, responses,
measures, tables and page, from the result file alone.
"""

import math
import os
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from difflib import get_close_matches
from pathlib import Path
from typing import TypeVar

from raysim.errors import Complaint, SceneError, SettingsError, Stopped
from raysim.folders import (
    PAGE_NAME,
    RESPONSES_NAME,
    RESULTS_NAME,
    make_folder,
    refuse_foreign,
)
from raysim.geometry.build import collect_room
from raysim.geometry.furnish import furnish
from raysim.geometry.mesh import RoomMesh
from raysim.measures.pair import BAND_MEASURES, SINGLE_MEASURES, PairMeasures
from raysim.propagation.bass import bass_of
from raysim.propagation.room import AcousticRoom, acoustic_room
from raysim.records import PairResult, RayCount
from raysim.report.facts import RoomFacts, bass_response, gather
from raysim.report.pairs import PairFacts, ear_of
from raysim.report.render import write_page
from raysim.report.summary import write_tables
from raysim.response.impulse import early_and_late, impulse_response
from raysim.response.join import join
from raysim.response.walls import PathWalls
from raysim.response.wav import wav_names, write_wav
from raysim.scene.air import gas
from raysim.scene.conditions import RAYS, SEED, UNTIL_T30_PCT
from raysim.scene.layouts import RESERVED_NAMES
from raysim.scene.model import Receiver, Scene, Settings, Source
from raysim.scene.plan import Layout, State
from raysim.scene.read import collect_scene
from raysim.store.file import (
    Derived,
    LayoutResult,
    LayoutRoom,
    Measure,
    Results,
    RunHeader,
    bass_key,
    check_writable,
    complete_layouts,
    content_key,
    drop_bass,
    open_results,
    write_bass,
    write_derived,
    write_header,
    write_layout,
)
from raysim.store.key import digest
from raysim.tracing import Tell, say_nothing, t30_certainty, trace_source
from raysim.units import Float

#: The room without any treatment, all that the scene file describes; and all layouts,
#: or all states, of a scene.
AS_DESCRIBED, ALL = RESERVED_NAMES
#: The share of a run's progress that belongs to tracing and to the bass; the rest to what
#: is made of it. And how many sources' rays the bass of a layout counts as.
_TRACED = 0.9
_BASS_SOURCES = 2.0


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
) -> list[Prepared]:
    """Read a scene, build its room in several layouts and states, and check all of them.

    Parameters
    ----------
    path : path
        The scene file, or the folder with ``scene.toml`` in it.
    layouts, states : sequence of str
        As the scene calls them: every layout in every state. "as described" is the room
        without either, and what none is; "all" is that and all that the scene has.

    Returns
    -------
    list of Prepared
        As described first, then in the scene's order.

    Raises
    ------
    SceneError
        With every mistake of the scene file, of the names and of all rooms at once.
    """
    complaints: list[Complaint] = []
    scene = collect_scene(Path(path), complaints)
    if scene is None:
        raise SceneError(complaints)
    chosen = _named(scene.layouts, layouts, "--layout", complaints)
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
    held: Sequence[_Item], names: Sequence[str], option: str, complaints: list[Complaint]
) -> list[_Item | None]:
    """Give the layouts or states of these names, in the scene's order; None: as described."""
    known: list[str] = [AS_DESCRIBED, *(one.name for one in held)]
    for name in dict.fromkeys(names):
        if name not in (*known, ALL):
            near = get_close_matches(name, [*known, ALL], n=1)
            has = f"The scene has: {', '.join(known)}."
            fix = f'Did you mean "{near[0]}"?' if near else has
            what = "layout" if option == "--layout" else "state"
            wrong = f'the scene has no {what} "{name}".'
            complaints.append(Complaint(option, wrong, fix, "RS-P03"))
    chosen = {AS_DESCRIBED} if not names else set(known if ALL in names else names)
    first: list[_Item | None] = [None] if AS_DESCRIBED in chosen else []
    return first + [one for one in held if one.name in chosen]


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
) -> Prepared:
    """Give the same scene with some settings replaced; 0 per cent means one round.

    Raises
    ------
    SettingsError
        RS-P01: a number that no run can have.
    """
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


def simulate(
    scene: str | os.PathLike[str],
    into: str | os.PathLike[str] | None = None,
    *,
    layouts: Sequence[str] = (),
    states: Sequence[str] = (),
    n_ray: int | None = None,
    until_t30_pct: float | None = None,
    seed: int | None = None,
    bass: bool | None = None,
) -> Results:
    """Simulate a scene: result file, responses, tables and page.

    Parameters
    ----------
    scene : path
        The scene file or its folder.
    into : path, optional
        Folder for the results; by default ``<scene>-results`` in the current folder.
    layouts, states : sequence of str
        As for `prepare_all`.
    n_ray, until_t30_pct, seed, bass : optional
        Instead of what the scene's ``[simulate]`` table says.

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
        for one in prepare_all(scene, layouts, states)
    ]
    return open_results(run(prepared, folder_for(prepared[0].described, into)).results)


def folder_for(scene: Scene, into: str | os.PathLike[str] | None = None) -> Path:
    """Give the folder for results: what was asked for, or one named after the scene."""
    if into is not None:
        return Path(into)
    name = (
        scene.path.resolve().parent.name if scene.path.name == "scene.toml" else scene.path.stem
    )
    return Path(f"{name}-results")


def run(prepared: Sequence[Prepared], folder: Path, tell: Tell = say_nothing) -> Outcome:
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

    Returns
    -------
    Outcome

    Raises
    ------
    RaysimError
        A place that cannot be written to, or holds what raysim did not write.
    Stopped
        Ctrl-C; a folder that was made for nothing is taken away again.
    """
    refuse_foreign(folder)
    is_new = make_folder(folder)
    path = folder / RESULTS_NAME
    check_writable(path)
    several = len(prepared) > 1
    described, header = prepared[0].described, RunHeader(prepared[0].described)
    current, dropped, is_same = _current(path, prepared)
    done = {one.name: _counts(path, current[one.name]) for one in prepared}
    reused = kept = sum(len(counts) for counts in done.values())
    n_source = len(prepared) * len(described.sources)
    todo = {one.name for one in prepared if _lacks_bass(path, one, current[one.name])}
    n_todo = n_source - reused + _BASS_SOURCES * len(todo)
    n_solved = 0
    try:
        if not is_same:
            write_header(path, header, current.values())
        stale = _stale_bass(path, prepared, current)
        if stale:
            drop_bass(path, stale)
        for one in prepared:
            # one layout at a time in memory
            is_partly = 0 < len(done[one.name]) < len(described.sources)
            pairs = _pairs(path, one.name) if is_partly else []
            for source in described.sources:
                if source.name in done[one.name]:
                    continue

                def tell_of_source(
                    share: float,
                    known: str,
                    i: float = kept - reused + _BASS_SOURCES * n_solved,
                    name: str = one.name,
                ) -> None:
                    text = f"{name}: {known}" if several else known
                    tell(_TRACED * (i + share) / n_todo, text)

                new, done[one.name][source.name] = trace_source(
                    one.scene, one.room, source, one.receivers_of(source), tell_of_source
                )
                pairs.extend(new)
                n_done = len(done[one.name])
                complete = n_done == len(described.sources)
                current[one.name] = one.stored(
                    one.key if complete else _part_key(one.key, n_done)
                )
                layout = LayoutResult(
                    current[one.name], _in_order(described, pairs), done[one.name]
                )
                write_layout(path, header, layout, current=current.values())
                kept += 1
            if one.name in todo:

                def tell_of_bass(
                    share: float,
                    known: str,
                    i: float = kept - reused + _BASS_SOURCES * n_solved,
                    name: str = one.name,
                ) -> None:
                    text = f"{name}: {known}" if several else known
                    tell(_TRACED * (i + _BASS_SOURCES * share) / n_todo, text)

                found = bass_of(one.scene, one.room, tell_of_bass)
                write_bass(path, one.name, bass_key(one.scene, one.key), found)
                n_solved += 1
        begin = _TRACED if n_todo else 0.0
        facts = derive(
            path, folder, lambda share, what: tell(begin + (1 - begin) * share, what)
        )
        tell(1.0, "done")
    except KeyboardInterrupt:
        if is_new and not any(folder.iterdir()):
            folder.rmdir()
        raise Stopped(kept, n_source, len(prepared)) from None
    counts = [count for by_source in done.values() for count in by_source.values()]
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
    )


def _current(
    path: Path, prepared: Sequence[Prepared]
) -> tuple[dict[str, LayoutRoom], tuple[str, ...], bool]:
    """Give all layouts that the file may hold, in order, with the keys they have in it.

    Those of this run, and others of the file if the scene still describes the same. Also
    the names of those that go, and whether the file needs no other header.
    """
    described = prepared[0].described
    rooms = {one.name: one.stored(one.key) for one in prepared}
    held = complete_layouts(path)
    if not held:
        return rooms, (), True
    with open_results(path) as results:
        others = [results.layout(name) for name in held if name not in rooms]
        is_same = results.provenance["scene_hash"] == digest(described)
    for other in others:
        rooms |= {one.name: one.stored(one.key) for one in _again(described, other)}
    for name, room in list(rooms.items()):
        if held.get(name, "").split(" ")[0] == room.key:
            rooms[name] = replace(room, key=held[name])  # its sources may not all be there
        elif name not in {one.name for one in prepared}:
            del rooms[name]
    states = (None, *described.states)
    order = [layout_name(a, b) for a in (None, *described.layouts) for b in states]
    dropped = tuple(name for name in held if name not in rooms)
    in_order = {name: rooms[name] for name in sorted(rooms, key=order.index)}
    return in_order, dropped, is_same and not dropped


def _again(described: Scene, stored: LayoutRoom) -> list[Prepared]:
    """Give the room that a stored layout has by now, or none if it cannot be had."""
    layouts = {"": None, **{one.name: one for one in described.layouts}}
    states = {"": None, **{one.name: one for one in described.states}}
    if stored.treatment_layout not in layouts or stored.state not in states:
        return []
    layout, state = layouts[stored.treatment_layout], states[stored.state]
    return _assemble(described, layout, state, [])


def _counts(path: Path, room: LayoutRoom) -> dict[str, RayCount]:
    """Give the sources of a layout that an earlier run has completed."""
    if complete_layouts(path).get(room.name) != room.key:
        return {}
    with open_results(path) as results:
        return results.counts(room.name)


def _lacks_bass(path: Path, one: Prepared, room: LayoutRoom) -> bool:
    """Tell if the bass of a layout is wanted and not stored."""
    if not one.scene.settings.bass:
        return False
    if complete_layouts(path).get(one.name) != room.key:
        return True
    with open_results(path) as results:
        return results.bass_key(one.name) != bass_key(one.scene, one.key)


def _stale_bass(
    path: Path, prepared: Sequence[Prepared], current: Mapping[str, LayoutRoom]
) -> tuple[str, ...]:
    """Give the layouts whose stored bass is not that of the scene as it is now."""
    stored = complete_layouts(path)
    kept = [one for one in prepared if stored.get(one.name) == current[one.name].key]
    if not kept:
        return ()
    with open_results(path) as results:
        held = {one.name: results.bass_key(one.name) for one in kept}
    return tuple(
        one.name
        for one in kept
        if held[one.name] is not None and held[one.name] != bass_key(one.scene, one.key)
    )


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


def _part_key(key: str, n_source: int) -> str:
    """Give the key of a layout whose sources are not all there yet."""
    return f"{key} first {n_source}"


def _in_order(scene: Scene, pairs: list[PairResult]) -> tuple[PairResult, ...]:
    """Sort pairs as the scene names their sources and receivers."""
    sources = [s.name for s in scene.sources]
    receivers = [r.name for r in scene.receivers]
    return tuple(
        sorted(pairs, key=lambda p: (sources.index(p.source), receivers.index(p.receiver)))
    )


#: Unit of each measure in the result file.
_UNITS = {"_s": "s", "_db": "dB", "_permille": "1e-3", "_pct": "%"}


def _unit(name: str) -> str:
    return next((unit for end, unit in _UNITS.items() if name.endswith(end)), "1")


def _as_stored(measured: PairMeasures) -> dict[str, Measure]:
    """Give a pair's measures as the result file keeps them."""
    stored = {}
    for name in (*BAND_MEASURES, *SINGLE_MEASURES):
        value: Float | float = getattr(measured, name)
        error = measured.error[name]
        single = name in SINGLE_MEASURES
        stored[name] = Measure(value, float(error) if single else error, _unit(name))
    return stored


def derive(path: Path, folder: Path, tell: Tell = say_nothing) -> RoomFacts:
    """Make responses, measures, tables and page from a result file alone.

    Parameters
    ----------
    path : Path
        Result file; responses and measures are added to it.
    folder : Path
        For the page, the tables and the folder of WAV files.
    tell : callable, optional
        Called with the share done and what is being made.

    Returns
    -------
    RoomFacts
        What the page and the tables say.

    Raises
    ------
    StoreError
        RS-H05: the result file cannot be replaced; told before anything is made.
    """
    check_writable(path)
    derived = []
    responses = folder / RESPONSES_NAME
    with open_results(path) as results:
        make_folder(responses)
        # measured once, for the result file, the tables and the page alike
        room = gather(results, lambda share, what: tell(0.8 * share, what))
        pairs = [pair for layout in room.layouts for pair in layout.pairs]
        for i, pair in enumerate(pairs):
            tell(0.8 + 0.15 * i / len(pairs), f"responses {i + 1} of {len(pairs)}")
            derived.append(_derive_pair(results, pair))
    names = wav_names([(d.layout, d.source, d.receiver) for d in derived])
    for d, name in zip(derived, names, strict=True):
        if d.impulse is not None:
            comment = f"{d.source} to {d.receiver}, layout {d.layout}"
            write_wav(responses / name, d.impulse, d.sample_rate_hz, comment)
    tell(0.95, "page")
    write_derived(path, derived)
    write_tables(path, folder, room)
    write_page(path, folder / PAGE_NAME, room)
    tell(1.0, "page")
    return room


def _derive_pair(results: Results, facts: PairFacts) -> Derived:
    """Make one pair's response, and take its measures from what was gathered."""
    settings, names = results.settings, (facts.layout, facts.source, facts.receiver)
    i_source = [s.name for s in results.sources].index(facts.source)
    i_receiver = [r.name for r in results.receivers].index(facts.receiver)
    receiver = results.receivers[i_receiver]
    pair = results.pair(*names)
    layout = facts.layout
    walls = PathWalls(results.sides(layout), results.materials(layout), gas(results.air))
    place = (
        pair.arrivals, pair.histogram, results.bands, settings.sample_rate_hz, receiver.aim,
        receiver.pattern, settings.seed, i_source, i_receiver, walls,
    )  # fmt: skip
    wave, measures = bass_response(results, *names), _as_stored(facts.measures)
    if wave is None:
        impulse = impulse_response(*place)
    else:
        ear = ear_of(pair, results.sources[i_source], receiver, results.bands, results.air)
        joined = join(wave, ear, *early_and_late(*place), settings.sample_rate_hz)
        impulse = joined.impulse
        measures["bass_mismatch_db"] = Measure(joined.mismatch_db, None, "dB")
    return Derived(*names, impulse, settings.sample_rate_hz, measures)
