"""Layouts of the demo scenes: what was planted in them is found, and nothing else.

The rooms are invented; what each layout gets wrong was put there on purpose, so each
trap is a truth to check against, and each sound layout a twin that must pass.
"""

from dataclasses import replace
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
