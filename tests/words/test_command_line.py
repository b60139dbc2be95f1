"""What a command line can be given by mistake: one clear message, and nothing half done.

Truth: the message's code, exit code 2, and the files before and after.
"""

import errno
import io
import os
import re
import resource
import shutil
import subprocess
import sys

import h5py
import numpy as np
import pytest
import soundfile
from quick import write_quick
from rich.console import Console

import raysim
from raysim.checklist import material_table
from raysim.cli import main
from raysim.measures.recorded import measure_recorded
from raysim.report.recorded import recorded_table
from raysim.response.wav import read_wav, write_wav
from raysim.scene.conditions import RAYS, SEED
from raysim.scene.materials import catalogue
from raysim.scene.model import Bands
from raysim.store.file import open_results
from raysim.study import prepare, with_settings


def files_in(folder):
    """Give the content of every file under a folder."""
    return {p: p.read_bytes() for p in folder.rglob("*") if p.is_file()}


def refused(capsys, *arguments):
    """Run a command that must complain once; give the line without its code, and the code."""
    status = main([str(a) for a in arguments])
    out, err = capsys.readouterr()
    assert status == 2
    assert "Traceback" not in err
    (line,) = err.splitlines()
    assert not out or out.startswith("Warning: ")  # of the scene, which is sound
    text, _, code = line.rpartition(" [")
    return text, code.rstrip("]")


@pytest.fixture(scope="module")
def done(tmp_path_factory):
    """Results of a run that went well, not to be changed; it has compiled the kernels."""
    folder = tmp_path_factory.mktemp("done")
    scene = write_quick(folder / "room")
    assert main(["simulate", str(scene), "--into", str(folder / "results")]) == 0
    return folder / "results"


@pytest.fixture
def scene(tmp_path, done):
    return write_quick(tmp_path / "room")


# --- where results go -------------------------------------------------------------------


def test_folder_below_a_file(scene, tmp_path, capsys):
    (tmp_path / "notes.txt").write_text("mine")
    text, code = refused(capsys, "simulate", scene, "--into", tmp_path / "notes.txt" / "x")
    assert code == "RS-F05"
    assert f'"{tmp_path / "notes.txt"}" is a file' in text
    assert (tmp_path / "notes.txt").read_text() == "mine"


def test_file_in_place_of_the_folder(scene, tmp_path, capsys):
    (tmp_path / "notes.txt").write_text("mine")
    _, code = refused(capsys, "simulate", scene, "--into", tmp_path / "notes.txt")
    assert code == "RS-F05"
    assert (tmp_path / "notes.txt").read_text() == "mine"


def test_folder_in_place_of_the_result_file(scene, tmp_path, capsys):
    (tmp_path / "out" / "results.h5").mkdir(parents=True)
    text, code = refused(capsys, "simulate", scene, "--into", tmp_path / "out")
    assert code == "RS-H05"
    assert "is a folder" in text
    assert files_in(tmp_path / "out") == {}


@pytest.mark.skipif(os.geteuid() == 0, reason="root may write everywhere")
def test_folder_without_the_right_to_write(scene, tmp_path, capsys):
    (tmp_path / "out").mkdir(mode=0o555)
    _, code = refused(capsys, "simulate", scene, "--into", tmp_path / "out")
    assert code == "RS-H05"


@pytest.mark.parametrize("name", ["index.html", "measures.csv"])
def test_folder_in_place_of_a_page_or_table(scene, tmp_path, capsys, name):
    """Told after the rays, which are kept: the next run takes them up."""
    (tmp_path / "out" / name).mkdir(parents=True)
    _, code = refused(capsys, "simulate", scene, "--into", tmp_path / "out")
    assert code == "RS-H05"
    assert (tmp_path / "out" / "results.h5").exists()
    (tmp_path / "out" / name).rmdir()
    assert main(["simulate", str(scene), "--into", str(tmp_path / "out")]) == 0
    assert "1 source was complete" in capsys.readouterr().out


def test_foreign_file_is_never_replaced(scene, tmp_path, capsys):
    (tmp_path / "out").mkdir()
    with h5py.File(tmp_path / "out" / "results.h5", "w") as file:
        file["temperature"] = np.arange(3.0)
    before = files_in(tmp_path / "out")
    _, code = refused(capsys, "simulate", scene, "--into", tmp_path / "out")
    assert code == "RS-H02"
    assert files_in(tmp_path / "out") == before


FOREIGN = {
    "index.html": "<p>My garden</p>",
    "measures.csv": "flour,2 cups\n",
    "measures.json": '{"flour": "2 cups"}',
    "responses/letter.txt": "Dear all",
    "responses/song.wav": "RIFF of mine",
}


@pytest.mark.parametrize("name", FOREIGN)
@pytest.mark.parametrize("command", ["simulate", "page"])
def test_files_of_our_names_are_not_written_over(
    scene, done, tmp_path, capsys, monkeypatch, name, command
):
    """Truth: a folder of someone's stays as it was, and nothing is computed for it."""
    monkeypatch.setattr("raysim.spread.units.trace_source", None)
    path = tmp_path / "out" / name
    path.parent.mkdir(parents=True)
    path.write_text(FOREIGN[name])
    before = files_in(tmp_path / "out")
    given = scene if command == "simulate" else done / "results.h5"
    text, code = refused(capsys, command, given, "--into", tmp_path / "out")
    assert code == "RS-F06"
    assert f'"{name.partition("/")[0]}"' in text
    assert files_in(tmp_path / "out") == before


@pytest.mark.parametrize("command", ["simulate", "page"])
def test_result_file_of_others_does_not_make_a_folder_ours(
    scene, done, tmp_path, capsys, command
):
    (tmp_path / "out").mkdir()
    (tmp_path / "out" / "index.html").write_text(FOREIGN["index.html"])
    (tmp_path / "out" / "results.h5").write_text("not a result file")
    before = files_in(tmp_path / "out")
    given = scene if command == "simulate" else done / "results.h5"
    _, code = refused(capsys, command, given, "--into", tmp_path / "out")
    assert code == "RS-F06"
    assert files_in(tmp_path / "out") == before


def test_page_of_a_result_file_that_cannot_be_replaced(done, tmp_path, capsys):
    """Told before anything is made: here a folder stands where the new file is written."""
    shutil.copy(done / "results.h5", tmp_path)
    (tmp_path / "results.h5.part").mkdir()
    _, code = refused(capsys, "page", tmp_path / "results.h5", "--into", tmp_path / "out")
    assert code == "RS-H05"
    assert not (tmp_path / "out").exists()


def test_files_of_other_names_are_no_hindrance(done, tmp_path, capsys):
    """Nor is an empty folder of our name, nor a page that we wrote before."""
    (tmp_path / "out" / "responses").mkdir(parents=True)
    (tmp_path / "out" / "letter.txt").write_text("Dear all")
    for _ in range(2):
        command = ["page", str(done / "results.h5"), "--into", str(tmp_path / "out")]
        assert main(command) == 0
    assert (tmp_path / "out" / "letter.txt").read_text() == "Dear all"


# --- disks that fill --------------------------------------------------------------------


@pytest.mark.parametrize("number", [errno.ENOSPC, errno.EIO])
def test_disk_that_fails_while_results_are_written(
    scene, tmp_path, capsys, monkeypatch, number
):
    def fail(*_):
        raise OSError(number, os.strerror(number))

    monkeypatch.setattr(os, "fsync", fail)
    text, code = refused(capsys, "simulate", scene, "--into", tmp_path / "out")
    assert code == "RS-H06"
    assert "disk" in text
    assert files_in(tmp_path / "out") == {}


def whole(folder):
    """Tell if every result file and every sound in a folder can be read to its end."""
    for path in folder.rglob("*"):
        if path.suffix == ".h5":
            with open_results(path) as results:
                for layout in results.layout_names:
                    for names in results.pair_names(layout):
                        results.pair(layout, *names)
        elif path.suffix == ".wav":
            with soundfile.SoundFile(path) as sound:
                header = int.from_bytes(path.read_bytes()[4:8], "little")
                if header + 8 != path.stat().st_size or sound.frames < 1000:
                    return False
        elif path.is_file():
            return False  # a page or table before its time, or a part of one
    return True


#: Bytes that a file may have: less than the result file, less than a sound, less than the
#: result file with responses in it.
LIMITS = (100_000, 40_000, 0)


@pytest.mark.parametrize("limit", LIMITS)
def test_disk_that_is_really_too_small(scene, tmp_path, capsys, limit):
    """The system itself refuses, wherever in the run that may be."""
    before = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (limit, before[1]))
    try:
        _, code = refused(capsys, "simulate", scene, "--into", tmp_path / "out")
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, before)
    assert code in ("RS-H06", "RS-W09")
    assert whole(tmp_path / "out")


def test_disk_too_small_for_the_sound(done, tmp_path, capsys, monkeypatch):
    """The result file is there already and stays as it was; no sound is left half."""
    shutil.copy(done / "results.h5", tmp_path)
    before = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (20_000, before[1]))
    try:
        _, code = refused(capsys, "page", tmp_path / "results.h5")
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, before)
    assert code == "RS-W09"
    assert list(files_in(tmp_path)) == [tmp_path / "results.h5"]
    assert files_in(tmp_path)[tmp_path / "results.h5"] == (done / "results.h5").read_bytes()


def test_wholeness_check_can_fail(done, tmp_path):
    """Planted fault: a sound, or a result file, that ends too early."""
    shutil.copytree(done / "responses", tmp_path / "responses")
    assert whole(tmp_path)
    (sound,) = (tmp_path / "responses").iterdir()
    sound.write_bytes(sound.read_bytes()[:-400])
    assert not whole(tmp_path)
    sound.unlink()
    (tmp_path / "results.h5").write_bytes((done / "results.h5").read_bytes()[:-400])
    with pytest.raises(raysim.RaysimError):
        whole(tmp_path)


# --- result files to make a page from ---------------------------------------------------


def _truncated(path, good):
    path.write_bytes(good.read_bytes()[: good.stat().st_size // 2])


def _foreign(path, _good):
    with h5py.File(path, "w") as file:
        file["temperature"] = np.arange(3.0)


def _text(path, _good):
    path.write_text("not a result file")


def _folder(path, _good):
    path.mkdir()


def _nothing(_path, _good):
    pass


@pytest.mark.parametrize(
    ("make", "code"),
    [
        (_truncated, "RS-H03"),
        (_foreign, "RS-H02"),
        (_text, "RS-H02"),
        (_folder, "RS-H01"),
        (_nothing, "RS-H01"),
    ],
)
def test_page_from_what_is_no_result_file(done, tmp_path, capsys, make, code):
    path = tmp_path / "results.h5"
    make(path, done / "results.h5")
    before = sorted(tmp_path.rglob("*")), files_in(tmp_path)
    text, got = refused(capsys, "page", path)
    assert got == code
    assert text.startswith(f"{path}: ")
    assert (sorted(tmp_path.rglob("*")), files_in(tmp_path)) == before


def test_page_below_a_file(done, tmp_path, capsys):
    (tmp_path / "notes.txt").write_text("mine")
    _, code = refused(
        capsys, "page", done / "results.h5", "--into", tmp_path / "notes.txt" / "x"
    )
    assert code == "RS-F05"


# --- recordings -------------------------------------------------------------------------


def decay(n_channel=1):
    rng = np.random.default_rng(11)
    envelope = np.exp(-np.arange(24_000) / 48_000 * 13.8 / 0.5)
    return (rng.normal(size=(24_000, n_channel)) * envelope[:, None] * 0.1).squeeze()


def _sound(path, samples):
    soundfile.write(path, samples, 48_000)


RECORDINGS = {
    "missing": (lambda _: None, [], "RS-W01"),
    "folder": (lambda p: p.mkdir(), [], "RS-W01"),
    "empty": (lambda p: p.write_bytes(b""), [], "RS-W02"),
    "no samples": (lambda p: _sound(p, np.zeros(0)), [], "RS-W02"),
    "text": (lambda p: p.write_text("not a sound"), [], "RS-W03"),
    "silent": (lambda p: _sound(p, np.zeros(24_000)), [], "RS-W07"),
    "stereo": (lambda p: _sound(p, decay(2)), [], "RS-W04"),
    "no such channel": (lambda p: _sound(p, decay(2)), ["--channel", "3"], "RS-W05"),
    "not finite": (
        lambda p: soundfile.write(p, np.full(24_000, np.nan), 48_000, subtype="FLOAT"),
        [],
        "RS-W06",
    ),
    "a click": (lambda p: _sound(p, np.eye(1, 24_000, 23_990)[0]), [], "RS-W11"),
    "header only": (lambda p: p.write_bytes(b"RIFF\x24\x00\x00\x00WAVEfmt "), [], "RS-W03"),
}


@pytest.mark.parametrize("name", RECORDINGS)
def test_recording_that_cannot_be_measured(tmp_path, capsys, name):
    make, more, expected = RECORDINGS[name]
    make(tmp_path / "room.wav")
    text, code = refused(capsys, "measure", tmp_path / "room.wav", *more)
    assert code == expected
    assert text.startswith(f"{tmp_path / 'room.wav'}: ")


@pytest.mark.parametrize("kept", [0.001, 0.01, 0.1, 0.5, 0.97])
def test_truncated_recording(tmp_path, capsys, kept):
    """Measured as far as it goes, or refused: never a traceback."""
    _sound(tmp_path / "room.wav", decay())
    data = (tmp_path / "room.wav").read_bytes()
    (tmp_path / "room.wav").write_bytes(data[: int(kept * len(data))])
    status = main(["measure", str(tmp_path / "room.wav")])
    out, err = capsys.readouterr()
    assert "Traceback" not in err
    assert (status, bool(out), len(err.splitlines())) in ((0, True, 0), (2, False, 1))


def test_sound_recordings_are_measured_beside_broken_ones(tmp_path, capsys):
    _sound(tmp_path / "good.wav", decay())
    _sound(tmp_path / "silent.wav", np.zeros(24_000))
    arguments = [str(tmp_path / n) for n in ("silent.wav", "good.wav", "none.wav")]
    assert main(["measure", *arguments]) == 2
    out, err = capsys.readouterr()
    assert "good.wav" in out
    assert "T30" in out
    assert [line.rpartition(" ")[2] for line in err.splitlines()[:2]] == [
        "[RS-W07]",
        "[RS-W01]",
    ]


def test_stereo_with_a_channel_is_measured(tmp_path, capsys):
    _sound(tmp_path / "room.wav", decay(2))
    assert main(["measure", str(tmp_path / "room.wav"), "--channel", "2"]) == 0
    assert "T30" in capsys.readouterr().out


def test_own_responses_can_be_measured(tmp_path, capsys):
    write_wav(tmp_path / "room.wav", decay(), 48_000)
    assert main(["measure", str(tmp_path / "room.wav")]) == 0
    assert capsys.readouterr().err == ""


#: The columns of `measure`, and their decimals.
SHOWN = {
    "edt_s": 2, "t20_s": 2, "t30_s": 2, "curvature_pct": 0, "c50_db": 1, "c80_db": 1,
    "d50": 2, "ts_s": 3, "range_db": 0,
}  # fmt: skip


@pytest.mark.parametrize("fraction", [1, 3])
@pytest.mark.parametrize("columns", [64, 80, 110])
def test_measures_of_a_recording_are_never_cut(tmp_path, columns, fraction):
    """Truth: the numbers themselves. Each stands whole in its band's row and column."""
    write_wav(tmp_path / "room.wav", decay(), 48_000)
    recording, bands, shown = read_wav(tmp_path / "room.wav"), Bands(fraction), io.StringIO()
    found = measure_recorded(recording.samples, recording.sample_rate_hz, bands)
    table = recorded_table("a [b].wav", recording, found, bands)
    Console(width=columns, file=shown).print(table)
    lines = shown.getvalue().splitlines()
    assert lines[0].strip() == "a [b].wav"
    assert max(map(len, lines)) <= columns
    assert "…" not in shown.getvalue()
    for i, label in enumerate(bands.labels):
        (row,) = [line.split() for line in lines if line.split()[:1] == [label]]
        expected = [label]
        for name, places in SHOWN.items():
            value = getattr(found, name)[i]
            expected.append(f"{value:.{places}f}" if np.isfinite(value) else "-")
            error = found.error.get(name, np.full(24, np.nan))[i]
            if columns >= 80 and np.isfinite(value) and np.isfinite(error):
                less = "<" if error < 0.01 else ""
                expected.append(f"±{less}{max(error, 0.01):.2f}".replace("0.", "."))
        assert row == [re.sub(r"^-(0\.?0*)$", r"\1", cell) for cell in expected]


# --- options ----------------------------------------------------------------------------


@pytest.mark.parametrize(
    "option",
    [
        ["--rays", "0"],
        ["--rays", "99"],
        ["--rays", "-5"],
        ["--rays", "9" * 400],
        ["--seed", "-1"],
        ["--seed", str(2**53 + 1)],
        ["--until-t30", "-1"],
        ["--until-t30", "99"],
        ["--until-t30", "nan"],
        ["--until-t30", "inf"],
        ["--threads", "0"],
        ["--threads", "100000"],
    ],
    ids=lambda option: " ".join(option)[:24],
)
def test_number_that_no_run_can_have(scene, tmp_path, capsys, option):
    text, code = refused(capsys, "simulate", scene, "--into", tmp_path / "out", *option)
    assert code == "RS-P01"
    assert text.startswith(option[0])
    assert not (tmp_path / "out").exists()


def test_all_wrong_numbers_at_once(scene, tmp_path, capsys):
    arguments = ["simulate", str(scene), "--rays", "1", "--seed", "-1", "--until-t30", "99"]
    assert main(arguments) == 2
    err = capsys.readouterr().err
    assert err.count("[RS-P01]") == 3


@pytest.mark.parametrize(("key", "limits"), [("rays", RAYS), ("seed", SEED)])
def test_limits_are_those_of_the_scene_file(scene, tmp_path, capsys, key, limits):
    """Truth: the other way to say it. What one refuses the other refuses, and no more."""
    for number in (limits[0] - 1, limits[0], limits[1], limits[1] + 1):
        said = f"[simulate]\n{key} = {number}\nmax_rays = {RAYS[1]}\n"
        text = (scene / "scene.toml").read_text()
        (tmp_path / "scene.toml").write_text(text[: text.index("[simulate]")] + said)
        given = {"n_ray" if key == "rays" else key: number}
        takes = []
        for ask in (
            lambda: prepare(tmp_path),
            lambda given=given: with_settings(prepare(scene), **given),
        ):
            try:
                ask()
                takes.append(True)
            except raysim.RaysimError:
                takes.append(False)
        assert takes == [limits[0] <= number <= limits[1]] * 2


def test_channel_zero(tmp_path, capsys):
    _, code = refused(capsys, "measure", tmp_path / "room.wav", "--channel", "0")
    assert code == "RS-P01"


def test_message_that_is_none(capsys):
    text, code = refused(capsys, "message", "NOPE")
    assert code == "RS-P02"
    assert "NOPE" in text


@pytest.mark.parametrize("code", ["RS-S4", "s4", "RSS4", "RS-S04"])
def test_message_without_its_zero(capsys, code):
    assert main(["message", code]) == 0
    assert capsys.readouterr().out.startswith("The value has the wrong kind")


@pytest.mark.parametrize("code", ["RS-G14", "rs-g14", " RS-G14 ", "g14", "[RS-G14]", "RSG14"])
def test_message_that_is_one(capsys, code):
    assert main(["message", code]) == 0
    assert "not closed" in capsys.readouterr().out


@pytest.mark.parametrize(
    "arguments",
    [
        [],
        ["paint"],
        ["check"],
        ["simulate", "a", "b"],
        ["simulate", "a", "--rays", "many"],
        ["simulate", "a", "--rays", "9" * 5000],
        ["measure"],
        ["measure", "a.wav", "--channel", "left"],
        ["page"],
    ],
    ids=lambda a: " ".join(a)[:24] or "nothing",
)
def test_words_that_are_no_command(capsys, arguments):
    with pytest.raises(SystemExit) as ended:
        main(arguments)
    assert ended.value.code == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert err.startswith("usage: raysim")
    assert "Traceback" not in err


# --- names and places -------------------------------------------------------------------


def test_names_with_brackets_and_colons_are_shown_as_they_are(tmp_path, capsys):
    """They are no markup, and no picture names, for the terminal."""
    names = [('"voice"', '"[bold]voice :horn:"'), ('"microphone"', '"ear [red]"')]
    scene = write_quick(tmp_path / "room", *names, ('title = "Quick box"', 'title = "[b]Q"'))
    assert main(["check", str(scene)]) == 0
    assert "[b]Q" in capsys.readouterr().out
    assert main(["simulate", str(scene), "--into", str(tmp_path / "out [x]")]) == 0
    out = capsys.readouterr().out
    assert "[bold]voice :horn: → ear [red]" in out
    assert f"{tmp_path / 'out [x]' / 'index.html'}\n" in out
    assert (tmp_path / "out [x]" / "responses" / "bold-voice-horn-to-ear-red.wav").exists()


@pytest.mark.parametrize("columns", [80, 110])
def test_names_of_materials_are_never_cut(columns):
    """Truth: the catalogue. Each name stands whole at the start of a line that fits."""
    materials, shown = catalogue(Bands()), io.StringIO()
    Console(width=columns, file=shown).print(material_table(materials.values(), Bands()))
    lines = shown.getvalue().splitlines()
    assert max(map(len, lines)) <= columns
    assert "…" not in "".join(lines)
    assert set(materials) <= {line.split(" ")[0] for line in lines}
    (row,) = [line.split() for line in lines if line.startswith("board_on_studs ")]
    assert row[1:7] == [".10", ".08-.30", ".05", ".04-.06", ".05", ".03-.09"]


def test_result_file_is_no_scene(done, capsys):
    text, code = refused(capsys, "check", done / "results.h5")
    assert code == "RS-F03"
    assert "result file" in text
    assert "`raysim page`" in text


def test_long_places_stay_on_one_line(done, tmp_path, capsys):
    folder = tmp_path / ("a long name " * 10).strip() / ("another one " * 10).strip()
    shutil.copy(done / "results.h5", tmp_path)
    assert main(["page", str(tmp_path / "results.h5"), "--into", str(folder)]) == 0
    assert f"{folder / 'index.html'}\n" in capsys.readouterr().out


def test_pairs_of_like_names_each_keep_their_sound(tmp_path, capsys):
    more = '\n[[source]]\nname = "Voice!"\nat_m = [2.0, 0.8, 0.7]\n'
    scene = write_quick(tmp_path / "room", more=more)
    assert main(["simulate", str(scene), "--into", str(tmp_path / "out")]) == 0
    capsys.readouterr()
    first, second = sorted((tmp_path / "out" / "responses").iterdir())
    assert first.read_bytes() != second.read_bytes()


@pytest.mark.parametrize("encoding", ["ascii", "cp1252", "utf-8"])
def test_terminal_without_greek_is_no_failure(encoding):
    ended = subprocess.run(
        [sys.executable, "-m", "raysim", "materials"],
        capture_output=True,
        env={**os.environ, "PYTHONIOENCODING": encoding},
    )
    assert (ended.returncode, ended.stderr) == (0, b"")
    assert ("α" in ended.stdout.decode(encoding)) == (encoding == "utf-8")


@pytest.mark.skipif(sys.platform != "linux", reason="other systems refuse such names")
def test_name_that_is_no_text(tmp_path):
    """Truth: the recording is measured like any other, or missed like any other."""
    path = os.fsencode(tmp_path) + b"/room \xff.wav"
    ended = []
    for make in (None, decay()):
        if make is not None:
            _sound(tmp_path / "room.wav", make)
            os.rename(tmp_path / "room.wav", path)
        command = [sys.executable, "-m", "raysim", "measure", path]
        ended.append(subprocess.run(command, capture_output=True))
    assert [e.returncode for e in ended] == [2, 0]
    assert ended[0].stderr.endswith(b" [RS-W01]\n")
    assert b"T30" in ended[1].stdout
    assert ended[1].stderr == b""


@pytest.mark.parametrize("command", [["materials"], ["message", "RS-S04"], ["--help"]])
def test_reader_that_leaves_is_no_failure(command):
    """As in ``raysim materials | head -1``, but sooner."""
    ours, theirs = os.pipe()
    os.close(ours)
    process = subprocess.run(
        [sys.executable, "-m", "raysim", *command], stdout=theirs, stderr=subprocess.PIPE
    )
    os.close(theirs)
    assert process.stderr == b""
    assert process.returncode == 0
