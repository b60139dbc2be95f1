"""From a scene to the report to act on: whole, self-contained, made once and again."""

import csv
import json
import re
from dataclasses import replace

import pytest
from chromium import Tab, found_browser
from pages import faults_of
from quick import LAYOUTS, write_quick

from raysim.cli import main
from raysim.commands.report import announce
from raysim.decision.making import make_report, missing, prepared_for
from raysim.errors import SceneError, SettingsError, StoreError
from raysim.folders import RESULTS_NAME

#: One more layout, that breaks a rule, and what the rule is.
MORE = """
[[layout]]
name = "screen"
about = "Nothing is screwed."

[[layout.item]]
name = "S1"
treatment = "screen_two_sided_600"
on = "floor"
from_m = {west = 1.2, south = 0.3}

[[layout]]
name = "foam"
about = "Foam by the crate."

[[layout.item]]
name = "F1"
treatment = "foam_sheet_50"
on = "south"
from_m = {west = 2.2, floor = 0.7}

[rules]
no_glue = true
budget = 200
"""


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    """Give the scene, its folder of results, and what was made."""
    folder = tmp_path_factory.mktemp("report")
    changes = ('"Quick box"', '"Quick box"\nuse = "voice"'), ("alpha = 0.4", "alpha = 0.08")
    scene = write_quick(folder / "scene", *changes, more=LAYOUTS + MORE)
    prepared = prepared_for(scene)
    every = tuple(one.name for one in prepared)
    assert missing(prepared, folder / "out" / RESULTS_NAME) == every
    return scene, folder / "out", make_report(prepared, folder / "out")


@pytest.fixture(scope="module")
def html(made):
    return made[2].path.read_text(encoding="utf-8")


def metric(html):
    """Give the page without feet, inches and pounds."""
    shown = re.sub(r'<span class="us">[^<]*</span>', "", html)
    return re.sub(r'<span class="si">([^<]*)</span>', r"\1", shown)


def texts(html):
    """Give what a reader sees, in metric, on one line."""
    shown = metric(html)
    shown = re.sub(r"<(style|desc|title)\b.*?</\1>", " ", shown, flags=re.DOTALL)
    return " ".join(re.sub(r"<[^>]*>", " ", shown).split())


def structure_faults(html):
    """List faults of nesting, links and pictures; units stand in the tables' headings."""
    return [f for f in faults_of(metric(html)) if not f.startswith(("no unit", "no number"))]


def test_page_is_whole_and_needs_nothing_else(html):
    """Truth: what a self-contained page is. No tolerance."""
    assert structure_faults(html) == []


@pytest.mark.parametrize(
    ("old", "new", "fault"),
    [
        ('href="#limits"', 'href="#limit"', "no target #limit"),
        ("url(#keep)", "url(#keeps)", "no target #keeps"),
        ('id="early"', 'id="room"', "id room twice"),
        ('href="data:,"', 'href="https://example.org/x.css"', "outside address"),
        ("</details>", "", "closes"),
    ],
)
def test_faults_of_the_page_are_found(html, old, new, fault):
    """Planted faults."""
    assert old in html
    assert any(fault in one for one in structure_faults(html.replace(old, new, 1)))


def test_verdict_comes_before_all_else(html):
    order = [
        html.index(f'<section id="{i}"') for i in ("verdict", "compared", "room", "limits")
    ]
    assert order == sorted(order)
    assert html.index("Take this") < html.index("<table")


def test_every_layout_is_drawn_told_and_priced(made, html):
    page = made[2].page
    assert page.pick
    names = {row[0] for row in page.layouts.rows}
    assert names == {"the room as it is", "panels", "nothing new", "screen", "foam"}
    assert len(page.decay) == 5
    assert {p.name for p in (page.plan, *page.others)} == names - {"the room as it is"}
    for plan in (page.plan, *page.others):
        assert all(f.ident in html for f in plan.figures)
    assert page.states is not None
    assert all(row[0] == "cleared" for row in page.states.rows)


def test_what_is_forbidden_is_not_taken(made):
    page = made[2].page
    verdicts = {row[0]: row[2] for row in page.layouts.rows}
    assert verdicts["foam"].startswith("no: ")  # glued, where no glue is allowed
    assert page.pick != "foam"
    assert all("take foam" not in f.headline for f in page.findings)


def test_sheet_to_sign_says_all_that_one_is_asked(made, html):
    (sheet,) = made[2].page.consent
    assert [name for name, _ in sheet.parts][:8] == [
        "What is wrong", "What goes up", "Weight", "Holes, and how it comes off again", "Fire",
        "What it costs", "What will change", "What will not change",
    ]  # fmt: skip
    said = texts(html)
    assert "It will not stop noise" in said
    assert "not a permit" in sheet.note
    assert len(sheet.signatures) == 3


def not_the_same(first, second):
    """List parts that say other numbers than their fellow beside, or have its heading.

    A comma is the decimal sign of German and Dutch: common practice, no source.
    """
    number = re.compile(r"\d+[.,]\d+")
    wrong = []
    for (name, lines), (other, beside) in zip(first.parts, second.parts, strict=True):
        said, told = (number.findall(" ".join(part)) for part in (lines, beside))
        is_ours = name not in ("Fire", "To settle first", "What goes up")
        if name == other or (is_ours and [n.replace(".", ",") for n in said] != told):
            wrong.append(name)
    return wrong


@pytest.mark.parametrize("code", ["de", "nl"])
def test_sheet_to_sign_stands_in_two_languages(made, code):
    """Truth: the numbers of the English sheet. The twin puts that beside itself."""
    scene, folder, _ = made
    done = make_report(prepared_for(scene), folder, second=code)
    html = done.path.read_text(encoding="utf-8")
    make_report(prepared_for(scene), folder)  # as it was, for the tests that follow
    first, second = done.page.consent
    assert not_the_same(first, second) == []
    assert len(not_the_same(first, first)) == len(first.parts)
    assert any("," in line for line in second.parts[0][1])
    assert structure_faults(html) == []
    assert html.count(f'lang="{code}"') > 2 * len(first.parts)


def test_cautions_name_the_items_that_carry_them(made):
    """Truth: wool irritates (the caution of the treatment's own record)."""
    page, pick = made[2].page, made[2].page.pick
    carried = {c.items for c in page.cautions if "Mineral wool" in c.text}
    marks = {"panels": "W1, W2", "screen": "S1"}
    assert carried == {marks[pick]}
    assert any("do not stop noise" in c.text for c in page.cautions)


def test_both_systems_stand_in_the_page(html):
    assert html.count('class="si"') == html.count('class="us"') > 50
    assert 'id="feet"' in html
    assert "<script" not in html  # the switch is the style's


def test_tables_are_there_as_csv_and_json(made):
    _, folder, done = made
    names = {path.name for path in done.tables}
    assert {"report.json", "report-items.csv", "report-shopping.csv", "compare.csv"} <= names
    content = json.loads((folder / "report.json").read_text(encoding="utf-8"))
    assert content["verdict"][0]["headline"] == done.page.findings[0].headline
    for name, rows in content["tables"].items():
        assert len({tuple(row) for row in rows}) <= 1
        path = folder / f"report-{name}.csv"
        if rows:
            with path.open(encoding="utf-8", newline="") as file:
                assert len(list(csv.DictReader(file))) == len(rows)
        else:
            assert not path.exists()
    shopping = content["tables"]["shopping"]
    for row in shopping:  # whole packs, at least what is needed with spare
        assert row["bought"] == pytest.approx(row["packs"] * row["pack"])
        assert row["bought"] >= row["with_spare"] - 1e-6


def rows_of(folder, table):
    with (folder / f"report-{table}.csv").open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def wrongly_drawn(rows):
    """List what differs from the scene file's own measures of two panels, in millimetres."""
    truth = {
        (mark, what): drawn
        for mark, wall in (("W1", "south"), ("W2", "north"))
        for what, drawn in (
            (f"on {wall}, from west", "1000"), (f"on {wall}, from floor", "700"),
            ("along, up, deep", "1200 x 600 x 100"), ("gap behind it", "0"),
        )
    }  # fmt: skip
    truth["microphone", "x, y, z in the scene"] = "1600, 1500, 1200"
    told = {(r["item"], r["what"]): r["as_drawn"] for r in rows if r["layout"] == "panels"}
    return [key for key, drawn in truth.items() if told.get(key) != drawn]


def test_as_built_sheet_has_the_measures_of_the_scene_and_room_for_others(made):
    """Truth: the scene file; the size is that of the catalogue. No tolerance."""
    rows = rows_of(made[1], "built")
    assert wrongly_drawn(rows) == []
    assert {r["as_built"] for r in rows} == {""}
    assert wrongly_drawn(
        [r | {"as_drawn": r["as_drawn"].replace("1000", "1100")} for r in rows]
    )
    page = made[2].page
    assert page.verify.built.title.endswith(page.pick)
    assert all(row[-1] == "" for row in page.verify.built.rows)


def wrongly_predicted(rows):
    """List octaves whose aim is not that of the textbook, or whose change is no difference."""
    faults = []
    for r in rows:
        before, after, change = (float(r[k]) for k in ("before", "after", "change"))
        # Figures have six digits: each half a unit of the sixth.
        if abs(after - before - change) > 5e-6 * (before + after + abs(change)):
            faults.append((r["layout"], r["band_hz"], "change"))
        if r["band_hz"] in ("250", "500", "1k", "2k", "4k"):
            aim = float(r["aim_low"]), float(r["aim_high"])
            if aim != pytest.approx((0.225, 0.275), rel=1e-9):
                faults.append((r["layout"], r["band_hz"], "aim"))
    return faults


def test_record_has_prediction_and_aim_and_room_for_what_is_measured(made):
    """Truth: talks studios of 60 m3, 0.25 s within 10 % (a textbook of audio engineering,
    ch. 29; read), and that a change is a difference.
    """
    rows = rows_of(made[1], "verify")
    assert {r["layout"] for r in rows} >= {"panels", "screen", "foam"}
    assert wrongly_predicted(rows) == []
    assert {r["before_measured"] + r["after_measured"] for r in rows} == {""}
    assert wrongly_predicted([r | {"after": r["before"]} for r in rows])
    assert wrongly_predicted([r | {"aim_low": "0.2"} for r in rows])
    sheet = made[2].page.verify.sound
    assert len(sheet.rows) == 7
    assert "raysim sweep make" in sheet.note
    assert "harm ears" in sheet.note


def out_of_order(items, worth):
    """List items whose place in the items table is not that in the table of what to drop."""
    column = items.columns.index("drop order")
    shown = {row[0]: row[column] for row in items.rows}
    return [row[0] for i, row in enumerate(worth.rows) if shown[row[0]] != f"{i + 1}"]


def test_again_traces_nothing_and_says_the_same(made, traced, capsys):
    """Truth: the same results give the same page, byte for byte."""
    scene, folder, done = made
    before = done.path.read_bytes()
    assert main(["report", str(scene), "--into", str(folder)]) == 0
    assert traced == []
    assert done.path.read_bytes() == before
    out = capsys.readouterr().out
    assert "All results were there already." in out
    assert str(done.path) in out.replace("\n", "")


def test_only_what_changed_is_missing_and_told(made, tmp_path, capsys):
    scene, folder, _ = made
    text = (scene / "scene.toml").read_text(encoding="utf-8")
    changed = text.replace("{west = 1.2, south = 0.3}", "{west = 1.3, south = 0.3}")
    assert changed != text
    other = tmp_path / "scene"
    other.mkdir()
    (other / "scene.toml").write_text(changed, encoding="utf-8")
    prepared = prepared_for(other)
    names = missing(prepared, folder / RESULTS_NAME)
    assert names == ("screen", "screen, cleared")
    announce(prepared, folder)
    told = capsys.readouterr().out
    assert f"2 of {len(prepared)} layouts and states are simulated first" in told
    assert "2 of them are in" in told
    announce(prepared, tmp_path / "elsewhere")  # nothing is there to be replaced
    assert "of them are in" not in capsys.readouterr().out
    announce(prepared_for(scene), folder)  # all is there
    assert capsys.readouterr().out == ""


def test_what_to_drop_first_is_traced_if_asked(made, tmp_path):
    """Truth: the runs of a layout without each of its items are in the comparison."""
    scene, folder, done = made
    assert any("by formula" in sheet.title for sheet in done.page.worth)
    prepared = prepared_for(scene, ["as described"], ["panels"])
    assert [one.name for one in prepared][-2:] == ["panels without W1", "panels without W2"]
    again = make_report(prepared, folder)
    assert again.n_simulated == 2
    (sheet,) = (s for s in again.page.worth if "of panels" in s.title)
    assert "by formula" not in sheet.title
    assert {row[0] for row in sheet.rows} == {"W1", "W2"}
    page = again.page
    items = next(p for p in (page.plan, *page.others) if p.name == "panels").items
    assert out_of_order(items, sheet) == []
    turned = replace(sheet, rows=sheet.rows[::-1])  # planted
    assert len(out_of_order(items, turned)) == 2
    told = {(r["layout"], r["item"]): r["drop_by"] for r in rows_of(folder, "items")}
    assert told["panels", "W1"] == "traced"


def test_a_scene_without_layouts_has_nothing_to_decide(tmp_path):
    scene = write_quick(tmp_path / "bare")
    with pytest.raises(SceneError) as stopped:
        make_report(prepared_for(scene), tmp_path / "out")
    assert [c.code for c in stopped.value.complaints] == ["RS-T70"]
    assert not (tmp_path / "out").exists()


def test_mistakes_are_told_before_anything_is_traced(made, traced, tmp_path):
    scene, _, _ = made
    with pytest.raises(SettingsError) as stopped:
        make_report(prepared_for(scene), tmp_path / "out", use="voices")
    assert stopped.value.complaints[0].code == "RS-T54"
    with pytest.raises(SettingsError) as stopped:
        make_report(prepared_for(scene), tmp_path / "out", second="deutsch")
    assert stopped.value.complaints[0].code == "RS-T71"
    taken = tmp_path / "taken"
    taken.mkdir()
    (taken / "index.html").write_text("mine")
    with pytest.raises(StoreError) as refused:
        make_report(prepared_for(scene), taken)
    assert refused.value.complaints[0].code == "RS-F06"
    assert traced == []
    assert not (tmp_path / "out").exists()


@pytest.fixture(scope="module")
def tab(tmp_path_factory):
    one = Tab(found_browser(), tmp_path_factory.mktemp("tab"))
    yield one
    one.close()


def widths(tab):
    """Give how wide the page is and how wide it wants to be, with every part open."""
    return tab.run(
        "(function () {document.querySelectorAll('details').forEach(d => {d.open = true});"
        "return [innerWidth, document.documentElement.scrollWidth]})()"
    )


@pytest.mark.parametrize("width", [390, 1200])
def test_page_fits_without_complaint(tab, made, html, width):
    """Truth: the window's own width; every picture takes up room. No tolerance."""
    tab.resize(width)
    tab.requests.clear()
    tab.open(made[2].path.as_uri())
    window, needed = widths(tab)
    assert (window, needed <= width) == (width, True)
    shown = tab.run(
        "Array.from(document.querySelectorAll('svg[role=img]')).filter(s => {"
        "var b = s.getBoundingClientRect(); return b.width > 150 && b.height > 60}).length"
    )
    assert shown == html.count('role="img"')
    assert tab.complaints == []
    assert {address.partition(":")[0] for address in tab.requests} <= {"file", "data"}
    assert len(tab.requests) == 1


def test_a_wide_page_is_found(tab, html, tmp_path):
    """Planted fault: something wider than a phone."""
    page = tmp_path / "wide.html"
    page.write_text(html.replace("</main>", '<p style="width:900px">wide</p></main>'))
    tab.resize(390)
    tab.open(page.as_uri())
    assert widths(tab)[1] > 390


def test_the_switch_shows_one_system_at_a_time(tab, made):
    tab.resize(1200)
    tab.open(made[2].path.as_uri())
    count = (
        "['si', 'us'].map(c => Array.from(document.querySelectorAll('main span.' + c))"
        ".filter(s => s.getClientRects().length).length)"
    )
    tab.run("document.querySelectorAll('details').forEach(d => {d.open = true})")
    metric_si, metric_us = tab.run(count)
    tab.click("feet")
    feet_si, feet_us = tab.run(count)
    assert metric_us == feet_si == 0
    assert metric_si == feet_us > 50


def n_sheets(pdf):
    return len(re.findall(rb"/Type\s*/Page\b", pdf))


def test_paper_takes_fewer_than_twenty_sheets(tab, made, html, tmp_path):
    """The twin prints all that is closed, and needs more."""
    tab.open(made[2].path.as_uri())
    n = n_sheets(tab.pdf())
    assert 4 <= n < 20
    page = tmp_path / "open.html"
    page.write_text(re.sub(r"<details id=\"([^\"]*)\">", r'<details id="\1" open>', html))
    tab.open(page.as_uri())
    assert n_sheets(tab.pdf()) > n
