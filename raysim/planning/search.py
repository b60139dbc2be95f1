"""A search among layouts that a budget allows: as few of them judged as will do.

A layout is a set of options, by number. Few enough are all judged. Else pieces are put up
one by one, those first that gain most, or most for their price; a gain that was found
before stands as a guess until its turn comes, since pieces gain less the more there are.
Then pieces are taken out in turn, one or two, and the room filled again. This is done from
several starts, each barred from something that the best so far used, so that what is found
differs. What is judged is told by a number to be made small. Nothing here is random.
Theory: DEVELOPERS.md, P4.
"""

import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import combinations

Choice = frozenset[int]

#: Judges several layouts at once: the smaller, the better.
Judging = Callable[[Sequence[Choice]], Sequence[float]]
#: Called with the share done and what is known so far.
Tell = Callable[[float, str], None]

#: Layouts that are judged at once: what a replay takes at once.
_AT_ONCE = 8
#: Less than this is no gain: figures are no finer.
_LEAST_GAIN = 1e-9


@dataclass(frozen=True, slots=True)
class Bounds:
    """What a layout may be."""

    price: tuple[float, ...]  # of each option
    spot: tuple[int, ...]  # of each option: one option of a spot at most
    conflicts: frozenset[tuple[int, int]]  # pairs of options, the lower number first
    budget: float

    def price_of(self, choice: Choice) -> float:
        """Give what a layout costs."""
        return math.fsum(self.price[i] for i in choice)

    def may_add(self, choice: Choice, option: int) -> bool:
        """Tell if an option may be put up besides others."""
        if any(self.spot[i] == self.spot[option] for i in choice):
            return False
        if any((min(i, option), max(i, option)) in self.conflicts for i in choice):
            return False
        return self.price_of(choice | {option}) <= self.budget

    def every(self, most: int) -> list[Choice] | None:
        """Give all layouts, or None if there are more than that."""
        found: list[Choice] = [frozenset()]
        for option in range(len(self.price)):
            found += [c | {option} for c in found if self.may_add(c, option)]
            if len(found) > most:
                return None
        return found


@dataclass(slots=True)
class Search:
    """All that was judged, and the search that goes on with it."""

    bounds: Bounds
    judging: Judging
    most: int  # layouts to judge
    tell: Tell
    found: dict[Choice, float] = field(default_factory=dict)

    @property
    def is_spent(self) -> bool:
        """Whether no more may be judged."""
        return len(self.found) >= self.most

    @property
    def best(self) -> Choice:
        """The best so far; of equals the cheapest."""
        return min(self.found, key=self._order)

    def _order(self, choice: Choice) -> tuple[float, float, list[int]]:
        return self.found[choice], self.bounds.price_of(choice), sorted(choice)

    def judge(self, choices: Sequence[Choice]) -> None:
        """Judge what was not judged yet, as far as there is leave."""
        new = [c for c in dict.fromkeys(choices) if c not in self.found]
        new = new[: max(0, self.most - len(self.found))]
        for start in range(0, len(new), _AT_ONCE):
            some = new[start : start + _AT_ONCE]
            self.found.update(zip(some, self.judging(some), strict=True))
            self.tell(
                min(1.0, len(self.found) / self.most),
                f"{len(self.found)} layouts judged, best {self.found[self.best]:.1f} steps",
            )

    def fill(self, start: Choice, allowed: frozenset[int], power: float) -> Choice:
        """Put up options on top of a start while they gain.

        Parameters
        ----------
        start : Choice
            Judged already.
        allowed : frozenset of int
        power : float
            Gains are weighed by price to this power: 0 not at all, 1 gain per money.

        Returns
        -------
        Choice
        """
        here = start
        guess = {i: self._gain(frozenset(), i) for i in allowed}
        while here in self.found:
            open_to = [i for i in sorted(allowed) if self.bounds.may_add(here, i)]
            worth = {i: guess[i] / max(self.bounds.price[i], 1e-9) ** power for i in open_to}
            fresh: dict[int, float] = {}
            while open_to and len(fresh) < len(open_to):
                stale = sorted((i for i in open_to if i not in fresh), key=lambda i: -worth[i])
                best = max((worth[i] for i in fresh), default=-math.inf)
                if worth[stale[0]] <= best:
                    break
                some = stale[:_AT_ONCE]
                self.judge([here | {i} for i in some])
                for i in some:
                    guess[i] = fresh[i] = self._gain(here, i)
                    worth[i] = fresh[i] / max(self.bounds.price[i], 1e-9) ** power
            gaining = [i for i in fresh if fresh[i] > _LEAST_GAIN and math.isfinite(fresh[i])]
            if not gaining:
                return here
            here = here | {max(gaining, key=lambda i: (worth[i], -i))}
        return start

    def _gain(self, here: Choice, option: int) -> float:
        """Give how much better an option makes a layout; minus infinite if not judged."""
        now = self.found.get(here | {option})
        before = self.found[here]
        return -math.inf if now is None or not math.isfinite(now) else before - now

    def exchange(self, start: Choice, allowed: frozenset[int], until: int) -> Choice:
        """Take each option out in turn, then each two, and fill again, while that is better."""
        here: Choice | None = start
        best = start
        while here is not None:
            best, here = here, self._exchanged(here, allowed, until)
        return best

    def _exchanged(self, here: Choice, allowed: frozenset[int], until: int) -> Choice | None:
        """Give a layout that is better by an exchange, or None."""
        for n_out in (1, 2):
            for gone in combinations(sorted(here), n_out):
                out = here.difference(gone)
                self.judge([out])
                if out not in self.found or len(self.found) >= until:
                    return None
                spots = {self.bounds.spot[i] for i in gone}
                elsewhere = {i for i in allowed if self.bounds.spot[i] not in spots}
                for left in (allowed.difference(gone), frozenset(elsewhere)):
                    for power in (0.0, 1.0):
                        other = self.fill(out, left, power)
                        if self.found[other] < self.found[here] - _LEAST_GAIN:
                            return other
        return None


def search(
    bounds: Bounds,
    judging: Judging,
    barred: Callable[[Choice], Sequence[frozenset[int]]],
    most: int,
    tell: Tell,
) -> Mapping[Choice, float]:
    """Search for the best layouts.

    Parameters
    ----------
    bounds : Bounds
    judging : callable
        Gives for layouts numbers to be made small; infinite for what may not be.
    barred : callable
        Given the best layout, gives sets of options to do without, one for each further
        start.
    most : int
        Layouts to judge.
    tell : callable
        Called with the share done and what is known so far.

    Returns
    -------
    mapping of Choice to float
        All that was judged, the empty layout among them.
    """
    state = Search(bounds, judging, most, tell)
    state.judge([frozenset()])
    every = bounds.every(most)
    if every is not None:
        state.judge(every)
        return state.found
    whole = frozenset(range(len(bounds.price)))
    state.judge([frozenset({i}) for i in whole if bounds.may_add(frozenset(), i)])
    for power in (1.0, 0.0):
        state.fill(frozenset(), whole, power)
    # half of the leave for the best, the rest for what differs from it
    state.exchange(state.best, whole, (len(state.found) + most) // 2)
    starts = list(barred(state.best))
    for k, without in enumerate(starts):
        left = whole - without
        until = len(state.found) + (most - len(state.found)) // (len(starts) - k)
        ends = [state.fill(frozenset(), left, power) for power in (1.0, 0.0)]
        state.exchange(min(ends, key=state._order), left, until)
    return state.found


def differing(
    found: Mapping[Choice, float], bounds: Bounds, kept: Sequence[Choice], share: float
) -> Iterator[Choice]:
    """Give layouts from the best on that have little in common with those kept.

    Parameters
    ----------
    found : mapping of Choice to float
    bounds : Bounds
    kept : sequence of Choice
        May grow meanwhile.
    share : float
        Of the money: less than this is spent in spots that one of them uses alike.
    """
    for choice in sorted(found, key=lambda c: (found[c], bounds.price_of(c), sorted(c))):
        spent = bounds.price_of(choice)
        if spent > 0.0 and math.isfinite(found[choice]):
            alike = max((bounds.price_of(choice & one) for one in kept), default=0.0)
            if alike < share * spent:
                yield choice
