"""What a budget would buy, at best, in a room: layouts to build, promised and confirmed.

One recorded trace of the bare room judges about a thousand layouts of flat pieces; a few
that differ are kept, with pieces that stand in the room added to some. Each is then
simulated in full, with the bass where that is asked for, beside the scene's own layouts
that the budget allows, and what was promised stands beside what came. A suggestion ranks;
it certifies nothing, and local codes and licensed people decide. Theory: DEVELOPERS.md,
P1 to P5.
"""

import math
import os
import time
from collections import Counter
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Final

import numpy as np

from raysim.compare.comparison import by_wave, check_use
from raysim.compare.figures import readings
from raysim.compare.groups import differences, groups
from raysim.compare.targets import aim_for
from raysim.errors import Complaint, SceneError, SettingsError
from raysim.folders import make_folder, refuse_foreign
from raysim.geometry.build import collect_room
from raysim.geometry.furnish import furnish
from raysim.measures.theory import transition_frequency_hz
from raysim.planning.bill import bill
from raysim.planning.decay import decay_of
from raysim.planning.handful import Judged, handful, own_layouts
from raysim.planning.layout_text import layouts_text
from raysim.planning.objective import Judge, Parts, early_of, octaves_of, pairs_mean
from raysim.planning.search import Bounds, Choice, search
from raysim.planning.spots import conflicts, spots_of
from raysim.planning.trial import Trial, make_trial
from raysim.propagation.room import acoustic_room
from raysim.report.facts import LayoutFacts
from raysim.scene.model import Bands, Scene
from raysim.scene.plan import Layout, Prices
from raysim.scene.prices import read_prices, stock_prices
from raysim.store.file import open_results
from raysim.store.replace import replace_file, replacement_target
from raysim.study import Prepared, folder_for, prepare, run, with_settings
from raysim.tracing import Tell, say_nothing

TOML_NAME: Final = "suggested.toml"
#: Layouts that are judged by replay.
MOST: Final = 1000
MOST_ALLOWED: Final = (10, 1_000_000)
#: Share of the search in a whole run's progress.
_SEARCHED: Final = 0.3
#: Fixings that may leave walls whole: a rail is screwed as a rule, but can be clamped.
_WHOLE: Final = ("standing", "laid", "on rail")


@dataclass(frozen=True, slots=True, eq=False)
class Suggested:
    """What came of a search."""

    scene: Scene
    judge: Judge
    budget: float
    currency: str
    bare: Judged
    layouts: tuple[Judged, ...]  # suggestions
    own: tuple[Judged, ...]  # the scene's, that the budget allows
    n_spot: int
    n_option: int
    n_judged: int
    search_s: float
    is_confirmed: bool

    @property
    def rows(self) -> tuple[Judged, ...]:
        """All of them: the room, what is suggested, the scene's own."""
        return (self.bare, *self.layouts, *self.own)

    @property
    def toml(self) -> str:
        """The suggestions, to paste at the end of the scene file."""
        return layouts_text([one.layout for one in self.layouts if one.layout is not None])


def suggest(
    scene: str | os.PathLike[str],
    budget: float | None = None,
    use: str | None = None,
    *,
    prices: str | os.PathLike[str] | None = None,
    into: str | os.PathLike[str] | None = None,
    confirm: bool = True,
    most: int = MOST,
    n_ray: int | None = None,
    until_t30_pct: float | None = None,
    seed: int | None = None,
    bass: bool | None = None,
    tell: Tell = say_nothing,
) -> Suggested:
    """Search for what a budget would buy, at best, in a scene's room.

    Parameters
    ----------
    scene : path
        The scene file or its folder.
    budget : float, optional
        In the currency of the prices; that of the scene's rules otherwise.
    use : str, optional
        "voice", "listening" or "ensemble"; the scene's otherwise.
    prices : path, optional
        A price file of the user's, over that of the scene.
    into : path, optional
        Folder for `suggested.toml` and the confirmation's results; by default
        ``<scene>-suggested`` in the current folder.
    confirm : bool
        Simulate what was found, and the scene's own layouts beside it.
    most : int
        Layouts to judge in the search.
    n_ray, until_t30_pct, seed, bass : optional
        Of the confirmation, instead of what the scene's ``[simulate]`` table says.
    tell : callable, optional
        Called with the share done and what is known so far.

    Returns
    -------
    Suggested

    Raises
    ------
    RaysimError
        Input that cannot be used, or a place that cannot be written to. RS-T60: no use is
        known. RS-T61: no budget is known. RS-T62: a budget that buys nothing anywhere.
        RS-T63: nothing that may be put up fits and is within the budget. RS-T64: a number
        of layouts that cannot be judged.
    """
    check_use(use)
    described = with_settings(
        prepare(scene), n_ray=n_ray, until_t30_pct=until_t30_pct, seed=seed, bass=bass
    )
    ours, mesh = described.described, described.mesh
    use, budget = _asked(ours, use, budget, most)
    known = _prices(ours, None if prices is None else Path(prices))
    folder = suggested_folder(ours, into)
    if confirm:
        refuse_foreign(folder)
    ours = replace(ours, rules=replace(ours.rules, budget=budget))
    volume_m3 = mesh.air_volume_m3
    eyring_s = decay_of(ours, mesh, described.room.sides).likely_s
    middle_s = float(eyring_s[ours.bands.middle].mean())
    judge = Judge(aim_for(use, volume_m3), float(transition_frequency_hz(volume_m3, middle_s)))
    started_s = time.monotonic()
    share = _SEARCHED if confirm else 1.0
    spots = [
        s for s in spots_of(ours, mesh, known) if any(o.price <= budget for o in s.options)
    ]
    if not spots:
        _nothing(ours, budget)
    trial = make_trial(ours, spots, judge)
    bounds = _bounds(trial, budget)
    found = search(
        bounds,
        lambda choices: [parts.total for parts in trial.judged(choices)],
        lambda best: _barred(trial, best),
        most,
        lambda done, text: tell(share * done, text),
    )
    search_s = time.monotonic() - started_s
    layouts = handful(ours, mesh, known, trial, bounds, found)
    if not layouts:
        _nothing(ours, budget)
    ((bare, error_s),) = trial.judged_with_errors([frozenset()])
    result = Suggested(
        scene=ours,
        judge=judge,
        budget=budget,
        currency=next((one.bill.currency for one in layouts), ""),
        bare=Judged(None, "", bill((), known), (), bare, error_s),
        layouts=tuple(layouts),
        own=tuple(own_layouts(ours, mesh, known)),
        n_spot=len(spots),
        n_option=len(trial.options),
        n_judged=len(found),
        search_s=search_s,
        is_confirmed=False,
    )
    make_folder(folder)
    target = replacement_target(folder / TOML_NAME)
    replace_file(target, result.toml.encode)
    if not confirm:
        return result
    return _confirmed(
        result, described, folder, lambda done, text: tell(share + (1 - share) * done, text)
    )


def _asked(scene: Scene, use: str | None, budget: float | None, most: int) -> tuple[str, float]:
    """Give use and budget, or complain of what is not known or not possible."""
    wrong = []
    use = use or scene.use
    if use is None:
        wrong.append(
            Complaint(
                "--use", "neither the scene nor you say what the room is for.",
                "Give voice, listening or ensemble.", "RS-T60",
            )
        )  # fmt: skip
    if budget is not None and not (math.isfinite(budget) and budget > 0.0):
        wrong.append(
            Complaint(
                "--budget", f"{budget:g} buys nothing.",
                "Give an amount above 0 in the currency of the prices.", "RS-T62",
            )
        )  # fmt: skip
    budget = scene.rules.budget if budget is None else budget
    if budget is None:
        wrong.append(
            Complaint(
                "--budget", "neither the scene's rules nor you say how much there is to spend.",
                "Give an amount in the currency of the prices.", "RS-T61",
            )
        )  # fmt: skip
    if not MOST_ALLOWED[0] <= most <= MOST_ALLOWED[1]:
        least, highest = MOST_ALLOWED
        wrong.append(
            Complaint(
                "--most", f"{most} layouts cannot be judged.", f"Give {least} to {highest}.",
                "RS-T64",
            )
        )  # fmt: skip
    if wrong or use is None or budget is None:
        raise SettingsError(wrong)
    return use, budget


def _nothing(scene: Scene, budget: float) -> None:
    wrong = f"nothing that may be put up in this room fits and costs {budget:g} or less."
    fix = "Look at zones and rules, or raise the budget; `raysim treatments` lists prices."
    raise SceneError(Complaint(str(scene.path), wrong, fix, "RS-T63"))


def _prices(scene: Scene, path: Path | None) -> Prices:
    if path is None:
        return scene.prices or stock_prices()
    complaints: list[Complaint] = []
    needed = {a.good for t in scene.treatments.values() for a in t.goods}
    prices = read_prices(path, complaints, needed)
    if complaints:
        raise SceneError(complaints)
    return prices


def suggested_folder(scene: Scene, into: str | os.PathLike[str] | None = None) -> Path:
    """Give the folder to write to: what was asked for, or one named after the scene."""
    if into is not None:
        return Path(into)
    return Path(f"{folder_for(scene).name.removesuffix('-results')}-suggested")


def _bounds(trial: Trial, budget: float) -> Bounds:
    return Bounds(
        price=tuple(option.price for _, option in trial.options),
        spot=tuple(spot for spot, _ in trial.options),
        conflicts=conflicts(trial.options),
        budget=budget,
    )


def _barred(trial: Trial, best: Choice) -> list[frozenset[int]]:
    """Give what further starts do without: the best's favourite piece, its pieces, screws."""
    options = [option for _, option in trial.options]
    used = Counter(options[i].item.treatment.name for i in sorted(best))
    favourite = max(used, key=lambda name: used[name]) if used else ""
    by_favourite = (i for i, o in enumerate(options) if o.item.treatment.name == favourite)
    fixed = (i for i, o in enumerate(options) if o.item.fixing not in _WHOLE)
    return [frozenset(by_favourite), best, frozenset(fixed)]


def _confirmed(result: Suggested, described: Prepared, folder: Path, tell: Tell) -> Suggested:
    """Simulate all rows, and put what came beside what was promised."""
    rows = result.rows
    added = tuple(one.layout for one in result.layouts if one.layout is not None)
    whole = described.described
    whole = replace(whole, text=f"{whole.text}\n{result.toml}", layouts=whole.layouts + added)
    prepared = [_prepared(whole, one.layout) for one in rows]
    outcome = run(prepared, folder, tell, workers=None)
    bands = whole.bands
    by_name = {one.name: one for one in outcome.facts.layouts}
    facts = [by_name[one.name] for one in prepared]
    with open_results(outcome.results) as stored:
        waves = {one.name: by_wave(stored, one.name) for one in facts}
    read = readings(replace(outcome.facts, layouts=tuple(facts)), bands, waves)
    number = {n: i + 1 for i, group in enumerate(groups(differences(read))) for n in group}
    done = [
        replace(
            one,
            confirmed=_came(result.judge, fact, bands),
            confirmed_error_s=octaves_of(fact.t30_error_s, bands),
            group=number[one.name],
        )
        for one, fact in zip(rows, facts, strict=True)
    ]
    n = len(result.layouts)
    return replace(
        result, bare=done[0], layouts=tuple(done[1 : n + 1]), own=tuple(done[n + 1 :]),
        is_confirmed=True,
    )  # fmt: skip


def _came(judge: Judge, facts: LayoutFacts, bands: Bands) -> Parts:
    """Judge what a simulation gave."""
    early = [e for pair in facts.pairs if (e := early_of(pair)) is not None]
    edt_s = pairs_mean(np.stack([p.measures.edt_s[bands.middle].mean() for p in facts.pairs]))
    return judge.parts(octaves_of(facts.t30_s, bands), float(edt_s), early)


def _prepared(scene: Scene, layout: Layout | None) -> Prepared:
    """Give a room with a layout as a run takes it; it was built before."""
    complaints: list[Complaint] = []
    notes: list[str] = []
    furnished = furnish(scene, layout, None, complaints, notes)
    mesh = collect_room(furnished, complaints, notes)
    if mesh is None or complaints:
        raise SceneError(complaints)
    room = acoustic_room(furnished, mesh)
    return Prepared(furnished, mesh, room, tuple(notes), scene, layout, None)
