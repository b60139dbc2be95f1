"""From a scene to its report: what is missing is simulated, all else is made anew.

A result file that has all layouts and states asked for is taken as it is.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from raysim.compare.comparison import check_use, compare
from raysim.compare.gathering import gather_compared
from raysim.compare.leave_one_out import runs_without
from raysim.compare.rows import write_compared
from raysim.decision.evidence import evidence
from raysim.decision.languages import second_language
from raysim.decision.page import DecisionPage, decision_page
from raysim.decision.render import render
from raysim.decision.tables import write_tables
from raysim.errors import Complaint, SceneError
from raysim.folders import RESULTS_NAME, refuse_foreign
from raysim.planning.book import make_book
from raysim.planning.layout_prices import layout_prices
from raysim.store.file import Results, bass_key, complete_layouts, open_results
from raysim.store.replace import replace_file, replacement_target
from raysim.study import ALL, AS_DESCRIBED, Prepared, folder_for, prepare_all, run
from raysim.tracing import Tell, say_nothing

REPORT_NAME: Final = "report.html"
#: The share of the work that belongs to simulating, where anything is missing.
_SIMULATED: Final = 0.9


@dataclass(frozen=True, slots=True)
class Made:
    """What was made."""

    page: DecisionPage
    path: Path  # of the HTML page
    tables: tuple[Path, ...]
    n_simulated: int  # layouts in their states that were missing, or lacked something


def prepared_for(
    scene: Path, states: Sequence[str] = (), without_each: Sequence[str] = ()
) -> list[Prepared]:
    """Prepare all layouts of a scene, and some without each of their items.

    Parameters
    ----------
    scene : Path
        Scene file or folder.
    states : sequence of str
        Of the scene; none: all.
    without_each : sequence of str
        Layouts to be run without each item too, in the first of the states.

    Returns
    -------
    list of Prepared

    Raises
    ------
    SceneError
        With every mistake of the scene and of the names.
    """
    prepared = prepare_all(scene, [ALL], states or [ALL])
    if without_each:
        usual = [s for s in states if s != ALL][:1] or [AS_DESCRIBED]
        reduced = prepare_all(scene, without_each, usual, without_each=True)
        names = {one.name for one in prepared}
        prepared += [one for one in reduced if one.name not in names]
    return prepared


def missing(prepared: Sequence[Prepared], results: Path) -> tuple[str, ...]:
    """Name what a result file lacks, or has of another scene or other settings.

    Parameters
    ----------
    prepared : sequence of Prepared
    results : Path
        Need not be there.

    Returns
    -------
    tuple of str
        As results are stored.
    """
    held = complete_layouts(results)
    keys = {one.name: one.key for one in prepared}
    lacking = [name for name, key in keys.items() if held.get(name) != key]
    of_bass = [one for one in prepared if one.scene.settings.bass and one.name not in lacking]
    if of_bass:
        with open_results(results) as file:
            lacking += [
                one.name
                for one in of_bass
                if file.bass_key(one.name) != bass_key(one.scene, keys[one.name])
            ]
    return tuple(lacking)


def make_report(
    prepared: Sequence[Prepared],
    into: Path | None = None,
    use: str | None = None,
    prices: Path | None = None,
    tell: Tell = say_nothing,
    second: str | None = None,
) -> Made:
    """Make the report of a scene: page, tables, and the results if they are missing.

    Parameters
    ----------
    prepared : sequence of Prepared
        The layouts and states to decide between, as `raysim.study.prepare_all` gives them.
    into : Path, optional
        Folder; by default that of the scene's results.
    use : str, optional
        One of `raysim.scene.uses.USES`, over what the scene says.
    prices : Path, optional
        A price file of the user's, over that of the scene.
    tell : callable, optional
        Called with the share done and what is known so far.
    second : str, optional
        Code of the language beside English on the sheet to sign: "de" or "nl".

    Returns
    -------
    Made

    Raises
    ------
    RaysimError
        A scene, prices or a place that cannot be used. RS-T70: nothing to decide between.
        RS-T71: a language that is not known.
    """
    check_use(use)
    beside = None if second is None else second_language(second)
    described = prepared[0].described
    if not described.layouts:
        raise SceneError(
            Complaint(
                str(described.path),
                "the scene has no layout, so there is nothing to decide between.",
                "Add [[layout]] tables; scenes/README.md says how.",
                "RS-T70",
            )
        )
    book = make_book(described.path, prices_path=prices)
    folder = folder_for(described, into)
    refuse_foreign(folder)
    results_path = folder / RESULTS_NAME
    lacking = missing(prepared, results_path)
    if lacking:
        run(prepared, folder, lambda share, what: tell(_SIMULATED * share, what), workers=None)
    begin = _SIMULATED if lacking else 0.0
    left = 1.0 - begin
    target = replacement_target(folder / REPORT_NAME)
    with open_results(results_path) as results:
        tell(begin, "measures")
        results.show_only(_asked(prepared, results))
        facts = gather_compared(results)
        tell(begin + 0.6 * left, "comparing")
        by_layout, currency = layout_prices(results, described.path, prices)
        comparison = compare(results, use, by_layout, currency, facts)
        tell(begin + 0.8 * left, "drawing")
        found = evidence(results, facts, comparison, book)
        page = decision_page(found, beside)
        text = render(page)
        replace_file(target, text.encode)
        written = (*write_compared(comparison, folder), *write_tables(found, page, folder))
    tell(1.0, "done")
    return Made(page, folder / REPORT_NAME, written, len(lacking))


def _asked(prepared: Sequence[Prepared], results: Results) -> set[str]:
    """Give what the report is about: other states that the file holds may lack layouts."""
    names = {one.name for one in prepared}
    stored = {
        name: (results.layout(name).treatment_layout, results.layout(name).state)
        for name in results.layout_names
    }
    for layout, without in runs_without(stored).items():
        if layout in names:
            names.update(without.values())
    return names
