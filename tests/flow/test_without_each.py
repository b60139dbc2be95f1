"""Layouts without each of their items, with bass and states, from the command to rows.

Truth: an item that is hardly there is the first to go; what is stored is not traced again;
numbers in rows are those that are stored. The box is hard, so that panels help.
"""

import csv
import io
import json
import shutil

import numpy as np
import pytest
from quick import write_quick
from records import header, layout_result

import raysim
from raysim.cli import main
from raysim.compare.comparison import compare
from raysim.compare.figures import readings
from raysim.compare.gathering import gather_compared
from raysim.compare.rows import csv_text, json_text
from raysim.errors import RaysimError, SettingsError
from raysim.report.facts import gather
from raysim.store.file import complete_layouts, open_results, write_layout
from raysim.study import prepare_all

#: A layout of many panels and a crumb of one, one that puts up nothing, and a state.
LAYOUTS = """
[[layout]]
name = "panels"
about = "Six panels, and a crumb."

[[layout.item]]
name = "W1"
treatment = "wool_panel_100"
on = "south"
from_m = {west = 0.1, floor = 0.7}
count = [3, 2]

[[layout.item]]
name = "crumb"
treatment = "felt_12"
on = "north"
from_m = {west = 1.0, floor = 0.7}
size_m = [0.05, 0.05]

[[layout]]
name = "nothing new"
about = "The same as described."

[[state]]
name = "cleared"
about = "Without the crate."
without = ["crate"]
"""

HARD = (
    ('title = "Quick box"', 'title = "Quick box"\nuse = "voice"'),
    ("alpha = 0.4", "alpha = 0.1"),
    ("bass = false", "crossover_hz = 120.0"),
)
WITHOUT = ["panels without W1", "panels without crumb"]


@pytest.fixture(scope="module")
def scene(tmp_path_factory):
    return write_quick(tmp_path_factory.mktemp("scene") / "hard", *HARD, more=LAYOUTS)


@pytest.fixture(scope="module")
def done(scene):
    """Results of the panels, whole and without each, then of all in the other state."""
    into = ["--into", str(scene.parent / "done")]
    asked = ["simulate", str(scene), "--layout", "panels", "--without-each"]
    assert main([*asked, *into]) == 0
    layouts = ["--layout", "all", "--state", "all"]
    assert main(["simulate", str(scene), *layouts, *into]) == 0
    return scene.parent / "done"


@pytest.fixture(scope="module")
def path(done):
    return done / "results.h5"


@pytest.fixture(scope="module")
def compared(path):
    return raysim.compare(path)


def test_runs_without_each_stay_and_are_not_made_again(scene, done, path, tmp_path, traced):
    """Truth: the order of the scene, what lacks an item after its whole."""
    assert list(complete_layouts(path)) == [
        "as described", "as described, cleared", "panels", "panels, cleared", *WITHOUT,
        "nothing new", "nothing new, cleared",
    ]  # fmt: skip
    shutil.copytree(done, tmp_path / "again")
    into = ["--into", str(tmp_path / "again")]
    again = ["simulate", str(scene), "--layout", "panels", "--without-each", *into]
    assert main(again) == 0
    assert traced == []
    # the twin: another room is traced, though the panels' items are the same
    assert main(["simulate", str(scene), "--layout", WITHOUT[0], "--rays", "1000", *into]) == 0
    assert traced == ["voice"]


def test_what_is_hardly_there_goes_first(scene, path, compared, tmp_path, capsys):
    (judged,) = compared.judged
    crumb, panels = judged.worth["panels"]
    assert (crumb.item, crumb.is_heard) == ("crumb", False)
    assert (panels.item, panels.is_heard) == ("W1", True)
    assert panels.lost_steps > 5.0 * panels.error > 0.0
    assert not set(WITHOUT) & set(compared.layouts)
    asked = ["compare", str(path), "--scene", str(scene), "--into", str(tmp_path)]
    assert main(asked) == 0
    told = " ".join(capsys.readouterr().out.split())
    assert "Of panels, drop crumb first" in told
    (first, other) = json.loads((tmp_path / "compare.json").read_text("utf-8"))["tables"][
        "leave_one_out"
    ]
    assert (first["item"], other["item"]) == ("crumb", "W1")
    assert 0.0 < first["saved"] < other["saved"]


def test_states(compared):
    """Truth: what is the same room in both states costs nothing; groups are of one state."""
    assert ("as described", "nothing new") in compared.groups
    assert ("as described, cleared", "nothing new, cleared") in compared.groups
    (judged,) = compared.judged
    assert [one.name for one in judged.states] == [
        f"{layout}, cleared" for layout in ("as described", "panels", "nothing new")
    ]
    first, _, last = judged.states
    assert (first.lost_steps, first.error) == (last.lost_steps, last.error)


def test_bass_of_alike_layouts_is_never_called(compared):
    """Truth: the same room has the same waves; panels have others, at this one place."""
    same = compared.bass.between("as described", "nothing new")
    assert len(same) > 2
    assert all(d.value == d.spread == 0.0 and not d.is_audible for d in same)
    other = compared.bass.between("as described", "panels")
    assert any(d.value != 0.0 for d in other)


def test_measured_for_a_comparison_or_for_a_report(path):
    """Truth: all that a report measures. Tolerance: sums in another order."""
    with open_results(path) as results:
        whole, quick = gather(results), gather_compared(results)
        a, b = (readings(room, results.bands) for room in (whole, quick))
    assert a.quantities == b.quantities
    assert np.array_equal(a.value, b.value, equal_nan=True)
    for one, other in zip(a.without, b.without, strict=True):
        assert np.allclose(one, other, rtol=1e-9, atol=1e-9, equal_nan=True)
        assert np.isfinite(one).sum() > 0
        assert not np.allclose(one[::-1], other, rtol=1e-9, equal_nan=True)  # the twin
    assert [x.transition_hz for x in whole.layouts] == [x.transition_hz for x in quick.layouts]


def is_tidy(rows):
    """Say whether rows can be a data frame: the same keys, a scalar under each."""
    return len({tuple(row) for row in rows}) == 1 and all(
        isinstance(value, str | float | bool | None) for row in rows for value in row.values()
    )


NINE = ["layout", "state", "source", "receiver", "measure", "freq_hz", "value", "error", "unit"]


def test_rows_are_tidy(compared, path):
    rows, changes = compared.rows(), compared.difference_rows()
    with open_results(path) as results:
        stored = raysim.tables(results)
        again = raysim.compare(results, use="voice").rows()
    assert rows == again
    for one in (rows, changes, stored):
        assert is_tidy(one)
        assert list(one[0])[:9] == NINE
    assert list(rows[0]) == list(stored[0]) == NINE
    assert not is_tidy([*rows, {"layout": "a"}])  # the twins
    assert not is_tidy([rows[0] | {"value": np.array([1.0, 2.0])}])
    for one in (rows, stored):  # a number is found by what it is of
        keys = [tuple(row[k] for k in NINE[:6]) for row in one]
        assert len(set(keys)) == len(keys)


def test_rows_hold_what_is_stored(path, done):
    """Truth: the file of measures, to the six figures that it prints."""
    with open_results(path) as results:
        rows = raysim.tables(results)
        measures = results.measures("panels", "voice", "microphone")
    t30 = [r for r in rows if (r["layout"], r["state"]) == ("panels", "as described")]
    found = {r["freq_hz"]: r["value"] for r in t30 if r["measure"] == "t30_s"}
    assert list(found) == [63.0, 125.0, 250.0, 500.0, 1000.0, 2000.0, 4000.0, 8000.0]
    assert [found[f] for f in found] == pytest.approx(
        [None if np.isnan(v) else v for v in measures["t30_s"].value]
    )
    with (done / "measures.csv").open(encoding="utf-8", newline="") as file:
        printed = [r for r in csv.DictReader(file) if r["measure"] == "g_db"]
    g = [r["value"] for r in rows if r["measure"] == "g_db"]
    assert [f"{value:.6g}" for value in g] == [r["value"] for r in printed]


def test_differences_are_of_the_rows(compared):
    """Truth: the one less the other."""
    names = ("layout", "state")
    value = {tuple(r[k] for k in NINE[:6]): r["value"] for r in compared.rows()}
    seen = 0
    for d in compared.difference_rows():
        rest = tuple(d[k] for k in NINE[2:6])
        a = value[(d["less_layout"], d["less_state"], *rest)]
        b = value[tuple(d[k] for k in names) + rest]
        if a is not None and b is not None:
            assert d["value"] == pytest.approx(b - a, abs=1e-12)
            seen += 1
    assert seen > 100


def test_files_hold_the_bass(compared):
    tables = json.loads(json_text(compared))["tables"]
    for name in ("bass", "bass_differences", "ringing", "states", "layouts"):
        assert tables[name]
        assert len({tuple(row) for row in tables[name]}) == 1
    pairs = {(r["layout"], r["less"]) for r in tables["bass_differences"]}
    assert ("panels", "as described") in pairs
    assert ("panels, cleared", "as described") not in pairs  # another layout, another state
    assert len(list(csv.DictReader(io.StringIO(csv_text(compared))))) > 100


@pytest.mark.parametrize(
    ("arguments", "code"),
    [
        (["--without-each"], "RS-T81"),
        (["--layout", "nothing new", "--without-each"], "RS-T81"),
        (["--layout", "panels without W9"], "RS-P03"),
    ],
)
def test_mistakes(scene, tmp_path, capsys, arguments, code):
    into = ["--into", str(tmp_path / "out")]
    assert main(["simulate", str(scene), *arguments, *into]) == 2
    assert code in capsys.readouterr().err
    assert not (tmp_path / "out").exists()


def test_a_layout_with_the_name_of_a_reduced_one(tmp_path):
    taken = '[[layout]]\nname = "panels without W1"\nabout = "Of its own."\n'
    scene = write_quick(tmp_path / "scene", more=LAYOUTS + taken)
    with pytest.raises(RaysimError, match="RS-T80"):
        prepare_all(scene, ["panels"], without_each=True)
    (own,) = prepare_all(scene, ["panels without W1"])  # the twin: by its name it is itself
    assert own.layout.about == "Of its own."


def test_no_measures_yet(tmp_path):
    head = header()
    write_layout(tmp_path / "r.h5", head, layout_result("a", head))
    with open_results(tmp_path / "r.h5") as results:
        with pytest.raises(SettingsError, match="RS-T82"):
            raysim.tables(results)
        with pytest.raises(SettingsError, match="RS-T51"):
            compare(results)
