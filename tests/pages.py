"""What a report page must keep to, as functions that list its faults.

Import it from any test file: ``from pages import faults_of``. An empty list is a page
without fault; twins plant one and look for it here.
"""

import re
from html.parser import HTMLParser

from records import header, layout_result

from raysim.store.file import write_layout

VOID = {"meta", "link", "br", "hr", "img", "input"}

#: Units a number on the page may have; "1" is a number without dimension.
UNITS = {"s", "ms", "%", "dB", "m", "m²", "m³", "Hz", "kHz", "1"}


def write_results(path, names=("as it is",), seed=1, fraction=1, **changed):
    """Write a result file with made-up layouts; ``changed`` replaces scene fields."""
    head = header(seed, fraction, **changed)
    for i, name in enumerate(names):
        write_layout(path, head, layout_result(name, head, seed + 10 * i, n_time=400))
    return path


class Outline(HTMLParser):
    """The parts of a page that the checks look at."""

    def __init__(self, html):
        super().__init__()
        self.ids = []
        self.targets = []  # ids that something refers to
        self.addresses = []  # everything that could load something
        self.figures = []  # per picture: [title, desc]
        self.numbers = []  # (text, unit, head of the row or column)
        self.facts = []
        self.open = []
        self.row_head = ""
        self.column_heads = []
        self.i_cell = 0
        self.errors = []
        self.feed(html)
        self.close()
        if self.open:
            self.errors.append(f"never closed: {self.open}")

    def handle_starttag(self, tag, attrs):
        attrs = dict(attrs)
        if "id" in attrs:
            self.ids.append(attrs["id"])
        for name, value in attrs.items():
            if name in ("href", "src", "xlink:href", "srcset", "data", "action"):
                if value.startswith("#"):
                    self.targets.append(value[1:])
                else:
                    self.addresses.append(value)
            if name in ("aria-labelledby", "aria-describedby", "for"):
                self.targets.extend(value.split())
        if tag == "svg" and attrs.get("role") == "img":
            self.figures.append({"title": "", "desc": ""})
        if tag == "thead":
            self.column_heads = []
        if tag == "tr":
            self.row_head, self.i_cell = "", 0
        if tag in ("td", "th"):
            self.i_cell += 1
        if tag == "td" and "num" in (attrs.get("class") or "").split():
            column = self.column_heads[self.i_cell - 1]
            self.numbers.append(["", attrs.get("data-unit", ""), self.row_head, column])
        if tag == "dd":
            self.facts.append("")
        if tag not in VOID:
            self.open.append((tag, attrs.get("class") or ""))

    def handle_startendtag(self, tag, attrs):
        self.handle_starttag(tag, attrs)
        if tag not in VOID:
            self.open.pop()

    def handle_endtag(self, tag):
        if not self.open or self.open[-1][0] != tag:
            self.errors.append(f"</{tag}> closes {self.open[-1:]}")
            return
        self.open.pop()

    def handle_data(self, data):
        tags = [t for t, _ in self.open]
        if not tags:
            return
        if tags[-1] == "style":
            self.targets += re.findall(r"url\(#([^)]+)\)", data)
            self.addresses += re.findall(r"url\((?!#)([^)]+)\)", data)
            self.addresses += re.findall(r"@import\s+(\S+)", data)
        if tags[-1] in ("title", "desc") and "svg" in tags:
            self.figures[-1][tags[-1]] += data
        if "th" in tags and "thead" in tags:
            if tags[-1] == "th":
                self.column_heads.append("")
            if self.column_heads:
                self.column_heads[-1] += data
            else:
                self.column_heads.append(data)
        elif "th" in tags:
            self.row_head += data
        if "td" in tags and ("td", "num") in [
            (t, "num" if "num" in c.split() else c) for t, c in self.open
        ]:
            self.numbers[-1][0] += data
        if tags[-1] == "dd":
            self.facts[-1] += data


def faults_of(html, n_figure=None):
    """List what is wrong with a page.

    Looks at: nesting, ids, links, outside addresses, labels of figures, units of
    numbers, and errors that were rounded to nothing.
    """
    page = Outline(html)
    faults = list(page.errors)
    faults += [f"id {i} twice" for i in {i for i in page.ids if page.ids.count(i) > 1}]
    faults += [f"no target #{t}" for t in page.targets if t not in page.ids]
    faults += [f"outside address {a}" for a in page.addresses if a != "data:,"]
    faults += re.findall(r"\b(?:https?:)?//\w[^\s\"<]*", html.split("<script>")[0])
    for figure in page.figures:
        faults += [f"picture without {part}" for part, text in figure.items() if not text]
    if n_figure is not None and len(page.figures) != n_figure:
        faults.append(f"{len(page.figures)} pictures, not {n_figure}")
    for text, unit, row, column in page.numbers:
        words = f"{row} {column}".replace(",", " ").split()
        if unit not in UNITS or (unit != "1" and unit not in words):
            faults.append(f"no unit: {text!r} in row {row!r}, column {column!r}")
        if not re.search(r"\d|–", text):
            faults.append(f"no number: {text!r}")
    for text in page.facts[:5]:
        if not re.fullmatch(r"(?:[\d.]+ |– ?)(?:s|m|m²|m³|Hz|kHz)?", text):
            faults.append(f"no number with unit: {text!r}")
    faults += [f"rounded to nothing: {t}" for t in re.findall(r"± 0(?:\.0+)?(?![.\d])", html)]
    return faults
