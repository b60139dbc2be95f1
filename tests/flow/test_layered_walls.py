"""Walls made of layers from the scene's text to the result file and back.

Truth: what was computed before it was stored. The file alone, without the scene, gives
the complex reflection factors of every path again.
"""

from dataclasses import replace

import h5py
import numpy as np
import pytest
from records import header, layout_result

from raysim.geometry.build import build_room
from raysim.propagation.images import arrivals, open_energy
from raysim.propagation.room import acoustic_room
from raysim.response.walls import path_reflection
from raysim.scene.air import gas
from raysim.scene.read import read_scene
from raysim.store.file import content_key, open_results, write_layout

TEXT = """\
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
south = "hung"
east = "wool_100"
north = "plain"
west = "plain"
floor = "concrete_smooth"
ceiling = "painted_plaster"
[material.plain]
alpha = 0.1
[material.hung]
layers = [
  {kind = "porous", thickness_mm = 100, resistivity_pa_s_m2 = [5000, 10000, 20000]},
  {kind = "air", thickness_mm = 50},
]
behind = "board_on_studs"
density_kg_m3 = 40
fire = "hardly burns"
handling = "gloves"
"""
FREQ_HZ = np.array([63.0, 200.0, 1000.0, 3000.0])


def computed(folder, text=TEXT):
    """Give the scene, its acoustic room and its paths."""
    (folder / "scene.toml").write_text(text)
    scene = read_scene(folder)
    room = acoustic_room(scene, build_room(scene))
    (paths,) = arrivals(room, scene.sources[0], list(scene.receivers), 2)
    return scene, room, paths


def factors(paths, sides, materials, scene):
    return path_reflection(paths, sides, materials, scene.bands, FREQ_HZ, gas(scene.air))


def stored(path, scene, room, paths):
    """Write the paths as the first pair of a file, in the room that they were found in."""
    head = header()
    head = replace(
        head, scene=replace(head.scene, materials=scene.materials),
        mesh=room.mesh, sides=room.sides,
    )  # fmt: skip
    layout = layout_result("bare", head)
    pair = replace(layout.pairs[0], arrivals=paths)
    write_layout(path, head, replace(layout, pairs=(pair, *layout.pairs[1:])))
    return pair.source, pair.receiver


def test_file_alone_gives_every_reflection_factor(tmp_path):
    scene, room, paths = computed(tmp_path)
    source, receiver = stored(tmp_path / "box.h5", scene, room, paths)
    before = factors(paths, room.sides, scene.materials, scene)
    assert np.abs(before.imag).max() > 0.1
    with open_results(tmp_path / "box.h5") as results:
        materials, sides = results.materials("bare"), results.sides("bare")
        back = results.pair("bare", source, receiver).arrivals
        after = factors(back, sides, materials, scene)
        hung = materials["hung"]
    assert np.array_equal(after, before)
    assert hung.stack == scene.materials["hung"].stack
    assert np.array_equal(hung.behind_alpha, scene.materials["hung"].behind_alpha)
    assert (hung.density_kg_m3, hung.fire, hung.handling) == (40.0, "hardly burns", "gloves")
    assert materials["plain"].stack is None
    assert materials["plain"].behind_alpha is None


def test_file_test_can_fail(tmp_path):
    """Planted fault: a gap of 51 mm instead of 50 in the stored text."""
    scene, room, paths = computed(tmp_path)
    source, receiver = stored(tmp_path / "box.h5", scene, room, paths)
    with h5py.File(tmp_path / "box.h5", "r+") as file:
        attrs = file["layouts/bare/materials/hung"].attrs
        attrs["stack_json"] = attrs["stack_json"].replace("0.05}", "0.051}")
    with open_results(tmp_path / "box.h5") as results:
        back = results.pair("bare", source, receiver).arrivals
        after = factors(back, results.sides("bare"), results.materials("bare"), scene)
    assert not np.array_equal(after, factors(paths, room.sides, scene.materials, scene))


@pytest.mark.parametrize(
    "change",
    [("thickness_mm = 50", "thickness_mm = 51"), ("board_on_studs", "wood_lining")],
)
def test_other_layers_are_computed_again(change, tmp_path):
    """Truth: results belong to the layers they were computed with."""
    scene, room, _ = computed(tmp_path)
    again, same_room, _ = computed(tmp_path)
    other, other_room, _ = computed(tmp_path, TEXT.replace(*change))
    key = content_key(scene, room.mesh, room.sides)
    assert content_key(again, same_room.mesh, same_room.sides) == key
    assert content_key(other, other_room.mesh, other_room.sides) != key
    # The layers count by themselves, though two stacks may have one alpha.
    kept = {**other.materials, "hung": replace(other.materials["hung"], stack=None)}
    assert content_key(
        replace(other, materials=kept), other_room.mesh, other_room.sides
    ) != content_key(other, other_room.mesh, other_room.sides)


def one_by_one(scene, room, paths):
    """Give the energy of every path, each reflection on its own."""
    energy = open_energy(room, scene.sources[0], paths.departure, paths.distance_m)
    plain = (1.0 - room.sides.alpha) * (1.0 - room.sides.scattering)
    for i, (walls, cosines) in enumerate(zip(paths.surfaces, paths.cosine, strict=True)):
        for wall, cosine in zip(walls, cosines, strict=True):
            if wall >= 0 and room.layered.row[wall] >= 0:
                energy[i] *= room.layered.reflected(np.array([wall]), np.array([cosine]))[0]
            elif wall >= 0:
                energy[i] *= plain[wall]
    return energy


def test_reflections_found_together_are_those_found_alone(tmp_path):
    """Truth: every reflection of every path by itself, chains too. Tolerance: rounding."""
    scene, room, _ = computed(tmp_path)
    (paths,) = arrivals(room, scene.sources[0], list(scene.receivers), 2, 20)
    assert paths.order.max() == 20
    met = (paths.surfaces >= 0) & (room.layered.row[paths.surfaces] >= 0)
    assert len(np.unique(paths.cosine[met].round(9))) > 20
    alone = one_by_one(scene, room, paths)
    assert np.allclose(paths.energy, alone, rtol=1e-12, atol=0.0)
    # the twin: layered walls met a little more steeply
    turned = replace(paths, cosine=np.where(met, 0.9 * paths.cosine, paths.cosine))
    assert not np.allclose(paths.energy, one_by_one(scene, room, turned), rtol=1e-3)
