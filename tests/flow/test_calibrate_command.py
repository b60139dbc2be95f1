"""Calibrating a scene from a table to a new scene folder that can be simulated."""

import numpy as np
import pytest
from calibrated import SCENE

from raysim.cli import main
from raysim.planning.fitted_scene import write_fitted
from raysim.scene.read import read_scene

#: The room rings longer than its boards say. A comment, a state and a name stay as they are.
MORE = """
# the door of the cupboard
[[patch]]
name = "cupboard"
on = "south"
material = "felt"
x_m = [1.0, 2.0]
z_m = [0.0, 2.0]

[[state]]
name = "cupboard shut"
about = "Boards before the felt."
material = { "cupboard" = 'boards' }
"""
MEASURED = """\
layout,source,receiver,measure,band_hz,value,error,unit
as described,,,t30_s,500,0.70,0.02,s
as described,,,t20_s,1k,0.75,0.02,s
"as described, cupboard shut",,,t30_s,500,0.80,0.02,s
"""


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    folder = tmp_path_factory.mktemp("calibrate")
    scene = folder / "room"
    scene.mkdir()
    (scene / "scene.toml").write_text(SCENE + MORE)
    (scene / "README.md").write_text("A room.\n")
    (scene / "other.txt").write_text("not the scene's\n")
    (folder / "measured.csv").write_text(MEASURED)
    return folder


@pytest.fixture(scope="module")
def fitted(folder):
    words = ["--measured", str(folder / "measured.csv"), "--rays", "512"]
    assert main(["calibrate", str(folder / "room"), *words]) == 0
    return folder / "room-fitted"


def test_new_scene_is_the_old_but_for_materials(folder, fitted):
    old, new = read_scene(folder / "room"), read_scene(fitted)
    assert (folder / "room" / "scene.toml").read_text() == SCENE + MORE
    renamed = {f.surface: (a.material, f.material)
               for a, f in zip(old.finishes, new.finishes, strict=True)}  # fmt: skip
    assert renamed["south"] == ("boards", "boards_fitted")
    assert new.patches[0].name == "cupboard"
    assert new.patches[0].material == "felt_fitted"
    assert new.states[0].material == (("cupboard", "boards_fitted"),)
    assert "# the door of the cupboard" in (fitted / "scene.toml").read_text()
    assert sorted(p.name for p in fitted.iterdir()) == ["README.md", "scene.toml"]
    assert [p.name for p in folder.iterdir() if p.name.startswith(".")] == []


def test_materials_say_where_they_are_from(folder, fitted):
    old, new = read_scene(folder / "room"), read_scene(fitted)
    boards, was = new.materials["boards_fitted"], old.materials["boards"]
    assert boards.source.startswith("fitted to measured.csv, 20")
    assert "; was 0.20 0.20 0.12 0.10 0.08" in boards.source
    assert np.all(boards.alpha >= was.alpha_low)
    assert np.all(boards.alpha <= was.alpha_high)
    assert np.all(boards.alpha_low >= was.alpha_low)
    assert np.all(boards.alpha_high <= was.alpha_high)
    # what was measured only at 500 Hz and 1 kHz changes there
    assert boards.alpha[3] < was.alpha[3]
    assert np.allclose(boards.alpha[[0, 1, 7]], was.alpha[[0, 1, 7]], atol=5e-4)
    assert np.allclose(boards.alpha_low[[0, 1, 7]], was.alpha_low[[0, 1, 7]], atol=5e-4)
    assert np.allclose(boards.alpha_high[[0, 1, 7]], was.alpha_high[[0, 1, 7]], atol=5e-4)
    assert boards.alpha_high[3] - boards.alpha_low[3] < was.alpha_high[3] - was.alpha_low[3]


def test_new_scene_passes_check(fitted, capsys):
    assert main(["check", str(fitted)]) == 0
    assert "boards_fitted" in capsys.readouterr().out


def test_it_can_be_calibrated_again(folder, fitted, capsys):
    words = ["--measured", str(folder / "measured.csv"), "--rays", "512"]
    assert main(["calibrate", str(fitted), *words]) == 0
    again = read_scene(folder / "room-fitted-fitted")
    assert "boards_fitted_2" in again.materials


def test_a_text_that_cannot_be_changed_is_left(folder, fitted, monkeypatch):
    """A word that would change and is no material's name is noticed, and nothing stays."""
    from raysim.errors import SceneError
    from raysim.planning import fitted_scene
    from raysim.planning.calibrate import calibrate
    from raysim.planning.measured_decays import read_measured
    from raysim.planning.measured_layouts import prepare_measured

    rows = read_measured(folder / "measured.csv", [])
    prepared = prepare_measured(folder / "room", rows, None, None)
    found = calibrate(prepared, rows, n_ray=256)
    monkeypatch.setattr(
        fitted_scene, "_renamed",
        lambda text, names: text.replace('"cupboard"', '"felt_fitted"'),
    )  # fmt: skip
    with pytest.raises(SceneError) as caught:
        write_fitted(prepared[0].described, found, folder / "new", "m.csv", "2000-01-01")
    assert caught.value.complaints[0].code == "RS-C07"
    assert not (folder / "new").exists()
    assert not (folder / ".new.part").exists()
