"""From a scene file to everything a person asked for, through the result file.

`simulate` prepares the room, traces it source by source, and stores each source as soon
as it is complete, so that a run that is stopped keeps what it has and can be taken up
again. `derive` makes all the rest, responses, measures, tables and page, from the
result file alone.
"""

import math
import os
from dataclasses import dataclass, replace
from pathlib import Path

from raysim.errors import Complaint, SceneError, SettingsError, Stopped
from raysim.folders import (
    PAGE_NAME,
    RESPONSES_NAME,
    RESULTS_NAME,
    make_folder,
    refuse_foreign,
)
from raysim.geometry.build import collect_room
from raysim.geometry.mesh import RoomMesh
from raysim.measures.pair import BAND_MEASURES, SINGLE_MEASURES, PairMeasures
from raysim.propagation.room import AcousticRoom, acoustic_room
from raysim.records import PairResult, RayCount
from raysim.report.facts import RoomFacts, gather
from raysim.report.pairs import PairFacts
from raysim.report.render import write_page
from raysim.report.summary import write_tables
from raysim.response.impulse import impulse_response
from raysim.response.wav import wav_names, write_wav
from raysim.scene.conditions import RAYS, SEED, UNTIL_T30_PCT
from raysim.scene.model import Receiver, Scene, Settings, Source
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

#: The layout without any treatment: all that the scene file describes.
AS_DESCRIBED = "as described"
#: The share of a run's progress that belongs to tracing; the rest to what is made of it.
_TRACED = 0.9


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
    facts: RoomFacts
    reused: int  # sources taken from an earlier run
    lost_per_million: float
    uncertain: dict[str, float]  # sources whose T30 missed the uncertainty asked for, in %


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
    scene, room, key = prepared.scene, prepared.room, prepared.key
    header = RunHeader(scene, prepared.mesh, room.sides)
    pairs, counts = _stored(path, key)
    reused = kept = len(counts)
    todo = [s for s in scene.sources if s.name not in counts]
    try:
        for i, source in enumerate(todo):

            def tell_of_source(share: float, known: str, i: int = i) -> None:
                tell(_TRACED * (i + share) / len(todo), known)

            new, counts[source.name] = trace_source(
                scene, room, source, prepared.receivers_of(source), tell_of_source
            )
            pairs.extend(new)
            name_key = key if len(counts) == len(scene.sources) else _part_key(key, len(counts))
            layout = LayoutResult(AS_DESCRIBED, name_key, _in_order(scene, pairs), counts)
            write_layout(path, header, layout, current={AS_DESCRIBED: name_key})
            kept += 1
        begin = _TRACED if todo else 0.0
        facts = derive(
            path, folder, lambda share, what: tell(begin + (1 - begin) * share, what)
        )
        tell(1.0, "done")
    except KeyboardInterrupt:
        if is_new and not any(folder.iterdir()):
            folder.rmdir()
        raise Stopped(kept, len(scene.sources)) from None
    segments = sum(c.n_segment for c in counts.values())
    return Outcome(
        folder=folder,
        results=path,
        facts=facts,
        reused=reused,
        lost_per_million=1e6 * sum(c.n_lost for c in counts.values()) / max(segments, 1),
        uncertain=_uncertain(scene, pairs),
    )


def _uncertain(scene: Scene, pairs: list[PairResult]) -> dict[str, float]:
    """Give the error of T30 from sources where it is too large, also of those reused.

    In per cent; infinite where a band outlasts its histogram.
    """
    target = scene.settings.until_t30_pct
    if target is None:
        return {}
    error_pct = {
        s.name: t30_certainty(scene, [p for p in pairs if p.source == s.name])[1]
        for s in scene.sources
    }
    return {name: error for name, error in error_pct.items() if error > target}


def too_uncertain(source: str, error_pct: float, settings: Settings) -> str:
    """Say how certain T30 from a source is, why no more than that, and what to do.

    Examples
    --------
    >>> too_uncertain("voice", 2.61, Settings()).partition(": ")[0]
    'T30 from "voice" is certain to within 2.7 %, not 2 %'
    """
    if math.isinf(error_pct):
        return (
            f'T30 from "{source}" is not known: a band outlasts the longest histogram. Check '
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
        f'T30 from "{source}" is certain to within {shown:g} %, not {target:g} %: the most '
        f"rays allowed ({rays}) were traced. {do[:1].upper()}{do[1:]}."
    )


def _part_key(key: str, n_source: int) -> str:
    """Give the key of a layout whose sources are not all there yet."""
    return f"{key} first {n_source}"


def _stored(path: Path, key: str) -> tuple[list[PairResult], dict[str, RayCount]]:
    """Give what an earlier run of the same scene and settings has completed."""
    known = complete_layouts(path).get(AS_DESCRIBED, "")
    if known.split(" ")[0] != key:
        return [], {}
    with open_results(path) as results:
        names = results.pair_names(AS_DESCRIBED)
        return [results.pair(AS_DESCRIBED, *n) for n in names], results.counts(AS_DESCRIBED)


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
    impulse = impulse_response(
        pair.arrivals, pair.histogram, results.bands, settings.sample_rate_hz, receiver.aim,
        receiver.pattern, settings.seed, i_source, i_receiver,
    )  # fmt: skip
    return Derived(*names, impulse, settings.sample_rate_hz, _as_stored(facts.measures))
