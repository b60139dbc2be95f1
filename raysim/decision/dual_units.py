"""Lengths, areas, volumes, weights and warmth in metric and in feet and inches, side by side.

Texts are made in metric units; here each number with its unit gets its other form beside
it, so that a page can show either and paper shows both. Conversions are exact by
definition: 1 in = 25.4 mm, 1 ft = 0.3048 m, 1 lb = 0.45359237 kg (the international yard
and pound agreement of 1959; from memory). Inches are given to a sixteenth where a person
marks them out, as on a tape. A distance to keep is rounded up, so that whoever goes by
inches keeps it too.
"""

import math
import re
from html import escape
from typing import Final

MM_PER_IN: Final = 25.4
M_PER_FT: Final = 0.3048
KG_PER_LB: Final = 0.45359237

_NUMBER = r"(?<![\w.,])(?P<number>\d+(?:\.\d+)?)(?P<times>(?: x \d+(?:\.\d+)?)*)"
_SPACE = "[ \N{NO-BREAK SPACE}]"
_QUANTITY = re.compile(_NUMBER + _SPACE + r"(?P<unit>mm|cm|m²|m2|m³|m3|m|kg|km)(?![\w²³/])")
_IN_MM: Final = {"mm": 1.0, "cm": 10.0, "m": 1000.0}
_EACH = re.compile(r"\d+(?:\.\d+)?")
#: What stands before a length that must not be fallen short of.
_LEAST: Final = ("keep ", "at least ")


def _whole(value: float, is_least: bool) -> int:
    """Round, upwards if no less will do; what is whole but for rounding stays."""
    return math.ceil(value - 1e-9) if is_least else round(value)


def inches(length_mm: float, is_least: bool = False) -> str:
    """Give a length to the nearest sixteenth of an inch, as on a tape; the next, if least.

    Examples
    --------
    >>> inches(1200.0), inches(25.4), inches(564.0), inches(1.0), inches(0.0)
    ('47 1/4 in', '1 in', '22 3/16 in', '1/16 in', '0 in')
    """
    sixteenths = _whole(16.0 * length_mm / MM_PER_IN, is_least)
    if length_mm > 0.0:
        sixteenths = max(sixteenths, 1)
    whole, rest = divmod(sixteenths, 16)
    if not rest:
        return f"{whole} in"
    over = 16
    while rest % 2 == 0:
        rest, over = rest // 2, over // 2
    return f"{f'{whole} ' if whole else ''}{rest}/{over} in"


def feet(length_m: float, is_least: bool = False) -> str:
    """Give a length of no great precision: feet and whole inches, or inches below two feet.

    Examples
    --------
    >>> feet(0.9), feet(4.6), feet(0.3), feet(3.6576), feet(0.9, is_least=True)
    ('2 ft 11 in', '15 ft 1 in', '12 in', '12 ft', '3 ft')
    """
    total = _whole(1000.0 * length_m / MM_PER_IN, is_least)
    if is_least and total < 24:
        return inches(1000.0 * length_m, is_least)
    if total < 24:
        return f"{1000.0 * length_m / MM_PER_IN:.2g} in" if total < 3 else f"{total} in"
    whole, rest = divmod(total, 12)
    return f"{whole} ft" + (f" {rest} in" if rest else "")


def other_unit(value: float, unit: str, is_least: bool = False) -> str:
    """Give one quantity in feet, inches or pounds.

    Examples
    --------
    >>> other_unit(25.5, "m³"), other_unit(7.2, "kg"), other_unit(2.0, "m²")
    ('901 cu ft', '16 lb', '22 sq ft')
    """
    if unit in ("mm", "cm"):
        return inches(_IN_MM[unit] * value, is_least)
    if unit == "m":
        return feet(value, is_least)
    if unit == "kg":
        pounds = value / KG_PER_LB
        return f"{pounds:.0f} lb" if pounds >= 9.95 else f"{pounds:.1f} lb"
    power, name = (2, "sq ft") if unit in ("m²", "m2") else (3, "cu ft")
    amount = value / M_PER_FT**power
    return f"{amount:.0f} {name}" if amount >= 9.95 else f"{amount:.1f} {name}"


def dual(text: str) -> str:
    """Give HTML of a text in which each quantity stands in both systems.

    Examples
    --------
    >>> dual("keep 0.9 m away")
    'keep <span class="si">0.9 m</span><span class="us">3 ft</span> away'
    >>> "78 3/4 in x 39 3/8 in" in dual("2000 x 1000 mm"), "2 x 47 sq ft" in dual("2 x 4.32 m2")
    (True, True)
    """
    parts, end = [], 0
    for found in _QUANTITY.finditer(text):
        if found["unit"] == "km":
            continue
        parts.append(escape(text[end : found.start()]))
        numbers = _EACH.findall(found["number"] + found["times"])
        counts = _counts(numbers, found["unit"])
        is_least = text[: found.start()].lower().endswith(_LEAST)
        other = [
            *counts,
            *(other_unit(float(n), found["unit"], is_least) for n in numbers[len(counts) :]),
        ]
        parts.append(both(found[0], " x ".join(other)))
        end = found.end()
    parts.append(escape(text[end:]))
    return "".join(parts)


def _counts(numbers: list[str], unit: str) -> list[str]:
    """Give those numbers that count pieces: "2 x 4.32 m2" is two of them, sizes are lengths."""
    if unit in ("mm", "cm"):
        return []
    if unit == "m" and not (len(numbers) == 2 and "." not in numbers[0] and "." in numbers[1]):
        return []
    return numbers[:-1]


def both(metric: str, other: str) -> str:
    """Give HTML that shows one of two texts, and both on paper."""
    return f'<span class="si">{escape(metric)}</span><span class="us">{escape(other)}</span>'


def dual_mm(text: str) -> str:
    """Give HTML of a text whose numbers are millimetres without saying so.

    Examples
    --------
    >>> dual_mm("1200 x 600")
    '<span class="si">1200 x 600</span><span class="us">47 1/4 x 23 5/8</span>'
    """
    if not _EACH.search(text):
        return escape(text)
    return both(text, bare_inches(text))


def bare_inches(text: str) -> str:
    """Give a text of millimetres in inches, without the unit."""
    return _EACH.sub(lambda one: inches(float(one[0])).removesuffix(" in"), text)


_IN_PICTURE = re.compile(
    r'<text class="(?P<css>measure-text|piece-size)"(?P<rest>[^>]*)>(?P<words>[^<]*)</text>'
)


def dual_picture(svg: str) -> str:
    """Give a drawing whose measures, in millimetres, stand in inches too.

    The second form lies in the same place and is shown instead of the first; a third, small
    and below it, is for paper.
    """

    def three(found: re.Match[str]) -> str:
        css, rest, words = found["css"], found["rest"], found["words"]
        if not _EACH.search(words):
            return found[0]
        other = bare_inches(words)
        return (
            f'<text class="{css} si"{rest}>{words}</text>'
            f'<text class="{css} us"{rest}>{other}</text>'
            + (f'<text class="{css} too" dy="13"{rest}>{other}</text>' if css[0] == "m" else "")
        )

    return _IN_PICTURE.sub(three, svg)
