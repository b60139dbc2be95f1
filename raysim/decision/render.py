"""The report's dataclasses into one HTML file that needs nothing else.

The look is that of the other pages, with a few marks of its own. Metric or feet and inches
is a switch of the page's style alone, so it works without script; on paper both stand.
"""

import re
from html import escape
from pathlib import Path
from typing import Final

import jinja2

from raysim.decision.dual_units import both, dual, dual_mm, dual_picture, other_unit
from raysim.decision.page import DecisionPage
from raysim.planning.book_page import Sheet

#: What marks a page as ours.
MARK: Final = '<meta name="generator" content="raysim report">'
#: Distances among the words of a place: only these numbers are measures there.
_PLACED: Final = re.compile(r"\d+(?= from )")


def render(page: DecisionPage) -> str:
    """Fill the template.

    Parameters
    ----------
    page : DecisionPage

    Returns
    -------
    str
        HTML; equal pages give equal text.
    """
    environment = jinja2.Environment(
        loader=jinja2.PackageLoader("raysim.decision", "template"),
        autoescape=True, trim_blocks=True, lstrip_blocks=True, undefined=jinja2.StrictUndefined,
    )  # fmt: skip
    environment.filters |= {"dual": dual, "picture": _picture, "head": head}
    environment.globals["cell"] = cell
    raysim = Path(__file__).parents[1]
    sheets = (
        raysim / "report/template/page.css",
        raysim / "planning/template/layouts.css",
        raysim / "decision/template/report.css",
    )
    return environment.get_template("report.html").render(
        page=page,
        css="\n".join(sheet.read_text(encoding="utf-8") for sheet in sheets),
    )


def _picture(svg: str) -> str:
    return dual_picture(svg.replace(">1 m</text>", ">1 m (3 ft 3 in)</text>"))


def cell(sheet: Sheet, i: int, text: str) -> str:
    """Give HTML of one cell of a table in both systems, by what its column holds.

    Examples
    --------
    >>> one = Sheet("What", ("what", "kg", "size, mm"), (), (), "")
    >>> cell(one, 1, "7.2").count("lb"), cell(one, 2, "25.4"), cell(one, 0, "7.2")
    (1, '<span class="si">25.4</span><span class="us">1</span>', '7.2')
    """
    column = sheet.columns[i]
    if column == "kg" and re.fullmatch(r"\d+(\.\d+)?", text):
        return both(text, other_unit(float(text), "kg"))
    if column == "where, mm":
        return _placed(text)
    is_of_lengths = sheet.title.endswith(", mm") and column in ("length", "cuts", "left")
    if column.endswith(", mm") or is_of_lengths:
        return dual_mm(text)
    value, sign, error = text.partition(" ± ")
    if sign:
        return f'{escape(value)} <span class="pm">± {escape(error)}</span>'
    return dual(text)


def _placed(text: str) -> str:
    """Put inches beside the distances of a place, and leave names as they are."""
    parts, end = [], 0
    for found in _PLACED.finditer(text):
        parts += [escape(text[end : found.start()]), dual_mm(found[0])]
        end = found.end()
    return "".join([*parts, escape(text[end:])])


def head(text: str) -> str:
    """Give HTML of the heading of a column or table in both systems."""
    if text.endswith(", mm"):
        return both(text, f"{text.removesuffix('mm')}in")
    return both("kg", "lb") if text == "kg" else escape(text)
