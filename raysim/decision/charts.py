"""Layouts side by side in pictures: how long sound lingers, and what money buys.

All pictures of one kind have one scale, so that layouts can be held against each other by
eye. Marks differ in shape and darkness as well as in colour.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import groupby, pairwise
from typing import Final

import numpy as np

from raysim.compare.targets import AimBand
from raysim.decision.judgement import Candidate
from raysim.report.numbers import amount, band_name
from raysim.report.svg import Canvas, Figure
from raysim.units import Float

_WIDTH: Final = 340.0
#: Drawings are cut off at so many times the highest aim or the room as it is.
_STEPS: Final = (0.1, 0.2, 0.5, 1.0, 2.0, 5.0, 10.0, 20.0, 50.0, 100.0, 200.0, 500.0, 1000.0)


@dataclass(frozen=True, slots=True)
class Lingers:
    """Decay of one layout by octave, seconds; NaN where it is not known."""

    name: str
    t30_s: Float  # (n_octave,)
    error_s: Float  # (n_octave,)
    is_hint: tuple[bool, ...]  # below the transition frequency, or by waves
    by_wave: tuple[bool, ...] = ()  # the wave solver answers for it; empty: for none


def _step(span: float, most: int) -> float:
    return next((s for s in _STEPS if span / s <= most), span)


def decay_picture(
    ident: str,
    labels: Sequence[str],
    now: Lingers,
    before: Lingers | None,
    aim: Sequence[AimBand],
    longest_s: float,
) -> Figure:
    """Draw decay by octave as bars, with the room as it is as dashes and the aim as boxes.

    Parameters
    ----------
    ident : str
    labels : sequence of str
        Nominal octaves.
    now, before : Lingers
    aim : sequence of AimBand
    longest_s : float
        Of all pictures that share the scale.

    Returns
    -------
    Figure
    """
    height, left, right, top, bottom = 208.0, 34.0, 6.0, 24.0, 26.0
    canvas = Canvas(_WIDTH, height)
    base = height - bottom
    step = _step(longest_s, 5)
    most = step * math.ceil(1.1 * longest_s / step)
    pitch = (_WIDTH - left - right) / len(labels)

    def y_of(time_s: float) -> float:
        return base - (base - top) * min(time_s, most) / most

    for k in range(round(most / step) + 1):
        canvas.line(left, y_of(k * step), _WIDTH - right, y_of(k * step), "grid")
        canvas.text(left - 5, y_of(k * step) + 4, f"{k * step:.3g}", "tick", "end")
    canvas.text(2, 11, "seconds", "axis")
    canvas.text(_WIDTH - right, 11, "pitch in Hz below", "axis", "end")
    if any(now.by_wave):
        canvas.text(0.5 * _WIDTH - 36.0, 11, "hatched: by waves", "axis", "middle")
    said = []
    for i, label in enumerate(labels):
        x, time_s = left + pitch * (i + 0.5), float(now.t30_s[i])
        canvas.text(x, base + 15, label, "tick", "middle")
        if math.isfinite(time_s):
            css = "bar modal" if now.is_hint[i] else "bar"
            canvas.rect(x - 0.3 * pitch, y_of(time_s), 0.6 * pitch, base - y_of(time_s), css)
            by = " by waves" if any(now.by_wave[i : i + 1]) else ""
            said.append(f"{band_name(label)} {amount(time_s, 0.01)} s{by}")
        else:
            canvas.text(x, base - 4, "–", "tick", "middle")
    for (low_s, high_s, counts), run in groupby(
        (b for b in aim if b.band in labels), lambda b: (b.low_s, b.high_s, b.counts)
    ):
        where = [labels.index(b.band) for b in run]
        x, y = left + pitch * where[0] + 1.0, y_of(high_s)
        css = "target" if counts else "target beside"
        canvas.rect(x, y, pitch * len(where) - 2.0, y_of(low_s) - y, css)
    for i in range(len(labels)):
        x, time_s = left + pitch * (i + 0.5), float(now.t30_s[i])
        highest = y_of(time_s) if math.isfinite(time_s) else base
        if math.isfinite(time_s) and math.isfinite(float(now.error_s[i])):
            y1, y2 = y_of(time_s + float(now.error_s[i])), y_of(time_s - float(now.error_s[i]))
            canvas.line(x, y1, x, y2, "whisker")
            canvas.line(x - 3, y1, x + 3, y1, "whisker")
            canvas.line(x - 3, y2, x + 3, y2, "whisker")
            highest = y1
        if before is not None and math.isfinite(float(before.t30_s[i])):
            y = y_of(float(before.t30_s[i]))
            canvas.line(x - 0.42 * pitch, y, x + 0.42 * pitch, y, "was")
            if abs(y - highest) < 16.0:
                highest = min(highest, y)
        if math.isfinite(time_s):
            canvas.text(x, highest - 4, amount(time_s, 0.01), "value", "middle")
    return canvas.figure(ident, now.name, f"Decay time by octave: {'; '.join(said)}.", "")


def front_picture(
    ident: str, candidates: Sequence[Candidate], front: Sequence[str], pick: str, currency: str
) -> Figure:
    """Draw price against distance from the aim, and the layouts worth their money.

    Parameters
    ----------
    ident : str
    candidates : sequence of Candidate
    front : sequence of str
        Names of those worth their money, the cheapest first.
    pick : str
        The one to take.
    currency : str

    Returns
    -------
    Figure
    """
    width, height, left, right, top, bottom = 560.0, 330.0, 46.0, 18.0, 26.0, 46.0
    canvas = Canvas(width, height)
    canvas.bounds = (left + 2.0, top - 4.0, width - 2.0, height - bottom)
    shown = [c for c in candidates if c.price is not None and math.isfinite(c.steps)]
    base = height - bottom
    dearest = max((c.price.high for c in shown if c.price), default=1.0) or 1.0
    furthest = max((c.steps + _known(c.error) for c in shown), default=1.0) or 1.0
    across, up = _step(dearest, 6), _step(furthest, 6)
    most_x, most_y = (
        across * math.ceil(1.05 * dearest / across), up * math.ceil(1.05 * furthest / up)
    )  # fmt: skip

    def x_of(price: float) -> float:
        return left + 12.0 + (width - left - right - 12.0) * price / most_x

    def y_of(steps: float) -> float:
        return base - (base - top) * max(steps, 0.0) / most_y

    for k in range(round(most_y / up) + 1):
        canvas.line(left, y_of(k * up), width - right, y_of(k * up), "grid")
        canvas.text(left - 6, y_of(k * up) + 4, f"{k * up:g}", "tick", "end")
    for k in range(round(most_x / across) + 1):
        canvas.line(x_of(k * across), base, x_of(k * across), base + 4, "axis-line")
        canvas.text(x_of(k * across), base + 17, f"{k * across:g}", "tick", "middle")
    canvas.line(left, base, width - right, base, "axis-line")
    canvas.text(2, 12, "just-noticeable steps beyond the usual aim (0: inside)", "axis")
    canvas.text(width - right, base + 36, f"price, {currency or 'money'}", "axis", "end")
    by_name = {c.name: c for c in shown}
    corners: list[tuple[float, float]] = []
    for name in front:
        if name in by_name:
            c = by_name[name]
            assert c.price is not None
            at = (x_of(c.price.likely), y_of(c.steps))
            corners += [(at[0], corners[-1][1]), at] if corners else [at]
    if len(corners) > 1:
        canvas.path(corners, "front-line")
        canvas.avoid(np.array(list(pairwise(corners))))
    for c in shown:
        assert c.price is not None
        x, y = x_of(c.price.likely), y_of(c.steps)
        canvas.line(x_of(c.price.low), y, x_of(c.price.high), y, "whisker")
        error = _known(c.error)
        canvas.line(x, y_of(c.steps - error), x, y_of(c.steps + error), "whisker")
        if not c.is_allowed:
            canvas.mark("plus", x, y, 5.2, "may-not")
        elif c.name == pick:
            canvas.mark("diamond", x, y, 7.0, "picked")
        else:
            canvas.mark("circle", x, y, 5.2, "may")
        canvas.keep_off(x - 8, y - 8, 16, 16)
        ends = [[[x_of(c.price.low), y], [x_of(c.price.high), y]]]
        canvas.avoid(np.array(ends))
    for c in shown:
        assert c.price is not None
        canvas.label(x_of(c.price.likely), y_of(c.steps), c.name, "mark-name", 12.0)
    said = "; ".join(
        f"{c.name}: {c.price.likely:.0f} {currency}, {amount(c.steps, 0.1)} steps"
        for c in shown if c.price
    )  # fmt: skip
    caption = (
        "Further down is nearer the aim, further left is cheaper. Filled diamond: the one to "
        "take; circles: may go up; crosses: something forbids them. The stepped line joins "
        "what is worth its money among those that may go up: each is nearer, for certain and "
        "to the ear, than all that cost less. Whiskers: likely prices from least to most, and "
        "one standard error of the calculation, to which what the materials leave open is to "
        "be added."
    )
    return canvas.figure(ident, "What money buys", said, caption)


def _known(error: float) -> float:
    return error if math.isfinite(error) else 0.0
