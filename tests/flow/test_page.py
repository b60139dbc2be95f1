"""The report page and tables from a result file: whole, self-contained, the same twice."""

import csv
import io
import json
import re

import numpy as np
import pytest
from pages import faults_of, write_results
from records import arrivals, header, layout_result
from rich.console import Console

from raysim.errors import StoreError
from raysim.outputs import derive
from raysim.records import PairResult
from raysim.report import facts
from raysim.report.flutter import FacingPair
from raysim.report.render import write_page
from raysim.report.summary import summary_table, write_tables
from raysim.scene.model import Settings
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


def write_blocked(path):
    """Write results whose pairs only reflections reach."""
    head = header()
    layout = layout_result("as it is", head, n_time=400)
    pairs = []
    for pair in layout.pairs:
        paths = arrivals(np.random.default_rng(5))
        keep = paths.order > 0
        blocked = type(paths)(*(getattr(paths, f)[keep] for f in paths.__dataclass_fields__))
        pairs.append(PairResult(pair.source, pair.receiver, blocked, pair.histogram))
    write_layout(path, head, LayoutResult(layout.room, tuple(pairs), layout.counts))
    return path


def test_page_without_line_of_sight(html, tmp_path):
    """A pair that only reflections reach is shown so, without a window re direct sound."""
    path = write_blocked(tmp_path / "blocked.h5")
    blocked = write_page(path, tmp_path / "blocked.html").read_text(encoding="utf-8")
    assert faults_of(blocked) == []
    assert blocked.count("No line of sight.") == N_PAIR
    marks = ('class="window"', 'class="limit"', '<tr class="inside">', "◂")
    assert [mark in blocked for mark in marks] == [False] * 4
    assert [mark in html for mark in marks] == [True] * 4  # the twin: with line of sight


def write_silent(path):
    """Write results with a pair that nothing reaches."""
    head = header()
    layout = layout_result("as it is", head, n_time=400)
    first, *others = layout.pairs
    paths, histogram = first.arrivals, first.histogram
    none = type(paths)(*(getattr(paths, f)[:0] for f in paths.__dataclass_fields__))
    silence = type(histogram)(
        histogram.bin_s, np.zeros_like(histogram.energy), np.zeros_like(histogram.moments)
    )
    pairs = (PairResult(first.source, first.receiver, none, silence), *others)
    write_layout(path, head, LayoutResult(layout.room, pairs, layout.counts))
    return path


def test_page_of_silent_pair(tmp_path):
    """A pair that nothing reaches has dashes, not numbers, and the page still stands."""
    path = write_silent(tmp_path / "silent.h5")
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


FOOTNOTE = "† no line of sight: dB and ms re the first arrival"


def shown(path):
    console = Console(width=160, record=True, file=io.StringIO())
    with open_results(path) as results:
        console.print(summary_table(results))
    return console.export_text()


def test_summary_marks_pairs_without_line_of_sight(results_path, tmp_path):
    text = shown(write_blocked(tmp_path / "blocked.h5"))
    assert len(re.findall(r"→ \S+(?: \*)? †", text)) == 2 * N_PAIR  # in both tables
    assert FOOTNOTE in text
    assert "†" not in shown(results_path)


def test_summary_without_early_arrivals_has_no_empty_table(results_path, tmp_path):
    """At image order 0 nothing is listed, and paths to and fro are not named instead."""
    head = "Strongest early arrivals"
    assert head in shown(results_path)  # the twin
    settings = Settings(until_t30_pct=None, image_order=0)
    path = write_results(tmp_path / "order0.h5", settings=settings)
    text = shown(path)
    assert head not in text
    assert "Early reflections were not listed one by one: image order 0." in text
    html = write_page(path, tmp_path / "order0.html").read_text(encoding="utf-8")
    assert faults_of(html) == []
    assert "not listed one by one: image order 0." in html
    assert "No mirror-like reflection arrives" not in html
    assert "Every mirror-like reflection found" not in html


def test_first_arrival_is_not_its_own_strongest_reflection(results_path, tmp_path):
    with open_results(write_blocked(tmp_path / "blocked.h5")) as results:
        blocked = facts.gather(results).layouts[0].pairs
    assert all(p.strongest.delay_ms > 0.0 for p in blocked)
    assert all(p.early[0].delay_ms == 0.0 for p in blocked)  # the twin: it is there
    with open_results(results_path) as results:
        (first, *_) = facts.gather(results).layouts[0].pairs
    assert first.strongest == max(first.early, key=lambda a: a.level_db)


def test_shares_from_the_sides_have_no_error(results_path, html, tmp_path):
    """J_LF and L_J are known without ±: nothing is printed there, and not a zero."""
    as_csv, as_json = write_tables(results_path, tmp_path)
    lines = list(csv.DictReader(as_csv.read_text(encoding="utf-8").splitlines()))
    errors = {name: {one["error"] for one in lines if one["measure"] == name and one["value"]}
              for name in ("j_lf", "lj_db", "t30_s")}  # fmt: skip
    assert errors["j_lf"] == errors["lj_db"] == {""}
    assert "" not in errors["t30_s"]  # the twin
    pairs = json.loads(as_json.read_text(encoding="utf-8"))["layouts"][0]["pairs"]
    assert all(p["measures"]["j_lf"]["1k"]["error"] is None for p in pairs)
    row = html[html.index("J_LF, %</span>") :].split("</tr>")[0]
    assert "±" not in row
    assert "±" in html[html.index("T30, s</span>") :].split("</tr>")[0]


def test_page_says_once_why_a_number_is_missing(tmp_path):
    """A pair that nothing reaches has no decay: the reason stands below, not in a hover."""
    path = write_silent(tmp_path / "silent.h5")
    html = write_page(path, tmp_path / "page.html").read_text(encoding="utf-8")
    assert "63 Hz copies the material data of 125 Hz unless you gave eight values" in html
    with open_results(path) as results:
        room = facts.gather(results)
    missing = sum(
        bool(why) for p in room.layouts[0].pairs for of in p.measures.why.values() for why in of
    )
    said = re.findall(r'<p class="remark">– ([^<]*)</p>', html)
    named = sum(len(re.findall(r"\d k?Hz", one.split(": ")[0])) for one in said)
    assert named == missing
    assert missing > 0


def test_each_pair_is_measured_once(results_path, tmp_path, monkeypatch):
    """Page, tables and stored measures come of one measurement; progress is told."""
    path = tmp_path / "box.h5"
    path.write_bytes(results_path.read_bytes())
    measured, told = [], []
    once = facts.pair_facts
    monkeypatch.setattr(
        facts, "pair_facts", lambda *a: measured.append(a[0].receiver) or once(*a)
    )
    derive(path, tmp_path, lambda share, what: told.append((share, what)))
    page = tmp_path / "index.html"
    assert len(measured) == N_PAIR
    write_page(path, tmp_path / "again.html")  # the twin: on its own it must measure
    assert len(measured) == 2 * N_PAIR
    assert (tmp_path / "again.html").read_bytes() == page.read_bytes()
    shares = [share for share, _ in told]
    assert shares == sorted(shares)
    assert shares[-1] == 1.0
    assert f"responses {N_PAIR} of {N_PAIR}" in [what for _, what in told]
    html = page.read_text(encoding="utf-8")
    for wav in (tmp_path / "responses").iterdir():
        assert f"<dd>{wav.name}</dd>" in html


@pytest.mark.parametrize("is_bent", [False, True])
def test_what_counts_as_flutter(results_path, monkeypatch, is_bent):
    """Kept from 1.25 times the room's decay on; the nearest pair is hard and of the room.

    The room's decay is T30 or, where that is shorter, Eyring's: flutter itself stretches
    T30. A row of claps that loses 6 dB each time is none.
    """
    with open_results(results_path) as results:
        (layout,) = facts.gather(results).layouts
        octaves = [results.bands.labels.index(label) for label in ("1k", "2k", "4k")]
        assert np.isfinite(layout.t30_s[octaves]).all()
        rest_s = np.full(8, 0.5 * layout.t30_s[octaves].min() if is_bent else 9.0)
        monkeypatch.setattr(facts, "_eyring_s", lambda *_: rest_s)
        lasting = np.minimum(layout.t30_s, rest_s)[octaves].mean()

        def facing(name, distance_m, share=1.0, alpha=0.05, lost_db=1.0):
            decay_s = share * lasting
            rate_hz = 60.0 / (lost_db * decay_s)
            return FacingPair(name, "west", distance_m, 2.0, rate_hz, decay_s, alpha)

        pairs = (
            facing("short", 4.0, 1.24), facing("long", 4.0, 1.26), facing("near", 2.0),
            facing("curtain front", 1.0), facing("soft", 1.5, alpha=0.3),
            facing("dead", 4.1, 1.26, lost_db=6.1), facing("less dead", 4.2, 1.26, lost_db=5.9),
        )  # fmt: skip
        monkeypatch.setattr(facts, "facing_pairs", lambda *_: pairs)
        (layout,) = facts.gather(results).layouts
    assert [p.first for p in layout.flutter] == ["long", "less dead"]
    assert layout.nearest.first == "near"


def test_reflections_know_what_stands_in_the_room(results_path):
    """The made-up box has one thing in it, a curtain with two sides."""
    with open_results(results_path) as results:
        (layout,) = facts.gather(results).layouts
    heard = [a for p in layout.pairs for a in p.early]
    over = {(n, t) for a in heard for n, t in zip(a.surfaces, a.things, strict=True)}
    assert {t for n, t in over if n.startswith("curtain")} == {"curtain"}
    assert {t for n, t in over if not n.startswith("curtain")} == {""}
    assert {a.is_of_room for a in heard} == {True, False}
