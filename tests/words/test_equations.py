"""The developers' page against the code: equation numbers, tolerances, named files."""

import ast
import importlib
import re
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
PAGE = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
#: By module name.
CODE = {
    ".".join(path.relative_to(ROOT).with_suffix("").parts): path.read_text(encoding="utf-8")
    for path in sorted((ROOT / "raysim").rglob("*.py"))
}

#: T20 and T30 are decay times, C50 and C80 clarities, not equations.
_NUMBER = r"[RIGAMSLNWHQP]\d{1,2}|[TCK]\d"
_CITED = re.compile(rf"\(({_NUMBER})\)")
_TOLD = re.compile(rf"^#### ({_NUMBER}) \S", re.MULTILINE)
#: "Theory: DEVELOPERS.md, R1 to R9." at the head of a module.
_SPAN = re.compile(r"DEVELOPERS\.md,\s+([A-Z])(\d+)(?:\s+(to|and)\s+\1(\d+))?")
_ROW = re.compile(r"^\| `(raysim(?:\.\w+)+)\.(\w+)` \| (\S+) \| (.+) \|$", re.MULTILINE)
_FILE = re.compile(r"`((?:raysim|tests)/[\w./]*)`")


def cited(code):
    """Give the numbers that code cites in brackets or at a module's head."""
    found = set(_CITED.findall(code))
    for letter, first, word, last in _SPAN.findall(code):
        ends = {int(first), int(last or first)}
        numbers = range(min(ends), max(ends) + 1) if word == "to" else ends
        found |= {f"{letter}{n}" for n in numbers}
    return found


def one_sided(code, page):
    """Give numbers that only the code has, only the page has, or the page has twice."""
    told = _TOLD.findall(page)
    twice = {n for n in told if told.count(n) > 1}
    return cited(code) - set(told), set(told) - cited(code), twice


def test_each_cited_equation_is_derived_and_each_derived_one_is_cited():
    assert one_sided("\n".join(CODE.values()), PAGE) == (set(), set(), set())
    assert len(_TOLD.findall(PAGE)) > 40


@pytest.mark.parametrize(
    ("code", "page", "fault"),
    [
        ('"""Mirror  (R3)."""', "", ({"R3"}, set(), set())),
        ("", "#### R3 Mirror", (set(), {"R3"}, set())),
        ("(R3)", "#### R3 Mirror\n#### R3 Again", (set(), set(), {"R3"})),
        ("Theory:\nDEVELOPERS.md, R1 to R3.", "#### R1 A\n#### R3 C", ({"R2"}, set(), set())),
        ("DEVELOPERS.md, R1 and R3.", "#### R1 A\n#### R2 B", ({"R3"}, {"R2"}, set())),
        ("(T30) (RS-G01)", "text of (R3)", (set(), set(), set())),
    ],
)
def test_equation_test_notices(code, page, fault):
    """Planted faults: a number missing on either side, told twice, or within a span."""
    assert one_sided(code, page) == fault


def test_each_number_the_page_refers_to_is_told_there():
    """The text between the headings points at headings that exist."""
    assert set(_CITED.findall(PAGE)) <= set(_TOLD.findall(PAGE))


def wrong_rows(page):
    """Give the rows of the table of tolerances that the code contradicts."""
    return [
        f"{module}.{name}"
        for module, name, value, _ in _ROW.findall(page)
        if getattr(importlib.import_module(module), name, None) != float(value)
    ]


def test_tolerances_are_those_of_the_code():
    assert wrong_rows(PAGE) == []
    assert len(_ROW.findall(PAGE)) > 40


def test_tolerance_test_notices():
    """Planted faults: another value, and a constant that does not exist."""
    rows = ("| `raysim.core.beam.KEEP_M` | 1e-6 | x |", "| `raysim.core.beam.NO_M` | 1 | x |")
    assert wrong_rows("\n".join(rows)) == ["raysim.core.beam.KEEP_M", "raysim.core.beam.NO_M"]


#: Where a length in the code is a bound that somebody chose.
_FOLDERS = ("raysim.core", "raysim.geometry", "raysim.propagation")


def constants(module, code):
    """Give the module's constants in metres, by full name."""
    targets = [
        target
        for node in ast.parse(code).body
        if isinstance(node, ast.Assign) and not isinstance(node.value, ast.Dict)
        for group in node.targets
        for target in (group.elts if isinstance(group, ast.Tuple) else [group])
    ]
    return {
        f"{module}.{t.id}" for t in targets if isinstance(t, ast.Name) and t.id[-2:] == "_M"
    }


def unlisted(code_by_module, page):
    """Give the lengths of geometry and tracing that the table leaves out."""
    listed = {f"{module}.{name}" for module, name, _, _ in _ROW.findall(page)}
    found = set()
    for module, code in code_by_module.items():
        if module.startswith(_FOLDERS):
            found |= constants(module, code)
    return found - listed


def test_every_length_has_its_reason():
    assert unlisted(CODE, PAGE) == set()


def test_length_test_notices():
    """Planted fault: a new bound that the table does not have."""
    code = {"raysim.core.beam": "KEEP_M = 1e-7\nNEW_M, OTHER = 1.0, 2.0\nUNIT_M = {}\n"}
    assert unlisted(code, PAGE) == {"raysim.core.beam.NEW_M"}


def absent(page):
    return [name for name in _FILE.findall(page) if not (ROOT / name).exists()]


def test_files_named_exist():
    assert absent(PAGE) == []


def test_file_test_notices():
    """Planted fault: a file that was moved."""
    assert absent("see `raysim/core/beams.py`") == ["raysim/core/beams.py"]
