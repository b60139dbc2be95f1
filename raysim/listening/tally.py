"""Answers of listening tests, read back: checked against their seals, then counted together.

A sitting whose order does not follow from its secret, or whose secret does not fit its
seal, is refused. All sittings of a kit should be given: leaving out the bad ones is the
oldest way to be fooled. Where listeners are counted, all sittings of one word for a listener
are one listener's. Theory: DEVELOPERS.md, K5, K6, K8 and K9.
"""

import json
from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from statistics import median
from typing import Any, TypeVar

from raysim.errors import Complaint, StoreError
from raysim.listening.chance import guessing_p, holm, median_interval, rate_interval
from raysim.listening.key import (
    is_seed,
    pair_order,
    preference_order,
    screen_orders,
    seal_of,
)
from raysim.listening.kit_page import TRIALS
from raysim.listening.rating_page import FOUND, HIDDEN, MISSED_SHARE


@dataclass(frozen=True, slots=True)
class PairSitting:
    """One listener's answers about two layouts."""

    file: str
    kit: str
    seed: str
    listener: str
    layouts: tuple[str, str]
    n_trial: int
    n_hit: int
    n_begun: int  # sittings begun in that browser, this one included

    @property
    def p(self) -> float:
        """Give the chance of as many hits or more by guessing  (K5)."""
        return guessing_p(self.n_hit, self.n_trial)


@dataclass(frozen=True, slots=True)
class RatingSitting:
    """One listener's ratings: per screen, by sound."""

    file: str
    kit: str
    seed: str
    listener: str
    screens: tuple[dict[str, float], ...]
    n_begun: int

    @property
    def has_found(self) -> bool:
        """Tell if the hidden reference was found often enough to count."""
        missed = sum(screen[HIDDEN] < FOUND for screen in self.screens)
        return missed <= MISSED_SHARE * len(self.screens)


@dataclass(frozen=True, slots=True)
class PreferenceSitting:
    """One listener's comparisons."""

    file: str
    kit: str
    seed: str
    listener: str
    choices: tuple[tuple[str, str], ...]  # rather this one, than that one
    words: tuple[str, ...]
    n_begun: int


Sitting = PairSitting | RatingSitting | PreferenceSitting
_Judging = TypeVar("_Judging", RatingSitting, PreferenceSitting)


@dataclass(frozen=True, slots=True)
class PairTally:
    """All sittings about the same two layouts together."""

    layouts: tuple[str, str]
    n_sitting: int
    n_hit: int
    n_trial: int
    p: float
    p_raised: float  # for the number of pairs that were tested (K9)
    low: float  # of the share of right answers
    high: float


@dataclass(frozen=True, slots=True)
class RatingTally:
    """One sound over all listeners that count: each stands for the median of his ratings."""

    name: str
    n_listener: int
    median: float
    interval: tuple[float, float] | None


@dataclass(frozen=True, slots=True)
class PreferenceTally:
    """Two layouts over all listeners; who chose both as often has no vote."""

    layouts: tuple[str, str]  # the one with more votes first
    votes: tuple[int, int]
    n_even: int
    p: float  # two-sided, by tossing a coin
    p_raised: float  # for the number of pairs (K9)


def read_sittings(paths: Iterable[Path]) -> list[Sitting]:
    """Read and check answer files.

    Raises
    ------
    StoreError
        With every complaint: RS-L48 not a file of answers, RS-L49 answers that do not fit
        their seal, RS-L51 one sitting given twice.
    """
    found: list[Sitting] = []
    complaints: list[Complaint] = []
    for path in paths:
        try:
            one = _read(path)
        except StoreError as error:
            complaints += error.complaints
            continue
        twin = next((s for s in found if (s.seed, s.kit) == (one.seed, one.kit)), None)
        if twin is not None:
            complaints.append(
                Complaint(one.file, f"is the same sitting as {twin.file}.",
                          "Give each sitting once.", "RS-L51")
            )  # fmt: skip
        found.append(one)
    if complaints:
        raise StoreError(complaints)
    return found


def _read(path: Path) -> Sitting:
    try:
        content: dict[str, Any] = json.loads(path.read_text(encoding="utf-8"))
        kind = content["kind"]
        if kind == "raysim pair sitting":
            return _pair_sitting(path, content)
        if kind == "raysim rating sitting":
            return _rating_sitting(path, content)
        if kind == "raysim preference sitting":
            return _preference_sitting(path, content)
        reason = f"it is of the kind {kind!r}"
    except OSError as error:
        reason = (error.strerror or "it cannot be opened").lower()
    except (ValueError, KeyError, TypeError, IndexError, AttributeError) as error:
        reason = f"{type(error).__name__} in its content"
    raise StoreError(
        Complaint(str(path), f"is no file of answers: {reason}.",
                  "Give the JSON file that the listening page saves at the end.", "RS-L48")
    )  # fmt: skip


def _check(path: Path, is_right: bool, wrong: str) -> None:
    if not is_right:
        raise StoreError(
            Complaint(str(path), f"{wrong}; it was changed after the sitting.",
                      "Leave it out, or save it again from the page.", "RS-L49")
        )  # fmt: skip


def _check_seal(path: Path, content: dict[str, Any]) -> str:
    seed = str(content["seed"])
    _check(path, is_seed(seed), "its secret is not 32 hexadecimal digits")
    _check(path, content["seal"] == seal_of(seed), "its secret does not fit its hash")
    return seed


def _pair_sitting(path: Path, content: dict[str, Any]) -> PairSitting:
    seed = _check_seal(path, content)
    n_trial, answers = int(content["n_trial"]), list(content["answers"])
    layouts = content["layouts"]
    _check(path, n_trial in TRIALS and len(answers) == n_trial, "its answers are not complete")
    _check(path, all(a in (0, 1) for a in answers), "it holds an answer that is none")
    order = pair_order(seed, n_trial)
    _check(
        path,
        list(content["strangers"]) == list(order.strangers)
        and [content["first"], content["second"]]
        == [layouts[order.first], layouts[1 - order.first]],
        "its order does not follow from its secret",
    )
    n_hit = sum(a == s for a, s in zip(answers, order.strangers, strict=True))
    _check(
        path, content["n_hit"] == n_hit, f"it says {content['n_hit']} right, and {n_hit} are"
    )
    return PairSitting(
        str(path), str(content["kit"]), seed, str(content["listener"]),
        (str(layouts[0]), str(layouts[1])), n_trial, n_hit, int(content["sittings_begun"]),
    )  # fmt: skip


def _rating_sitting(path: Path, content: dict[str, Any]) -> RatingSitting:
    seed = _check_seal(path, content)
    screens = content["screens"]
    _check(path, bool(screens), "it holds no screen")
    orders = screen_orders(seed, [len(one["names"]) for one in screens])
    rated: list[dict[str, float]] = []
    for one, order in zip(screens, orders, strict=True):
        _check(
            path, list(one["order"]) == list(order), "its order does not follow from its secret"
        )
        values = [float(v) for v in one["ratings"]]
        _check(path, all(0.0 <= v <= 100.0 for v in values), "a rating is not 0 to 100")
        rated.append(dict(zip(one["names"], values, strict=True)))
        rated[-1][HIDDEN]  # every screen has one
    return RatingSitting(
        str(path), str(content["kit"]), seed, str(content["listener"]), tuple(rated),
        int(content["sittings_begun"]),
    )  # fmt: skip


def _preference_sitting(path: Path, content: dict[str, Any]) -> PreferenceSitting:
    seed = _check_seal(path, content)
    layouts, answers = [str(name) for name in content["layouts"]], list(content["answers"])
    order = preference_order(seed, len(content["sounds"]), len(layouts))
    follows = [tuple(one) for one in content["order"]] == order
    _check(path, follows, "its order does not follow from its secret")
    _check(path, len(answers) == len(order), "its answers are not complete")
    _check(path, all(a["rather"] in (0, 1) for a in answers), "it holds an answer that is none")
    choices = tuple(
        (layouts[told[1 + a["rather"]]], layouts[told[2 - a["rather"]]])
        for told, a in zip(order, answers, strict=True)
    )
    words = tuple(str(a["words"]) for a in answers if a["words"])
    return PreferenceSitting(
        str(path), str(content["kit"]), seed, str(content["listener"]), choices, words,
        int(content["sittings_begun"]),
    )  # fmt: skip


def tally_pairs(sittings: Sequence[PairSitting]) -> list[PairTally]:
    """Count all sittings about each two layouts together, in order of their names."""
    groups: dict[tuple[str, str], list[PairSitting]] = defaultdict(list)
    for one in sittings:
        groups[min(one.layouts), max(one.layouts)].append(one)
    sums = [
        (layouts, len(group), sum(s.n_hit for s in group), sum(s.n_trial for s in group))
        for layouts, group in sorted(groups.items())
    ]
    p = [guessing_p(n_hit, n_trial) for _, _, n_hit, n_trial in sums]
    return [
        PairTally(*one, p_one, raised, *rate_interval(one[2], one[3]))
        for one, p_one, raised in zip(sums, p, holm(p), strict=True)
    ]


def _by_listener(sittings: Sequence[_Judging]) -> list[list[_Judging]]:
    """Put together what one listener said: sittings of one person are not independent.

    Who left no word is taken for another listener in each sitting.
    """
    found: dict[tuple[str, str], list[_Judging]] = defaultdict(list)
    for one in sittings:
        word = one.listener.strip().casefold()
        found[word, "" if word else one.seed].append(one)
    return list(found.values())


def tally_ratings(sittings: Sequence[RatingSitting]) -> list[RatingTally]:
    """Take the ratings of all listeners that count together, best median first  (K8)."""
    by_name: dict[str, list[float]] = defaultdict(list)
    for group in _by_listener([one for one in sittings if one.has_found]):
        screens = [screen for one in group for screen in one.screens]
        for name in dict.fromkeys(name for screen in screens for name in screen):
            by_name[name].append(median(screen[name] for screen in screens if name in screen))
    return sorted(
        (
            RatingTally(name, len(values), median(values), median_interval(values))
            for name, values in by_name.items()
        ),
        key=lambda t: -t.median,
    )


def tally_preferences(sittings: Sequence[PreferenceSitting]) -> list[PreferenceTally]:
    """Count listeners for each two layouts: one vote each, for the one chosen more often."""
    votes: dict[tuple[str, str], list[int]] = defaultdict(lambda: [0, 0, 0])
    for group in _by_listener(sittings):
        choices = [choice for one in group for choice in one.choices]
        for pair in sorted({(min(c), max(c)) for c in choices}):
            lead = choices.count(pair) - choices.count(pair[::-1])
            votes[pair][0 if lead > 0 else 1 if lead < 0 else 2] += 1
    p = [min(1.0, 2.0 * guessing_p(max(a, b), a + b)) for a, b, _ in votes.values()]
    found = []
    for (pair, (a, b, even)), one, raised in zip(votes.items(), p, holm(p), strict=True):
        if a >= b:
            found.append(PreferenceTally(pair, (a, b), even, one, raised))
        else:
            found.append(PreferenceTally(pair[::-1], (b, a), even, one, raised))
    return found


def cautions(sittings: Sequence[Sitting]) -> list[str]:
    """Say what weakens these sittings."""
    said = []
    for kit in dict.fromkeys(s.kit for s in sittings):
        mine = [s for s in sittings if s.kit == kit]
        begun = max(s.n_begun for s in mine)
        if begun > len(mine):
            said.append(
                f"Kit {kit}: one browser has begun {begun} sittings, and {len(mine)} of this "
                "kit are given. Count all of them, or none: picking the best fools you."
            )
    nameless = [
        s for s in sittings if not isinstance(s, PairSitting) and not s.listener.strip()
    ]
    if len(nameless) > 1:
        said.append(
            f"{len(nameless)} sittings have no word for their listener, and each counts as "
            "another's: if some are one person's, intervals and p are too good."
        )
    left_out = [s.file for s in sittings if isinstance(s, RatingSitting) and not s.has_found]
    if left_out:
        said.append(
            f"Left out, for the hidden reference got less than {FOUND} on more than "
            f"{100 * MISSED_SHARE:.0f} % of the screens: {', '.join(left_out)}."
        )
    return said
