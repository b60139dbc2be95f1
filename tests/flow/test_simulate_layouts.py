"""Several layouts and states of a scene in one result file, through the command.

Truth: bytes and bits, as for one layout: what is done together, apart, in parts, or from
the result file alone must come out the same, and what did not change is not done again.
"""

import json
import re
import shutil

import numpy as np
import pytest
from pages import faults_of
from quick import LAYOUTS, MORE_SOURCES, contents, write_quick

import raysim
import raysim.spread.units
import raysim.study
from raysim.check import expect
from raysim.cli import main
from raysim.errors import SceneError
from raysim.scene.model import Bands
from raysim.store.file import complete_layouts
from raysim.study import AS_DESCRIBED, prepare, prepare_all
from raysim.tracing import trace_source

NAMES = [
    AS_DESCRIBED, f"{AS_DESCRIBED}, cleared", "panels", "panels, cleared", "nothing new",
    "nothing new, cleared",
]  # fmt: skip
ALL = ["--layout", "all", "--state", "all"]


@pytest.fixture(scope="module")
def scene(tmp_path_factory):
    return write_quick(tmp_path_factory.mktemp("scene") / "quick-box", more=LAYOUTS)


@pytest.fixture(scope="module")
def done(scene):
    """Results of every layout in every state."""
    folder = scene.parent / "done"
    assert main(["simulate", str(scene), *ALL, "--into", str(folder)]) == 0
    return folder


def energies(path, layout):
    """Give all that is known of a layout, as one list of arrays."""
    found = []
    with raysim.open_results(path) as results:
        for names in results.pair_names(layout):
            pair = results.pair(layout, *names)
            found += [pair.arrivals.delay_s, pair.arrivals.energy, pair.histogram.energy]
            found.append(pair.histogram.moments)
    return found


def same(one, other):
    return len(one) == len(other) > 0 and all(map(np.array_equal, one, other))


def edited(tmp_path, *changes, more=LAYOUTS):
    """Write the scene with some texts of its layouts replaced."""
    for old, new in changes:
        assert old in more
        more = more.replace(old, new, 1)
    return write_quick(tmp_path / "quick-box", more=more)


# --- one file, several rooms ------------------------------------------------------------


def test_every_layout_has_its_own_room(scene, done):
    """Truth: the mesh that the scene gives, and boxes taken off by hand."""
    with raysim.open_results(done / "results.h5") as results:
        assert list(results.layout_names) == NAMES
        room = results.room("panels, cleared")
        assert room.air_volume_m3 == pytest.approx(30.0 - 2 * 1.2 * 0.6 * 0.1, rel=1e-9)
        assert results.room(AS_DESCRIBED).air_volume_m3 == pytest.approx(30.0 - 0.512, rel=1e-9)
        held = results.layout("panels, cleared")
        assert (held.treatment_layout, held.state) == ("panels", "cleared")
        assert held.about == "Two panels face each other. Without the crate."
        assert {"W1 front", "W2 front"} < set(held.sides.names)
        assert "W1 front" not in results.sides(AS_DESCRIBED).names
        prepared = prepare(scene, "panels", "cleared")
        assert np.array_equal(room.vertices_m, prepared.mesh.vertices_m)
        assert np.array_equal(held.sides.alpha, prepared.room.sides.alpha)
        # arrivals name the sides of their own layout
        arrivals = results.pair("panels", "voice", "microphone").arrivals
        met = {
            results.sides("panels").names[i] for i in arrivals.surfaces[arrivals.surfaces >= 0]
        }
        assert "W1 front" in met


def test_layout_alone_is_as_among_others(scene, done, tmp_path):
    """Truth: the run of all. Chance is shared by address, not by order."""
    arguments = ["simulate", str(scene), "--layout", "panels", "--into", str(tmp_path)]
    assert main(arguments) == 0
    assert list(complete_layouts(tmp_path / "results.h5")) == ["panels"]
    ours = energies(tmp_path / "results.h5", "panels")
    assert same(ours, energies(done / "results.h5", "panels"))
    assert not same(ours, energies(done / "results.h5", AS_DESCRIBED))  # the twin


def test_plain_run_is_of_the_room_as_described(scene, done, tmp_path):
    assert main(["simulate", str(scene), "--into", str(tmp_path)]) == 0
    ours = energies(tmp_path / "results.h5", AS_DESCRIBED)
    assert list(complete_layouts(tmp_path / "results.h5")) == [AS_DESCRIBED]
    assert same(ours, energies(done / "results.h5", AS_DESCRIBED))


def test_difference_of_equal_layouts_is_exactly_zero(done):
    """Truth: nothing. The twins are layouts that differ, if only by a crate."""
    content = json.loads((done / "measures.json").read_text(encoding="utf-8"))
    by_name = {one["name"]: one["from_first_layout"] for one in content["layouts"]}
    assert by_name[AS_DESCRIBED] == {}
    for value in by_name["nothing new"].values():
        assert value == {"value": 0.0, "error": 0.0}
    for name in ("panels", f"{AS_DESCRIBED}, cleared"):
        assert all(value["error"] > 0.0 for value in by_name[name].values())
        assert any(value["value"] != 0.0 for value in by_name[name].values())


def test_all_comes_again_from_the_result_file_alone(done, tmp_path):
    shutil.copy(done / "results.h5", tmp_path / "kept.h5")
    assert main(["page", str(tmp_path / "kept.h5"), "--into", str(tmp_path / "page")]) == 0
    assert len(contents(done)) == 3 + len(NAMES)
    assert contents(tmp_path / "page") == contents(done)


def test_page_has_all_layouts_and_puts_them_beside_each_other(done):
    html = (done / "index.html").read_text(encoding="utf-8")
    # four drawings of each of the four shapes, and what each layout has
    assert faults_of(html, 4 * 4 + len(NAMES) * (1 + 3)) == []
    table = html[html.index('id="layouts"') : html.index("</table>")]
    assert all(f">{name}</a>" in table for name in NAMES)
    assert "W1" in html[html.index('id="surfaces"') :]
    assert "computed from its layers" in html[html.index('id="surfaces"') :]


def test_page_shows_what_eyring_gives_beside_t30(scene, done):
    """Truth: what is said of each room before it is traced."""
    html = (done / "index.html").read_text(encoding="utf-8")
    rows = html[html.index('id="layouts"') : html.index("</table>")].split("<tr>")[2:]
    shown = [re.findall(r'data-unit="s">([\d.]+)', row)[1] for row in rows]
    middle = Bands().middle
    expected = [
        expect(one).eyring_s[middle].mean() for one in prepare_all(scene, ["all"], ["all"])
    ]
    assert shown == [f"{t:.2f}" for t in expected]
    assert len(set(shown)) > 1  # the twin: the same room throughout


def test_page_of_one_layout_compares_nothing(scene, tmp_path):
    """The twin of the above."""
    assert main(["simulate", str(scene), "--layout", "panels", "--into", str(tmp_path)]) == 0
    assert 'id="layouts"' not in (tmp_path / "index.html").read_text(encoding="utf-8")


# --- what is done again, and what is not ------------------------------------------------


def test_second_run_traces_nothing(scene, done, traced, capsys):
    before = contents(done)
    assert main(["simulate", str(scene), *ALL, "--into", str(done)]) == 0
    assert "6 sources were complete from an earlier run" in capsys.readouterr().out
    assert traced == []
    assert contents(done) == before


def test_only_the_changed_layout_is_traced_again(done, tmp_path, traced):
    """A panel moves: "panels" is computed again in both states, nothing else."""
    scene = edited(tmp_path, ("west = 1.0", "west = 1.1"))
    folder = tmp_path / "out"
    shutil.copytree(done, folder)
    assert main(["simulate", str(scene), *ALL, "--into", str(folder)]) == 0
    assert traced == ["voice", "voice"]
    before, after = (complete_layouts(f / "results.h5") for f in (done, folder))
    assert list(after) == NAMES
    assert [n for n in NAMES if before[n] != after[n]] == ["panels", "panels, cleared"]
    for name in NAMES:
        kept = energies(done / "results.h5", name)
        is_same = same(kept, energies(folder / "results.h5", name))
        assert is_same == (not name.startswith("panels"))


def test_words_of_the_scene_change_without_tracing(done, tmp_path, traced):
    """What is said goes on the page; what was computed stays."""
    scene = edited(tmp_path, ("Two panels face", "A pair of panels faces"))
    text = (scene / "scene.toml").read_text(encoding="utf-8")
    (scene / "scene.toml").write_text(text.replace("Quick box", "Renamed"), encoding="utf-8")
    folder = tmp_path / "out"
    shutil.copytree(done, folder)
    assert main(["simulate", str(scene), *ALL, "--into", str(folder)]) == 0
    assert traced == []
    html = (folder / "index.html").read_text(encoding="utf-8")
    assert "Renamed" in html
    assert "A pair of panels faces" in html


def test_other_layouts_stay_when_one_is_run(done, tmp_path, traced):
    """A run of "panels" after its change leaves what the scene still describes."""
    scene = edited(tmp_path, ("west = 1.0", "west = 1.1"))
    folder = tmp_path / "out"
    shutil.copytree(done, folder)
    assert main(["simulate", str(scene), "--layout", "panels", "--into", str(folder)]) == 0
    assert traced == ["voice"]
    kept = [name for name in NAMES if name != "panels, cleared"]
    assert list(complete_layouts(folder / "results.h5")) == kept


def test_layout_that_is_gone_is_dropped_and_said(done, tmp_path, traced, capsys):
    gone = LAYOUTS[: LAYOUTS.index('[[layout]]\nname = "nothing new"')]
    scene = edited(tmp_path, more=gone)
    folder = tmp_path / "out"
    shutil.copytree(done, folder)
    assert main(["simulate", str(scene), "--into", str(folder)]) == 0
    said = capsys.readouterr().out
    names = [n for n in NAMES if n not in (AS_DESCRIBED, "panels")]
    listed = ", ".join(f'"{name}"' for name in names)
    assert f"Dropped, since the scene no longer describes them so: {listed}.\n" in said
    assert list(complete_layouts(folder / "results.h5")) == [AS_DESCRIBED, "panels"]
    assert traced == []


def test_stopped_run_is_taken_up_where_it_was(tmp_path, monkeypatch, traced, capsys):
    """Stopped in the second layout's second source; then it goes on there.

    Another command in between, for the first layout alone, leaves the half-done one.
    """
    scene = write_quick(tmp_path / "trio", more=MORE_SOURCES + LAYOUTS)
    both = ["simulate", str(scene), "--layout", "panels", "--layout", AS_DESCRIBED]
    folder = ["--into", str(tmp_path / "out")]
    n_call = []

    def stop_at_fifth(scene, room, source, *more):
        n_call.append(source.name)
        if len(n_call) == 5:
            raise KeyboardInterrupt
        return trace_source(scene, room, source, *more)

    with monkeypatch.context() as patch:
        patch.setattr(raysim.spread.units, "trace_source", stop_at_fifth)
        assert main([*both, *folder]) == 130
    kept = "stopped; 4 of 6 sources in 2 layouts are kept. The same command goes on.\n"
    assert capsys.readouterr().err == kept
    assert n_call[3:] == ["voice", "cello"]
    assert main(["simulate", str(scene), *folder]) == 0
    assert "Of “panels” only 1 of 3 pairs are computed" in (
        tmp_path / "out" / "index.html"
    ).read_text(encoding="utf-8")
    assert traced == []
    assert main([*both, *folder]) == 0
    assert traced == ["cello", "drum"]
    assert main([*both, "--into", str(tmp_path / "at once")]) == 0
    for name in (AS_DESCRIBED, "panels"):
        paths = (tmp_path / f / "results.h5" for f in ("out", "at once"))
        assert same(*(energies(path, name) for path in paths))


def test_progress_runs_over_all_layouts(scene, tmp_path):
    told = []
    prepared = prepare_all(scene, ["all"])
    raysim.study.run(prepared, tmp_path, lambda *what: told.append(what))
    shares = [share for share, _ in told]
    assert shares == sorted(shares)
    assert shares[-1] == 1.0
    begins = [text.partition(": ")[0] for _, text in told]
    assert begins.index(AS_DESCRIBED) < begins.index("panels")
    assert "nothing new" not in begins  # the same room, computed once
    assert shares[begins.index("panels")] == pytest.approx(0.9 / 2)


def test_failed_check_names_its_layout(tmp_path, capsys):
    few = (
        "rays = 2000\nuntil_t30_pct = false",
        "rays = 320\nmax_rays = 640\nuntil_t30_pct = 0.2",
    )
    scene = write_quick(tmp_path / "room", few, more=LAYOUTS)
    arguments = [
        "--layout",
        "panels",
        "--layout",
        AS_DESCRIBED,
        "--into",
        str(tmp_path / "out"),
    ]
    assert main(["simulate", str(scene), *arguments]) == 1
    failed = [s for s in capsys.readouterr().out.splitlines() if s.startswith("Check failed")]
    assert [s.partition(" is certain")[0] for s in failed] == [
        f'Check failed: T30 from "voice" in "{name}"' for name in (AS_DESCRIBED, "panels")
    ]


# --- names and mistakes -----------------------------------------------------------------


@pytest.mark.parametrize("command", ["simulate", "check"])
@pytest.mark.parametrize(
    ("arguments", "expected"),
    [
        (
            ["--layout", "panel"],
            ['--layout: the scene has no layout "panel". Did you mean "panels"? [RS-P03]'],
        ),
        (
            ["--state", "xyz"],
            [
                '--state: the scene has no state "xyz". The scene has: as described, cleared. '
                "[RS-P03]"
            ],
        ),
        (
            ["--layout", "alll", "--layout", "panels", "--state", "clear"],
            [
                '--layout: the scene has no layout "alll". Did you mean "all"? [RS-P03]',
                '--state: the scene has no state "clear". Did you mean "cleared"? [RS-P03]',
                "2 mistakes; nothing was written",
            ],
        ),
    ],
)
def test_unknown_names(scene, tmp_path, monkeypatch, capsys, command, arguments, expected):
    monkeypatch.chdir(tmp_path)
    assert main([command, str(scene), *arguments]) == 2
    assert capsys.readouterr().err.splitlines() == expected
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(
    ("layouts", "states", "names"),
    [
        ((), (), [AS_DESCRIBED]),
        (["panels"], (), ["panels"]),
        (["panels", AS_DESCRIBED, "panels"], (), [AS_DESCRIBED, "panels"]),
        ((), ["cleared"], [f"{AS_DESCRIBED}, cleared"]),
        (["panels"], ["all"], ["panels", "panels, cleared"]),
        (["all"], ["all"], NAMES),
    ],
)
def test_every_layout_is_taken_in_every_state(scene, layouts, states, names):
    assert [one.name for one in prepare_all(scene, layouts, states)] == names


def test_mistakes_of_all_layouts_at_once(tmp_path, capsys):
    """The room's own mistake is told once, that of a layout with the layout's name."""
    in_the_way = LAYOUTS.replace("[[layout]]", CUPBOARD + "[[layout]]", 1)
    scene = write_quick(
        tmp_path / "quick-box",
        ("to_m = [3.6, 2.8, 0.8]", "to_m = [3.6, 3.8, 0.8]"),
        more=in_the_way,
    )
    with pytest.raises(SceneError) as raised:
        prepare_all(scene, ["all"])
    told = [str(c) for c in raised.value.complaints]
    assert len(told) == len(set(told))
    of_room = [c for c in raised.value.complaints if not c.wrong.startswith("in ")]
    of_layout = [c for c in raised.value.complaints if c.wrong.startswith('in "too large": ')]
    assert len(of_room) == 1
    assert "crate" in str(of_room[0])
    assert len(of_layout) == len(told) - 1 == 1
    assert "W9" in str(of_layout[0])


CUPBOARD = """
[[layout]]
name = "too large"

[[layout.item]]
name = "W9"
treatment = "wool_panel_100"
on = "south"
from_m = {west = 3.5, floor = 0.7}

"""


def test_check_says_what_holds_for_all_layouts_once(scene, capsys):
    assert main(["check", str(scene), "--layout", "all"]) == 0
    out = capsys.readouterr().out
    titles = ["Quick box: as described", "Quick box: panels", "Quick box: nothing new"]
    assert [line for line in out.splitlines() if line.startswith("Quick box")] == titles
    assert out.count("Not in the model, whatever the scene says:") == 1
    assert out.count("Where these numbers come from:") == 3


def test_complete_results_that_a_run_replaces_stay_beside_it(
    scene, done, tmp_path, monkeypatch
):
    """Stopped at once, a run with another seed has lost nothing that was complete."""
    folder = tmp_path / "out"
    shutil.copytree(done, folder)

    def stop(*_arguments, **_options):
        raise KeyboardInterrupt

    monkeypatch.setattr("raysim.spread.units.trace_source", stop)
    assert main(["simulate", str(scene), *ALL, "--seed", "99", "--into", str(folder)]) == 130
    held = complete_layouts(folder / "results-before.h5")
    assert held == complete_layouts(done / "results.h5")
    assert not set(held.values()) & set(complete_layouts(folder / "results.h5").values())


def test_a_run_taken_up_sets_nothing_aside(scene, tmp_path, monkeypatch):
    """What is begun, and stays, is not replaced: there is no file of before."""
    folder = tmp_path / "out"
    calls = []

    def once(*arguments, **options):
        if calls:
            raise KeyboardInterrupt
        calls.append(1)
        return trace_source(*arguments, **options)

    with monkeypatch.context() as patched:
        patched.setattr("raysim.spread.units.trace_source", once)
        assert main(["simulate", str(scene), *ALL, "--into", str(folder)]) == 130
    assert main(["simulate", str(scene), *ALL, "--into", str(folder)]) == 0
    assert not (folder / "results-before.h5").exists()
