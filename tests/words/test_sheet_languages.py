"""Phrases of the sheet to sign: each language has all of them, with the same gaps.

Truth: the English phrases, and the names of families, fixings and uses in the program.
"""

from string import Formatter

import pytest

from raysim.compare.targets import aim_for
from raysim.decision.languages import ENGLISH, LANGUAGES, second_language
from raysim.errors import SettingsError
from raysim.scene.plan import FAMILIES, FIXINGS
from raysim.scene.uses import USES


def gaps(phrase):
    return sorted(name for _, name, _, _ in Formatter().parse(phrase) if name)


def faults(phrases, others):
    """List phrases that one of two languages lacks, or whose gaps differ, or that are equal."""
    lacking = set(phrases) ^ set(others)
    shared = set(phrases) & set(others)
    return sorted(lacking | {k for k in shared if gaps(phrases[k]) != gaps(others[k])})


@pytest.mark.parametrize("code", [code for code in LANGUAGES if code != "en"])
def test_each_language_has_every_phrase_with_its_gaps(code):
    own = dict(LANGUAGES[code].phrases)
    assert faults(ENGLISH.phrases, own) == []
    assert faults(ENGLISH.phrases, own | {"budget": " {money}."}) == ["budget"]  # planted
    del own["note"]
    assert faults(ENGLISH.phrases, own) == ["note"]  # planted


@pytest.mark.parametrize("code", LANGUAGES)
def test_each_kind_and_fixing_and_use_has_a_word(code):
    asked = [f"kind {f}" for f in FAMILIES] + [f"held {f}" for f in FIXINGS]
    asked += [f"use {u}" for u in USES]
    assert [a for a in asked if a not in LANGUAGES[code].phrases] == []


def test_uses_are_called_as_everywhere():
    assert [ENGLISH.say(f"use {u}") for u in USES] == [aim_for(u, 30.0).words for u in USES]


@pytest.mark.parametrize(
    ("text", "shown"),
    [
        ("0.41", "0,41"), ("< 0.01", "< 0,01"), ("650", "650"), ("1.2 x", "1.2 x"),
        ("W1.2", "W1.2"), ("\N{EN DASH}", "\N{EN DASH}"),
    ],
)  # fmt: skip
def test_only_numbers_get_a_comma(text, shown):
    """Marks and names of the scene stay. The twin is English, where nothing changes."""
    assert LANGUAGES["nl"].number(text) == shown
    assert ENGLISH.number(text) == text


@pytest.mark.parametrize("code", ["en", "fr", "DE", ""])
def test_a_language_that_is_not_there_is_told(code):
    assert second_language("de").name == "Deutsch"
    with pytest.raises(SettingsError) as stopped:
        second_language(code)
    assert stopped.value.complaints[0].code == "RS-T71"
