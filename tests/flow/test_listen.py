"""`raysim listen` from a result file to folders of sound: whole, or not at all.

Truth: the two kinds of version as the log and the files themselves say, read by another's
code; bytes of what stood there before.
"""

import json
import os
import re
import resource
import shutil

import numpy as np
import pytest
import soundfile
from quick import LAYOUTS, contents, write_quick

import raysim.listening.listen
from raysim.cli import main
from raysim.commands.listen import _usual
from raysim.errors import RaysimError, SettingsError, StoreError
from raysim.listening.dry import DrySound, dry_samples
from raysim.listening.listen import MICROPHONE, listen
from raysim.listening.loudness import loudness_lufs
from raysim.listening.voices import demo_sound, write_demo_sound
from raysim.response.heard import hear
from raysim.store.file import open_results
from raysim.study import folder_for, prepare_all, run

RATE = 48_000


@pytest.fixture(scope="module")
def results(tmp_path_factory):
    scene = write_quick(tmp_path_factory.mktemp("scene") / "quick-box", more=LAYOUTS)
    prepared = prepare_all(scene, ["as described", "panels"], [])
    return run(prepared, folder_for(prepared[0].described, scene / "out")).results


@pytest.fixture(scope="module", autouse=True)
def heard_once():
    """Make each response once for all tests: all of them play the same result file."""
    known = {}

    def kept(held, *asked):
        key = repr(asked)
        if key not in known:
            known[key] = hear(held, *asked)
        return known[key]

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(raysim.listening.listen, "hear", kept)
        yield


def said(capsys, *words):
    """Run the command and give its exit code, output and codes of complaints."""
    code = main(["listen", *map(str, words)])
    told = capsys.readouterr()
    return code, told.out, re.findall(r"\[(RS-[A-Z]\d\d)\]", told.err)


def test_command_writes_both_versions_and_a_log(results, tmp_path, capsys):
    write_demo_sound("voice", tmp_path / "talk.wav", 44_100)
    folder = tmp_path / "out"
    code, out, _ = said(capsys, results, "--dry", tmp_path / "talk.wav", "--into", folder)
    assert code == 0
    assert "turn the volume right down" in out
    assert sorted(contents(folder)) == [
        "level-true/talk-as-described.wav", "level-true/talk-panels.wav", "listen.json",
        "loudness-matched/talk-as-described.wav", "loudness-matched/talk-panels.wav",
    ]  # fmt: skip
    assert [p.name for p in tmp_path.iterdir() if p.name.startswith(".")] == []
    log = json.loads((folder / "listen.json").read_text(encoding="utf-8"))
    (one,) = log["sets"]
    assert (
        one["common_gain_db"] == one["versions"][0]["gain_db"] == one["versions"][1]["gain_db"]
    )
    loud = {}
    for version in one["versions"]:
        samples, rate = soundfile.read(folder / version["file"], always_2d=True)
        assert (rate, samples.shape) == (RATE, (one["n_sample"], 1))
        loud[version["file"]] = loudness_lufs(samples.T, rate)
        assert loud[version["file"]] == pytest.approx(version["loudness_lufs"], abs=0.01)
    values = list(loud.values())
    assert values[2] == pytest.approx(values[3], abs=0.1)
    # the panels take sound away, by more than matched versions may differ
    assert values[0] - values[1] > 0.1


def test_impulse_gives_what_is_heard_at_the_receiver(results, tmp_path):
    """An impulse of 1 at sample 0, its gain taken back, is the response of every layout."""
    click = np.zeros(RATE // 10)
    click[0] = 1.0
    with open_results(results) as held:
        made = listen(held, tmp_path / "out", dry=[dry_samples("click", click, RATE)])
        for version in made.sets[0].versions:
            got, _ = soundfile.read(made.folder / version.file, always_2d=True)
            got = got.T / 10.0 ** (version.gain_db / 20.0)
            wanted = hear(held, version.layout, "voice", "microphone", MICROPHONE, RATE).samples
            assert (
                np.abs(got[:, : wanted.shape[1]] - wanted).max() < 1e-6 * np.abs(wanted).max()
            )
            assert not got[:, wanted.shape[1] + click.size :].any()


def test_demo_sounds_by_head_at_96_khz_in_24_bit(results, tmp_path, capsys):
    code, out, _ = said(
        capsys, results, "--as", "head", "--rate", 96_000, "--bits", 24, "--layout", "panels",
        "--into", tmp_path / "out",
    )  # fmt: skip
    assert code == 0
    assert "head" in out or "ears" in out
    files = sorted((tmp_path / "out").rglob("*.wav"))
    assert len(files) == 10
    for path in files:
        about = soundfile.info(path)
        assert (about.samplerate, about.channels, about.subtype) == (96_000, 2, "PCM_24")
        samples, _ = soundfile.read(path)
        assert 0.01 < np.abs(samples).max() < 10.0 ** (-0.9 / 20.0)


def test_head_is_usual_where_people_listen():
    assert [_usual(use) for use in ("listening", "voice", "ensemble", None)] == [
        "head", "microphone", "microphone", "microphone",
    ]  # fmt: skip


def test_same_again_replaces_and_is_the_same(results, tmp_path, capsys):
    folder = tmp_path / "out"
    write_demo_sound("clicks", tmp_path / "c.wav")
    words = (results, "--dry", tmp_path / "c.wav", "--into", folder)
    assert said(capsys, *words)[0] == 0
    first = contents(folder)
    assert said(capsys, *words)[0] == 0
    assert contents(folder) == first
    # fewer layouts: nothing of the former set is left
    assert said(capsys, *words, "--layout", "panels")[0] == 0
    assert len(contents(folder)) == 3


@pytest.mark.parametrize("name", ["mine.txt", "level-true/other.wav"])
def test_what_is_not_ours_is_kept(results, tmp_path, capsys, name):
    folder = tmp_path / "out"
    write_demo_sound("clicks", tmp_path / "c.wav")
    words = (results, "--dry", tmp_path / "c.wav", "--into", folder)
    assert said(capsys, *words)[0] == 0
    (folder / name).write_text("notes")
    before = contents(folder)
    assert said(capsys, *words) == (2, "", ["RS-L33"])
    assert contents(folder) == before
    shutil.rmtree(folder)
    folder.mkdir()
    (folder / "listen.json").write_text('{"sets": []}')  # of someone else
    assert said(capsys, *words) == (2, "", ["RS-L33"])
    shutil.rmtree(folder)
    folder.write_text("a file")
    assert said(capsys, *words) == (2, "", ["RS-L33"])
    folder.unlink()
    folder.mkdir()  # an empty one is free
    assert said(capsys, *words)[0] == 0


def test_the_folder_one_stands_in_stays(results, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    place = os.stat(".").st_ino
    with open_results(results) as held:
        for _ in range(2):
            listen(held, ".", dry=[demo_sound("clicks", RATE)])
            assert os.stat(tmp_path).st_ino == place
            assert sorted(os.listdir(".")) == ["level-true", "listen.json", "loudness-matched"]


def test_move_that_fails_brings_the_old_back(results, tmp_path, monkeypatch):
    """A disk that fails at the very last step, when the old is out and half the new is in."""
    folder = tmp_path / "out"
    with open_results(results) as held:
        listen(held, folder, dry=[demo_sound("clicks", RATE)])
        before = contents(folder)
        replace = os.replace

        def failing(source, target):
            if os.path.dirname(target) == str(folder) and "new/listen.json" in str(source):
                raise OSError(5, "Input/output error")
            replace(source, target)

        monkeypatch.setattr(os, "replace", failing)
        with pytest.raises(RaysimError) as caught:
            listen(held, folder, dry=[demo_sound("noise", RATE)])
    assert caught.value.complaints[0].code == "RS-L28"
    assert contents(folder) == before
    assert os.listdir(tmp_path) == ["out"]


def broken(sound, error):
    """Give a dry sound that breaks off the third time it is played."""
    played = []

    def pieces():
        played.append(1)
        for i, piece in enumerate(np.array_split(np.concatenate(list(sound.pieces())), 4)):
            if len(played) == 3 and i == 2:
                raise error
            yield piece

    return DrySound("broken", "", sound.sample_rate_hz, sound.n_sample, pieces)


@pytest.mark.parametrize("error", [KeyboardInterrupt(), OSError(28, "No space left on device")])
def test_nothing_half_written(results, tmp_path, error):
    folder = tmp_path / "out"
    good = demo_sound("clicks", RATE)
    with open_results(results) as held:
        listen(held, folder, dry=[good])
        before = contents(folder)
        with pytest.raises((KeyboardInterrupt, RaysimError)) as caught:
            listen(held, folder, dry=[good, broken(good, error)])
    if isinstance(error, OSError):
        assert caught.value.complaints[0].code == "RS-L28"
    assert contents(folder) == before
    assert os.listdir(tmp_path) == ["out"]


@pytest.mark.parametrize("limit", [50_000, 500_000])
def test_disk_too_small(results, tmp_path, limit):
    """The system itself refuses to write on, early or late in a file."""
    before = resource.getrlimit(resource.RLIMIT_FSIZE)
    with open_results(results) as held:
        resource.setrlimit(resource.RLIMIT_FSIZE, (limit, before[1]))
        try:
            with pytest.raises(RaysimError) as caught:
                listen(held, tmp_path / "out", dry=[demo_sound("voice", RATE)])
        finally:
            resource.setrlimit(resource.RLIMIT_FSIZE, before)
    assert caught.value.complaints[0].code == "RS-L28"
    assert os.listdir(tmp_path) == []


def test_disk_known_to_be_too_small(results, tmp_path, monkeypatch):
    tiny = shutil.disk_usage(tmp_path)._replace(free=1000)
    monkeypatch.setattr(raysim.listening.listen.shutil, "disk_usage", lambda _path: tiny)
    with open_results(results) as held, pytest.raises(RaysimError) as caught:
        listen(held, tmp_path / "out", dry=[demo_sound("voice", RATE)])
    assert caught.value.complaints[0].code == "RS-L28"
    assert os.listdir(tmp_path) == []


@pytest.mark.parametrize(
    ("words", "code"),
    [
        (["--rate", 22_050], "RS-L32"),
        (["--bits", "16"], "RS-L32"),
        (["--as", "wall"], "RS-L32"),
        (["--receiver", "nobody"], "RS-L32"),
        (["--source", "voice", "--receiver", "nobody"], "RS-H08"),
        (["--layout", "panel"], "RS-H08"),
        (["--dry", "none.wav"], "RS-W01"),
    ],
)
def test_bad_words(results, tmp_path, capsys, words, code):
    got = said(capsys, results, *words, "--into", tmp_path / "out")
    assert got == (2, "", [code])
    assert os.listdir(tmp_path) == []


def test_all_bad_recordings_at_once(results, tmp_path, capsys):
    (tmp_path / "text.wav").write_text("words " * 100)
    words = ("--dry", tmp_path / "none.wav", "--dry", tmp_path / "text.wav")
    assert said(capsys, results, *words) == (2, "", ["RS-W01", "RS-W03"])
    assert said(capsys, tmp_path / "none.h5") == (2, "", ["RS-H01"])


def test_cautions_are_said_and_logged(results, tmp_path, capsys):
    loud = np.clip(20.0 * next(demo_sound("string", RATE).pieces()), -1.0, 1.0)
    soundfile.write(tmp_path / "hot.wav", loud, RATE)
    words = ("--dry", tmp_path / "hot.wav", "--into", tmp_path / "out", "--layout", "panels")
    code, out, _ = said(capsys, results, *words)
    assert code == 0
    assert "RS-L21" in out
    log = json.loads((tmp_path / "out" / "listen.json").read_text(encoding="utf-8"))
    assert "RS-L21" in log["sets"][0]["dry_cautions"][0]


def test_two_sounds_of_one_name(results, tmp_path):
    one = demo_sound("clicks", RATE)
    with open_results(results) as held:
        with pytest.raises(SettingsError) as caught:
            listen(held, tmp_path / "out", dry=[one, one])
        assert caught.value.complaints[0].code == "RS-L32"
        assert os.listdir(tmp_path) == []
        (tmp_path / "file").write_text("x")
        with pytest.raises(StoreError) as caught:
            listen(held, tmp_path / "file" / "out", dry=[one])
        assert caught.value.complaints[0].code == "RS-F05"
