"""The page's dataclasses into one HTML file that needs nothing else.

The style sheet is written into the page; there are no outside addresses, so the page
works offline and can be mailed. A page is there in full or not at all.
"""

import re
from pathlib import Path

import jinja2

from raysim.report.facts import RoomFacts
from raysim.report.page import Page, make_page
from raysim.store.file import open_results
from raysim.store.replace import replace_file, replacement_target

_LOOSE = re.compile(r"(\d) (dB|ms|s|m|m²|m³|Hz|kHz|%)(?!\w)")


def render(page: Page) -> str:
    """Fill the template.

    Parameters
    ----------
    page : Page

    Returns
    -------
    str
        HTML; equal pages give equal text.
    """
    environment = jinja2.Environment(
        loader=jinja2.PackageLoader("raysim.report", "template"),
        autoescape=True,
        trim_blocks=True,
        lstrip_blocks=True,
        undefined=jinja2.StrictUndefined,
    )
    environment.filters["tight"] = _tight
    folder = Path(__file__).parent / "template"
    return environment.get_template("page.html").render(
        page=page,
        css=(folder / "page.css").read_text(encoding="utf-8"),
        script=(folder / "page.js").read_text(encoding="utf-8"),
    )


def _tight(text: str) -> str:
    """Keep numbers and their units on one line."""
    return _LOOSE.sub("\\1\N{NO-BREAK SPACE}\\2", text)


def write_page(results_path: Path, out: Path, room: RoomFacts | None = None) -> Path:
    """Write the page of a result file.

    Parameters
    ----------
    results_path : Path
        Result file.
    out : Path
        The page to write; one that is there is replaced.
    room : RoomFacts, optional
        What `gather` gave for the file, to spare measuring again.

    Returns
    -------
    Path
        ``out``.

    Raises
    ------
    StoreError
        The result file cannot be read, or (RS-H05, RS-H06) the page cannot be written.
    """
    target = replacement_target(out)
    with open_results(results_path) as results:
        text = render(make_page(results, room))
    replace_file(target, lambda: text.encode())
    return out
