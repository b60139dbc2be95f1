"""A stack's absorption as one picture, in a file that needs no other: SVG or HTML.

Lines differ in dashes as well as in shade, so that greys tell them apart as well as colours.
"""

from html import escape
from pathlib import Path
from typing import Final

import numpy as np

from raysim.errors import Complaint, SettingsError
from raysim.planning.stack_facts import USEFUL, StackFacts
from raysim.planning.stack_page import notes, single_figures, value_for_money
from raysim.report.numbers import amount, band_name, frequency
from raysim.report.svg import Canvas, Figure
from raysim.store.replace import replace_file, replacement_target
from raysim.units import OCTAVE_LABELS, Float, octave_centres_hz, third_centres_hz

_WIDTH: Final = 720.0
_HEIGHT: Final = 400.0
_LEFT, _RIGHT, _TOP, _BOTTOM = 46.0, 14.0, 58.0, 52.0
_SUFFIXES: Final = (".svg", ".html", ".htm")

_STYLE: Final = """
svg { font-family: "Avenir Next", "Segoe UI", "Helvetica Neue", "Noto Sans", "DejaVu Sans", sans-serif; }
svg text { font-size: 12px; fill: #16262d; }
svg .tick, svg .axis { fill: #51646c; }
svg .name { font-weight: 600; paint-order: stroke; stroke: #fff; stroke-width: 4px; stroke-linejoin: round; }
svg .quiet { fill: #51646c; paint-order: stroke; stroke: #fff; stroke-width: 4px; stroke-linejoin: round; }
svg line, svg path { fill: none; }
.grid { stroke: #d5dddf; stroke-width: 1; }
.hint { fill: #f1f5f5; }
.half { stroke: #51646c; stroke-width: 1; stroke-dasharray: 1.5 3; }
.mark { stroke: #16262d; stroke-width: 1; stroke-dasharray: 4 3; }
svg path.spread { fill: #b9d3d9; fill-opacity: .75; stroke: none; }
.likely { stroke: #0e5a6b; stroke-width: 3; stroke-linejoin: round; }
.straight { stroke: #16262d; stroke-width: 1.4; stroke-dasharray: 2 3.5; }
.piece { stroke: #a85a06; stroke-width: 1.8; stroke-dasharray: 9 4; }
.leader { stroke: #93a3a9; stroke-width: .7; }
"""  # noqa: E501  one rule to a line

_PAGE: Final = """<!DOCTYPE html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1">
<title>{title}</title>
<style>
body {{ margin: 32px auto; max-width: 780px; padding: 0 20px; color: #16262d; background: #fff;
  font: 16px/1.5 "Iowan Old Style", "Palatino Linotype", Palatino, Georgia, serif; }}
h1 {{ font-weight: 400; font-size: 27px; line-height: 1.2; margin: 0 0 6px; }}
.lead {{ font-size: 19px; margin: 0 0 18px; }}
figure {{ margin: 0; }}
figure svg {{ width: 100%; height: auto; display: block; }}
figcaption, .remark {{ font: 13.5px/1.5 "Avenir Next", "Segoe UI", "DejaVu Sans", sans-serif;
  color: #51646c; }}
table {{ border-collapse: collapse; margin: 18px 0; width: 100%; font: 13.5px/1.4 "Avenir Next",
  "Segoe UI", "DejaVu Sans", sans-serif; font-variant-numeric: tabular-nums; }}
th {{ font-weight: 400; text-align: left; }}
td, thead th {{ text-align: right; padding: 4px 6px; }}
tbody tr {{ border-top: 1px solid #d5dddf; }}
.wide {{ overflow-x: auto; }}
{style}</style>
</head>
<body>
<h1>{title}</h1>
<p class="lead">{sentence}</p>
<figure>{svg}<figcaption>{caption}</figcaption></figure>
<div class="wide">{table}</div>
<p>{figures}</p>
<p>{value}</p>
<p class="remark">{notes}</p>
</body>
</html>
"""


def picture_target(path: Path) -> Path:
    """Give the file that a picture goes to, before any work is done.

    Raises
    ------
    SettingsError
        RS-P08: its name ends in neither .svg nor .html.
    StoreError
        RS-H05: it cannot be written there.
    """
    if path.suffix.lower() not in _SUFFIXES:
        raise SettingsError(
            Complaint("--picture", f'"{path}" is neither SVG nor HTML.',
                      "Let the name end in .svg or .html.", "RS-P08")
        )  # fmt: skip
    return replacement_target(path)


def write_picture(facts: StackFacts, path: Path) -> None:
    """Write the picture to a file of `picture_target`; one that is there is replaced."""
    figure = stack_figure(facts)
    text = _svg(figure) if path.suffix.lower() == ".svg" else _html(facts, figure)
    replace_file(path, text.encode)


def _svg(figure: Figure) -> str:
    head, _, rest = figure.svg.partition(">")
    space = head.replace("<svg ", '<svg xmlns="http://www.w3.org/2000/svg" ', 1)
    ground = f'<rect width="{_WIDTH:g}" height="{_HEIGHT:g}" fill="#fff"/>'
    return f"{space}><style>{_STYLE}</style>{ground}{rest}\n"


def _html(facts: StackFacts, figure: Figure) -> str:
    rows = [("straight on", facts.normal), ("from all sides, likely", facts.likely)]
    if (facts.high > facts.low).any():
        rows += [("least", facts.low), ("most", facts.high)]
    w, h = facts.size_m
    rows.append((f"one piece {w:g} × {h:g} m, per m²", facts.piece))
    marks = ("*" if outside else "" for outside in facts.outside)
    head = "".join(f"<th>{x}{m}</th>" for x, m in zip(OCTAVE_LABELS, marks, strict=True))
    body = "".join(f"<tr><th>{name}</th>{_cells(row)}</tr>" for name, row in rows)
    return _PAGE.format(
        title=escape(facts.title), sentence=escape(facts.sentence), style=_STYLE,
        svg=figure.svg, caption=escape(figure.caption),
        table=f"<table><thead><tr><th>Octave, Hz</th>{head}</tr></thead>"
        f"<tbody>{body}</tbody></table>",
        figures=escape(single_figures(facts).strip()),
        value=escape(value_for_money(facts).strip()),
        notes="<br>".join(escape(line) for line in notes(facts).strip().split("\n")),
    )  # fmt: skip


def _cells(row: Float) -> str:
    return "".join(f"<td>{escape(amount(float(v), 0.01))}</td>" for v in row)


def stack_figure(facts: StackFacts) -> Figure:
    """Draw absorption by thirds: the likely curve in its spread, and two others."""
    freq_hz = third_centres_hz()
    base = _HEIGHT - _BOTTOM
    top = max(1.0, float(facts.third_piece.max()), float(facts.third_high.max()))
    step = 0.2 if top <= 1.2 else 0.5
    top = step * np.ceil(top / step - 1e-9)
    low_x, high_x = freq_hz[0] * 10.0**-0.05, freq_hz[-1] * 10.0**0.05
    canvas = Canvas(_WIDTH, _HEIGHT)
    canvas.bounds = (_LEFT + 2, _TOP - 6, _WIDTH - _RIGHT - 2, base - 4)

    def x_of(f: Float | float) -> Float:
        share = np.log(np.asarray(f) / low_x) / np.log(high_x / low_x)
        return np.asarray(_LEFT + (_WIDTH - _LEFT - _RIGHT) * share)

    def y_of(alpha: Float | float) -> Float:
        return np.asarray(base - (base - _TOP) * np.asarray(alpha) / top)

    def line(values: Float, css: str) -> None:
        points = np.column_stack([x_of(freq_hz), y_of(values)])
        canvas.path(points, css)
        canvas.avoid(np.stack([points[:-1], points[1:]], axis=1))

    for octave, outside in zip(octave_centres_hz(), facts.outside, strict=True):
        if outside:
            x1, x2 = (float(x_of(octave * 10.0**side)) for side in (-0.15, 0.15))
            x1 = max(x1, _LEFT)
            canvas.rect(x1, _TOP, x2 - x1, base - _TOP, "hint")
    for k in range(round(top / step) + 1):
        y = float(y_of(k * step))
        canvas.line(_LEFT, y, _WIDTH - _RIGHT, y, "grid")
        canvas.text(_LEFT - 7, y + 4, f"{k * step:g}", "tick", "end")
    for f, label in zip(octave_centres_hz(), OCTAVE_LABELS, strict=True):
        x = float(x_of(f))
        canvas.line(x, _TOP, x, base, "grid")
        canvas.text(x, base + 17, label, "tick", "middle")
    canvas.text(4, _TOP - 12, "share absorbed", "axis")
    canvas.text(0.5 * (_LEFT + _WIDTH), base + 38, "pitch of the sound, Hz", "axis", "middle")

    has_spread = bool((facts.third_high > facts.third_low).any())
    if has_spread:
        up = np.column_stack([x_of(freq_hz), y_of(facts.third_high)])
        down = np.column_stack([x_of(freq_hz), y_of(facts.third_low)])
        canvas.path(np.concatenate([up, down[::-1]]), "spread", close=True)
    half = float(y_of(USEFUL))
    canvas.line(_LEFT, half, _WIDTH - _RIGHT, half, "half")
    canvas.text(_WIDTH - _RIGHT - 4, half - 5, "takes half", "quiet", "end")
    line(facts.third_piece, "piece")
    line(facts.third_normal, "straight")
    line(facts.third_likely, "likely")
    start = facts.useful_from_hz
    if np.isfinite(start):
        x = float(x_of(start))
        canvas.line(x, half, x, base, "mark")
        canvas.label(x, base - 14, f"useful from {frequency(start)}", "name")
    _key(canvas, facts)
    words = "; ".join(
        f"{band_name(x)} {amount(float(a), 0.01)}"
        for x, a in zip(OCTAVE_LABELS, facts.likely, strict=True)
    )
    caption = (
        "Share of the sound that is not given back, by third of an octave. Thick: from all "
        "sides, an endless stack"
        + (", and the band its least and most by what is not known" if has_spread else "")
        + ". Dotted: straight on. Dashed: one piece with its edges, per square metre, which "
        "may exceed 1."
    )
    if facts.outside.any():
        caption += " Grey ground: beyond what the model of the porous layer was fitted to."
    return canvas.figure("absorption", facts.title, f"Absorption by octave: {words}.", caption)


def _key(canvas: Canvas, facts: StackFacts) -> None:
    """Name each kind of line in a row above the drawing."""
    w, h = facts.size_m
    lines = (
        ("likely", "from all sides"),
        ("straight", "straight on"),
        ("piece", f"one piece {w:g} × {h:g} m, per m²"),
    )
    for x, (css, words) in zip((_LEFT, _LEFT + 170.0, _LEFT + 320.0), lines, strict=True):
        if css == "likely" and (facts.third_high > facts.third_low).any():
            corners = ((x, 7.0), (x + 34.0, 7.0), (x + 34.0, 19.0), (x, 19.0))
            canvas.path(corners, "spread", close=True)
        canvas.line(x, 13.0, x + 34.0, 13.0, css)
        canvas.text(x + 42.0, 17.0, words)
