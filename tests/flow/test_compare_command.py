"""From a result file with several layouts to tables, sentences and files; and mistakes."""

import csv
import io
import json

import numpy as np
import pytest
from quick import LAYOUTS, write_quick

from raysim.cli import main
from raysim.compare.comparison import compare, use_of
from raysim.compare.rows import as_rows, as_tables, csv_text, json_text
from raysim.compare.sentences import sentences
from raysim.scene.read import read_scene
from raysim.store.file import open_results
from raysim.study import simulate


@pytest.fixture(scope="module")
def traced(tmp_path_factory):
    """Give a scene whose last layout puts up nothing, and its result file."""
    folder = tmp_path_factory.mktemp("compared")
    change = ('"Quick box"', '"Quick box"\nuse = "voice"')
    scene = write_quick(folder / "scene", change, more=LAYOUTS)
    simulate(scene, folder / "out", layouts=["all"]).close()
    return scene, folder / "out" / "results.h5"


@pytest.fixture(scope="module")
def compared(traced):
    with open_results(traced[1]) as results:
        assert use_of(results) == "voice"
        return compare(results)


def test_a_layout_of_nothing_is_not_told_from_the_room(compared):
    """Truth: the same room with the same chance gives the same numbers."""
    assert ("as described", "nothing new") in compared.groups
    steps = compared.found.steps[0, 2]
    assert np.isfinite(steps).sum() == 12  # all but EDT, of a close microphone
    assert np.nanmax(np.abs(steps)) == 0.0
    # the twin: two panels are told from it
    assert all("panels" not in group or len(group) == 1 for group in compared.groups)
    assert any("as described and nothing new" in one for one in sentences(compared))


def test_layouts_of_one_material_tie_in_every_draw(compared):
    """Truth: the same materials, drawn alike, tie in every draw."""
    (judged,) = compared.judged
    assert judged.held[-1].of("as described", "nothing new") == 0.5
    assert judged.held[-1].n_draw == 200


def test_rows_are_flat_and_all_are_in_the_files(compared):
    rows = as_rows(compared)
    for table in as_tables(compared).values():
        assert len({tuple(row) for row in table}) <= 1
    assert all(
        isinstance(v, (str, int, float, type(None))) for row in rows for v in row.values()
    )
    assert len(list(csv.DictReader(io.StringIO(csv_text(compared))))) == len(rows)
    assert json.loads(json_text(compared))["tables"] == as_tables(compared)
    assert {row["use"] for row in as_tables(compared)["reached"]} == {"voice"}


def test_command(traced, capsys):
    scene, path = traced
    folder = path.parent / "more"
    folder.mkdir()
    asked = ["compare", str(path), "--scene", str(scene), "--use", "listening"]
    assert main([*asked, "--into", str(folder)]) == 0
    told = capsys.readouterr().out
    assert "Not distinguishable by anything compared here" in told
    assert "mixing and listening" in told
    content = json.loads((folder / "compare.json").read_text(encoding="utf-8"))
    prices = {row["layout"]: row["price"] for row in content["tables"]["front"]}
    assert prices["as described"] == prices["nothing new"] == 0.0
    assert prices["panels"] > 0.0
    assert (folder / "compare.csv").exists()


@pytest.mark.parametrize(
    ("options", "code"),
    [
        (["--use", "voise"], "RS-T54"),
        (["--prices", "mine.toml"], "RS-T52"),
        (["--scene", "other"], "RS-T53"),
    ],
)
def test_mistakes(traced, tmp_path, capsys, monkeypatch, options, code):
    monkeypatch.chdir(tmp_path)
    write_quick(tmp_path / "other")
    assert main(["compare", str(traced[1]), "--into", str(tmp_path), *options]) == 2
    assert code in capsys.readouterr().err
    assert not list(tmp_path.glob("compare.*"))


def test_one_layout_is_no_comparison(tmp_path, capsys):
    scene = write_quick(tmp_path / "scene")
    simulate(scene, tmp_path / "out").close()
    assert main(["compare", str(tmp_path / "out" / "results.h5")]) == 2
    assert "RS-T51" in capsys.readouterr().err


def test_use_of_a_scene(tmp_path):
    assert read_scene(write_quick(tmp_path / "none")).use is None
    scene = write_quick(tmp_path / "one", ('"Quick box"', '"Quick box"\nuse = "ensemble"'))
    assert read_scene(scene).use == "ensemble"
