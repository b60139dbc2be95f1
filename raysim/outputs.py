"""What is made of a result file: responses, measures, tables and page.

From the file alone: without the scene, all comes out the same.
"""

from pathlib import Path

from raysim.algebra import one_blas_thread
from raysim.folders import PAGE_NAME, RESPONSES_NAME, make_folder
from raysim.measures.pair import BAND_MEASURES, SINGLE_MEASURES, PairMeasures
from raysim.report.facts import RoomFacts, gather
from raysim.report.pairs import PairFacts
from raysim.report.render import write_page
from raysim.report.summary import write_tables
from raysim.response.impulse import early_and_late, impulse_response
from raysim.response.join import ear_of, join
from raysim.response.walls import PathWalls
from raysim.response.wav import wav_names, write_wav
from raysim.scene.air import gas
from raysim.store.file import (
    Derived,
    Measure,
    Results,
    check_writable,
    open_results,
    write_derived,
)
from raysim.tracing import Tell, say_nothing
from raysim.units import Float

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


@one_blas_thread()
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
    wave, measures = results.bass_response(*names), _as_stored(facts.measures)
    if wave is None:
        impulse = impulse_response(*place)
    else:
        ear = ear_of(pair, results.sources[i_source], receiver, results.bands, results.air)
        joined = join(wave, ear, *early_and_late(*place), settings.sample_rate_hz)
        impulse = joined.impulse
        measures["bass_mismatch_db"] = Measure(joined.mismatch_db, None, "dB")
    return Derived(*names, impulse, settings.sample_rate_hz, measures)
