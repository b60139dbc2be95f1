"""From a scene to results, through the command: whole, resumable, from one file again.

Truth: bytes and bits. What is done twice, in parts, or from the result file alone must
come out the same.
"""

import csv
import json
import math
import os
import shutil
import signal
import subprocess
import sys
import time

import numpy as np
import pytest
import soundfile
from quick import MORE_SOURCES, contents, write_quick

import raysim
import raysim.outputs
import raysim.spread.units
import raysim.study
from raysim.cli import main
from raysim.errors import RaysimError
from raysim.propagation.rays import N_BATCH, RayRun
from raysim.scene.conditions import RAYS
from raysim.scene.model import Settings
from raysim.study import AS_DESCRIBED, prepare, too_uncertain
from raysim.tracing import _follow, t30_certainty, trace_source

SETTINGS = "rays = 2000\nuntil_t30_pct = false"


@pytest.fixture(scope="module")
def scene(tmp_path_factory):
    return write_quick(tmp_path_factory.mktemp("scene") / "quick-box")


@pytest.fixture(scope="module")
def done(scene):
    """Results of one run; kernels are compiled from here on."""
    folder = scene.parent / "done"
    assert main(["simulate", str(scene), "--into", str(folder)]) == 0
    return folder


def pairs_in(path):
    """Give pairs by their names, and counts of rays by source."""
    with raysim.open_results(path) as results:
        names = results.pair_names(AS_DESCRIBED)
        pairs = {n: results.pair(AS_DESCRIBED, *n) for n in names}
        return pairs, results.counts(AS_DESCRIBED)


def same(one, other):
    """Tell if two result files hold the same arrivals and energies to the last bit."""
    (pairs, counts), (others, other_counts) = pairs_in(one), pairs_in(other)
    return (
        list(pairs) == list(others)
        and counts == other_counts
        and all(
            np.array_equal(a.histogram.energy, b.histogram.energy)
            and np.array_equal(a.histogram.moments, b.histogram.moments)
            and np.array_equal(a.arrivals.delay_s, b.arrivals.delay_s)
            and np.array_equal(a.arrivals.energy, b.arrivals.energy)
            for a, b in zip(pairs.values(), others.values(), strict=True)
        )
    )


# --- one run ----------------------------------------------------------------------------


def test_run_leaves_everything_and_says_where(scene, done, tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    assert main(["simulate", str(scene)]) == 0
    out, err = capsys.readouterr()
    assert err == ""  # no terminal: no progress
    assert out.startswith("Warning: Mean absorption is above 0.35: Sabine's formula gives")
    assert "voice → microphone" in out
    assert "T30, s" in out
    folder = tmp_path / "quick-box-results"
    assert sorted(p.name for p in tmp_path.iterdir()) == [folder.name]
    assert sorted(str(p.relative_to(folder)) for p in folder.rglob("*") if p.is_file()) == [
        "index.html",
        "measures.csv",
        "measures.json",
        "responses/voice-to-microphone.wav",
        "results.h5",
    ]
    for name in ("index.html", "responses", "results.h5"):
        assert f"{folder.name}/{name}\n" in out


def test_files_of_a_run_can_be_read(done):
    samples, rate_hz = soundfile.read(done / "responses" / "voice-to-microphone.wav")
    assert rate_hz == 48_000
    assert np.isfinite(samples).all()
    assert np.abs(samples).argmax() / rate_hz == pytest.approx(0.6 / 343.0, abs=1e-3)
    with (done / "measures.csv").open(encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    content = json.loads((done / "measures.json").read_text(encoding="utf-8"))
    with raysim.open_results(done / "results.h5") as results:
        stored = results.measures(AS_DESCRIBED, "voice", "microphone")
    (t30,) = [r for r in rows if r["measure"] == "t30_s" and r["band_hz"] == "1k"]
    # as many digits as the table prints
    assert float(t30["value"]) == pytest.approx(stored["t30_s"].value[4], rel=1e-5)
    assert content["layouts"][0]["pairs"][0]["source"] == "voice"


def chunks(data):
    """Give the names of a RIFF file's chunks: four letters, length, content, even end."""
    names, at = [], 12
    while at < len(data):
        names.append(data[at : at + 4].decode())
        length = int.from_bytes(data[at + 4 : at + 8], "little")
        at += 8 + length + length % 2
    assert at == len(data)
    return names


def test_sound_says_nothing_of_when_it_was_written(done):
    """Equal results give equal files: no chunk but these, and none of them has a time."""
    data = (done / "responses" / "voice-to-microphone.wav").read_bytes()
    assert chunks(data) == ["fmt ", "fact", "LIST", "data"]


def test_chunk_check_can_fail(tmp_path):
    """Planted fault: a library's file, whose chunk PEAK holds the time of writing."""
    soundfile.write(tmp_path / "a.wav", np.ones(99), 48_000, subtype="FLOAT")
    assert "PEAK" in chunks((tmp_path / "a.wav").read_bytes())


def test_run_tells_how_far_it_is_and_what_it_knows(scene, tmp_path):
    told = []
    raysim.study.run([prepare(scene)], tmp_path, lambda *what: told.append(what))
    shares = [share for share, _ in told]
    assert len(told) > 2
    assert 0.0 <= min(shares) <= max(shares) == shares[-1] == 1.0
    texts = [text for _, text in told]
    assert texts[0] == "voice: how long it lasts"
    assert any(text.startswith("voice: T30 0.1") for text in texts)
    assert texts.index("responses 1 of 1") < texts.index("page") < texts.index("done")


def test_python_gives_the_same_as_the_command(scene, done, tmp_path):
    with raysim.simulate(scene, tmp_path) as results:
        assert results.title == "Quick box"
    assert same(tmp_path / "results.h5", done / "results.h5")
    assert contents(tmp_path).keys() == contents(done).keys()


def test_second_run_traces_nothing(scene, done, traced, capsys):
    before = contents(done)
    assert main(["simulate", str(scene), "--into", str(done)]) == 0
    out, err = capsys.readouterr()
    assert "1 source was complete from an earlier run and not traced again." in out
    assert err == ""
    assert traced == []
    assert contents(done) == before


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ("alpha = 0.4", "alpha = 0.41"),
        ("[1.6, 1.5, 1.2]", "[1.6, 1.5, 1.3]"),
        ("rays = 2000", "rays = 3000"),
    ],
)
def test_run_of_a_changed_scene_traces_again(done, tmp_path, traced, old, new):
    scene = write_quick(tmp_path / "quick-box", (old, new))
    shutil.copy(done / "results.h5", tmp_path)
    assert main(["simulate", str(scene), "--into", str(tmp_path)]) == 0
    assert traced == ["voice"]
    assert not same(tmp_path / "results.h5", done / "results.h5")


def test_other_seed_gives_other_energies(scene, done, tmp_path):
    """Planted fault for all comparisons of results in this file."""
    assert main(["simulate", str(scene), "--into", str(tmp_path), "--seed", "2"]) == 0
    assert not same(tmp_path / "results.h5", done / "results.h5")
    ours, theirs = contents(tmp_path), contents(done)
    assert all(ours[name] != theirs[name] for name in theirs)


# --- how certain ------------------------------------------------------------------------


def run_until(tmp_path, settings):
    scene = write_quick(tmp_path / "room", (SETTINGS, settings))
    return main(["simulate", str(scene), "--into", str(tmp_path / "out")])


def error_pct(tmp_path):
    """Give the error of T30 in per cent, and the number of rays."""
    prepared = prepare(tmp_path / "room")
    pairs, counts = pairs_in(tmp_path / "out" / "results.h5")
    return t30_certainty(prepared.scene, list(pairs.values()))[1], counts["voice"].n_ray


def test_too_few_rays_are_a_failed_check_each_time(tmp_path, capsys):
    settings = "rays = 320\nmax_rays = 640\nuntil_t30_pct = 0.2"
    assert run_until(tmp_path, settings) == 1
    first = capsys.readouterr().out
    error, n_ray = error_pct(tmp_path)
    assert (error, n_ray) == (pytest.approx(10, abs=9.8), 640)
    said = (
        'Check failed: T30 from "voice" is certain to within '
        f"{math.ceil(10 * error) / 10:g} %, not 0.2 %: the most rays allowed (640) were "
        f"traced. Raise max_rays in [simulate], or ask for --until-t30 {math.ceil(error)}.\n"
    )
    assert said in first
    assert (tmp_path / "out" / "index.html").exists()
    assert run_until(tmp_path, settings) == 1  # reused, and no more certain than before
    again = capsys.readouterr().out
    assert "not traced again" in again
    assert said in again


@pytest.mark.parametrize(
    ("error_pct", "settings", "expected"),
    [
        (2.61, Settings(), ["within 2.7 %, not 2 %", "(1 024 000)", "Raise", "--until-t30 3."]),
        (2.01, Settings(), ["within 2.1 %, not 2 %", "--until-t30 3."]),
        (100.0, Settings(), ["within 100 %", "Raise max_rays in [simulate]."]),
        (3.2, Settings(max_ray=RAYS[1]), ["were traced. Ask for --until-t30 4."]),
        (math.inf, Settings(), ["is not known: a band outlasts the longest histogram."]),
    ],
)
def test_what_is_said_of_too_few_rays(error_pct, settings, expected):
    """Truth: the limits of the settings. No error prints as the target, no advice is void."""
    text = too_uncertain("voice", error_pct, settings)
    assert all(words in text for words in expected)
    assert ("--until-t30" in text) == any("--until-t30" in words for words in expected)
    assert ("max_rays" in text) == (settings.max_ray < RAYS[1] and math.isfinite(error_pct))


def test_rounds_go_on_until_t30_is_certain(tmp_path, capsys):
    assert run_until(tmp_path, "rays = 320\nuntil_t30_pct = 2") == 0
    assert "Check failed" not in capsys.readouterr().out
    error, n_ray = error_pct(tmp_path)
    assert error <= 2.0
    assert n_ray > 320


def test_room_without_any_decay_is_soon_done(tmp_path, capsys):
    """All walls absorb all: there is no T30 to be certain of, and no use in waiting."""
    settings = "rays = 320\nuntil_t30_pct = 2"
    changes = ((SETTINGS, settings), ("alpha = 0.4", "alpha = 1.0"))
    scene = write_quick(tmp_path / "room", *changes)
    assert main(["simulate", str(scene), "--into", str(tmp_path / "out")]) == 0
    pairs, counts = pairs_in(tmp_path / "out" / "results.h5")
    (pair,) = pairs.values()
    assert not pair.histogram.energy.any()
    assert counts["voice"].n_ray == 320
    assert pair.histogram.energy.shape[2] * pair.histogram.bin_s < 1.0


# --- stopped and taken up again ---------------------------------------------------------


def run_of(scene):
    prepared = prepare(scene)
    source = prepared.scene.sources[0]
    receivers = prepared.receivers_of(source)
    return RayRun(
        prepared.room, source, receivers, seed=1, duration_s=0.3, bin_s=0.001,
        image_order=2, pair_order=2,
    )  # fmt: skip


def test_portions_give_what_one_call_gives(scene, monkeypatch):
    """Truth: one call. To the last bit, however long a portion takes."""
    whole, told = run_of(scene), []
    whole.follow(1000)
    for portion_s in (1e-9, 0.002, 60.0):
        monkeypatch.setattr("raysim.tracing._PORTION_S", portion_s)
        parts = run_of(scene)
        told.clear()
        _follow(parts, 1000, told.append)
        assert told == sorted(told)
        assert told[-1] == 1000
        assert parts.count.n_ray == whole.count.n_ray == 32 * N_BATCH
        assert parts.count.n_segment == whole.count.n_segment
        for a, b in zip(parts.histograms(), whole.histograms(), strict=True):
            assert np.array_equal(a.energy, b.energy)
            assert np.array_equal(a.moments, b.moments)
    assert len(told) > 1


def test_comparison_of_portions_can_fail(scene):
    """Planted fault: one ray of each batch is left out."""
    whole, parts = run_of(scene), run_of(scene)
    whole.follow(1000)
    _follow(parts, 1000 - N_BATCH, lambda _: None)
    assert not np.array_equal(whole.histograms()[0].energy, parts.histograms()[0].energy)


@pytest.fixture(scope="module")
def trio(tmp_path_factory, done):
    """Three sources with seconds of rays each."""
    folder = tmp_path_factory.mktemp("trio")
    return write_quick(folder / "trio", ("rays = 2000", "rays = 120000"), more=MORE_SOURCES)


def interrupted_after_first(scene, folder):
    """Start a run in a process of its own; stop it by Ctrl-C in its second source."""
    process = subprocess.Popen(
        [sys.executable, "-m", "raysim", "simulate", str(scene), "--into", str(folder)],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        env={**os.environ, "NUMBA_NUM_THREADS": "1"},
    )
    until_s = time.monotonic() + 120.0
    while not (folder / "results.h5").exists() and process.poll() is None:
        assert time.monotonic() < until_s
        time.sleep(0.02)
    time.sleep(0.2)
    process.send_signal(signal.SIGINT)
    out, err = process.communicate(timeout=60)
    return process.returncode, out, err


def test_interrupted_run_keeps_the_first_source_and_is_taken_up(trio, tmp_path, traced, capsys):
    status, out, err = interrupted_after_first(trio, tmp_path / "out")
    assert status == 130
    assert all(line.startswith("Warning: ") for line in out.splitlines())
    assert err == "stopped; 1 of 3 sources are kept. The same command goes on.\n"
    assert [p.name for p in (tmp_path / "out").iterdir()] == ["results.h5"]
    pairs, counts = pairs_in(tmp_path / "out" / "results.h5")
    assert list(pairs) == [("voice", "microphone")]
    assert list(counts) == ["voice"]

    assert main(["simulate", str(trio), "--into", str(tmp_path / "out")]) == 0
    assert "1 source was complete" in capsys.readouterr().out
    assert traced == ["cello", "drum"]
    assert main(["simulate", str(trio), "--into", str(tmp_path / "at once")]) == 0
    assert same(tmp_path / "out" / "results.h5", tmp_path / "at once" / "results.h5")


def test_page_of_a_part_of_a_run(trio, tmp_path, monkeypatch, capsys):
    """What an interrupted run has kept can be looked at."""

    def stop_at_second(scene, room, source, *more):
        if source.name == "cello":
            raise KeyboardInterrupt
        return trace_source(scene, room, source, *more)

    monkeypatch.setattr(raysim.spread.units, "trace_source", stop_at_second)
    assert main(["simulate", str(trio), "--into", str(tmp_path), "--rays", "320"]) == 130
    kept = "stopped; 1 of 3 sources are kept. The same command goes on.\n"
    assert capsys.readouterr().err == kept
    assert main(["page", str(tmp_path / "results.h5")]) == 0
    page = (tmp_path / "index.html").read_text(encoding="utf-8")
    assert "voice" in page
    assert [p.name for p in (tmp_path / "responses").iterdir()] == ["voice-to-microphone.wav"]


def stop(*_):
    raise KeyboardInterrupt


@pytest.mark.parametrize("there_before", [False, True])
def test_stopped_before_all(scene, tmp_path, monkeypatch, capsys, there_before):
    """A folder that was made for nothing goes; one that was there stays."""
    monkeypatch.setattr(raysim.spread.units, "trace_source", stop)
    folder = tmp_path / "out"
    if there_before:
        folder.mkdir()
    assert main(["simulate", str(scene), "--into", str(folder)]) == 130
    assert capsys.readouterr().err == "stopped; nothing was complete yet\n"
    assert folder.exists() == there_before


def test_stopped_at_the_page(scene, tmp_path, monkeypatch, traced, capsys):
    """All rays are kept: the next run makes what is made of them."""
    with monkeypatch.context() as patch:
        patch.setattr(raysim.study, "derive", stop)
        assert main(["simulate", str(scene), "--into", str(tmp_path / "out")]) == 130
    kept = "stopped; 1 of 1 source is kept. The same command goes on.\n"
    assert capsys.readouterr().err == kept
    assert traced == ["voice"]
    assert main(["simulate", str(scene), "--into", str(tmp_path / "out")]) == 0
    assert traced == ["voice"]
    assert (tmp_path / "out" / "index.html").exists()


# --- the result file is the only bridge -------------------------------------------------


def test_all_comes_again_from_the_result_file_alone(tmp_path, capsys):
    scene = write_quick(tmp_path / "room", more=MORE_SOURCES)
    assert main(["simulate", str(scene), "--into", str(tmp_path / "first")]) == 0
    shutil.rmtree(scene)
    (tmp_path / "moved").mkdir()
    shutil.copy(tmp_path / "first" / "results.h5", tmp_path / "moved" / "kept.h5")
    second = tmp_path / "second"
    assert main(["page", str(tmp_path / "moved" / "kept.h5"), "--into", str(second)]) == 0
    assert f"{second / 'index.html'}\n" in capsys.readouterr().out
    assert len(contents(second)) == 6
    assert contents(second) == contents(tmp_path / "first")


@pytest.mark.parametrize("at", ["write_derived", "write_tables", "write_page"])
@pytest.mark.parametrize("how", [KeyboardInterrupt, RaysimError])
def test_page_that_was_stopped_is_made_by_the_same_command(
    done, tmp_path, monkeypatch, at, how
):
    """Truth: what is made at once. Sounds may be there already, and no table yet."""
    shutil.copy(done / "results.h5", tmp_path / "kept.h5")
    command = ["page", str(tmp_path / "kept.h5"), "--into", str(tmp_path / "page")]

    def fail(*_):
        raise how([])

    with monkeypatch.context() as patch:
        patch.setattr(raysim.outputs, at, fail)
        assert main(command) in (2, 130)
    assert (tmp_path / "page" / "responses" / "voice-to-microphone.wav").exists()
    assert main(command) == 0
    assert contents(tmp_path / "page") == contents(done)


def test_page_stopped_between_its_tables(done, tmp_path, monkeypatch):
    shutil.copy(done / "results.h5", tmp_path / "kept.h5")
    command = ["page", str(tmp_path / "kept.h5"), "--into", str(tmp_path / "page")]
    assert main(command) == 0
    for name in ("index.html", "measures.json"):
        (tmp_path / "page" / name).unlink()
    (tmp_path / "page" / "responses" / ".voice-to-microphone.wav.part").write_bytes(b"RIFF")
    assert main(command) == 0
    (tmp_path / "page" / "responses" / ".voice-to-microphone.wav.part").unlink(missing_ok=True)
    assert contents(tmp_path / "page") == contents(done)


# --- help -------------------------------------------------------------------------------

_ASK = """
import sys
from raysim.cli import main
try:
    main(sys.argv[1:])
except SystemExit as ended:
    status = ended.code
print(*sorted({name.partition(".")[0] for name in sys.modules}))
sys.exit(status)
"""
HEAVY = {"numpy", "numba", "matplotlib", "h5py", "scipy", "trimesh", "shapely", "rich"}


def loaded(source, *arguments):
    ended = subprocess.run(
        [sys.executable, "-c", source, *arguments], capture_output=True, text=True, check=True
    )
    return set(ended.stdout.splitlines()[-1].split())


@pytest.mark.parametrize("arguments", [["--help"], ["simulate", "--help"], ["--version"]])
def test_help_loads_nothing_heavy(arguments):
    assert loaded(_ASK, *arguments) & HEAVY == set()


def test_load_check_can_fail():
    """Planted fault: a library is loaded at once."""
    assert loaded("import numpy\n" + _ASK, "--help") & HEAVY == {"numpy"}
