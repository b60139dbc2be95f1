"""`raysim kit` from a result file to a listening test, and back from answers to counts.

Truth: what `raysim listen` writes of the same sound; the files themselves, read by
another's code; bytes of what stood there before.
"""

import base64
import io
import json
import re

import numpy as np
import pytest
import soundfile
from kits import pair_answers, preference_answers, rating_answers, written
from quick import LAYOUTS, contents, write_quick

import raysim.listening.listen
import raysim.listening.make_kit
from raysim.cli import main
from raysim.listening.key import pair_order, preference_order, screen_orders, seal_of
from raysim.listening.listen import listen
from raysim.listening.loudness import loudness_lufs
from raysim.listening.rating_page import HIDDEN
from raysim.listening.voices import demo_sound, write_demo_sound
from raysim.response.heard import hear
from raysim.store.file import open_results
from raysim.study import folder_for, prepare_all, run

RATE = 48_000
FILES = ["key.json", "kit.html", "kit.json", "sheet.html"]
PAIR = ("--layout", "as described", "--layout", "panels")


@pytest.fixture(scope="module")
def results(tmp_path_factory):
    scene = write_quick(tmp_path_factory.mktemp("scene") / "quick-box", more=LAYOUTS)
    prepared = prepare_all(scene, ["as described", "panels"], ["as described", "cleared"])
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
        patch.setattr(raysim.listening.make_kit, "hear", kept)
        yield


def said(capsys, *words):
    """Run the command and give its exit code, output and codes of complaints."""
    code = main(["kit", *map(str, words)])
    told = capsys.readouterr()
    return code, told.out, re.findall(r"\[(RS-[A-Z]\d\d)\]", told.err)


def in_page(folder):
    """Give a page's data, with its clips as samples (channel, sample)."""
    html = (folder / "kit.html").read_text(encoding="utf-8")
    data = json.loads(re.search(r"var data = (\{.*\}), K = raysimKit", html)[1])
    data["clips"] = [
        soundfile.read(io.BytesIO(base64.b64decode(one)), always_2d=True)[0].T
        for one in data["clips"]
    ]
    data["names"] = json.loads(base64.b64decode(data["names"]))
    return data


def test_pair_plays_what_listen_plays(results, tmp_path, capsys):
    """Truth: the other command's files, at this one's gain. Tolerance: 16 bits and dither.

    The gains of the two clips are taken from the log, so a gain that is told wrong fails.
    """
    code, out, _ = said(capsys, results, *PAIR, "--trials", 24, "--into", tmp_path / "kit")
    assert code == 0
    assert "24 trials" in out
    assert "turn the volume right down" in out
    assert sorted(contents(tmp_path / "kit")) == FILES
    data = in_page(tmp_path / "kit")
    assert data["names"] == ["as described", "panels"]
    log = json.loads((tmp_path / "kit/kit.json").read_text(encoding="utf-8"))
    assert (log["n_trial"], log["kind"]) == (24, "pair")
    with open_results(results) as held:
        made = listen(
            held, tmp_path / "listen", dry=[demo_sound("voice", RATE)], layouts=data["names"]
        )
    wrong = []
    for i, told in enumerate(log["sounds"][0]["clips"]):
        version = made.sets[0].versions[2 + i]
        wanted = soundfile.read(made.folder / version.file, always_2d=True)[0].T
        gain = 10.0 ** ((told["gain_db"] - version.gain_db) / 20.0)
        n = data["clips"][i].shape[1] - int(0.06 * RATE)  # before the common fade
        for j, clip in enumerate(data["clips"]):
            off = np.abs(clip[:, 480:n] - gain * wanted[:, 480:n]).max()
            if off > 2.5 / 32768:
                wrong.append((i, j))
    assert wrong == [(0, 1), (1, 0)]  # each is itself, and not the other
    loud = [loudness_lufs(clip, RATE) for clip in data["clips"]]
    assert loud[0] == pytest.approx(loud[1], abs=0.1)
    assert loud[0] == pytest.approx(log["sounds"][0]["clips"][0]["loudness_lufs"], abs=0.02)


def test_key_unseals_the_sheet(results, tmp_path, capsys):
    """Truth: the order drawn again from the key's secret; a fresh one for each kit."""
    seeds = []
    for name in ("a", "b"):
        assert said(capsys, results, *PAIR, "--into", tmp_path / name)[0] == 0
        key = json.loads((tmp_path / name / "key.json").read_text(encoding="utf-8"))
        seeds.append(key["seed"])
        order = pair_order(key["seed"], 16)
        assert key["the first"] == ("as described", "panels")[order.first]
        sheet = (tmp_path / name / "sheet.html").read_text(encoding="utf-8")
        assert seal_of(key["seed"]) in sheet
        assert key["seed"] not in sheet
        for told in ("panels", "as described"):
            assert told not in sheet
            assert told not in (tmp_path / name / "kit.html").read_text(encoding="utf-8")
    assert seeds[0] != seeds[1]


def test_many_layouts_are_rated(results, tmp_path, capsys):
    """The dry sound is the reference, or a layout is; head and microphone; two screens."""
    folder = tmp_path / "kit"
    code, out, _ = said(capsys, results, "--as", "head", "--into", folder)
    assert code == 0
    assert "4 layouts" in out
    data = in_page(folder)
    assert [one["reference"] for one in data["screens"]] == [
        "the dry sound, the same in both ears"
    ] * 2
    assert data["names"][0][0] == HIDDEN
    assert len(data["names"][0]) == 8
    first = data["clips"][0]
    assert first.shape[0] == 2
    assert np.abs(first[0] - first[1]).max() < 2.5 / 32768  # the dither differs
    for of_screen in (data["clips"][:8], data["clips"][8:]):
        loud = [loudness_lufs(clip, RATE) for clip in of_screen]
        assert max(loud) - min(loud) < 0.1
    key = json.loads((folder / "key.json").read_text(encoding="utf-8"))
    orders = screen_orders(key["seed"], [8, 8])
    assert [list(s.values()) for s in key["screens"]] == [
        [names[i] for i in order] for names, order in zip(data["names"], orders, strict=True)
    ]

    words = (results, "--as", "microphone", "--reference", "panels", "--into", folder)
    assert said(capsys, *words)[0] == 0
    data = in_page(folder)
    assert data["screens"][0]["reference"] == "the layout “panels”"
    assert "panels" not in data["names"][0]
    assert len(data["names"][0]) == 7


def test_preference_is_asked(results, tmp_path, capsys):
    """All four layouts, every pair either way round: twelve comparisons."""
    folder = tmp_path / "kit"
    code, out, _ = said(capsys, results, "--prefer", "--into", folder)
    assert code == 0
    assert "12 comparisons" in out
    assert sorted(contents(folder)) == FILES
    data = in_page(folder)
    loud = [loudness_lufs(clip, RATE) for clip in data["clips"]]
    assert len(loud) == 4
    assert max(loud) - min(loud) < 0.1
    key = json.loads((folder / "key.json").read_text(encoding="utf-8"))
    order = preference_order(key["seed"], 1, 4)
    assert [one["the left one"] for one in key["comparisons"]] == [
        data["names"][left] for _, left, _ in order
    ]


def test_recording_is_played_from_where_asked(results, tmp_path, capsys):
    """Truth: a begin in the middle gives other clips; none after the end."""
    write_demo_sound("string", tmp_path / "song.wav", 44_100)
    words = (results, *PAIR, "--dry", tmp_path / "song.wav", "--into", tmp_path / "kit")
    assert said(capsys, *words)[0] == 0
    whole = in_page(tmp_path / "kit")["clips"][0]
    key = (tmp_path / "kit" / "key.json").read_bytes()
    code, out, _ = said(capsys, *words, "--begin", 2)
    assert code == 0
    part = in_page(tmp_path / "kit")["clips"][0]
    assert whole.shape[1] - part.shape[1] == pytest.approx(2 * RATE, abs=RATE // 100)
    assert said(capsys, *words, "--begin", 60)[::2] == (2, ["RS-L45"])
    # sheets printed of the first kit can still be counted
    (kept,) = (tmp_path / "kit").glob("key-*.json")
    assert kept.read_bytes() == key
    assert str(kept) in out
    assert (tmp_path / "kit" / "key.json").read_bytes() != key


@pytest.mark.parametrize(
    ("words", "codes"),
    [
        (("--layout", "panels"), ["RS-L40"]),
        (("--layout", "panels", "--layout", "panels"), ["RS-L46"]),
        (("--layout", "panels", "--layout", "panel"), ["RS-H08"]),
        ((*PAIR, "--trials", "20"), ["RS-L47"]),
        (("--trials", "16"), ["RS-L47"]),
        ((*PAIR, "--prefer", "--trials", "16"), ["RS-L47"]),
        ((*PAIR, "--reference", "panels"), ["RS-L52"]),
        ((*PAIR, "--prefer", "--reference", "panels"), ["RS-L40", "RS-L52"]),
        ((*PAIR, "--as", "ghost"), ["RS-L32"]),
        ((*PAIR, "--receiver", "nobody"), ["RS-L32"]),
        ((*PAIR, "--dry", "nothing.wav"), ["RS-W01"]),
        (("--layout", "as described", "--reference", "panels"), ["RS-L40"]),
    ],
)
def test_what_cannot_be_asked_is_refused(results, tmp_path, capsys, words, codes):
    """Nothing is written then."""
    folder = tmp_path / "kit"
    assert said(capsys, results, *words, "--into", folder)[::2] == (2, codes)
    assert not folder.exists()


def test_two_sounds_for_a_pair_are_refused(results, tmp_path, capsys):
    for name in ("a", "b"):
        write_demo_sound("clicks", tmp_path / f"{name}.wav")
    dry = ("--dry", tmp_path / "a.wav", "--dry", tmp_path / "b.wav")
    assert said(capsys, results, *PAIR, *dry)[::2] == (2, ["RS-L52"])


def test_foreign_files_stay(results, tmp_path, capsys):
    """Truth: their bytes; our own files are replaced."""
    folder = tmp_path / "kit"
    folder.mkdir()
    (folder / "kit.html").write_text("a page of mine", encoding="utf-8")
    words = (results, *PAIR, "--into", folder)
    assert said(capsys, *words)[::2] == (2, ["RS-L50"])
    assert contents(folder) == {"kit.html": b"a page of mine"}
    (folder / "kit.html").unlink()
    assert said(capsys, *words)[0] == 0
    first = contents(folder)
    assert said(capsys, *words)[0] == 0
    assert contents(folder)["kit.html"] == first["kit.html"]  # chance is in the key alone
    assert contents(folder)["key.json"] != first["key.json"]


def test_neither_results_nor_answers(capsys):
    assert said(capsys)[::2] == (2, ["RS-L53"])


def test_answers_are_counted(tmp_path, capsys):
    """Truth: 13 of 16 by guessing, 0.011 as printed in tables; medians of six by hand.

    Answers that were changed end with code 2.
    """
    ratings = [rating_answers(100, f"{i:032x}", one=10 * i, two=50) for i in range(6)]
    contents = [pair_answers(13), preference_answers("new"), *ratings]
    paths = written(tmp_path, *contents)
    code, out, _ = said(capsys, "--answers", *paths)
    assert code == 0
    rows = [re.split(r"\s*│\s*", line)[1:-1] for line in out.splitlines() if "│" in line]
    assert [r[1:4] for r in rows if r[0] == "new / old"] == [
        ["13 of 16", "54 % to 96 %", "0.011"]
    ]
    assert ["one", "25", "0 to 50", "6"] in rows
    assert ["new", "old", "1 to 0", "0", "1.000", "1.000"] in rows
    assert "“warm”" in out
    assert "illustration, not statistics" in out
    changed = written(tmp_path, pair_answers(13) | {"n_hit": 16})
    assert said(capsys, "--answers", *changed)[::2] == (2, ["RS-L49"])
