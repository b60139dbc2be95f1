"""Mistakes in a scene's text: each is one clear complaint with its line and code.

Truth: the line on which this file puts the mistake.
"""

import re

import numpy as np
import pytest

from raysim.errors import SceneError
from raysim.scene.lines import KeyLines
from raysim.scene.model import DrawnRoom
from raysim.scene.read import collect_scene, read_scene

VALID = """\
title = "Box"

[room]
plan_m = [[0, 0], [4, 0], [4, 3], [0, 3]]
height_m = 2.5
wall_names = ["south", "east", "north", "west"]

[surfaces]
south = "plaster"
east = "plaster"
north = "plaster"
west = "plaster"
floor = "oak_floor"
ceiling = "painted_plaster"

[material.plaster]
alpha = [0.01, 0.01, 0.02, 0.02, 0.02, 0.02]

[material.oak_floor]
alpha = 0.1
alpha_high = 0.3
scattering = [0.1, 0.1, 0.1, 0.1, 0.1, 0.2]

[directivity.horn]
angle_deg = [0, 90, 180]
level_db = [[0, -6, -20]]

[[patch]]
name = "door"
on = "east"
material = "door_solid"
y_m = [1.0, 2.0]
z_m = [0.0, 2.0]

[[thing]]
name = "desk"
kind = "box"
material = "table_wood"
from_m = [1, 1, 0]
to_m = [2, 2, 0.7]

[[thing]]
name = "screen"
kind = "shell"
material = "rock_wool_50"
centre_m = [3.0, 2.0]
radius_m = 0.4
from_deg = 0
to_deg = 90
thickness_m = 0.05
z_m = [1.0, 1.5]
pieces = 3

[[source]]
name = "S"
at_m = [1.0, 1.5, 1.5]
aim = [0, 3, 4]
directivity = "horn"
receivers = ["R"]

[[receiver]]
name = "R"
at_m = [3.0, 1.0, 1.2]
pattern = "cardioid"
aim_at_m = [1.0, 1.0, 1.2]

[simulate]
seed = 7
rays = 4000
until_t30_pct = false

[air]
humidity_pct = 40
"""

#: What is replaced in the valid text, by what, the code, and words the message holds.
#: The complaint's line is that of the mark, §, which is taken out before reading.
BROKEN = {
    "unknown key": ("pieces = 3", "§peices = 3", "RS-S02", '"pieces"'),
    "unknown outer key": ('title = "Box"', 'title = "Box"\n§titel = "x"', "RS-S02", '"title"'),
    "unknown table": ("[air]", "§[aire]", "RS-S02", '"air"'),
    "missing key": ("height_m = 2.5\n", "", "RS-S03", '"height_m" is missing'),
    "missing outer key": ('title = "Box"\n', "", "RS-S03", '"title" is missing'),
    "missing surface": ('floor = "oak_floor"\n', "", "RS-S03", '"floor" has no material'),
    "text for number": ("height_m = 2.5", '§height_m = "2.5"', "RS-S04", '"2.5"'),
    "true for number": ("radius_m = 0.4", "§radius_m = true", "RS-S04", "true"),
    "number for text": ('name = "desk"', "§name = 3", "RS-S04", "a number, 3"),
    "fraction for whole": ("seed = 7", "§seed = 7.5", "RS-S04", "7.5"),
    "one bracket": ("[[source]]", "§[source]", "RS-S04", "[[source]]"),
    "date": ("seed = 7", "§seed = 2026-01-01", "RS-S04", "a date or time"),
    "unknown material": (
        'ceiling = "painted_plaster"', '§ceiling = "painted_plastr"', "RS-M01",
        '"painted_plaster"',
    ),
    "unknown patch material": (
        'material = "door_solid"', '§material = "door_sold"', "RS-M01", '"door_solid"',
    ),
    "unknown surface": ('west = "plaster"', '§wset = "plaster"', "RS-S06", '"west"'),
    "patch nowhere": ('on = "east"', '§on = "eats"', "RS-S06", '"east"'),
    "unknown receiver": ('["R"]', '[\n  "R",\n  §"RR"]', "RS-S06", '"R"'),
    "no receivers": ('receivers = ["R"]', "§receivers = []", "RS-S09", "empty"),
    "same name": ('name = "screen"', '§name = "desk"', "RS-S05", "line 36"),
    "name of a side": ('name = "door"', '§name = "desk top"', "RS-S05", "exists already"),
    "name of catalogue": (
        "[material.plaster]", "§[material.painted_plaster]\nalpha = 0.1\n[material.plaster]",
        "RS-S05", "the catalogue",
    ),
    "built-in directivity": (
        "[directivity.horn]",
        "§[directivity.omni]\nangle_deg = [0, 180]\nlevel_db = [[0, 0]]\n[directivity.horn]",
        "RS-S05", "built in",
    ),
    "alpha above one": ("0.02, 0.02]", "0.02,\n §1.3]", "RS-S07", "1.3"),
    "alpha below zero": ("alpha = 0.1\n", "§alpha = -0.1\n", "RS-S07", "-0.1"),
    "not a number": ("at_m = [3.0,", "§at_m = [nan,", "RS-S07", "nan"),
    "infinite": ("radius_m = 0.4", "§radius_m = inf", "RS-S07", "inf"),
    "huge": ("seed = 7", f"§seed = 1{400 * '0'}", "RS-S07", "..."),
    "fraction for per cent": (
        "humidity_pct = 40", "§humidity_pct = 0.5", "RS-S07", "50, not 0.5",
    ),
    "fewer rays than first": (
        "seed = 7", "§max_rays = 3000", "RS-S07", "3000 is less",
    ),
    "odd sample rate": ("seed = 7", "§sample_rate_hz = 32000", "RS-S07", "44100"),
    "unknown kind": ('kind = "shell"', '§kind = "shel"', "RS-S08", '"shell"'),
    "unknown pattern": ('"cardioid"', '§"cardoid"', "RS-S08", '"cardioid"'),
    "unknown directivity": ('directivity = "horn"', '§directivity = "hron"', "RS-S08",
                            '"horn"'),
    "unknown width": ("[air]", '[bands]\n§width = "half"\n[air]', "RS-S08", '"octave"'),
    "unknown unit": (
        "plan_m = [[0, 0], [4, 0], [4, 3], [0, 3]]\nheight_m = 2.5\n"
        'wall_names = ["south", "east", "north", "west"]',
        'mesh = "room.obj"\n§unit = "km"', "RS-S08", 'Did you mean "m"?',
    ),
    "two numbers for a point": ("at_m = [3.0, 1.0, 1.2]", "§at_m = [3.0, 1.0]", "RS-S09",
                                "has 2 numbers"),
    "five bands": ("0.02, 0.02]", "0.02]", "RS-S09", "6 or 8"),
    "walls and names": ('"north", "west"]', '"north"]', "RS-S09", "3 names for 4 walls"),
    "angles": ("[0, 90, 180]", "§[0, 120, 90]", "RS-S09", "from 0 to 180"),
    "mesh and drawing": ("height_m", 'mesh = "room.obj"\nheight_m', "RS-S10", "both"),
    "two aims": ("aim_at_m =", "aim = [1, 0, 0]\n§aim_at_m =", "RS-S10", "both"),
    "two ways to pick": ("z_m = [0.0, 2.0]", "§faces = [1]", "RS-S10", "y_m"),
    "blank": ('name = "desk"', '§name = "  "', "RS-S12", "blank"),
    "slash": ('name = "S"', '§name = "a/b"', "RS-S12", "slash"),
    "crossed plan": ("[4, 3], [0, 3]]", "[0, 3], [4, 3]]", "RS-S13", "crosses"),
    "box inside out": ("to_m = [2, 2, 0.7]", "§to_m = [2, 0.5, 0.7]", "RS-S13", "along y"),
    "pair reversed": ("y_m = [1.0, 2.0]", "§y_m = [2.0, 1.0]", "RS-S13", "smaller"),
    "no axis": ("aim = [0, 3, 4]", "§aim = [0, 0, 0]", "RS-S13", "no direction"),
    "no aim": ("aim_at_m = [1.0, 1.0, 1.2]\n", "", "RS-S03", "needs an axis"),
    "order of alphas": ("alpha_high = 0.3", "§alpha_high = 0.05", "RS-M02", "below"),
    "no quote": ('title = "Box"', '§title = "Box', "RS-S01", "not TOML"),
    "key twice": ("seed = 7", "seed = 7\n§seed = 8", "RS-S01", "not TOML"),
}  # fmt: skip

#: What people write who do not know TOML, or other units, and the way out that is offered.
SLIPS = {
    "decimal comma": ("height_m = 2.5", "§height_m = 2,5 # high", "RS-S01",
                      "Decimals take a point: 2.5."),
    "decimal commas in a list": ("at_m = [1.0, 1.5, 1.5]", "§at_m = [1,0, 1,5, 1,5]", "RS-S09",
                                 "Decimals take a point"),
    "curly quotes": ('title = "Box"', "§title = “Box”", "RS-S01", "Use straight quotes"),
    "key with a space": ("height_m", '§big wall = "felt"\nheight_m', "RS-S01",
                         'Names with spaces stand in quotes: "big wall".'),
    "table with a space": ("[material.plaster]", "§[material.old plaster]", "RS-S01",
                           'Names with spaces stand in quotes: "old plaster".'),
    "text without quotes": ('floor = "oak_floor"', "§floor = oak_floor", "RS-S01",
                            'Texts stand in quotes: "oak_floor".'),
    "centimetres": ("height_m = 2.5", "§height_m = 250", "RS-S07", "in centimetres?"),
    "millimetres": ("height_m = 2.5", "§height_m = 2500", "RS-S07", "in millimetres?"),
    "no exponent": ("seed = 7", "§max_rays = 1e30", "RS-S04", "from 100 to 1000000000"),
    "no exponent in lists": ("at_m = [3.0,", "§at_m = [-inf,", "RS-S07", "-inf"),
    "a material in other words": ('floor = "oak_floor"', '§floor = "wooden floor"', "RS-M01",
                                  '"wood_floor_on_joists"'),
    "a part of a material": ('floor = "oak_floor"', '§floor = "carpet"', "RS-M01",
                             '"carpet_on_concrete" or "carpet_on_underlay"'),
    "the list of materials": ('floor = "oak_floor"', '§floor = "lava"', "RS-M01",
                              "`raysim materials` lists all."),
}  # fmt: skip

#: A slip in a key that must be there: one mistake, not two.
SLIPS |= {
    f"slip in {key}": (old, f"§{new}", "RS-S02", f'Did you mean "{key}"?')
    for key, old, new in (
        ("height_m", "height_m = 2.5", "hight_m = 2.5"),
        ("title", "title =", "titel ="),
        ("kind", 'kind = "box"', 'knid = "box"'),
        ("at_m", "at_m = [1.0, 1.5, 1.5]", "at = [1.0, 1.5, 1.5]"),
        ("material", 'material = "door_solid"', 'materal = "door_solid"'),
        ("surfaces", "[surfaces]", "[surface]"),
        ("receiver", "[[receiver]]", "[[reciever]]"),
        ("source", "[[source]]", "[[sources]]"),
        ("room", "[room]", "[rooms]"),
    )
}
BROKEN |= SLIPS

#: Where the text holds no mark: the line of the table that lacks something or is wrong.
LINE_WITHOUT_MARK = {
    "missing key": 3,
    "missing outer key": 1,
    "missing surface": 8,
    "mesh and drawing": 4,
    "five bands": 17,
    "walls and names": 6,
    "crossed plan": 4,
    "no aim": 61,
}


def write(folder, text):
    file = folder / "scene.toml"
    file.write_bytes(text.encode() if isinstance(text, str) else text)
    return file


def complaints_of(path):
    with pytest.raises(SceneError) as caught:
        read_scene(path)
    return caught.value.complaints


def test_the_valid_text_is_valid(tmp_path):
    """Without this no complaint below could be blamed on the planted mistake."""
    scene = read_scene(write(tmp_path, VALID))
    assert isinstance(scene.room, DrawnRoom)
    assert scene.sources[0].aim == pytest.approx([0.0, 0.6, 0.8])
    assert scene.receivers[0].aim == pytest.approx([-1.0, 0.0, 0.0])
    assert scene.settings.until_t30_pct is None
    assert scene.things[1].corners_m.shape == (8, 2)
    assert set(scene.materials) == {
        "plaster", "oak_floor", "painted_plaster", "door_solid", "table_wood", "rock_wool_50",
    }  # fmt: skip
    for array in (scene.room.plan_m, scene.sources[0].position_m, scene.things[0].corners_m):
        assert not array.flags.writeable


@pytest.mark.parametrize("mistake", BROKEN)
def test_one_mistake_is_one_complaint(tmp_path, mistake):
    old, new, code, words = BROKEN[mistake]
    assert VALID.count(old) >= 1
    marked = VALID.replace(old, new, 1)
    if "§" in marked:
        line = marked[: marked.index("§")].count("\n") + 1
    else:
        line = LINE_WITHOUT_MARK[mistake]
    file = write(tmp_path, marked.replace("§", ""))

    (complaint,) = complaints_of(file)
    assert complaint.code == code
    assert complaint.where == f"{file}:{line}"
    assert words in f"{complaint.wrong} {complaint.fix}"
    assert complaint.wrong.endswith(".")
    assert complaint.fix.endswith((".", "?"))


def test_all_mistakes_of_a_file_come_at_once(tmp_path):
    text = VALID
    planted = ["alpha below zero", "unknown pattern", "slash", "unknown kind", "missing key"]
    for mistake in planted:
        old, new, _, _ = BROKEN[mistake]
        text = text.replace(old, new.replace("§", ""), 1)
    found = complaints_of(write(tmp_path, text))
    assert sorted(c.code for c in found) == sorted(BROKEN[m][2] for m in planted)


def test_geometry_can_go_on_after_a_mistake(tmp_path):
    old, new, _, _ = BROKEN["unknown surface"]
    complaints = []
    file = write(tmp_path, VALID.replace(old, new.replace("§", ""), 1))
    scene = collect_scene(file, complaints)
    assert len(complaints) == 1
    assert {f.surface for f in scene.finishes} == {
        "south", "east", "north", "west", "floor", "ceiling",
    }  # fmt: skip


@pytest.mark.parametrize(
    ("content", "code", "line"),
    [
        (b"", "RS-F04", ""),
        (b" \n\n", "RS-F04", ""),
        (b'title = "Box"\nabout = "caf\xe9"\n', "RS-F03", ":2"),
        (b"\x89PNG\r\n\x1a\n\x00", "RS-F03", ":1"),
        (b'title = "a"\nx = 1' + 5000 * b"0", "RS-S01", ":2"),
    ],
    ids=["empty", "blank", "latin", "picture", "endless number"],
)
def test_files_that_are_no_text(tmp_path, content, code, line):
    file = write(tmp_path, content)
    (complaint,) = complaints_of(file)
    assert (complaint.code, complaint.where) == (code, f"{file}{line}")


def test_missing_file_names_the_nearest(tmp_path):
    write(tmp_path, VALID)
    (complaint,) = complaints_of(tmp_path / "scen.toml")
    assert complaint.code == "RS-F01"
    assert '"scene.toml"' in complaint.fix


def test_missing_folder(tmp_path):
    (complaint,) = complaints_of(tmp_path / "no" / "scene.toml")
    assert complaint.code == "RS-F01"


def test_folder_in_place_of_the_file(tmp_path):
    (tmp_path / "scene.toml").mkdir()
    (complaint,) = complaints_of(tmp_path)
    assert complaint.code == "RS-F02"


def test_folder_is_as_good_as_file(tmp_path):
    file = write(tmp_path, VALID)
    assert read_scene(tmp_path).path == read_scene(str(file)).path


def test_byte_order_mark_and_crlf_are_read(tmp_path):
    file = write(tmp_path, b"\xef\xbb\xbf" + VALID.replace("\n", "\r\n").encode())
    assert read_scene(file).title == "Box"


class TestFilesOfMaterials:
    """A scene may name a file of materials, and that file another."""

    def scene(self, folder):
        return write(folder, f'materials_file = "more.toml"\n{VALID}')

    def test_chain_is_read(self, tmp_path):
        (tmp_path / "more.toml").write_text(
            'materials_file = "most.toml"\n[material.felt]\nalpha = 0.2\n'
        )
        (tmp_path / "most.toml").write_text("[material.cork]\nalpha = 0.3\n")
        text = self.scene(tmp_path).read_text()
        write(tmp_path, text.replace('"oak_floor"', '"cork"').replace('"door_solid"', '"felt"'))
        assert read_scene(tmp_path).materials["cork"].alpha == pytest.approx(np.full(8, 0.3))

    def test_missing_file(self, tmp_path):
        (complaint,) = complaints_of(self.scene(tmp_path))
        assert complaint.code == "RS-F01"
        assert complaint.where.endswith("scene.toml:1")

    def test_circle(self, tmp_path):
        (tmp_path / "more.toml").write_text('\nmaterials_file = "scene.toml"\n')
        (complaint,) = complaints_of(self.scene(tmp_path))
        assert complaint.code == "RS-S11"
        assert complaint.where.endswith("more.toml:2")

    def test_mistake_in_it_has_its_own_line(self, tmp_path):
        (tmp_path / "more.toml").write_text("# felts\n[material.felt]\nalpha = 2\n")
        (complaint,) = complaints_of(self.scene(tmp_path))
        assert complaint.code == "RS-S07"
        assert complaint.where.endswith("more.toml:3")

    def test_same_name_in_both(self, tmp_path):
        (tmp_path / "more.toml").write_text("[material.plaster]\nalpha = 0.2\n")
        (complaint,) = complaints_of(self.scene(tmp_path))
        assert complaint.code == "RS-S05"
        assert "scene.toml:17" in complaint.wrong

    def test_other_keys_in_it(self, tmp_path):
        (tmp_path / "more.toml").write_text("[room]\nheight_m = 2\n")
        (complaint,) = complaints_of(self.scene(tmp_path))
        assert complaint.code == "RS-S02"


def test_third_octave_scene(tmp_path):
    scene = read_scene(write(tmp_path, VALID + '[bands]\nwidth = "third"\n'))
    assert scene.materials["plaster"].alpha.shape == (24,)
    assert scene.sources[0].directivity.level_db.shape == (24, 181)


#: Every form in which TOML lets a key be written, with the line where this file has it.
HARD_TEXT = '''\
# [not.a.table]
text = """a
[x]
key = 1 \\""" """
"dotted key".'b # c'.d = [ [1, 2], # [
  [3,
   4],
]
[a.b] # x
q = {r = 1, s = {t = [1,
  2]}}
[[source]]
name = "x]"
[[source.inner]]
k = 'it''
[[source]]
name = '#'
when = 1979-05-27T07:32:00Z
[source.sub]
z = 1.0
[[source.inner]]
k = """"""
[[source.inner]]
k = 2'''.replace("'it''", "'it'")

LINES = {
    ("text",): 2,
    ("dotted key", "b # c", "d"): 5,
    ("dotted key", "b # c", "d", 0, 1): 5,
    ("dotted key", "b # c", "d", 1, 0): 6,
    ("dotted key", "b # c", "d", 1, 1): 7,
    ("a", "b", "q", "s", "t", 1): 11,
    ("source", 0, "name"): 13,
    ("source", 0, "inner", 0, "k"): 15,
    ("source", 1, "name"): 17,
    ("source", 1, "when"): 18,
    ("source", 1, "sub", "z"): 20,
    ("source", 1, "inner", 0, "k"): 22,
    ("source", 1, "inner", 1, "k"): 24,
    ("source", 1, "absent"): 16,
    ("absent",): 1,
}


@pytest.mark.parametrize("path", LINES, ids=lambda path: re.sub(r"\W+", "_", str(path)))
def test_lines_of_keys(path):
    assert KeyLines(HARD_TEXT).line(*path) == LINES[path]


ODD_VALUES = (
    '""', '"x"', "-1", "0", "nan", "1e999", "true", "[]", "[[]]", "[[], 1]", "{}",
    "[1, 'a']", "[{}]", "[nan, nan, nan]", "['', '']", "07:32:00", "{a = {b = []}}",
)  # fmt: skip


@pytest.mark.parametrize("odd", ODD_VALUES)
def test_no_value_makes_a_traceback(tmp_path, odd):
    """Each value of the valid text in turn becomes an odd one: a scene or complaints."""
    rows = VALID.splitlines()
    n_refused = 0
    for i, row in enumerate(rows):
        key, equals, _ = row.partition(" = ")
        if not equals:
            continue
        text = "\n".join([*rows[:i], f"{key} = {odd}", *rows[i + 1 :]])
        try:
            read_scene(write(tmp_path, text))
        except SceneError as error:
            n_refused += len(error.complaints) > 0
    assert n_refused > len(rows) // 4
