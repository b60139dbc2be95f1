"""Mistakes in treatments, layouts, states, zones, rules and prices: one clear complaint each.

Truth: the line on which this file puts the mistake.
"""

import pytest

from raysim.errors import SceneError
from raysim.scene.read import read_scene

VALID = """\
title = "Box"

[room]
plan_m = [[0, 0], [4, 0], [4, 3], [0, 3]]
height_m = 2.5
wall_names = ["south", "east", "north", "west"]

[surfaces]
south = "painted_plaster"
east = "painted_plaster"
north = "painted_plaster"
west = "painted_plaster"
floor = "wood_floor_on_joists"
ceiling = "painted_plaster"

[treatment.thick_panel]
family = "panel"
about = "150 mm of wool"
layers = [{ kind = "porous", thickness_mm = 150, resistivity_pa_s_m2 = 8000 }]
size_mm = [1000, 500]
depth_mm = 160
goods = { wool_50 = { per_m2 = 3 }, hardware = { per_piece = 1 } }
fixings = ["screwed", "hung"]
leaves = "Two holes."
cautions = ["fibre"]

[[patch]]
name = "window"
on = "east"
material = "window_glass"
y_m = [1.0, 2.0]
z_m = [1.0, 2.0]

[[thing]]
name = "desk"
kind = "box"
material = "table_wood"
from_m = [1, 1, 0.7]
to_m = [2, 2, 0.73]

[[source]]
name = "S"
at_m = [1.0, 0.5, 1.5]

[[receiver]]
name = "R"
at_m = [3.0, 1.0, 1.2]

[[layout]]
name = "first"
about = "Some panels"
without = ["desk"]

[[layout.item]]
name = "W1"
treatment = "wool_panel_100"
on = "south"
from_m = { west = 0.5, floor = 0.7 }
gap_mm = 50
upright = true

[[layout.item]]
name = "W2"
treatment = "thick_panel"
on = "north"
from_m = { west = 0.25, floor = 0.8 }
fixing = "hung"
depth_mm = 170

[[layout.item]]
name = "F1"
treatment = "foam_tile_30"
on = "west"
from_m = { south = 0.35, floor = 0.9 }
count = [3, 2]

[[layout.item]]
name = "K1"
treatment = "corner_stack_300"
on = "south"
corner = "east"
from_m = { floor = 0 }

[[layout.item]]
name = "V1"
treatment = "pleated_curtain"
on = "east"
from_m = { south = 0.45, floor = 0.1 }
size_m = [2, 2.2]

[[layout.item]]
name = "S1"
treatment = "screen_two_sided_600"
on = "floor"
from_m = { south = 0.55, west = 0.15 }
turn_deg = 30

[[state]]
name = "open"
drawn_aside = ["V1"]
without = ["desk", "S1"]
material = { window = "curtain_heavy_half_area" }

[[zone]]
name = "way out"
kind = "escape"
around = "window"
clear_m = 0.3

[[zone]]
name = "heater"
kind = "heater"
from_m = [3.5, 0, 0]
to_m = [4, 0.2, 0.6]

[[zone]]
name = "detector"
kind = "detector"
at_m = [2, 1.5, 2.5]

[rules]
budget = 400
hung_kg_max = 9
floor_load_kpa = 1.5
no_screws = ["north"]
keep_open = ["window"]
"""

#: What is replaced in the valid text, by what, the code, and words the message holds.
#: The complaint's line is that of the mark, §, which is taken out before reading.
BROKEN = {
    # treatments of the scene's own
    "family": ('family = "panel"', '§family = "pannel"', "RS-S08", 'mean "panel"'),
    "own name taken": ("[treatment.thick_panel]", "§[treatment.wool_panel_100]\n"
                       'family = "panel"\nabout = "x"\nleaves = "x"\nmaterial = "table_wood"\n'
                       "depth_mm = 10\n[treatment.thick_panel]", "RS-S05", "the catalogue"),
    "layers too thick": ("depth_mm = 160", "§depth_mm = 100", "RS-T02", "150 mm"),
    "depth in metres": ("depth_mm = 160", "§depth_mm = 0.16", "RS-S07", "millimetres: 160?"),
    "size in metres": ("[1000, 500]", "§[1.0, 500]", "RS-S07", "millimetres"),
    "layer in metres": ("thickness_mm = 150", "§thickness_mm = 0.15", "RS-S07", "millimetres"),
    "layers and material": ("size_mm", '§material = "table_wood"\nsize_mm', "RS-S10", "both"),
    "unknown good": ("wool_50 =", "§wool_55 =", "RS-T04", 'mean "wool_50"'),
    "good without amount": ("{ per_piece = 1 }", "§{ }", "RS-S03", "how much"),
    "good by another measure": ("per_m2 = 3", "§per_kg = 3, per_m2 = 3", "RS-S02", "per_kg"),
    "fixing unknown": ('["screwed", "hung"]', '§["screwed", "hung", "hanged"]', "RS-S08",
                       '"hanged"'),
    "caution unknown": ('["fibre"]', '§["fiber"]', "RS-S08", 'mean "fibre"'),
    "leaves nothing said": ('leaves = "Two holes."\n', "", "RS-S03", '"leaves" is missing'),
    # items
    "treatment unknown": ('"wool_panel_100"', '§"wool_pannel_100"', "RS-T01",
                          'mean "wool_panel_100"'),
    "surface unknown": ('on = "north"', '§on = "nroth"', "RS-S06", 'mean "north"'),
    "on a thing": ('on = "north"', '§on = "desk"', "RS-S06", '"desk"'),
    "measured from nowhere": ("{ west = 0.5,", "§{ wset = 0.5,", "RS-S06", 'mean "west"'),
    "measured from itself": ("{ west = 0.5,", "§{ south = 0.5,", "RS-T03", "the same"),
    "one distance": ("{ west = 0.5, floor = 0.7 }", "§{ west = 0.5 }", "RS-T03",
                     "1 distance."),
    "three distances": ("{ west = 0.5, ", "§{ west = 0.5, east = 1, ", "RS-T03", "3 dist"),
    "two in a corner": ("{ floor = 0 }", "§{ floor = 0, west = 1 }", "RS-T03", "its end"),
    "distance in centimetres": ("west = 0.5", "§west = 70", "RS-S07", "in centimetres?"),
    "distance in millimetres": ("west = 0.5", "§west = 1200", "RS-S07", "in millimetres?"),
    "distance as text": ("west = 0.5", '§west = "0.5"', "RS-S04", "a text"),
    "negative distance": ("west = 0.5", "§west = -0.5", "RS-S07", "-0.5"),
    "gap in metres": ("gap_mm = 50", "§gap_mm = 0.05", "RS-S07", "millimetres: 50?"),
    "upright is a word": ("upright = true", '§upright = "yes"', "RS-S04", "true or false"),
    "size in millimetres": ("size_m = [2, 2.2]", "§size_m = [2000, 2.2]", "RS-S07",
                            "1.2 for 1200 millimetres"),
    "no size": ("size_m = [2, 2.2]\n", "", "RS-S03", "no size of its own"),
    "size and count": ("count = [3, 2]", "size_m = [1, 1]\n§count = [3, 2]", "RS-S10", "both"),
    "size and upright": ("upright = true", "size_m = [1, 1]\n§upright = true", "RS-S10",
                         "both"),
    "half a tile": ("count = [3, 2]", "§count = [2.5, 2]", "RS-S07", "whole numbers"),
    "no tile": ("count = [3, 2]", "§count = [0, 2]", "RS-S07", "0"),
    "fixing not meant": ('fixing = "hung"', '§fixing = "glued"', "RS-T02", "cannot be glued"),
    "too shallow": ("depth_mm = 170", "§depth_mm = 100", "RS-T02", "150 mm"),
    "gap of foam": ("count =", "§gap_mm = 20\ncount =", "RS-T02", "no meaning"),
    "corner of a panel": ("gap_mm = 50", '§corner = "west"\ngap_mm = 50', "RS-T02",
                          "no meaning"),
    "corner missing": ('corner = "east"\nfrom_m = { floor = 0 }',
                       "from_m = { floor = 0, west = 0 }", "RS-T02", "needs a corner"),
    "corner with itself": ('corner = "east"', '§corner = "south"', "RS-T03", "with itself"),
    "stack turned": ('corner = "east"', 'corner = "east"\n§turn_deg = 5', "RS-T02", "turn"),
    "panel drawn aside": ("gap_mm = 50", "§drawn_aside = true\ngap_mm = 50", "RS-T02",
                          "drawn_aside"),
    "item twice": ('name = "W2"', '§name = "W1"', "RS-S05", "exists already"),
    "item as a thing": ('name = "W2"', '§name = "desk"', "RS-S05", "already"),
    "unknown key of item": ("gap_mm = 50", "§gap_m = 0.05", "RS-S02", 'mean "gap_mm"'),
    # layouts and states
    "layout moves nothing": ('without = ["desk"]', '§without = ["dsek"]', "RS-T05",
                             'mean "desk"'),
    "layout as described": ('name = "first"', '§name = "as described"', "RS-S12", "else"),
    "layout with a comma": ('name = "first"', '§name = "a, b"', "RS-S12", "comma"),
    "layout twice": ("[[state]]", '[[layout]]\n§name = "first"\n\n[[state]]', "RS-S05",
                     "exists already"),
    "state all": ('name = "open"', '§name = "all"', "RS-S12", '"all"'),
    "no such curtain": ('drawn_aside = ["V1"]', '§drawn_aside = ["W1"]', "RS-T05",
                        'no curtain "W1"'),
    "nobody goes": ('["desk", "S1"]', '["desk",\n §"S2"]', "RS-T05", '"S2"'),
    "no such patch": ("{ window =", "§{ widnow =", "RS-T05", 'mean "window"'),
    "state's material": ('window = "curtain_heavy_half_area"', '§window = "curtian"', "RS-M01",
                         "`raysim materials`"),
    # zones and rules
    "zone kind": ('kind = "heater"', '§kind = "stove"', "RS-S08", '"stove"'),
    "zone round nothing": ('around = "window"', '§around = "windwo"', "RS-T05",
                           'mean "window"'),
    "zone twice placed": ('around = "window"', 'around = "window"\n§at_m = [1, 1, 1]', "RS-S10",
                          "both"),
    "zone inside out": ("to_m = [4, 0.2, 0.6]", "§to_m = [3, 0.2, 0.6]", "RS-S13", "along x"),
    "half a box": ("to_m = [4, 0.2, 0.6]\n", "", "RS-S03", '"to_m" is missing'),
    "zone nowhere": ("at_m = [2, 1.5, 2.5]\n", "", "RS-S03", "where the zone is"),
    "clear in centimetres": ("clear_m = 0.3", "§clear_m = 30", "RS-S07", "centimetres?"),
    "budget below nothing": ("budget = 400", "§budget = -1", "RS-S07", "-1"),
    "load in pascal": ("floor_load_kpa = 1.5", "§floor_load_kpa = 1500", "RS-S07", "50 kg"),
    "no screws nowhere": ('no_screws = ["north"]', '§no_screws = ["roof"]', "RS-S06", '"roof"'),
    "all and some": ('no_screws = ["north"]', '§no_screws = ["*", "north"]', "RS-S10", "all"),
    "keeps nothing open": ('keep_open = ["window"]', '§keep_open = ["south"]', "RS-T05",
                           "no patch"),
    "glue in words": ("budget = 400", '§no_glue = "never"', "RS-S04", "true or false"),
    "unknown rule": ("budget = 400", "§bugdet = 400", "RS-S02", 'mean "budget"'),
}  # fmt: skip

#: Where the text holds no mark: the line of the table that lacks something.
LINE_WITHOUT_MARK = {
    "leaves nothing said": "[treatment.thick_panel]",
    "no size": '[[layout.item]]\nname = "V1"',
    "corner missing": '[[layout.item]]\nname = "K1"',
    "half a box": '[[zone]]\nname = "heater"',
    "zone nowhere": '[[zone]]\nname = "detector"',
}


def planted(name):
    """Give the text with one mistake, and the line of that mistake."""
    old, new, _, _ = BROKEN[name]
    assert VALID.count(old) >= 1
    text = VALID.replace(old, new, 1)
    mark = "§" if "§" in text else LINE_WITHOUT_MARK[name]
    return text.replace("§", ""), text[: text.index(mark)].count("\n") + 1


def faults(path, line, code, words):
    """List what is not as it should be in the complaints of a scene: empty if all is well."""
    try:
        read_scene(path)
    except SceneError as error:
        complaints = error.complaints
    else:
        return ["nothing was complained of"]
    if len(complaints) != 1:
        return [f"{len(complaints)} complaints", *map(str, complaints)]
    (one,) = complaints
    said = f"{one.wrong} {one.fix}"
    whole = one.wrong.endswith(".") and one.fix.endswith((".", "?"))
    return [
        fault
        for fault, is_so in {
            f"code {one.code}": one.code != code,
            f"place {one.where}, not line {line}": one.where != f"{path}:{line}",
            f"words {said!r}": words not in said,
            "no full sentences": not whole,
        }.items()
        if is_so
    ]  # fmt: skip


def test_the_valid_text_is_valid(tmp_path):
    """Without this no complaint below could be blamed on the planted mistake."""
    file = tmp_path / "scene.toml"
    file.write_text(VALID, encoding="utf-8")
    scene = read_scene(file)
    (layout,) = scene.layouts
    items = {item.name: item for item in layout.items}
    assert list(items) == ["W1", "W2", "F1", "K1", "V1", "S1"]
    # Upright: width and height of the 1200 x 600 mm panel change places.
    assert items["W1"].size_m == (0.6, 1.2)
    assert items["W1"].gap_m == pytest.approx(0.05)
    assert items["W1"].from_m == (("west", 0.5), ("floor", 0.7))
    assert items["W1"].fixing == "screwed"
    assert items["W2"].fixing == "hung"
    assert items["W2"].depth_m == pytest.approx(0.17)
    # Three tiles of 300 mm along, two up.
    assert items["F1"].size_m == pytest.approx((0.9, 0.6))
    assert (items["F1"].n_piece, items["F1"].count) == (6, (3, 2))
    assert (items["K1"].corner, items["S1"].turn_deg) == ("east", 30.0)
    assert layout.without == ("desk",)
    assert scene.states[0].material == (("window", "curtain_heavy_half_area"),)
    assert scene.states[0].drawn_aside == ("V1",)
    assert scene.zones[1].box_m == ((3.5, 0.0, 0.0), (4.0, 0.2, 0.6))
    assert scene.rules.floor_load_pa == pytest.approx(1500.0)
    # What items and states are made of is at hand; what nobody uses is not.
    assert "curtain_heavy_half_area" in scene.materials
    assert "carpet_on_underlay" not in scene.materials


@pytest.mark.parametrize("name", BROKEN)
def test_mistake_is_told_once(name, tmp_path):
    text, line = planted(name)
    file = tmp_path / "scene.toml"
    file.write_text(text, encoding="utf-8")
    _, _, code, words = BROKEN[name]
    assert faults(file, line, code, words) == []


def test_check_of_mistakes_can_fail(tmp_path):
    """Planted faults: no mistake, two mistakes, another line, code or word expected."""
    text, line = planted("zone kind")
    file = tmp_path / "scene.toml"
    file.write_text(text, encoding="utf-8")
    assert faults(file, line, "RS-S08", '"stove"') == []
    assert faults(file, line + 1, "RS-S08", '"stove"') != []
    assert faults(file, line, "RS-S07", '"stove"') != []
    assert faults(file, line, "RS-S08", '"oven"') != []
    file.write_text(text.replace("budget = 400", "budget = -400"), encoding="utf-8")
    assert faults(file, line, "RS-S08", '"stove"') != []
    file.write_text(VALID, encoding="utf-8")
    assert faults(file, line, "RS-S08", '"stove"') != []


def test_all_mistakes_are_told_at_once(tmp_path):
    """Many mistakes in one text: each once, none hidden by or made of another."""
    names = (
        "family",
        "surface unknown",
        "zone kind",
        "unknown rule",
        "state all",
        "half a tile",
    )
    text = VALID
    for name in names:
        old, new, _, _ = BROKEN[name]
        text = text.replace(old, new.replace("§", ""), 1)
    file = tmp_path / "scene.toml"
    file.write_text(text, encoding="utf-8")
    with pytest.raises(SceneError) as caught:
        read_scene(file)
    wanted = sorted(BROKEN[name][2] for name in names)
    assert sorted(c.code for c in caught.value.complaints) == wanted


PRICES = """\
currency = "EUR"
date = "2025"
source = "invented"

[good.wool_100]
about = "Wool slab"
unit = "m2"
price = [7, 8, 9]
pack = 3.6

[good.board_18x100]
about = "Board"
unit = "m"
price = 2.5
pack = 3
board_mm = [18, 100]
"""

BROKEN_PRICES = {
    "order": ("[7, 8, 9]", "§[9, 8, 7]", "RS-T06", "not between"),
    "unit": ('unit = "m2"', '§unit = "sqm"', "RS-S08", '"sqm"'),
    "good": ("[good.wool_100]", "§[good.wool_10]", "RS-T04", 'mean "wool_100"'),
    "negative": ("price = 2.5", "§price = -2.5", "RS-S07", "-2.5"),
    "pack": ("pack = 3.6", "§pack = 0", "RS-S07", "sold together"),
    "board": ("pack = 3.6", "§board_mm = [18, 100]", "RS-T06", "by the metre"),
    "key": ("pack = 3.6", "§packs = 3.6", "RS-S02", 'mean "pack"'),
    "no price": ("price = [7, 8, 9]\n", "", "RS-S03", '"price" is missing'),
    "no currency": ('currency = "EUR"\n', "", "RS-S03", '"currency" is missing'),
    "no goods": (PRICES[PRICES.index("[good.wool") :], "", "RS-S03", '"good" is missing'),
}


def with_prices(folder, prices):
    (folder / "mine.toml").write_text(prices, encoding="utf-8")
    file = folder / "scene.toml"
    file.write_text(f'prices_file = "mine.toml"\n{VALID}', encoding="utf-8")
    return file


def test_own_prices_replace_those_of_the_same_name(tmp_path):
    goods = read_scene(with_prices(tmp_path, PRICES)).prices.goods
    assert goods["wool_100"].price == (7.0, 8.0, 9.0)
    assert goods["board_18x100"].price == (2.5, 2.5, 2.5)
    assert goods["cloth"].price != (7.0, 8.0, 9.0)


def test_own_good_of_an_own_treatment_is_known(tmp_path):
    own = '\n[good.sheep_wool]\nabout = "Wool"\nunit = "m2"\nprice = 11\n'
    file = with_prices(tmp_path, PRICES + own)
    text = file.read_text(encoding="utf-8").replace("wool_50 =", "sheep_wool =")
    file.write_text(text, encoding="utf-8")
    assert read_scene(file).prices.goods["sheep_wool"].price[1] == 11.0


@pytest.mark.parametrize("name", BROKEN_PRICES)
def test_mistake_in_prices_is_told_once(name, tmp_path):
    old, new, code, words = BROKEN_PRICES[name]
    text = PRICES.replace(old, new, 1)
    lines = {"no price": 5, "no currency": 1, "no goods": 1}
    line = lines.get(name) or text[: text.index("§")].count("\n") + 1
    with pytest.raises(SceneError) as caught:
        read_scene(with_prices(tmp_path, text.replace("§", "")))
    (one,) = caught.value.complaints
    assert one.code == code
    assert one.where == f"{tmp_path / 'mine.toml'}:{line}"
    assert words in f"{one.wrong} {one.fix}"


def test_missing_price_file_is_told(tmp_path):
    file = tmp_path / "scene.toml"
    file.write_text(f'\nprices_file = "none.toml"\n{VALID}', encoding="utf-8")
    assert faults(file, 2, "RS-F01", '"none.toml"') == []
