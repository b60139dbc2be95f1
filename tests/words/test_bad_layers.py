"""Mistakes in lists of layers: one clear complaint each, with its line and code.

Truth: the line on which this file puts the mistake, marked by a paragraph sign.
"""

import numpy as np
import pytest

from raysim.absorbers.layers import AirGap, Holes, Membrane, Pores, Porous, Sheet, Slots
from raysim.errors import SceneError
from raysim.scene.materials import catalogue
from raysim.scene.model import Bands
from raysim.scene.read import read_scene

ROOM = """\
title = "Box"
[room]
plan_m = [[0, 0], [4, 0], [4, 3], [0, 3]]
height_m = 2.5
wall_names = ["south", "east", "north", "west"]
[[source]]
name = "mouth"
at_m = [1, 1, 1.5]
[[receiver]]
name = "mic"
at_m = [3, 2, 1.2]
[surfaces]
south = "slab"
east = "cover"
north = "front"
west = "rigid_foam"
floor = "concrete_smooth"
ceiling = "painted_plaster"
"""

VALID = """\
[material.slab]
layers = [
  {kind = "porous", thickness_mm = 100, resistivity_pa_s_m2 = [5000, 10000, 20000]},
  {kind = "air", thickness_mm = 50},
]
behind = "board_on_studs"
density_kg_m3 = 40
fire = "hardly burns"
handling = "gloves"

[material.cover]
layers = [
  {kind = "foil", mass_kg_m2 = 0.1},
  {kind = "porous", thickness_mm = 12, resistivity_pa_s_m2 = 15000, density_kg_m3 = 80},
]
reaction = "local"

[material.front]
layers = [
  {kind = "holes", thickness_mm = 6, diameter_mm = 5, spacing_mm = 20, resistance_pa_s_m = 30},
  {kind = "air", thickness_mm = 30},
  {kind = "slots", thickness_mm = 18, slot_mm = 15, spacing_mm = 60},
  {kind = "cloth", resistance_pa_s_m = 40, mass_kg_m2 = 0.2},
  {kind = "membrane", mass_kg_m2 = 3.5, loss_pa_s_m = 200},
  {kind = "air", thickness_mm = 30},
]

[material.rigid_foam]
layers = [{kind = "porous", thickness_mm = 50, resistivity_pa_s_m2 = 20000, model = "johnson-champoux-allard", pores = {porosity = 0.98, tortuosity = 1.05, viscous_length_um = 90, thermal_length_um = 180}}]
"""  # noqa: E501

#: What is there, what the mistake makes of it with its place marked, code, words.
MISTAKES = {
    "unknown kind": ('{kind = "foil"', '{§kind = "foyl"', "RS-S08", '"foil"'),
    "no kind": ('{kind = "foil", mass', "{§mass", "RS-S03", '"kind"'),
    "metres for millimetres": (
        "thickness_mm = 100", "§thickness_mm = 0.1", "RS-S07", "millimetres: 100 for a slab"),
    "thickness missing": ("thickness_mm = 100, ", "§", "RS-S03", "thickness_mm"),
    "thickness of a mountain": ("thickness_mm = 50}", "§thickness_mm = 5e4}", "RS-S07", "3000"),
    "resistivity in thousands": ("= 15000,", "§= 15,", "RS-S07", "not 5 to 40"),
    "resistivity missing": ("resistivity_pa_s_m2 = 15000, ", "§", "RS-S03", "resistivity"),
    "two resistivities": ("[5000, 10000, 20000]", "§[5000, 20000]", "RS-S09", "Give 3"),
    "resistivities in disorder": (
        "[5000, 10000, 20000]", "§[20000, 10000, 5000]", "RS-M02", "low, likely and high"),
    "resistivity as text": ("= 15000,", '§= "dense",', "RS-S04", "dense"),
    "slip in a key": ("mass_kg_m2 = 0.1", "§mas_kg_m2 = 0.1", "RS-S02", '"mass_kg_m2"'),
    "key of another kind": (
        '"air", thickness_mm = 50', '"air", §mass_kg_m2 = 2, thickness_mm = 50',
        "RS-S02", "mass_kg_m2"),
    "unknown model": ('"johnson-champoux-allard"', '§"johnson"', "RS-S08", "johnson"),
    "model needs pores": (
        "density_kg_m3 = 80", 'model = "johnson-champoux-allard"§', "RS-M05", "pores"),
    "pores without their model": (
        'model = "johnson-champoux-allard", pores', "§pores", "RS-M05", "not used"),
    "porosity above one": ("porosity = 0.98", "§porosity = 98", "RS-S07", "98"),
    "pore missing": (", thermal_length_um = 180", "§", "RS-S03", "thermal_length_um"),
    "model out of range": (
        'layers = [\n  {kind = "foil", mass_kg_m2 = 0.1},\n  {kind = "porous",',
        '§layers = [\n  {kind = "porous", model = "delany-bazley",', "RS-M11", "miki"),
    "holes larger than their spacing": ("diameter_mm = 5,", "§diameter_mm = 25,", "RS-M05",
                                        "middle to middle"),
    "mass in grams": ("mass_kg_m2 = 0.2}", "§mass_kg_m2 = 200}", "RS-S07", "300 g/m2"),
    "negative loss": ("loss_pa_s_m = 200", "§loss_pa_s_m = -200", "RS-S07", "-200"),
    "cloth on the wall": (
        '"cloth", resistance_pa_s_m = 40, mass_kg_m2 = 0.2},\n'
        '  {kind = "membrane", mass_kg_m2 = 3.5, loss_pa_s_m = 200},\n'
        '  {kind = "air", thickness_mm = 30},\n]',
        '§"cloth", resistance_pa_s_m = 40, mass_kg_m2 = 0.2},\n]', "RS-M05", "no room to move"),
    "both alpha and layers": ('reaction = "local"', "§alpha = 0.3", "RS-M03", '"alpha"'),
    "bound beside layers": ('reaction = "local"', "§alpha_low = 0.3", "RS-M03", "alpha_low"),
    "unknown reaction": ('reaction = "local"', '§reaction = "globe"', "RS-S08", "globe"),
    "unknown wall behind": ('"board_on_studs"', '§"board_on_stud"', "RS-M01", "board_on_studs"),
    "wall behind the wall behind": (
        '"board_on_studs"', '§"slab"', "RS-M04", "bare wall"),
    "density of water vapour": ("density_kg_m3 = 40", "§density_kg_m3 = 0.4", "RS-S07", "0.4"),
    "fire as a number": ('fire = "hardly burns"', "§fire = 2", "RS-S04", "fire"),
}  # fmt: skip


def written(folder, text):
    (folder / "scene.toml").write_text(ROOM + text, encoding="utf-8")
    return folder


def complaints_of(folder, text):
    try:
        read_scene(written(folder, text))
    except SceneError as error:
        return error.complaints
    return ()


def faults(complaints, file, line, code, words):
    """List what is not as a person needs it: empty if all is well."""
    if len(complaints) != 1:
        return [f"{len(complaints)} complaints: {[str(c) for c in complaints]}"]
    (c,) = complaints
    found = []
    if c.where != f"{file}:{line}":
        found.append(f"at {c.where}, not line {line}")
    if c.code != code:
        found.append(f"code {c.code}")
    if words not in f"{c.wrong} {c.fix}":
        found.append(f"says {c}")
    return found


@pytest.mark.parametrize("name", MISTAKES)
def test_mistake_is_told(name, tmp_path):
    right, wrong, code, words = MISTAKES[name]
    assert VALID.count(right) == 1
    text = VALID.replace(right, wrong)
    line = (ROOM + text)[: (ROOM + text).index("§")].count("\n") + 1
    text = text.replace("§", "")
    told = complaints_of(tmp_path, text)
    file = tmp_path / "scene.toml"
    assert faults(told, file, line, code, words) == []
    assert faults(told, file, line + 1, code, words)  # planted fault: another line
    assert faults((*told, *told), file, line, code, words)  # and one complaint too many


def test_all_mistakes_are_told_at_once(tmp_path):
    planted = ["unknown kind", "resistivities in disorder", "holes larger than their spacing"]
    text = VALID
    for name in planted:
        text = text.replace(*MISTAKES[name][:2]).replace("§", "")
    told = complaints_of(tmp_path, text)
    assert sorted(c.code for c in told) == sorted(MISTAKES[name][2] for name in planted)


@pytest.mark.parametrize(
    ("layers", "code", "words"),
    [
        ("[]", "RS-S09", "at least one"),
        ('"wool"', "RS-S04", "layers"),
        ("[100, 50]", "RS-S04", "100"),
        ('[{kind = "air", thickness_mm = 50}]', "RS-M05", "air alone"),
        ('[{kind = "foil", mass_kg_m2 = 0.1}]', "RS-M05", "no room to move"),
    ],
)
def test_lists_that_are_none(layers, code, words, tmp_path):
    text = VALID + f"[material.other]\nlayers = {layers}\n"
    told = complaints_of(tmp_path, text)
    assert told
    assert {c.code for c in told} == {code}
    assert any(words in f"{c.wrong} {c.fix}" for c in told)


def test_reaction_without_layers(tmp_path):
    (told,) = complaints_of(
        tmp_path, VALID + '[material.other]\nalpha = 0.1\nreaction = "local"\n'
    )
    assert told.code == "RS-M03"


def test_layers_are_read_as_they_stand(tmp_path):
    """Truth: the text above, in metres."""
    known = read_scene(written(tmp_path, VALID)).materials
    slab, cover, front = known["slab"], known["cover"], known["front"]
    assert slab.stack.layers == (
        Porous(0.1, 10_000.0, "miki", 5_000.0, 20_000.0),
        AirGap(0.05),
    )
    assert (slab.density_kg_m3, slab.fire, slab.handling) == (40.0, "hardly burns", "gloves")
    board = catalogue(Bands())["board_on_studs"]
    assert np.array_equal(slab.behind_alpha, board.alpha)
    assert np.all(slab.alpha_low < slab.alpha_high)
    assert cover.stack.local
    assert not front.stack.local
    assert cover.stack.layers == (Sheet(0.1, None), Porous(0.012, 15_000.0, density_kg_m3=80.0))
    assert front.stack.layers == (
        Holes(0.006, 0.005, 0.02, 30.0),
        AirGap(0.03),
        Slots(0.018, 0.015, 0.06),
        Sheet(0.2, 40.0),
        Membrane(3.5, 200.0),
        AirGap(0.03),
    )
    (foam,) = known["rigid_foam"].stack.layers
    assert foam.pores == Pores(0.98, 1.05, pytest.approx(90e-6), pytest.approx(180e-6))
    assert known["rigid_foam"].source == "computed from its layers"
