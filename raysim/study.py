"""From a scene file to everything a person asked for, through the result file.

`simulate` prepares the room, traces it source by source, and stores each source as soon
as it is complete, so that a run that is stopped keeps what it has and can be taken up
again. `derive` makes all the rest, responses, measures, tables and page, from the
result file alone.
"""

import itertools
import os
from collections.abc import Iterable
from dataclasses import dataclass, replace
from pathlib import Path

from raysim.errors import Complaint, SceneError, SettingsError, StoreError
from raysim.geometry.build import collect_room
from raysim.geometry.mesh import RoomMesh
from raysim.measures.pair import BAND_MEASURES, SINGLE_MEASURES, PairMeasures, measure_pair
from raysim.propagation.room import AcousticRoom, acoustic_room
from raysim.records import PairResult, RayCount
from raysim.report.render import write_page
from raysim.report.summary import write_tables
from raysim.response.impulse import impulse_response
from raysim.response.wav import write_wav
from raysim.scene.directivity import mean_gain
from raysim.scene.model import Receiver, Scene, Source
from raysim.scene.read import collect_scene
from raysim.store.file import (
    Derived,
    LayoutResult,
    Measure,
    Results,
    RunHeader,
    check_writable,
    complete_layouts,
    content_key,
    open_results,
    write_derived,
    write_layout,
)
from raysim.tracing import Tell, say_nothing, t30_certainty, trace_source
from raysim.units import Float

#: The room without any treatment, as the scene file describes it.
BARE = "bare"
#: Files of a run, in the folder the user named.
RESULTS_NAME, PAGE_NAME, RESPONSES_NAME = "results.h5", "index.html", "responses"


@dataclass(frozen=True, slots=True)
class Prepared:
    """A scene that was read and found usable, and its room."""

    scene: Scene
    mesh: RoomMesh
    room: AcousticRoom
    notes: tuple[str, ...]  # what was done to make the mesh

    @property
    def key(self) -> str:
        """Fingerprint of all that the results depend on."""
        return content_key(self.scene, self.mesh, self.room.sides)

    def receivers_of(self, source: Source) -> list[Receiver]:
        """List the receivers that a source is heard at."""
        names = source.receivers
        return [r for r in self.scene.receivers if names is None or r.name in names]


def prepare(path: str | os.PathLike[str]) -> Prepared:
    """Read a scene, build its room and check both.

    Parameters
    ----------
    path : path
        The scene file, or the folder with ``scene.toml`` in it.

    Returns
    -------
    Prepared

    Raises
    ------
    SceneError
        With every mistake of the scene file and of the room at once.
    """
    complaints: list[Complaint] = []
    notes: list[str] = []
    scene = collect_scene(Path(path), complaints)
    mesh = None if scene is None else collect_room(scene, complaints, notes)
    if complaints or scene is None or mesh is None:
        raise SceneError(complaints)
    return Prepared(scene, mesh, acoustic_room(scene, mesh), tuple(notes))


def read_scene(path: str | os.PathLike[str]) -> Scene:
    """Read a scene and check it and its room; see `prepare`."""
    return prepare(path).scene


def with_settings(
    prepared: Prepared,
    *,
    n_ray: int | None = None,
    until_t30_pct: float | None = None,
    seed: int | None = None,
) -> Prepared:
    """Give the same scene with some settings replaced; 0 per cent means one round.

    Raises
    ------
    SettingsError
        RS-P01: a number that no run can have.
    """
    limits = (
        ("--rays", n_ray, 32, 10**9, "Give 32 to 1 000 000 000."),
        (
            "--until-t30",
            until_t30_pct or None,
            0.1,
            50,
            "Give 0.1 to 50 per cent; 0: one round.",
        ),
        ("--seed", seed, 0, 2**63 - 1, "Give a whole number from 0 on."),
    )
    wrong = [
        Complaint(name, f"{value} is not possible.", fix, "RS-P01")
        for name, value, least, most, fix in limits
        if value is not None and not least <= value <= most
    ]
    if wrong:
        raise SettingsError(wrong)
    settings = prepared.scene.settings
    if n_ray is not None:
        settings = replace(settings, n_ray=n_ray, max_ray=max(settings.max_ray, n_ray))
    if until_t30_pct is not None:
        settings = replace(settings, until_t30_pct=until_t30_pct or None)
    if seed is not None:
        settings = replace(settings, seed=seed)
    return replace(prepared, scene=replace(prepared.scene, settings=settings))


@dataclass(frozen=True, slots=True)
class Outcome:
    """What a run came to."""

    folder: Path
    results: Path
    page: Path
    reused: int  # sources taken from an earlier run
    lost_per_million: float
    uncertain: tuple[str, ...]  # sources whose T30 missed the uncertainty asked for


def simulate(
    scene: str | os.PathLike[str],
    into: str | os.PathLike[str] | None = None,
    *,
    n_ray: int | None = None,
    until_t30_pct: float | None = None,
    seed: int | None = None,
) -> Results:
    """Simulate a scene: result file, responses, tables and page.

    Parameters
    ----------
    scene : path
        The scene file or its folder.
    into : path, optional
        Folder for the results; by default ``<scene>-results`` in the current folder.
    n_ray, until_t30_pct, seed : optional
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
    prepared = with_settings(
        prepare(scene), n_ray=n_ray, until_t30_pct=until_t30_pct, seed=seed
    )
    return open_results(run(prepared, folder_for(prepared.scene, into)).results)


def folder_for(scene: Scene, into: str | os.PathLike[str] | None = None) -> Path:
    """Give the folder for results: what was asked for, or one named after the scene."""
    if into is not None:
        return Path(into)
    name = (
        scene.path.resolve().parent.name if scene.path.name == "scene.toml" else scene.path.stem
    )
    return Path(f"{name}-results")


def run(prepared: Prepared, folder: Path, tell: Tell = say_nothing) -> Outcome:
    """Trace all sources of a scene, store them, and derive all the rest.

    Parameters
    ----------
    prepared : Prepared
    folder : Path
        Made if it is not there. A result file in it that belongs to the same scene and
        settings is taken up: sources that are complete are not traced again.
    tell : callable, optional
        Called with the share done and what is known so far.

    Returns
    -------
    Outcome
    """
    _make_folder(folder)
    path = folder / RESULTS_NAME
    check_writable(path)
    scene, room, key = prepared.scene, prepared.room, prepared.key
    header = RunHeader(scene, prepared.mesh, room.sides)
    pairs, counts = _stored(path, key)
    reused = len(counts)
    todo = [s for s in scene.sources if s.name not in counts]
    for i, source in enumerate(todo):

        def tell_of_source(share: float, known: str, i: int = i) -> None:
            tell((i + share) / len(todo), known)

        new, counts[source.name] = trace_source(
            scene, room, source, prepared.receivers_of(source), tell_of_source
        )
        pairs.extend(new)
        name_key = key if len(counts) == len(scene.sources) else _part_key(key, len(counts))
        layout = LayoutResult(BARE, name_key, _in_order(scene, pairs), counts)
        write_layout(path, header, layout, current={BARE: name_key})
    page = derive(path, folder)
    segments = sum(c.n_segment for c in counts.values())
    return Outcome(
        folder=folder,
        results=path,
        page=page,
        reused=reused,
        lost_per_million=1e6 * sum(c.n_lost for c in counts.values()) / max(segments, 1),
        uncertain=_uncertain(scene, pairs),
    )


def _uncertain(scene: Scene, pairs: list[PairResult]) -> tuple[str, ...]:
    """Name the sources whose T30 is less certain than asked for, also those reused."""
    target = scene.settings.until_t30_pct
    if target is None:
        return ()
    return tuple(
        s.name
        for s in scene.sources
        if t30_certainty(scene, [p for p in pairs if p.source == s.name])[1] > target
    )


def _make_folder(folder: Path) -> None:
    """Make a folder and those above it.

    Raises
    ------
    StoreError
        RS-F05: a file stands in the way, or it may not be written there.
    """
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise StoreError(
            Complaint(
                where=str(folder),
                wrong=f"this folder cannot be made: {_hindrance(folder, error)}.",
                fix="Name a folder in a place you may write to.",
                code="RS-F05",
            )
        ) from error


def _hindrance(folder: Path, error: OSError) -> str:
    """Say why a folder cannot be made: the file in its place, or the system's word."""
    for path in (folder, *folder.parents):
        if path.exists():
            return (error.strerror or "?").lower() if path.is_dir() else f'"{path}" is a file'
    return (error.strerror or "?").lower()


def _part_key(key: str, n_source: int) -> str:
    """Give the key of a layout whose sources are not all there yet."""
    return f"{key} first {n_source}"


def _stored(path: Path, key: str) -> tuple[list[PairResult], dict[str, RayCount]]:
    """Give what an earlier run of the same scene and settings has completed."""
    known = complete_layouts(path).get(BARE, "")
    if known.split(" ")[0] != key:
        return [], {}
    with open_results(path) as results:
        names = results.pair_names(BARE)
        return [results.pair(BARE, *n) for n in names], results.counts(BARE)


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


def derive(path: Path, folder: Path) -> Path:
    """Make responses, measures, tables and page from a result file alone.

    Parameters
    ----------
    path : Path
        Result file; responses and measures are added to it.
    folder : Path
        For the page, the tables and the folder of WAV files.

    Returns
    -------
    Path
        The page.
    """
    derived = []
    responses = folder / RESPONSES_NAME
    with open_results(path) as results:
        _make_folder(responses)
        rate, seed = results.settings.sample_rate_hz, results.settings.seed
        for layout in results.layout_names:
            for source_name, receiver_name in results.pair_names(layout):
                one = _derive_pair(results, layout, source_name, receiver_name, rate, seed)
                derived.append(one)
    names = wav_names([(d.layout, d.source, d.receiver) for d in derived])
    for d, name in zip(derived, names, strict=True):
        if d.impulse is not None:
            comment = f"{d.source} to {d.receiver}, layout {d.layout}"
            write_wav(responses / name, d.impulse, rate, comment)
    write_derived(path, derived)
    write_tables(path, folder)
    return write_page(path, folder / PAGE_NAME)


def _derive_pair(
    results: Results, layout: str, source_name: str, receiver_name: str, rate: int, seed: int
) -> Derived:
    """Make one pair's response and measures."""
    i_source, source = next(
        (i, s) for i, s in enumerate(results.sources) if s.name == source_name
    )
    i_receiver, receiver = next(
        (i, r) for i, r in enumerate(results.receivers) if r.name == receiver_name
    )
    pair = results.pair(layout, source_name, receiver_name)
    impulse = impulse_response(
        pair.arrivals, pair.histogram, results.bands, rate, receiver.aim, receiver.pattern,
        seed, i_source, i_receiver,
    )  # fmt: skip
    measured = measure_pair(
        pair.arrivals, pair.histogram, results.bands, receiver.aim, receiver.pattern,
        mean_gain(source.directivity),
    )  # fmt: skip
    return Derived(layout, source_name, receiver_name, impulse, rate, _as_stored(measured))


def wav_names(pairs: Iterable[tuple[str, str, str]]) -> list[str]:
    """Give each pair's WAV file a name: letters, digits and dashes only, no two alike.

    Parameters
    ----------
    pairs : iterable of (layout, source, receiver)

    Examples
    --------
    >>> wav_names([("bare", "P 1", "ear"), ("bare", "p-1", "ear")])
    ['bare-p-1-to-ear.wav', 'bare-p-1-to-ear-2.wav']
    """
    stems: list[str] = []
    for layout, source, receiver in pairs:
        parts = (layout, source, "to", receiver)
        text = "-".join("".join(c if c.isalnum() else "-" for c in p) for p in parts).lower()
        stem = "-".join(word for word in text.split("-") if word)
        alike = (f"{stem}-{i}" for i in itertools.count(2))
        stems.append(stem if stem not in stems else next(s for s in alike if s not in stems))
    return [f"{stem}.wav" for stem in stems]
