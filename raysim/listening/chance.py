"""What guessing alone would give, and what a number of right answers allows one to say.

A trial has two answers, of which guessing finds the right one every other time. The
number of trials is fixed before the first. Theory: DEVELOPERS.md, K5, K6, K8 and K9.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from scipy.stats import beta, binom

from raysim.units import Float

#: A sitting counts as heard where guessing does as well this rarely, common practice.
LEVEL: Final = 0.05
#: Confidence of every interval.
CONFIDENCE: Final = 0.95
#: Who would pass? Told for listeners that are right so often.
_HIT_RATES: Final = (0.7, 0.8, 0.9)


@dataclass(frozen=True, slots=True)
class Outcome:
    """One number of right answers, and what it allows one to say."""

    n_hit: int
    p: float  # of as many or more by guessing
    low: float  # interval of the true hit rate
    high: float
    is_heard: bool
    sentence: str


def guessing_p(n_hit: int, n_trial: int) -> float:
    """Give the chance of so many hits or more by guessing  (K5).

    Examples
    --------
    >>> round(guessing_p(12, 16), 3), round(guessing_p(11, 16), 3)
    (0.038, 0.105)
    """
    return float(binom.sf(n_hit - 1, n_trial, 0.5))


def needed_hits(n_trial: int, level: float = LEVEL) -> int:
    """Give the fewest hits that guessing reaches no more often than ``level``  (K5).

    More than ``n_trial`` where even that many do not suffice.

    Examples
    --------
    >>> needed_hits(16), needed_hits(24), needed_hits(4)
    (12, 17, 5)
    """
    return next(k for k in range(n_trial + 2) if guessing_p(k, n_trial) <= level)


def power(n_trial: int, hit_rate: float, level: float = LEVEL) -> float:
    """Give the chance that a listener who is right so often is found out  (K5).

    Examples
    --------
    >>> [round(power(16, rate), 2) for rate in (0.7, 0.8, 0.9)]
    [0.45, 0.8, 0.98]
    """
    return float(binom.sf(needed_hits(n_trial, level) - 1, n_trial, hit_rate))


def rate_interval(
    n_hit: int, n_trial: int, confidence: float = CONFIDENCE
) -> tuple[float, float]:
    """Give the hit rates that so many hits do not contradict  (K6).

    Examples
    --------
    >>> low, high = rate_interval(0, 10)
    >>> low, round(high, 4)
    (0.0, 0.3085)
    """
    tail = 0.5 * (1.0 - confidence)
    low = float(beta.ppf(tail, n_hit, n_trial - n_hit + 1)) if n_hit else 0.0
    high = float(beta.ppf(1.0 - tail, n_hit + 1, n_trial - n_hit)) if n_hit < n_trial else 1.0
    return low, high


def holm(p: Sequence[float]) -> list[float]:
    """Raise the p of several tests, so that one chance success stays as rare  (K9).

    Examples
    --------
    >>> holm([0.03, 0.01, 0.04])
    [0.06, 0.03, 0.06]
    """
    raised = [0.0] * len(p)
    highest = 0.0
    for rank, i in enumerate(sorted(range(len(p)), key=lambda i: p[i])):
        highest = max(highest, min(1.0, (len(p) - rank) * p[i]))
        raised[i] = highest
    return raised


def median_interval(
    values: Sequence[float] | Float, confidence: float = CONFIDENCE
) -> tuple[float, float] | None:
    """Give two of the values between which the median lies, whatever their law  (K8).

    Returns
    -------
    (low, high) or None
        None where there are too few values: six are needed for 95 %.

    Examples
    --------
    >>> median_interval([10, 20, 30, 40, 50, 60]), median_interval([10, 20, 30])
    ((10.0, 60.0), None)
    """
    ordered = np.sort(np.asarray(values, dtype=np.float64))
    n = ordered.size
    kept = [
        j
        for j in range(1, n // 2 + 1)
        if 1.0 - 2.0 * float(binom.cdf(j - 1, n, 0.5)) >= confidence
    ]
    if not kept:
        return None
    return float(ordered[kept[-1] - 1]), float(ordered[n - kept[-1]])


def percent(share: float) -> str:
    """Give a share in per cent as people read it.

    Examples
    --------
    >>> percent(0.0384), percent(0.45), percent(0.0000153), percent(0.9991)
    ('3.8 %', '45 %', '< 0.1 %', '> 99 %')
    """
    if share < 0.001:
        return "< 0.1 %" if share > 0.0 else "0 %"
    if share < 0.0995:
        return f"{100.0 * share:.1f} %"
    return "> 99 %" if 0.995 <= share < 1.0 else f"{100.0 * share:.0f} %"


def outcomes(n_trial: int) -> tuple[Outcome, ...]:
    """Give every outcome of a sitting, from no hit to all of them."""
    return tuple(_outcome(n_hit, n_trial) for n_hit in range(n_trial + 1))


def _outcome(n_hit: int, n_trial: int) -> Outcome:
    p = guessing_p(n_hit, n_trial)
    low, high = rate_interval(n_hit, n_trial)
    is_heard = p <= LEVEL
    if is_heard:
        said = (
            "The difference was heard in this sitting, as far as chance allows one to say. "
            "That says nothing of how large it is, nor of which room is the better one."
        )
    elif n_trial - n_hit >= needed_hits(n_trial):
        said = (
            "So few right answers are as rare by guessing as so many: the difference may have "
            "been heard and the two names swapped. Laid down beforehand, this does not count "
            "as heard. Listen to both again, then sit again."
        )
    else:
        said = (
            "This is no sign that the difference is heard. Not hearing it is not proof of "
            f"equality: {passing(n_trial)}"
        )
    by_guess = "every time" if n_hit == 0 else f"in {percent(p)} of sittings"
    right = f"{n_hit} of {n_trial} right. Guessing alone does as well or better {by_guess}."
    return Outcome(n_hit, p, low, high, is_heard, f"{right} {said}")


def passing(n_trial: int) -> str:
    """Say how often listeners of several hit rates would pass."""
    rates = ", ".join(f"{100 * rate:.0f}" for rate in _HIT_RATES)
    shares = ", ".join(percent(power(n_trial, rate)) for rate in _HIT_RATES)
    return (
        f"{needed_hits(n_trial)} of {n_trial} must be right, and listeners who are right in "
        f"{rates} % of trials reach that in {shares} of sittings."
    )
