"""How sound dies away, in pictures: by band, over time, and surface by surface.

Plain arrays in, figures out. Bands below the transition frequency are hatched or set
on grey: there a room rings at single frequencies, and a decay time is only a hint.
"""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from raysim.report.facts import Target
from raysim.report.numbers import amount, band_name, frequency, level
from raysim.report.pairs import WINDOW_DB, WINDOW_MS, Arrival
from raysim.report.svg import SHAPES, Canvas, Figure
from raysim.units import OCTAVE_LABELS, Float, to_level_db

Bool = NDArray[np.bool_]

_WIDTH = 460.0

#: How far the arrival map looks, and how far down.
MAP_MS = 50.0
MAP_DB = -40.0

_DECAY_DB = -60.0

#: Said wherever the 63 Hz octave is shown.
COPIED = "63 Hz copies the material data of 125 Hz unless you gave eight values."


def _step(span: float, most: int = 6) -> float:
    """Give a round step that divides a span into at most so many parts."""
    for power in range(-3, 5):
        for digit in (1.0, 2.0, 5.0):
            if span / (digit * 10.0**power) <= most:
                return digit * 10.0**power
    return span


def linger(
    ident: str,
    labels: Sequence[str],
    t30_s: Float,
    error_s: Float,
    each_s: Float,
    modal: Bool,
    target: Target,
) -> Figure:
    """Draw how long sound lingers in each band, as bars against the usual aim.

    Parameters
    ----------
    ident : str
    labels : sequence of str
        Nominal band names.
    t30_s, error_s : (n_band,) float64
        Mean over the pairs, and its standard error; NaN where it could not be had.
    each_s : (n_pair, n_band) float64
        Every pair, drawn as dots where there are several.
    modal : (n_band,) bool
        Bands below the transition frequency.
    target : Target
    """
    height, left, right, top, bottom = 250.0, 40.0, 8.0, 34.0, 44.0
    canvas = Canvas(_WIDTH, height)
    n = len(labels)
    tallest = max(float(np.nanmax(np.append(t30_s + error_s, 0.0))), target.high_s)
    step = _step(1.15 * tallest)
    most = step * np.ceil(1.12 * tallest / step)
    pitch = (_WIDTH - left - right) / n
    base = height - bottom

    def y_of(time_s: float) -> float:
        return base - (base - top) * time_s / float(most)

    for k in range(round(float(most) / step) + 1):
        canvas.line(left, y_of(k * step), _WIDTH - right, y_of(k * step), "grid")
        canvas.text(left - 6, y_of(k * step) + 4, f"{k * step:g}", "tick", "end")
    canvas.text(left - 30, top - 16, "seconds", "axis")
    few = n <= 8
    for i, label in enumerate(labels):
        x = left + pitch * (i + 0.5)
        if few or i % 3 == 1:
            canvas.text(x, base + 16, label, "tick", "middle")
        if not np.isfinite(t30_s[i]):
            canvas.text(x, base - 5, "–", "tick", "middle")
            continue
        y = y_of(float(t30_s[i]))
        width = 0.62 * pitch
        canvas.rect(x - 0.5 * width, y, width, base - y, "bar modal" if modal[i] else "bar")
        reach = float(error_s[i]) if np.isfinite(error_s[i]) else 0.0
        y_high, y_low = y_of(float(t30_s[i]) + reach), y_of(max(0.0, float(t30_s[i]) - reach))
        canvas.line(x, y_high, x, y_low, "whisker")
        canvas.line(x - 4, y_high, x + 4, y_high, "whisker")
        canvas.line(x - 4, y_low, x + 4, y_low, "whisker")
        highest = y_high
        if len(each_s) > 1:
            for time_s in each_s[:, i][np.isfinite(each_s[:, i])].tolist():
                canvas.mark("circle", x + 0.36 * pitch, y_of(time_s), 1.5, "dot")
                highest = min(highest, y_of(time_s)) if few else highest
        if few:
            canvas.text(x, highest - 6, amount(float(t30_s[i]), 0.01), "value", "middle")
    inside = [i for i, label in enumerate(labels) if label in target.labels]
    if inside:
        x1, x2 = left + pitch * inside[0], left + pitch * (inside[-1] + 1)
        y1, y2 = y_of(target.high_s), y_of(target.low_s)
        canvas.rect(x1, y1, x2 - x1, y2 - y1, "target")
    canvas.text(
        0.5 * (left + _WIDTH - right), base + 34, "pitch of the sound, Hz", "axis", "middle"
    )
    words = "; ".join(
        f"{band_name(label)} {amount(float(t), 0.01)} s"
        for label, t in zip(labels, t30_s, strict=True)
    )
    caption = (
        "Time for the sound to fall by 60 dB, measured from 5 to 35 dB down (T30), mean over "
        "all pairs; whiskers are one standard error"
        + (", dots the pairs. " if len(each_s) > 1 else ". ")
        + f"Dashed box: {target.words}{'; ' if target.remark else ''}{target.remark}."
    )
    if modal.any():
        caption += " Hatched bars lie below the transition frequency: take them as a hint only."
    if "63" in labels:
        caption += f" {COPIED}"
    return canvas.figure(ident, "How long it lingers", f"Decay time by band: {words}.", caption)


def decay_panels(
    ident: str,
    labels: Sequence[str],
    time_s: Float,
    level_db: Float,
    error_db: Float,
    t30_s: Float,
    modal: Bool,
    transition_hz: float,
) -> Figure:
    """Draw the decay of each octave in a small panel of its own, all to one scale.

    Parameters
    ----------
    ident : str
    labels : sequence of str
    time_s : (n_time,) float64
        After the direct sound.
    level_db, error_db : (n_band, n_time) float64
        Backward-integrated level re its start, and its standard error.
    t30_s : (n_band,) float64
    modal : (n_band,) bool
    transition_hz : float
    """
    shown = [i for i, label in enumerate(labels) if label in OCTAVE_LABELS]
    end = _decay_end_s(time_s, level_db[shown])
    step = _step(end, 3)
    n_column = 4
    gap, left, top, high = 10.0, 30.0, 22.0, 92.0
    wide = (_WIDTH - left - 4.0 - gap * (n_column - 1)) / n_column
    n_row = -(-len(shown) // n_column)
    canvas = Canvas(_WIDTH, n_row * (high + 36.0) + top - 4.0)
    picked = np.unique(np.linspace(0, np.searchsorted(time_s, end), 90).astype(int))
    picked = picked[picked < len(time_s)]
    for k, i in enumerate(shown):
        x0 = left + (k % n_column) * (wide + gap)
        y0 = top + (k // n_column) * (high + 36.0)
        canvas.rect(x0, y0, wide, high, "panel modal" if modal[i] else "panel")
        for down in (20.0, 40.0):
            canvas.line(x0, y0 + high * down / 60, x0 + wide, y0 + high * down / 60, "grid")
        if k % n_column == 0:
            for down in (0, 20, 40, 60):
                canvas.text(x0 - 5, y0 + high * down / 60 + 4, level(-down, 1.0), "tick", "end")
        for j in range(int(end / step + 1e-9) + 1):
            x = x0 + wide * j * step / end
            canvas.line(x, y0 + high, x, y0 + high + 3, "axis-line")
            if (k >= len(shown) - n_column and x < x0 + wide - 6) or j == 0:
                unit = " s" if j else ""
                canvas.text(x, y0 + high + 14, f"{j * step:g}{unit}", "tick", "middle")
        note = amount(float(t30_s[i]), 0.01)
        canvas.text(x0, y0 - 6, band_name(labels[i]), "panel-name")
        canvas.text(x0 + wide, y0 - 6, f"{note} s", "tick", "end")
        usable = picked[level_db[i, picked] > _DECAY_DB]
        if len(usable) < 2:
            continue
        x = x0 + wide * time_s[usable] / end
        error = np.nan_to_num(error_db[i, usable])

        def down_to(value_db: Float, y0: float = y0) -> Float:
            return np.asarray(y0 + high * np.clip(-value_db / 60.0, 0.0, 1.0))

        upper, lower = level_db[i, usable] + error, level_db[i, usable] - error
        ring = np.concatenate(
            [np.stack([x, down_to(upper)], 1), np.stack([x, down_to(lower)], 1)[::-1]]
        )
        canvas.path(ring, "spread", close=True)
        canvas.path(np.stack([x, down_to(level_db[i, usable])], 1), "curve")
    canvas.text(4, 11, "dB", "axis")
    caption = (
        "Level left after each moment (backward integration), against seconds after the "
        "direct sound; the number is T30, the shading one standard error. Straight means "
        "even; a bend means that part of the room rings on."
    )
    if modal[shown].any():
        caption += (
            f" Panels on grey lie below the transition frequency, {frequency(transition_hz)}: "
            "real decays there are those of single modes."
        )
    return canvas.figure(
        ident,
        "How evenly it dies away",
        "One small decay curve per octave band, level in dB against time in seconds, down to "
        f"{level(_DECAY_DB, 1.0)} dB or {end:.2f} s.",
        caption,
    )


def _decay_end_s(time_s: Float, level_db: Float) -> float:
    """Give a round time by which nearly every band has fallen by 60 dB."""
    audible = np.flatnonzero((level_db > _DECAY_DB).any(axis=0))
    last = float(time_s[audible[-1]]) if len(audible) else 0.0
    step = _step(last, 10)
    return float(step * np.ceil(max(last, 0.02) / step))


def arrival_map(
    ident: str, arrivals: Sequence[Arrival], seen: bool, is_listed: bool = True
) -> Figure:
    """Draw each early arrival by delay and level, marked by the surface it came from.

    Parameters
    ----------
    ident : str
    arrivals : sequence of Arrival
        Without the direct sound.
    seen : bool
        Whether there is direct sound; otherwise delay and level are re the first
        arrival, and there is no window: it counts from direct sound.
    is_listed : bool
        Whether reflections were listed one by one at all.
    """
    left, right, top = 40.0, 10.0, 20.0
    plot_h = 210.0
    shown = [a for a in arrivals if a.delay_ms <= MAP_MS and a.level_db >= MAP_DB]
    loudest = sorted(shown, key=lambda a: -a.level_db)
    singles: list[str] = []
    for a in loudest:
        if len(a.surfaces) == 1 and a.surfaces[0] not in singles:
            singles.append(a.surfaces[0])
    singles = singles[: len(SHAPES)]
    entries = [(SHAPES[i], f"s{i}", name) for i, name in enumerate(singles)]
    entries.append(("circle", "more", "two or more surfaces, or others"))
    ceiling_db = 5.0 * np.ceil(max([2.0] + [a.level_db + 2.0 for a in shown]) / 5.0)
    canvas = Canvas(_WIDTH, top + plot_h + 44.0 + 18.0 * ((len(entries) + 1) // 2))
    base = top + plot_h
    canvas.bounds = (left + 1, 16.0, _WIDTH - 2, base)

    def x_of(delay_ms: float) -> float:
        return left + (_WIDTH - left - right) * delay_ms / MAP_MS

    def y_of(level_db: float) -> float:
        return float(top + plot_h * (ceiling_db - level_db) / (ceiling_db - MAP_DB))

    if seen:
        canvas.rect(x_of(0), top, x_of(WINDOW_MS) - x_of(0), y_of(WINDOW_DB) - top, "window")
    for down in range(int(ceiling_db // 10) * 10, int(MAP_DB) - 1, -10):
        canvas.line(left, y_of(down), _WIDTH - right, y_of(down), "grid")
        canvas.text(left - 6, y_of(down) + 4, level(down, 1.0), "tick", "end")
    for ms in range(0, int(MAP_MS) + 1, 10):
        canvas.line(x_of(ms), base, x_of(ms), base + 4, "axis-line")
        canvas.text(x_of(ms), base + 17, f"{ms}", "tick", "middle")
    canvas.line(left, base, _WIDTH - right, base, "axis-line")
    if seen:
        corner = (x_of(WINDOW_MS), y_of(WINDOW_DB))
        canvas.path([(x_of(0), corner[1]), corner, (corner[0], top)], "limit")
    canvas.text(4, 12, "dB re direct" if seen else "dB re first arrival", "axis")
    after = "direct sound" if seen else "first arrival"
    canvas.text(
        0.5 * (left + _WIDTH - right), base + 33, f"ms after the {after}", "axis", "middle"
    )

    canvas.mark("diamond", x_of(0), y_of(0), 5.0, "direct")
    if seen:
        canvas.label(x_of(0), y_of(0), "direct", "mark-name", 11.0)
    drawn = sorted(shown, key=lambda a: (len(a.surfaces) == 1, a.level_db))
    for a in drawn:
        canvas.line(x_of(a.delay_ms), base, x_of(a.delay_ms), y_of(a.level_db), "stem")
    for a in drawn:
        if len(a.surfaces) == 1 and a.surfaces[0] in singles:
            i = singles.index(a.surfaces[0])
            canvas.mark(SHAPES[i], x_of(a.delay_ms), y_of(a.level_db), 4.4, f"s{i}")
        else:
            canvas.mark("circle", x_of(a.delay_ms), y_of(a.level_db), 2.6, "more")
    for a in loudest[:4]:
        canvas.keep_off(x_of(a.delay_ms) - 5, y_of(a.level_db) - 5, 10, 10)
    for a in loudest[:4]:
        words = " + ".join(a.surfaces)
        words = words if len(words) <= 34 else words[:33] + "…"
        canvas.label(x_of(a.delay_ms), y_of(a.level_db), words, "mark-name", 11.0)
    for i, (shape, css, name) in enumerate(entries):
        x = left + (i % 2) * 0.5 * (_WIDTH - left)
        y = base + 54.0 + 18.0 * (i // 2)
        canvas.mark(shape, x, y - 4, 2.6 if css == "more" else 4.4, css)
        canvas.text(x + 11, y, name if len(name) <= 32 else name[:31] + "…", "key")
    listed = "; ".join(
        f"{' then '.join(a.surfaces)} {a.delay_ms:.1f} ms {level(a.level_db)} dB"
        for a in loudest[:4]
    )
    return canvas.figure(
        ident,
        "Early arrivals, surface by surface",
        f"Reflections by delay and level. Strongest: {listed or 'none'}.",
        (
            "Every mirror-like reflection found in the first 50 ms, at its strongest octave "
            "from 1 to 8 kHz. "
            if is_listed
            else "Reflections were not listed one by one, so none is drawn. "
        )
        + (
            "Usual aim for loudspeakers in control and listening rooms: nothing in the shaded "
            f"window, {WINDOW_MS:.0f} ms long and down to {level(WINDOW_DB, 1.0)} dB (EBU Tech "
            "3276, 2nd ed., 2.2)."
            if seen
            else "There is no line of sight, and so no direct sound to compare with."
        ),
    )


def energy_over_time(
    ident: str,
    labels: Sequence[str],
    start_ms: Float,
    bin_ms: float,
    total: Float,
    specular: Float,
) -> Figure:
    """Draw what arrives when, in a low, a middle and a high band.

    Parameters
    ----------
    ident : str
    labels : sequence of str
    start_ms : (n_time,) float64
        Start of each bin after the direct sound.
    bin_ms : float
    total, specular : (n_band, n_time) float64
        Energy per bin re the direct sound's: all of it, and that of exact paths.
    """
    left, right, high, gap = 40.0, 14.0, 74.0, 24.0
    rows = [labels.index(name) for name in ("125", "1k", "4k")]
    end = _energy_end_ms(start_ms, total[rows])
    step = _step(end, 6)
    canvas = Canvas(_WIDTH, 3 * (high + gap) + 34.0)
    n_column = 200
    column = np.minimum((start_ms / end * n_column).astype(int), n_column)
    keep = (start_ms >= 0.0) & (column < n_column)
    bins_each = max(1.0, end / n_column / bin_ms)
    wide = (_WIDTH - left - right) / n_column
    for k, i in enumerate(rows):
        y0 = 20.0 + k * (high + gap)
        canvas.text(left, y0 - 6, band_name(labels[i]), "panel-name")
        for down in (0, 20, 40, 60):
            y = y0 + high * down / 60
            canvas.line(left, y, _WIDTH - right, y, "grid")
            canvas.text(left - 6, y + 4, level(-down, 1.0), "tick", "end")
        for energy, css in ((total[i], "scattered"), (specular[i], "specular")):
            per_column = np.bincount(column[keep], weights=energy[keep], minlength=n_column)
            filled = np.clip(60.0 + to_level_db(per_column / bins_each), 0.0, 63.0)
            tops = [
                f"M{left + wide * (j + 0.5):.1f} {y0 + high:.1f}v-{high * f / 60:.1f}"
                for j, f in enumerate(filled.tolist())
                if f > 0.3
            ]
            canvas.parts.append(f'<path class="{css}" d="{"".join(tops)}"/>')
    base = 20.0 + 2 * (high + gap) + high
    for j in range(int(end / step + 1e-9) + 1):
        x = left + (_WIDTH - left - right) * j * step / end
        canvas.line(x, base, x, base + 4, "axis-line")
        canvas.text(x, base + 16, f"{j * step:g}", "tick", "middle")
    canvas.text(0.5 * (left + _WIDTH), base + 32, "ms after the direct sound", "axis", "middle")
    canvas.text(4, 12, "dB", "axis")
    return canvas.figure(
        ident,
        "What arrives when",
        "Energy arriving per millisecond against time, in the 125 Hz, 1 kHz and 4 kHz bands.",
        f"Energy per {bin_ms:g} ms, in dB re the direct sound. Dark: mirror-like reflections, "
        "found exactly. Light: everything else, from rays. Gaps and spikes that come back at "
        "even spacing are flutter.",
    )


def _energy_end_ms(start_ms: Float, total: Float) -> float:
    audible = np.flatnonzero((to_level_db(total) > _DECAY_DB).any(axis=0))
    last = float(start_ms[audible[-1]]) if len(audible) else 100.0
    step = _step(max(last, 50.0), 8)
    return float(step * np.ceil(max(last, 50.0) / step))
