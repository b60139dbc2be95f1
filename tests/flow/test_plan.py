"""Layouts of the demo scenes: what was planted in them is found, and nothing else.

The rooms are invented; what each layout gets wrong was put there on purpose, so each
trap is a truth to check against, and each sound layout a twin that must pass.
"""

import re
from dataclasses import replace
from itertools import combinations
from pathlib import Path

import pytest

from raysim.cli import main
from raysim.errors import SceneError
from raysim.planning.book import make_book
from raysim.planning.book_page import book_page, render_book, sentence_of
from raysim.planning.checks import findings
from raysim.scene.plan import Rules, Zone

SCENES = Path(__file__).parents[2] / "scenes"


@pytest.fixture(scope="module")
def books():
    return {name: make_book(SCENES / name) for name in (
        "tide-tables", "ferry-slip-trio", "weir-bulletin",
    )}  # fmt: skip


def plan_of(books, scene, layout):
    return next(p for p in books[scene].plans if p.layout.name == layout)


def reasons(plan, kind="forbidden"):
    return {
        (f.rule, item) for f in plan.findings if f.kind == kind for item in (f.items or ("",))
    }


#: scene, layout, kind, rule, item ("" for the layout as a whole): planted.
TRAPS = [
    ("tide-tables", "A1", "forbidden", "glue", "T1"),
    ("tide-tables", "A3", "forbidden", "heater", "K2"),
    ("tide-tables", "A3", "ask", "floor", "K1"),
    ("tide-tables", "A5", "forbidden", "budget", ""),
    ("ferry-slip-trio", "B1", "forbidden", "heater", "V2"),
    ("ferry-slip-trio", "B3", "forbidden", "travel", "C3"),
    ("ferry-slip-trio", "B3", "forbidden", "damp", "N1"),
    ("ferry-slip-trio", "B4", "forbidden", "flue", "K1"),
    ("ferry-slip-trio", "B4", "forbidden", "access", "K1"),
    ("weir-bulletin", "C1", "ask", "fire", "F1"),
    ("weir-bulletin", "C3", "forbidden", "flue", "K1"),
    ("weir-bulletin", "C5", "forbidden", "flue", "K1"),
]


@pytest.mark.parametrize(("scene", "layout", "kind", "rule", "item"), TRAPS)
def test_planted_trap_is_found(books, scene, layout, kind, rule, item):
    assert (rule, item) in reasons(plan_of(books, scene, layout), kind)


@pytest.mark.parametrize(
    ("scene", "layout"),
    [
        ("tide-tables", "A2"), ("tide-tables", "A4"), ("ferry-slip-trio", "B2"),
        ("ferry-slip-trio", "B5"), ("weir-bulletin", "C2"), ("weir-bulletin", "C4"),
    ],
)  # fmt: skip
def test_sound_layout_is_not_forbidden(books, scene, layout):
    """The twins: without them a checker that forbids everything would pass."""
    plan = plan_of(books, scene, layout)
    assert reasons(plan) == set(), [sentence_of(f) for f in plan.findings]


def again(book, plan, **changes):
    """Check a plan under other rules, or with an item changed."""
    rules = changes.pop("rules", book.scene.rules)
    kept = changes.pop("kept", book.kept)
    scene = replace(book.scene, rules=rules)
    placed = [
        replace(p, item=replace(p.item, **changes)) if changes else p for p in plan.placed
    ]
    return findings(scene, book.mesh, plan.layout, placed, plan.bill, kept, ())


def test_weight_limit_passes_7_kg_and_stops_less(books):
    """A panel of 7.2 kg may hang where 8 kg may; at a limit of 7 it may not."""
    book, plan = books["weir-bulletin"], plan_of(books, "weir-bulletin", "C2")
    assert not any(f.rule == "weight" for f in again(book, plan))
    tight = replace(book.scene.rules, hung_kg_max=7.0)
    assert any(f.rule == "weight" for f in again(book, plan, rules=tight))


def test_end_wall_may_stand_but_not_hang(books):
    book, plan = books["weir-bulletin"], plan_of(books, "weir-bulletin", "C3")
    assert not any(f.rule == "weight" and "K1" in f.items for f in again(book, plan))
    hung = [f for f in again(book, plan, fixing="hung") if f.rule == "weight"]
    assert "K1" in hung[0].items
    assert "Let it stand on the floor" in hung[0].sentence


def test_strips_hold_no_panel(books):
    book, plan = books["weir-bulletin"], plan_of(books, "weir-bulletin", "C2")
    held = again(book, plan, fixing="strips", rules=Rules())
    assert any(f.rule == "weight" and "strips" in f.sentence for f in held)


def test_screws_and_fire_class_are_asked_about_only_where_rules_say_so(books):
    book, plan = books["tide-tables"], plan_of(books, "tide-tables", "A2")
    free = {f.rule for f in again(book, plan, rules=Rules())}
    strict = {
        f.rule
        for f in again(
            book, plan, fixing="screwed", rules=Rules(no_screws=("*",), fire_class=True)
        )
    }
    assert not free & {"screws", "fire", "budget"}
    assert {"screws", "fire"} <= strict


@pytest.mark.parametrize("kind", ["detector", "sprinkler", "socket", "passage"])
def test_zone_on_a_panel_is_found_and_far_from_it_is_not(books, kind):
    """Planted: one zone right before a panel, and the same zone far away."""
    from raysim.planning.clearance import _kept

    book, plan = books["weir-bulletin"], plan_of(books, "weir-bulletin", "C2")
    panel = next(p for p in plan.placed if p.item.treatment.family == "panel")
    x, y, z = (float(v) for v in panel.front_m.mean(axis=0))
    here = _kept(Zone("z", kind, at_m=(x, y, z)), book.mesh)
    far = _kept(Zone("z", kind, at_m=(x + 40.0, y, z)), book.mesh)
    assert any(f.rule == kind for f in again(book, plan, kept=[here]))
    assert not any(f.rule == kind for f in again(book, plan, kept=[far]))


def test_curtain_before_what_must_be_open_is_known_and_a_panel_is_forbidden(books):
    plan = plan_of(books, "weir-bulletin", "C2")
    assert ("open", "V1") in reasons(plan, "know")
    book = books["weir-bulletin"]
    no_state = replace(book.scene, states=())
    found = findings(
        no_state, book.mesh, plan.layout, list(plan.placed), plan.bill, book.kept, ()
    )
    assert any(f.rule == "open" and f.kind == "forbidden" for f in found)


def test_page_holds_every_layout_every_item_and_every_caution(books):
    for book in books.values():
        page = book_page(book)
        html = render_book(page)
        for plan in book.plans:
            assert f">{plan.layout.name}</h2>" in html
            for line in plan.bill.items:
                assert f"<td>{line.item.name}</td>" in html
        assert "http://www" not in html.replace("http://www.w3.org", "")
        assert all(f.svg.count("<svg") == 1 for p in page.plans for f in p.figures)


def test_measures_on_the_drawing_are_those_of_the_scene(books):
    """Truth: the numbers of the scene file, in millimetres, stand in the drawing."""
    book = books["tide-tables"]
    page = book_page(book)
    for plan, shown in zip(book.plans, page.plans, strict=True):
        drawn = "".join(f.svg for f in shown.figures)
        for item in plan.layout.items:
            for _, distance in item.from_m:
                assert f">{1000 * distance:.0f}<" in drawn


def test_command_tells_by_its_exit_code(tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    scene = str(SCENES / "tide-tables")
    assert main(["plan", scene, "--layout", "A2"]) == 0
    assert (tmp_path / "tide-tables-plan.html").exists()
    assert main(["plan", scene, "--layout", "A5"]) == 1
    assert "more than the budget" in capsys.readouterr().out
    assert main(["plan", scene, "--layout", "A9"]) == 2
    assert 'no layout "A9"' in capsys.readouterr().err


def test_command_overwrites_nothing_that_is_not_ours(tmp_path, capsys):
    mine = tmp_path / "notes.html"
    mine.write_text("<p>my notes</p>", encoding="utf-8")
    scene = str(SCENES / "tide-tables")
    assert main(["plan", scene, "--layout", "A2", "--into", str(mine)]) == 2
    assert mine.read_text(encoding="utf-8") == "<p>my notes</p>"
    assert "RS-F06" in capsys.readouterr().err


def test_unknown_layout_in_python_is_an_error():
    with pytest.raises(SceneError, match="no layout"):
        make_book(SCENES / "weir-bulletin", ["Z1"])


def rewritten(tmp_path, *changes, scene="weir-bulletin"):
    """Copy a demo scene with some text replaced; give its folder."""
    text = (SCENES / scene / "scene.toml").read_text(encoding="utf-8")
    for old, new in changes:
        assert old in text
        text = text.replace(old, new, 1)
    (tmp_path / "scene.toml").write_text(text, encoding="utf-8")
    return tmp_path


def test_a_zone_outside_the_room_is_a_mistake_and_one_behind_a_wall_is_not(tmp_path):
    """Truth: the room ends at x = 4.6 m; a clearance of 0.6 m reaches 0.6 m beyond it."""
    detector = 'kind = "detector"\nat_m = [2.3, 1.02, 2.7]'
    assert make_book(rewritten(tmp_path, (detector, detector.replace("2.3", "5.1"))), ["C4"])
    far = rewritten(tmp_path, (detector, detector.replace("2.3", "23")))
    with pytest.raises(SceneError, match=r'"smoke detector" is 18.4 m outside .*RS-T31'):
        make_book(far, ["C4"])


def test_every_layout_may_be_asked_for_by_one_word(books):
    book = make_book(SCENES / "weir-bulletin", ["all"])
    assert [p.layout.name for p in book.plans] == ["C1", "C2", "C3", "C4", "C5"]


def test_a_slip_in_case_finds_its_layout():
    with pytest.raises(SceneError, match=r'no layout "c4"\. Did you mean "C4"'):
        make_book(SCENES / "weir-bulletin", ["c4"])


def test_goods_without_price_are_told_of_all_layouts_at_once(tmp_path):
    """Two currencies in every layout that buys panels: one complaint each, not the first."""
    prices = tmp_path / "mine.toml"
    prices.write_text(
        'currency = "USD"\ndate = "2026"\nsource = "invented"\n[good.cloth]\n'
        'about = "cloth"\nunit = "m2"\nprice = 7\n[good.felt_12]\nabout = "felt"\n'
        'unit = "m2"\nprice = 20\n',
        encoding="utf-8",
    )
    with pytest.raises(SceneError) as raised:
        make_book(SCENES / "weir-bulletin", (), prices)
    codes = [c.code for c in raised.value.complaints]
    assert len(codes) > 1
    assert set(codes) == {"RS-T07"}


def test_damp_everywhere_is_damp_on_each_wall(books):
    """Felt without a gap: found by the wall's name and by "*", and not without a rule."""
    book, plan = books["weir-bulletin"], plan_of(books, "weir-bulletin", "C1")

    def damp(*walls):
        found = again(book, plan, rules=Rules(damp=walls))
        return {name for f in found if f.rule == "damp" for name in f.items}

    assert damp() == set()
    assert damp("plain long wall") == {"F1", "F2", "F3"}
    assert damp("*") == {f"F{i}" for i in range(1, 8)}


def test_a_rail_where_nothing_may_be_screwed_is_asked_about(books):
    book, plan = books["weir-bulletin"], plan_of(books, "weir-bulletin", "C2")
    assert ("screws", "V1") in reasons(plan, "ask")
    free = again(book, plan, rules=Rules(no_screws=("door end",)))
    assert not any("V1" in f.items for f in free if f.rule == "screws")


def test_whole_packs_beyond_the_budget_are_told(books):
    """Truth: a budget between the price of the quantities and that of whole packs."""
    book, plan = books["weir-bulletin"], plan_of(books, "weir-bulletin", "C2")
    between = 0.5 * (plan.bill.total + plan.bill.to_buy.likely)
    assert plan.bill.total < between < plan.bill.to_buy.likely

    def money(budget):
        return [
            f.kind for f in again(book, plan, rules=Rules(budget=budget)) if f.rule == "budget"
        ]

    assert money(between) == ["ask"]
    assert money(plan.bill.to_buy.likely + 1.0) == []
    assert money(plan.bill.total - 1.0) == ["forbidden"]


def test_what_hangs_overhead_is_not_told_to_stand(books):
    """A cloud cannot stand on the floor: the advice is another."""
    tight = Rules(hung_kg_max=5.0)
    walls = plan_of(books, "weir-bulletin", "C2")
    clouds = plan_of(books, "ferry-slip-trio", "B2")
    assert any(p.overhead for p in clouds.placed)

    def advice(book, plan):
        found = [f for f in again(book, plan, rules=tight) if f.rule == "weight"]
        over = {p.item.name for p in plan.placed if p.overhead}
        return {(f.items[0] in over, f.sentence.rsplit(". ", 1)[-1]) for f in found}

    assert advice(books["weir-bulletin"], walls) == {(False, "Let it stand on the floor.")}
    assert (True, "Choose a lighter one.") in advice(books["ferry-slip-trio"], clouds)


def level_measures(svg):
    """Give left end, right end and height of each level line that measures a distance."""
    number = r'"([\d.]+)"'
    found = re.findall(
        rf'<line class="measure" x1={number} y1={number} x2={number} y2={number}', svg
    )
    lines = [tuple(float(v) for v in row) for row in found]
    return [(min(a, c), max(a, c), b) for a, b, c, d in lines if b == d]


def test_measures_of_a_drawing_do_not_lie_on_each_other(books):
    """Three panels side by side, each measured from the same corner.

    Truth: two lines that share a stretch need a number's height between them, 10 of the
    14.5 units that its type takes with its leading.
    """
    page = book_page(books["weir-bulletin"])
    wall = next(f for f in page.plans[1].figures if f.title == "plain long wall")
    lines = level_measures(wall.svg)
    assert len(lines) == 3

    def clashes(some):
        return [
            (a, b) for a, b in combinations(some, 2)
            if a[0] < b[1] and b[0] < a[1] and abs(a[2] - b[2]) < 10.0
        ]  # fmt: skip

    assert clashes(lines) == []
    assert len(clashes([(left, right, 0.0) for left, right, _ in lines])) == 3  # planted


def unmarked(plan, figures):
    """List surfaces whose drawing has not one mark for each piece to check, and one to explain.

    Truth: how the scene says that each item is held, and how many pieces it has.
    """
    wrong = []
    for figure in figures:
        here = [p for p in plan.placed if p.item.on == figure.title]
        over = sum(p.item.count[0] * p.item.count[1] for p in here if p.overhead)
        wall = sum(
            p.item.count[0] * p.item.count[1]
            for p in here
            if not p.overhead and p.item.fixing in ("screwed", "hung", "on rail")
        )
        expected = over + wall + (over > 0) + (wall > 0)
        told = [w for w in ("before drilling", "before hanging") if f"Check {w}" in figure.svg]
        words = ["before drilling"] * (wall > 0) + ["before hanging"] * (over > 0)
        if figure.svg.count('class="check"') != expected or sorted(told) != sorted(words):
            wrong.append(figure.title)
    return wrong


def test_what_is_drilled_or_hung_is_marked_on_the_drawing(books):
    """All layouts of all demo scenes; the twin has one item that stands hung instead."""
    for book in books.values():
        for plan, shown in zip(book.plans, book_page(book).plans, strict=True):
            assert unmarked(plan, shown.figures) == []
    book = books["weir-bulletin"]
    at = next(i for i, p in enumerate(book.plans) if p.layout.name == "C4")
    plan, figures = book.plans[at], book_page(book).plans[at].figures
    hung = replace(plan.placed[0], item=replace(plan.placed[0].item, fixing="hung"))
    planted = replace(plan, placed=(hung, *plan.placed[1:]))
    assert unmarked(planted, figures) == [hung.item.on]


def test_page_is_no_pdf(tmp_path, capsys):
    scene = str(SCENES / "weir-bulletin")
    assert main(["plan", scene, "--into", str(tmp_path / "plan.pdf")]) == 2
    assert "RS-P08" in capsys.readouterr().err
    assert not list(tmp_path.iterdir())


def test_treatments_are_listed_with_prices_and_their_currency(capsys):
    assert main(["treatments"]) == 0
    said = " ".join(capsys.readouterr().out.split())
    assert "price, EUR" in said
    assert re.search(r"felt_12 cover to measure \d+/m2", said)
    assert re.search(r"wool_panel_100 panel 1200 x 600 x 100 \d+ screwed", said)
