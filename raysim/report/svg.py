"""Pictures as text: a few SVG marks whose look is set by the page's style sheet.

Lengths are in drawing units; the drawing scales to the width of the page. Every
figure has a title and a description that a screen reader speaks. Coordinates are
written with one decimal, so equal input gives equal bytes.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from html import escape

import numpy as np

from raysim.units import Float

#: Marks that differ in shape as well as in colour, in order of use.
SHAPES = ("circle", "square", "triangle", "diamond", "wedge", "plus")

#: Mean width of a character over the height of the type, sans serif.
_CHARACTER = 0.56


@dataclass(frozen=True, slots=True)
class Figure:
    """A finished picture with what is said about it."""

    ident: str
    title: str
    caption: str
    svg: str


def number(value: float) -> str:
    """Give a coordinate: one decimal, no false minus zero."""
    text = f"{value:.1f}"
    return "0" if text in ("0.0", "-0.0") else text.removesuffix(".0")


def path_data(points: Iterable[Sequence[float]] | Float, close: bool = False) -> str:
    """Give the ``d`` of a polyline, in steps from point to point to keep it short."""
    tenths = np.rint(10.0 * np.asarray(list(points), dtype=np.float64)).astype(int)
    steps = np.diff(tenths, axis=0)
    start = " ".join(number(v / 10.0) for v in tenths[0])
    moves = "".join(f"l{number(dx / 10.0)} {number(dy / 10.0)}" for dx, dy in steps.tolist())
    return f"M{start}{moves}" + ("z" if close else "")


@dataclass(slots=True)
class Canvas:
    """A drawing that grows mark by mark, and keeps labels off each other."""

    width: float
    height: float
    parts: list[str] = field(default_factory=list)
    taken: list[tuple[float, float, float, float]] = field(default_factory=list)
    lines: list[Float] = field(default_factory=list)
    bounds: tuple[float, float, float, float] | None = None  # where labels may be

    def line(self, x1: float, y1: float, x2: float, y2: float, css: str) -> None:
        """Draw a straight line."""
        self.parts.append(
            f'<line class="{css}" x1="{number(x1)}" y1="{number(y1)}" '
            f'x2="{number(x2)}" y2="{number(y2)}"/>'
        )

    def path(
        self, points: Iterable[Sequence[float]] | Float, css: str, close: bool = False
    ) -> None:
        """Draw a polyline or, closed, a polygon."""
        self.parts.append(f'<path class="{css}" d="{path_data(points, close)}"/>')

    def segments(self, segments: Float, css: str) -> None:
        """Draw many separate lines, (n, 2, 2), as one path."""
        if len(segments):
            joined = "".join(path_data(s) for s in segments)
            self.parts.append(f'<path class="{css}" d="{joined}"/>')

    def rect(self, x: float, y: float, width: float, height: float, css: str) -> None:
        """Draw an upright rectangle."""
        self.parts.append(
            f'<rect class="{css}" x="{number(x)}" y="{number(y)}" '
            f'width="{number(width)}" height="{number(height)}"/>'
        )

    def text(
        self, x: float, y: float, words: str, css: str = "", anchor: str = "start"
    ) -> None:
        """Write words at a base line; ``anchor`` is start, middle or end."""
        self.parts.append(
            f'<text class="{css}" x="{number(x)}" y="{number(y)}" '
            f'text-anchor="{anchor}">{escape(words)}</text>'
        )

    def upright(self, x: float, y: float, words: str, css: str) -> None:
        """Write words that read upwards, centred on a point of their base line."""
        self.parts.append(
            f'<text class="{css}" text-anchor="middle" transform="translate({number(x)} '
            f'{number(y)}) rotate(-90)">{escape(words)}</text>'
        )

    def mark(self, shape: str, x: float, y: float, size: float, css: str) -> None:
        """Put one of `SHAPES` at a point; all have about the same area."""
        r = size
        if shape == "circle":
            self.parts.append(
                f'<circle class="{css}" cx="{number(x)}" cy="{number(y)}" r="{number(r)}"/>'
            )
            return
        outlines = {
            "square": [(-0.9, -0.9), (0.9, -0.9), (0.9, 0.9), (-0.9, 0.9)],
            "triangle": [(0, -1.25), (1.15, 0.8), (-1.15, 0.8)],
            "diamond": [(0, -1.3), (1.1, 0), (0, 1.3), (-1.1, 0)],
            "wedge": [(0, 1.25), (1.15, -0.8), (-1.15, -0.8)],
            "plus": [
                (-0.4, -1.2), (0.4, -1.2), (0.4, -0.4), (1.2, -0.4), (1.2, 0.4), (0.4, 0.4),
                (0.4, 1.2), (-0.4, 1.2), (-0.4, 0.4), (-1.2, 0.4), (-1.2, -0.4), (-0.4, -0.4),
            ],
        }  # fmt: skip
        self.path([(x + r * a, y + r * b) for a, b in outlines[shape]], css, close=True)

    def keep_off(self, x: float, y: float, width: float, height: float) -> None:
        """Reserve a rectangle that no label may cover."""
        self.taken.append((x, y, x + width, y + height))

    def is_free(self, x: float, y: float, width: float, height: float) -> bool:
        """Say whether a rectangle lies on the drawing and covers nothing reserved."""
        return self._overlap((x, y, x + width, y + height)) == 0.0

    def avoid(self, segments: Float) -> None:
        """Ask labels to keep off lines, (n, 2, 2), where they can."""
        for start, end in segments:
            n = max(2, int(np.hypot(*(end - start)) / 3.0))
            self.lines.extend(start + (end - start) * t for t in np.linspace(0.0, 1.0, n))

    def label(
        self,
        x: float,
        y: float,
        words: str,
        css: str = "",
        size: float = 12.0,
        is_centred: bool = False,
    ) -> None:
        """Write words near a point, where they cover no other label and few lines.

        Tries right, left, above, below and the corners, first close, then further
        off with a thin leader; a centred label first tries the point itself.
        """
        width = _CHARACTER * size * len(words)
        spots = [(x - 0.5 * width, y + 0.35 * size, 0.0)] if is_centred else []
        for cost, gap in ((0.0, 9.0), (6.0, 16.0), (14.0, 28.0), (24.0, 42.0), (40.0, 60.0)):
            up, down = y - 0.8 * gap, y + 0.8 * gap + 0.75 * size
            spots += [
                (x + gap, y + 0.35 * size, cost), (x - gap - width, y + 0.35 * size, cost),
                (x - 0.5 * width, y - gap, cost + 0.5),
                (x - 0.5 * width, y + gap + 0.75 * size, cost + 0.5),
                (x + 0.6 * gap, up, cost + 1), (x + 0.6 * gap, down, cost + 1),
                (x - 0.6 * gap - width, up, cost + 1), (x - 0.6 * gap - width, down, cost + 1),
            ]  # fmt: skip
        lines = np.array(self.lines).reshape(-1, 2)

        def cost_of(spot: tuple[float, float, float]) -> float:
            left, base, cost = spot
            box = (left - 4, base - 0.85 * size, left + width + 4, base + 0.25 * size)
            return cost + self._overlap(box) + 1.5 * _points_in(lines, box)

        left, base, cost = min(spots, key=cost_of)
        self.taken.append((left - 4, base - 0.85 * size, left + width + 4, base + 0.25 * size))
        if cost > 5.0:
            near_x = min(max(x, left), left + width)
            near_y = base if base < y else base - 0.75 * size
            self.line(x, y, near_x, near_y, "leader")
        self.text(left, base, words, css)

    def _overlap(self, box: tuple[float, float, float, float]) -> float:
        """Give a large cost for leaving the allowed area or covering what is reserved."""
        x1, y1, x2, y2 = box
        low_x, low_y, high_x, high_y = self.bounds or (
            2.0,
            2.0,
            self.width - 2,
            self.height - 2,
        )
        outside = x1 < low_x or y1 < low_y or x2 > high_x or y2 > high_y
        hit = sum(not (x2 <= a or c <= x1 or y2 <= b or d <= y1) for a, b, c, d in self.taken)
        return 1000.0 * outside + 200.0 * hit

    def figure(self, ident: str, title: str, desc: str, caption: str) -> Figure:
        """Close the drawing; ``ident`` is unique on the page."""
        return Figure(
            ident,
            title,
            caption,
            f'<svg viewBox="0 0 {number(self.width)} {number(self.height)}" role="img" '
            f'aria-labelledby="{ident}-title {ident}-desc">'
            f'<title id="{ident}-title">{escape(title)}</title>'
            f'<desc id="{ident}-desc">{escape(desc)}</desc>{"".join(self.parts)}</svg>',
        )


def _points_in(points: Float, box: tuple[float, float, float, float]) -> int:
    x1, y1, x2, y2 = box
    x, y = points[:, 0], points[:, 1]
    return int(((x > x1) & (x < x2) & (y > y1) & (y < y2)).sum())
