"""The report page and tables from a result file: whole, self-contained, the same twice."""

import csv
import io
import json
import re
from types import SimpleNamespace

import numpy as np
import pytest
from pages import faults_of, write_results
from records import arrivals, header, layout_result
from rich.console import Console

from raysim.errors import StoreError
from raysim.records import PairResult
from raysim.report.facts import Arrival
from raysim.report.render import write_page
from raysim.report.summary import summary_table, write_tables
from raysim.report.verdict import pair_findings, sti_word
from raysim.store.file import LayoutResult, open_results, write_layout

N_PAIR = 3  # of the made-up scene
N_ROOM_FIGURE, N_PAIR_FIGURE = 4, 3


@pytest.fixture(scope="module")
def results_path(tmp_path_factory):
    return write_results(tmp_path_factory.mktemp("page") / "box.h5")


@pytest.fixture(scope="module")
def html(results_path):
    out = results_path.with_name("page.html")
    assert write_page(results_path, out) == out
    assert not out.with_name("page.html.part").exists()
    return out.read_text(encoding="utf-8")


def test_page_is_whole_and_needs_nothing_else(html):
    """Truth: what a self-contained page is. No tolerance."""
    assert faults_of(html, N_ROOM_FIGURE + 1 + N_PAIR * N_PAIR_FIGURE) == []


@pytest.mark.parametrize(
    ("old", "new", "fault"),
    [
        ('href="#limits"', 'href="#limit"', "no target #limit"),
        ("url(#hatch)", "url(#hatches)", "no target #hatches"),
        ('id="room"', 'id="pairs"', "id pairs twice"),
        ('href="data:,"', 'href="https://example.org/x.css"', "outside address"),
        ("<desc id", "<desc></desc><g id", "picture without desc"),
        ('<span class="symbol">T30, s</span>', '<span class="symbol">T30</span>', "no unit"),
        ('data-unit="dB"', 'data-unit=""', "no unit"),
        (" m³</dd>", "</dd>", "no number with unit"),
        ("± &lt; 0.01", "± 0.00", "rounded to nothing"),
        ("</details>", "", "closes"),
    ],
)
def test_page_check_can_fail(html, old, new, fault):
    """Planted faults: each must be found, and by its own name."""
    assert old in html
    assert any(fault in f for f in faults_of(html.replace(old, new, 1)))


def test_page_check_counts_pictures(html):
    """Planted fault: one picture is missing."""
    start = html.index("<svg viewBox")
    cut = html[:start] + html[html.index("</svg>", start) + 6 :]
    assert faults_of(cut, N_ROOM_FIGURE + 1 + N_PAIR * N_PAIR_FIGURE)


def test_same_results_give_same_bytes(results_path, tmp_path):
    """Truth: identity. No tolerance."""
    first, second = tmp_path / "a.html", tmp_path / "b.html"
    write_page(results_path, first)
    write_page(results_path, second)
    assert first.read_bytes() == second.read_bytes()


def test_other_results_give_other_bytes(results_path, html, tmp_path):
    """Planted fault: another seed must show, or equal bytes mean nothing."""
    other = write_results(tmp_path / "other.h5", seed=2)
    write_page(other, tmp_path / "other.html")
    assert (tmp_path / "other.html").read_text(encoding="utf-8") != html


def test_page_replaces_page(results_path, html, tmp_path):
    out = tmp_path / "page.html"
    out.write_text("old")
    write_page(results_path, out)
    assert out.read_text(encoding="utf-8") == html


def test_page_stays_small_with_thirds_and_layouts(tmp_path):
    """Truth: the limit of 3 MB that a page must keep to be mailed."""
    path = write_results(tmp_path / "big.h5", names=("bare", "treated"), fraction=3)
    page = write_page(path, tmp_path / "big.html")
    html = page.read_text(encoding="utf-8")
    assert faults_of(html, N_ROOM_FIGURE + 2 * (1 + N_PAIR * N_PAIR_FIGURE)) == []
    assert page.stat().st_size < 3_000_000
    assert "bare" in html
    assert "treated" in html


def test_names_are_text_not_markup(tmp_path):
    evil = '<script>alert("x")</script> & <b>'
    path = write_results(tmp_path / "evil.h5", title=evil, about=evil, ignored=(evil,))
    html = write_page(path, tmp_path / "evil.html").read_text(encoding="utf-8")
    assert faults_of(html) == []
    assert html.count("<script>") == 1  # the page's own


def test_page_names_the_cause(html):
    """The verdict comes before the pictures, and names surface, delay and level."""
    verdict = html[html.index('id="verdict"') : html.index('id="room"')]
    assert re.search(
        r"strongest early reflection reaches “[^”]+” \d+\.\d\sms after the direct sound of "
        r"“[^”]+”, \d+\.\d\sdB (?:below|above) it, from the (?:\w| )+",
        verdict,
    )
    assert re.search(r"takes \d\.\d\d\ss \(± (?:less than )?\d\.\d\d\) to die away", verdict)
    assert html.index('id="verdict"') < html.index('id="room"') < html.index('id="pairs"')


def test_page_says_what_it_leaves_out(html):
    for words in (
        "the door gap", "single modes", "bends round edges", "noise from outside",
        "no structural, fire or electrical advice", "seed", "SHA-256",
    ):  # fmt: skip
        assert words in html


def test_page_without_line_of_sight(tmp_path):
    """A pair that only reflections reach is shown, and said to be so."""
    head = header()
    layout = layout_result("as it is", head, n_time=400)
    pairs = []
    for pair in layout.pairs:
        paths = arrivals(np.random.default_rng(5))
        keep = paths.order > 0
        blocked = type(paths)(*(getattr(paths, f)[keep] for f in paths.__dataclass_fields__))
        pairs.append(PairResult(pair.source, pair.receiver, blocked, pair.histogram))
    path = tmp_path / "blocked.h5"
    write_layout(path, head, LayoutResult("as it is", layout.key, tuple(pairs), layout.counts))
    html = write_page(path, tmp_path / "blocked.html").read_text(encoding="utf-8")
    assert faults_of(html) == []
    assert html.count("No line of sight.") == N_PAIR


def test_page_of_silent_pair(tmp_path):
    """A pair that nothing reaches has dashes, not numbers, and the page still stands."""
    head = header()
    layout = layout_result("as it is", head, n_time=400)
    first, *others = layout.pairs
    paths, histogram = first.arrivals, first.histogram
    none = type(paths)(*(getattr(paths, f)[:0] for f in paths.__dataclass_fields__))
    silence = type(histogram)(
        histogram.bin_s, np.zeros_like(histogram.energy), np.zeros_like(histogram.moments)
    )
    pairs = (PairResult(first.source, first.receiver, none, silence), *others)
    path = tmp_path / "silent.h5"
    write_layout(path, head, LayoutResult("as it is", layout.key, pairs, layout.counts))
    html = write_page(path, tmp_path / "silent.html").read_text(encoding="utf-8")
    assert faults_of(html) == []


@pytest.mark.parametrize("where", ["missing/page.html", "."])
def test_page_that_cannot_be_written(results_path, tmp_path, where):
    with pytest.raises(StoreError, match="RS-H05"):
        write_page(results_path, tmp_path / where)
    assert list(tmp_path.iterdir()) == []


def test_page_of_no_results(tmp_path):
    with pytest.raises(StoreError, match="RS-H01"):
        write_page(tmp_path / "none.h5", tmp_path / "page.html")
    assert list(tmp_path.iterdir()) == []


def test_tables_hold_every_number(results_path, tmp_path):
    """Truth: the stored pairs. Tolerance: half the sixth figure."""
    as_csv, as_json = write_tables(results_path, tmp_path)
    lines = list(csv.DictReader(as_csv.read_text(encoding="utf-8").splitlines()))
    content = json.loads(as_json.read_text(encoding="utf-8"))
    assert len(lines) == N_PAIR * (12 * 8 + 2)
    pairs = {(p["source"], p["receiver"]): p for p in content["layouts"][0]["pairs"]}
    for line in lines:
        held = pairs[line["source"], line["receiver"]]["measures"][line["measure"]]
        held = held[line["band_hz"]] if line["band_hz"] else held
        assert (held["value"] is None) == (line["value"] == "")
        if line["value"]:
            assert float(line["value"]) == pytest.approx(held["value"], rel=5e-6)
    units = {line["measure"]: line["unit"] for line in lines}
    assert units["t30_s"] == "s"
    assert units["c50_db"] == "dB"
    assert units["d50"] == units["sti"] == "1"


def test_summary_shows_every_pair(results_path):
    console = Console(width=160, record=True, file=io.StringIO())
    with open_results(results_path) as results:
        console.print(summary_table(results))
        names = results.pair_names("as it is")
    text = console.export_text()
    for source, receiver in names:
        assert f"{source} → {receiver}" in text
    assert "T30, s" in text
    assert "dB" in text


def pair_of(level_db=-4.3, direct_gain_db=0.0, is_seen=True):
    """Give what the verdict looks at in one pair."""
    arrival = Arrival(2.8, level_db, ("north wall",))
    return SimpleNamespace(
        source="H2",
        receiver="H1 mic",
        strongest=arrival,
        is_seen=is_seen,
        direct_gain_db=direct_gain_db,
    )


@pytest.mark.parametrize(
    ("pair", "kind", "words"),
    [
        (
            pair_of(),
            "fault",
            "2.8 ms after the direct sound of “H2”, 4.3 dB below it, from the",
        ),
        (pair_of(level_db=-9.9), "fault", "9.9 dB below it"),
        (pair_of(level_db=-10.1), "fine", "10.1 dB below it"),
        (pair_of(level_db=1.5), "fault", "1.5 dB above it"),
        (pair_of(direct_gain_db=-20.0), "note", "20.0 dB weaker than sound from its front"),
        (pair_of(is_seen=False), "note", "stands between “H2” and “H1 mic”"),
    ],
)
def test_verdict_on_early_reflection(pair, kind, words):
    """EBU Tech 3276, 2nd ed., 2.2: 10 dB down for 15 ms (read in a verbatim quotation)."""
    (finding,) = pair_findings(pair)
    assert finding.kind == kind
    assert words in finding.sentence


@pytest.mark.parametrize(
    ("sti", "word"),
    [(0.76, "excellent"), (0.74, "good"), (0.59, "fair"), (0.31, "poor"), (0.1, "bad")],
)
def test_rating_of_speech(sti, word):
    """IEC 60268-16, ratings: values from memory."""
    assert sti_word(sti) == word
