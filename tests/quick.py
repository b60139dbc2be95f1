"""A scene file that is traced in a fraction of a second, for tests of the whole way."""

QUICK = """\
title = "Quick box"

[room]
plan_m = [[0, 0], [4, 0], [4, 3], [0, 3]]
height_m = 2.5
wall_names = ["south", "east", "north", "west"]

[surfaces]
south = "felt"
east = "felt"
north = "felt"
west = "felt"
floor = "felt"
ceiling = "felt"

[material.felt]
alpha = 0.4
scattering = 0.3

[[thing]]
name = "crate"
kind = "box"
material = "felt"
from_m = [2.8, 2.0, 0.0]
to_m = [3.6, 2.8, 0.8]

[[source]]
name = "voice"
at_m = [1.0, 1.5, 1.2]

[[receiver]]
name = "microphone"
at_m = [1.6, 1.5, 1.2]

[simulate]
rays = 2000
until_t30_pct = false
image_order = 2
bass = false
"""

MORE_SOURCES = """
[[source]]
name = "cello"
at_m = [2.0, 0.8, 0.7]

[[source]]
name = "drum"
at_m = [0.8, 2.4, 0.9]
"""

#: A layout of two panels, one that puts up nothing, and a state without the crate.
LAYOUTS = """
[[layout]]
name = "panels"
about = "Two panels face each other."

[[layout.item]]
name = "W1"
treatment = "wool_panel_100"
on = "south"
from_m = {west = 1.0, floor = 0.7}

[[layout.item]]
name = "W2"
treatment = "wool_panel_100"
on = "north"
from_m = {west = 1.0, floor = 0.7}

[[layout]]
name = "nothing new"
about = "The same as described."

[[state]]
name = "cleared"
about = "Without the crate."
without = ["crate"]
"""


def write_quick(folder, *changes, more=""):
    """Write the scene into a folder, with some texts replaced, and give the folder."""
    text = QUICK
    for old, new in changes:
        assert text.count(old) == 1
        text = text.replace(old, new)
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "scene.toml").write_text(text + more, encoding="utf-8")
    return folder


def contents(folder):
    """Give all files of a run but the result file, which keeps the time of its making."""
    found = {str(p.relative_to(folder)): p for p in folder.rglob("*") if p.is_file()}
    return {name: p.read_bytes() for name, p in found.items() if p.suffix != ".h5"}
