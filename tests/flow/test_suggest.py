"""Suggestions from the command to the files: bought, pasted, promised and confirmed.

Truth: sums of prices, the scene's own reader, and a full simulation of what was promised.
"""

import argparse
import json
import shutil
import sys
from dataclasses import replace

import numpy as np
import pytest

from raysim.commands.suggest import add
from raysim.compare.groups import differences
from raysim.errors import RaysimError
from raysim.planning.bill import bill
from raysim.planning.cautions import CAUTIONS
from raysim.planning.layout_text import layouts_text
from raysim.planning.suggest import TOML_NAME, _confirmed, suggest
from raysim.planning.suggest_page import cautions
from raysim.scene.plan import Item, Layout
from raysim.scene.prices import stock_prices
from raysim.scene.read import read_scene
from raysim.scene.treatments import treatments_catalogue
from raysim.study import prepare
from raysim.tracing import say_nothing

SCENE = """\
title = "Tiny box"
use = "voice"

[room]
plan_m = [[0, 0], [3.2, 0], [3.2, 2.6], [0, 2.6]]
height_m = 2.4
wall_names = ["south", "east", "north", "west"]

[surfaces]
south = "plain"
east = "plain"
north = "plain"
west = "plain"
floor = "plain"
ceiling = "plain"

[material.plain]
alpha = 0.08
scattering = 0.2

[[source]]
name = "voice"
at_m = [1.0, 1.2, 1.2]

[[receiver]]
name = "microphone"
at_m = [1.9, 1.4, 1.2]

[simulate]
rays = 16000
until_t30_pct = false
image_order = 2
bass = false

[[layout]]
name = "own"

[[layout.item]]
name = "W1"
treatment = "wool_panel_50"
on = "south"
from_m = { floor = 0.7, east = 0.5 }

[[layout]]
name = "dear"

[[layout.item]]
name = "R1"
treatment = "rug_with_underlay"
on = "floor"
from_m = { south = 0.1, east = 0.1 }
size_m = [3.0, 2.4]

[[layout.item]]
name = "W1"
treatment = "wool_panel_100"
on = "south"
from_m = { floor = 0.7, east = 0.5 }
count = [2, 1]

[rules]
budget = 130
no_glue = true
"""
BUDGET = 130.0


@pytest.fixture(scope="module")
def scene(tmp_path_factory):
    path = tmp_path_factory.mktemp("tiny") / "scene.toml"
    path.write_text(SCENE, encoding="utf-8")
    return path


@pytest.fixture(scope="module")
def confirmed(scene, tmp_path_factory):
    folder = tmp_path_factory.mktemp("run") / "suggested"
    return suggest(scene, into=folder, most=40), folder


def silent(result):
    """List the hazards of suggested items that no caution names."""
    told = cautions(result)
    return [
        (item.name, key)
        for one in result.layouts
        for item in one.layout.items
        for key in item.treatment.cautions
        if not any(t.endswith(CAUTIONS[key]) and item.name in t.split(": ")[0] for t in told)
    ]


def test_hazards_are_told_with_their_items(confirmed):
    """Truth: what the catalogue says of each treatment."""
    result, _ = confirmed
    assert any(item.treatment.cautions for one in result.layouts for item in one.layout.items)
    assert silent(result) == []


def test_a_hazard_that_is_not_told_is_noticed(confirmed, monkeypatch):
    """Planted fault: the text of mineral wool is missing from what is said."""
    result, _ = confirmed
    told = [t for t in cautions(result) if not t.endswith(CAUTIONS["fibre"])]
    monkeypatch.setitem(globals(), "cautions", lambda _: told)
    assert {key for _, key in silent(result)} == {"fibre"}


def test_a_few_that_differ(confirmed):
    result, _ = confirmed
    assert 2 <= len(result.layouts) <= 5
    assert len({one.layout.items for one in result.layouts}) == len(result.layouts)
    assert not any(one.is_forbidden for one in result.layouts)
    assert result.n_judged <= 40


def over(layouts, budget):
    """Name layouts that cost more than there is, priced anew."""
    return [x.name for x in layouts if bill(x.items, stock_prices()).total > budget + 1e-9]


def test_budget_is_kept(confirmed):
    result, _ = confirmed
    assert over([one.layout for one in result.layouts], BUDGET) == []
    assert [one.name for one in result.own] == ["own"]


def test_budget_test_can_fail(scene):
    """Planted fault: a layout of the scene that costs more."""
    assert over(read_scene(scene).layouts, BUDGET) == ["dear"]


def pasted(scene, text, tmp_path):
    path = tmp_path / "scene.toml"
    path.write_text(SCENE + text, encoding="utf-8")
    known = {one.name for one in read_scene(scene).layouts}
    return [one for one in read_scene(path).layouts if one.name not in known]


def bare(layout):
    """Give what a layout says, without the lines that said it."""
    nowhere = Item.__dataclass_fields__["place"].default

    def plain(item):
        size = tuple(np.round(item.size_m, 9).tolist())
        treatment = replace(item.treatment, place=nowhere)
        return replace(item, place=nowhere, size_m=size, treatment=treatment)

    return layout.name, layout.about, tuple(map(plain, layout.items)), layout.without


def test_suggestions_read_back(confirmed, scene, tmp_path):
    result, folder = confirmed
    text = (folder / TOML_NAME).read_text(encoding="utf-8")
    back = pasted(scene, text, tmp_path)
    assert list(map(bare, back)) == [bare(one.layout) for one in result.layouts]


def test_any_item_reads_back(scene, tmp_path):
    """Sizes by count and upright, corners, turns, gaps and fixings that are not the usual."""
    t = treatments_catalogue()
    items = (
        Item("A", t["wool_panel_50"], "south", (("floor", 0.7), ("west", 0.31)), (0.6, 1.2),
             0.05, 0.05, fixing="hung"),
        Item("B", t["foam_tile_30"], "north", (("floor", 1.0), ("west", 0.2)), (0.6, 0.9), 0.0,
             0.03, fixing="glued", n_piece=6, count=(2, 3)),
        Item("C", t["corner_stack_300"], "south", (("floor", 0.0),), (0.6, 2.0), 0.0, 0.3,
             fixing="standing", corner="east"),
        Item("D", t["screen_two_sided_600"], "floor", (("west", 1.0), ("south", 1.2)),
             (0.6, 1.8), 0.02, 0.1, 30.0, "standing"),
        Item("E", t["felt_12"], "east", (("floor", 0.4), ("south", 0.25)), (0.7, 1.1),
             fixing="strips"),
    )  # fmt: skip
    layout = Layout('say "so"', "two\nlines", items)
    (back,) = pasted(scene, layouts_text([layout]).replace("\\n", " "), tmp_path)
    assert bare(back) == bare(replace(layout, about="two lines"))


def test_promise_and_confirmation(confirmed):
    """T30 of flat pieces comes within two standard errors and what flat pieces leave out."""
    result, _ = confirmed
    assert result.is_confirmed
    flat = [one for one in result.layouts if not one.bodies]
    assert flat
    lowest_hz = result.judge.lowest_hz
    assert [one.name for one in (result.bare, *flat) if one.missed(lowest_hz)] == []
    assert all(one.group > 0 for one in result.rows)
    best = result.layouts[0]
    assert best.confirmed.total < result.bare.confirmed.total


def test_promise_test_can_fail(confirmed):
    """Planted fault: each layout is promised what the bare room has."""
    result, _ = confirmed
    for one in result.layouts:
        wrong = replace(one, promised=result.bare.promised)
        assert wrong.missed(result.judge.lowest_hz)


def command(arguments):
    parser = argparse.ArgumentParser()
    add(parser.add_subparsers())
    given = parser.parse_args(["suggest", *map(str, arguments)])
    return given.run(given)


def test_command_says_every_part(scene, tmp_path, capsys):
    folder = tmp_path / "out"
    assert command([scene, "--budget", 60, "--most", 12, "--no-confirm", "--into", folder]) == 0
    said = " ".join(capsys.readouterr().out.split())
    for words in ("decay", "early", "balance", "promises alone", "suggested 1", "To paste"):
        assert words in said
    told = json.loads((folder / "suggested.json").read_text(encoding="utf-8"))
    assert told["budget"] == 60
    assert not told["is_confirmed"]
    assert all(row["price"]["likely"] <= 60 for row in told["layouts"])
    assert sorted(p.name for p in folder.iterdir()) == ["suggested.json", TOML_NAME]


@pytest.mark.parametrize(
    ("change", "arguments", "codes"),
    [
        (("use = ", "about = "), [], ["RS-T60"]),
        (("budget = 130\n", ""), [], ["RS-T61"]),
        (("", ""), ["--budget", "-5", "--most", "3"], ["RS-T62", "RS-T64"]),
        (("", ""), ["--budget", "1"], ["RS-T63"]),
        (("", ""), ["--use", "voise"], ["RS-T54"]),
    ],
)
def test_mistakes(change, arguments, codes, tmp_path):
    path = tmp_path / "scene.toml"
    path.write_text(SCENE.replace(*change) if change[0] else SCENE, encoding="utf-8")
    folder = tmp_path / "out"
    with pytest.raises(RaysimError) as error:
        command([path, "--into", folder, *arguments])
    assert [c.code for c in error.value.complaints] == codes
    assert not folder.exists()
    shutil.rmtree(tmp_path)


@pytest.mark.parametrize("octaves", [set(), {"1k", "2k"}])
def test_octaves_of_the_wave_solver_group_nothing(confirmed, scene, monkeypatch, octaves):
    """Truth: what the wave solver answers for has no error, so it is a hint: shown, not judged.
    The twin: where it answers for nothing, these octaves are judged."""
    module = sys.modules["raysim.planning.suggest"]
    labels = ("63", "125", "250", "500", "1k", "2k", "4k", "8k")
    marked = np.array([label in octaves for label in labels])
    seen = []

    def looked_at(read):
        seen.append({q.band for q in read.quantities if q.measure == "t30_s" and q.is_hint})
        return differences(read)

    monkeypatch.setattr(module, "by_wave", lambda *_: marked)
    monkeypatch.setattr(module, "differences", looked_at)
    result, folder = confirmed
    _confirmed(result, prepare(scene), folder, say_nothing)
    (hints,) = seen
    assert {"1k", "2k"} & hints == octaves
