"""What a comparison comes to, in plain sentences, each made from its numbers.

A sentence is only said of what is heard and certain, or says that it is not. Decay from 250
Hz to 4 kHz counts as even while no octave there that is no hint lasts 1.25 times as long as
another: see `evenness.py`.
"""

import itertools
import math
from collections.abc import Iterator, Sequence

import numpy as np

from raysim.compare.bass_sentences import bass_sentences, listed
from raysim.compare.comparison import Comparison, Judged
from raysim.compare.evenness import (
    EVEN_RATIO,
    evenness,
    seam,
    seam_sentence,
    wave_octaves,
)
from raysim.compare.figures import OCTAVES
from raysim.compare.leave_one_out import Worth
from raysim.compare.states import in_usual_state
from raysim.report.numbers import amount, band_name

#: Prices this close, as a share of the higher, are the same to a buyer: common practice.
SAME_PRICE = 0.10
#: A ranking that fewer draws than this bear out hangs on what was drawn.
FIRM_SHARE = 0.90

#: What holds for every comparison.
LIMITS = (
    "A comparison, not a certificate: layouts are ranked better than any one is predicted.",
    "Not told apart is not the same as equal: more rays, or other places, may tell them.",
    "Just-noticeable differences come from concert halls and trained ears; small rooms lie "
    "outside the range that they were found in.",
    "None of it is noise insulation, and none is structural or fire advice: local codes and "
    "licensed people decide.",
)


def sentences(comparison: Comparison) -> tuple[str, ...]:
    """Say what a comparison comes to.

    Parameters
    ----------
    comparison : Comparison

    Returns
    -------
    tuple of str
        From decay, over what cannot be told apart and the bass, to price, states and doubt.
        Of layouts in several states all but the states' own are about the usual one.
    """
    usual = in_usual_state(comparison.conditions)
    said = [lingers(comparison, name) for name in usual]
    said.append(where_methods_meet(comparison, usual))
    said += same_price(comparison)
    said += not_told_apart(comparison)
    said += bass_sentences(comparison, usual)
    for judged in comparison.judged:
        said += _money(comparison, judged)
        said += [
            drop_first(worth, comparison.currency) for worth in judged.worth.values() if worth
        ]
        said += state_sentences(comparison, judged)
        said += _doubt(comparison, judged)
    return tuple(one for one in said if one)


def _octaves(comparison: Comparison, hints: bool = False) -> list[str]:
    """Give the octaves from 250 Hz to 4 kHz that all layouts know; of hints if asked."""
    r = comparison.readings
    labels = []
    for label, f in OCTAVES:
        i = r.find("t30_s", label)
        usable = i is not None and (hints or not r.quantities[i].is_hint)
        if 240.0 < f < 4100.0 and usable and np.isfinite(r.value[:, i]).all():
            labels.append(label)
    return labels


def _mean_s(comparison: Comparison, layout: str, labels: Sequence[str]) -> float:
    return float(np.mean([comparison.readings.t30_s(layout, label) for label in labels]))


def lingers(comparison: Comparison, layout: str) -> str:
    """Say how long sound lasts in a layout, and how evenly  (C9); empty if it is not known.

    Only octaves that are no hints are held against each other; the rest is told apart.
    """
    labels = _octaves(comparison)
    if len(labels) < 2:
        return ""
    read = comparison.readings
    first = next(n for n in comparison.layouts if comparison.is_one_state(n, layout))
    before, now = "", ""
    if layout != first:
        before = f"; {first}: {amount(_mean_s(comparison, first, labels), 0.01)} s"
        now = "now "
    by = ", by rays," if wave_octaves(read) else ""
    said = (
        f"{layout}: from {band_name(labels[0])} to {band_name(labels[-1])}{by} it {now}lingers"
    )
    mean = f"{amount(_mean_s(comparison, layout, labels), 0.01)} s"
    how = evenness(read, layout, labels)
    longest, shortest = band_name(how.longest), band_name(how.shortest)
    if how.is_uneven:
        times = [amount(read.t30_s(layout, b), 0.01) for b in (how.longest, how.shortest)]
        said += (
            f" unevenly, {times[0]} s at {longest} and {times[1]} s at {shortest}, {how.times}"
        )
    elif how.is_even:
        said += f" {mean}, evenly"
    else:
        said += (
            f" {mean}; whether evenly cannot be told: {longest} lasts {how.times} as "
            f"{shortest}, and up to {EVEN_RATIO} times is even"
        )
    return f"{said}{before}.{_of_hints(comparison, layout)}"


def _of_hints(comparison: Comparison, layout: str) -> str:
    """Give the low-mids that are hints, each by its method."""
    read, said = comparison.readings, ""
    waves = wave_octaves(read)
    hints = [b for b in _octaves(comparison, hints=True) if b not in _octaves(comparison)]
    for words, octaves in (
        ("By waves, a hint", [b for b in hints if b in waves]),
        ("Where single modes rule, a hint", [b for b in hints if b not in waves]),
    ):
        if octaves:
            each = [
                f"{amount(read.t30_s(layout, b), 0.01)} s at {band_name(b)}" for b in octaves
            ]
            said += f" {words}: {listed(each)}."
    return said


def where_methods_meet(comparison: Comparison, layouts: Sequence[str]) -> str:
    """Say what waves and rays give in the octave that both answer for; empty without one."""
    found = (seam(comparison.readings, name) for name in layouts)
    return seam_sentence([one for one in found if one is not None])


def same_price(comparison: Comparison) -> Iterator[str]:
    """Say what layouts of about one price do to the low-mids that another does not."""
    labels = _octaves(comparison)[:2]
    prices = comparison.prices
    for a, b in itertools.combinations(in_usual_state(comparison.conditions), 2):
        if not labels or a not in prices or b not in prices:
            continue
        dear = max(prices[a].likely, prices[b].likely)
        if dear <= 0.0 or abs(prices[a].likely - prices[b].likely) > SAME_PRICE * dear:
            continue
        told = comparison.found.distinguishable(a, b)
        heard = {d.quantity.band for d in told if d.quantity.measure == "t30_s"}
        if not comparison.is_one_state(a, b) or not set(labels) <= heard:
            continue
        x, y = _mean_s(comparison, a, labels), _mean_s(comparison, b, labels)
        longer, shorter = (a, b) if x > y else (b, a)
        yield (
            f"{longer} at about the same price as {shorter} "
            f"({_money_text(prices[longer].likely, comparison.currency)} against "
            f"{_money_text(prices[shorter].likely, comparison.currency)}) leaves "
            f"{band_name(labels[0])} to {band_name(labels[-1])} lingering "
            f"{max(x, y) / min(x, y):.1f} times as long."
        )


def not_told_apart(comparison: Comparison) -> Iterator[str]:
    """Say which layouts are alike as far as anything here tells."""
    together = [group for group in comparison.groups if len(group) > 1]
    for group in together:
        yield f"Not distinguishable by anything compared here: {listed(group)}."
    if not together and len(comparison.layouts) > 1:
        within = "In each state, each" if len(comparison.states) > 1 else "Each"
        yield f"{within} layout can be told from every other."


def _money(comparison: Comparison, judged: Judged) -> Iterator[str]:
    if judged.front is None:
        return
    words = judged.reached.aim.words
    by_name = {line.layout: line for line in judged.front.lines}
    usual = in_usual_state(comparison.conditions)
    for line in judged.front.lines:
        if line.is_on_front or line.layout not in usual:
            continue
        other = by_name[line.instead]
        if math.isnan(judged.reached.less(line.layout, other.layout)[1]):
            yield (
                f"Whether {line.layout} comes nearer than {other.layout} to the aim of rooms "
                f"for {words} is not known: it has no error."
            )
            continue
        more = line.price.likely - other.price.likely
        costs = (
            f"{line.layout} costs {_money_text(more, comparison.currency)} more than"
            if more > 0.0
            else f"{line.layout} costs no less than"
        )
        far = "lies further from" if line.is_worse else "comes no nearer"
        yield f"{costs} {other.layout} and {far} the aim of rooms for {words}."


def drop_first(items: Sequence[Worth], currency: str = "") -> str:
    """Say which item to leave out first, and what that does."""
    one = items[0]
    saved = "" if one.saved is None else f" and saves {_money_text(one.saved, currency)}"
    if one.is_heard and one.lost_steps < 0.0:
        does = f"comes {-one.lost_steps:.1f} steps nearer the aim"
    elif one.is_heard:
        does = f"takes the room {one.lost_steps:.1f} steps further from the aim"
    elif one.missed_by:
        does = "leaves the decay as near its aim, though other measures change"
    else:
        does = "changes nothing that can be told"
    return f"Of {one.layout}, drop {one.item} first: that {does}{saved}."


def state_sentences(comparison: Comparison, judged: Judged) -> Iterator[str]:
    """Say what each state of the room costs the layouts, in its own words or together."""
    words = judged.reached.aim.words
    labels = _octaves(comparison)
    for state in dict.fromkeys(one.state for one in judged.states):
        same = []
        for one in (s for s in judged.states if s.state == state):
            times = [_mean_s(comparison, n, labels) for n in (one.usual, one.name)]
            lasts = f"{amount(times[1], 0.01)} s instead of {amount(times[0], 0.01)} s"
            over = f" from {band_name(labels[0])} to {band_name(labels[-1])}" if labels else ""
            if one.is_heard:
                way = "further from" if one.lost_steps > 0.0 else "nearer"
                yield (
                    f"{one.name}: {abs(one.lost_steps):.1f} steps {way} the aim of rooms for "
                    f"{words} than {one.usual}; it lingers {lasts}{over}."
                )
            elif one.told_by:
                yield (
                    f"{one.name} is as near the aim of rooms for {words} as {one.usual}, "
                    f"though it can be told from it; it lingers {lasts}{over}."
                )
            else:
                same.append(one.usual)
        if same:
            yield f'"{state}" changes nothing that can be told in {listed(same)}.'


def _doubt(comparison: Comparison, judged: Judged) -> Iterator[str]:
    """Say which rankings hang on places or materials."""
    reached = judged.reached
    known = [n for n in in_usual_state(comparison.conditions) if math.isfinite(reached.of(n))]
    order = sorted(known, key=reached.of)
    for held in judged.held:
        for a, b in itertools.pairwise(order):
            share = held.of(a, b)
            # equal ones are not ranked, and half of the draws says nothing
            unlike = reached.of(a) < reached.of(b) and comparison.is_one_state(a, b)
            if unlike and math.isfinite(share) and share < FIRM_SHARE:
                hangs = "the materials" if held.what == "materials" else "10 cm of place"
                yield (
                    f"Whether {a} comes nearer than {b} to the aim of rooms for "
                    f"{reached.aim.words} hangs on {hangs}: it does in "
                    f"{round(100.0 * share)} of 100 draws."
                )


def _money_text(value: float, currency: str) -> str:
    return f"{value:.0f} {currency}".rstrip()
