"""Every code has its paragraph, and no paragraph is without a use.

Truth: the program's own text, in which codes stand as "RS-X00".
"""

import re
from pathlib import Path

import pytest

import raysim
from raysim.errors import SettingsError, meaning

PACKAGE = Path(raysim.__file__).parent
CODE = re.compile(r'"(RS-[A-Z]\d\d)"')
#: A paragraph begins with its code.
HEADING = re.compile(r"^## (RS-[A-Z]\d\d)$", re.MULTILINE)


def used(sources):
    """Give the codes that some texts of the program complain with."""
    return {code for text in sources for code in CODE.findall(text)}


def unmatched(sources, messages):
    """Give codes without a paragraph, and paragraphs without a code, and those twice."""
    told = HEADING.findall(messages)
    twice = {code for code in told if told.count(code) > 1}
    return used(sources) ^ set(told) | twice


@pytest.fixture(scope="module")
def sources():
    return [p.read_text(encoding="utf-8") for p in sorted(PACKAGE.rglob("*.py"))]


@pytest.fixture(scope="module")
def messages():
    return (PACKAGE / "messages.md").read_text(encoding="utf-8")


def test_every_code_has_a_paragraph_and_every_paragraph_a_code(sources, messages):
    assert len(used(sources)) > 50
    assert unmatched(sources, messages) == set()


def test_match_can_fail(sources, messages):
    """Planted faults: a paragraph is lost, is there twice, or is of no code."""
    lost = messages.replace("## RS-G14\n", "")
    assert unmatched(sources, lost) == {"RS-G14"}
    assert unmatched(sources, messages + "\n## RS-G14\nAgain.\n") == {"RS-G14"}
    assert unmatched(sources, messages + "\n## RS-X99\nNothing.\n") == {"RS-X99"}
    assert unmatched([*sources, 'Complaint("a", "b", "c", "RS-X98")'], messages) == {"RS-X98"}


def test_paragraphs_are_found_and_say_something(messages):
    for code in HEADING.findall(messages):
        paragraph = meaning(code)
        assert len(paragraph) > 60
        assert paragraph.endswith(".")
        assert "\n## " not in paragraph


def test_codes_in_the_documents_exist(sources):
    """What docstrings promise to raise is raised."""
    named = {c for text in sources for c in re.findall(r"RS-[A-Z]\d\d", text)}
    assert named <= used(sources)


def test_other_codes_are_refused():
    with pytest.raises(SettingsError) as caught:
        meaning("RS-X99")
    (complaint,) = caught.value.complaints
    assert complaint.code == "RS-P02"
