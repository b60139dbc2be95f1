"""Scenes with one mistake each, through the command: one clear line, and nothing done.

Truth: `expected.txt` of each folder of `broken`, written with the mistake: code, file
and line, and words that the message must hold.
"""

import os
import subprocess
import sys
from pathlib import Path

import pytest

from raysim.cli import main

HERE = Path(__file__).parent / "broken"
FOLDERS = sorted(p.name for p in HERE.iterdir() if p.is_dir())
#: A drawing, a mesh, and several mistakes at once: also as a process of its own.
AS_PROCESS = ("alpha-above-one", "leaking-mesh", "many-mistakes")


def expected_in(name):
    """Give code, place and words of each mistake that is in a folder."""
    text = (HERE / name / "expected.txt").read_text(encoding="utf-8")
    return [tuple(line.split(" | ")) for line in text.splitlines()]


def faults(status, out, err, folder, expected):
    """List what is not as a person needs it: empty if all is well."""
    found = []
    if status != 2:
        found.append(f"exit code {status}")
    if out:
        found.append("something on standard output")
    if "Traceback" in err:
        found.append("a traceback")
    lines = err.splitlines()
    if len(expected) > 1:
        last = lines.pop() if lines else ""
        if last != f"{len(expected)} mistakes; nothing was written":
            found.append("the mistakes are not counted")
    if len(lines) != len(expected):
        found.append(f"{len(lines)} lines for {len(expected)} mistakes")
    for code, place, words in expected:
        about = [line for line in lines if line.startswith(f"{folder / place}: ")]
        about = [line for line in about if line.endswith(f" [{code}]")]
        if len(about) != 1 or words not in about[0]:
            found.append(f"{code} at {place} with the words {words!r}")
    return found


def tree(*folders):
    """Give all files and folders under some, with sizes and times of writing."""
    paths = [p for folder in folders for p in (folder, *folder.rglob("*"))]
    return {p: (p.stat().st_size, p.stat().st_mtime_ns) for p in paths}


@pytest.mark.parametrize("name", FOLDERS)
def test_broken_scene_is_told_and_nothing_is_written(name, tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    before = tree(tmp_path, HERE / name)
    for command in ("check", "simulate"):
        status = main([command, str(HERE / name)])
        out, err = capsys.readouterr()
        assert faults(status, out, err, HERE / name, expected_in(name)) == []
    assert tree(tmp_path, HERE / name) == before


@pytest.mark.parametrize("name", AS_PROCESS)
def test_broken_scene_as_a_process(name, tmp_path):
    before = tree(tmp_path, HERE / name)
    ended = subprocess.run(
        [sys.executable, "-m", "raysim", "check", str(HERE / name)],
        cwd=tmp_path,
        capture_output=True,
        text=True,
        env={**os.environ, "PYTHONDONTWRITEBYTECODE": "1"},
    )
    left = faults(ended.returncode, ended.stdout, ended.stderr, HERE / name, expected_in(name))
    assert left == []
    assert tree(tmp_path, HERE / name) == before


def test_relative_place_is_told_as_it_was_given(monkeypatch, capsys):
    monkeypatch.chdir(HERE)
    assert main(["check", "negative-seed"]) == 2
    assert capsys.readouterr().err.startswith("negative-seed/scene.toml:32: ")


#: What turns each of these folders into a sound scene: file, what is there, what is right.
CURES = {
    "unknown-material": ("scene.toml", {"wood_linnig": "wood_lining"}),
    "source-in-wardrobe": ("scene.toml", {"[3.4, 0.3, 1.2]": "[3.4, 1.3, 1.2]"}),
    "leaking-mesh": (
        "room.ply",
        {"element face 5": "element face 6", "4 0 2 6 4\n": "4 0 2 6 4\n4 1 5 7 3\n"},
    ),
    "duplicate-face": ("room.obj", {"f 2 6 8 4\nf 1 2 4 3\n": "f 2 6 8 4\n"}),
}


@pytest.mark.parametrize("name", CURES)
def test_the_mistake_is_the_only_one(name, tmp_path, capsys):
    """The same folder without its mistake passes: nothing else is complained about."""
    file, changes = CURES[name]
    for path in (HERE / name).iterdir():
        text = path.read_text(encoding="utf-8")
        for wrong, right in changes.items() if path.name == file else ():
            assert text.count(wrong) == 1
            text = text.replace(wrong, right)
        (tmp_path / path.name).write_text(text, encoding="utf-8")
    assert main(["check", str(tmp_path)]) == 0
    out, _ = capsys.readouterr()
    assert "0 were lost" in out


def doctored(how):
    """Give what a faulty command would show for a broken scene."""
    folder, expected = HERE / "many-mistakes", expected_in("many-mistakes")
    lines = [f"{folder / place}: {words}. Mend it. [{code}]" for code, place, words in expected]
    status, out, end = 2, "", f"{len(expected)} mistakes; nothing was written"
    if how == "traceback":
        lines.insert(0, "Traceback (most recent call last):")
    elif how == "lacking":
        del lines[1]
    elif how == "twice":
        lines.append(lines[0])
    elif how == "other code":
        lines[0] = lines[0].replace("RS-S02", "RS-S03")
    elif how == "other line":
        lines[0] = lines[0].replace("toml:6", "toml:7")
    elif how == "success":
        status = 0
    elif how == "chatter":
        out = "Reading the scene\n"
    return status, out, "\n".join([*lines, end]), folder, expected


def test_right_answer_has_no_fault():
    assert faults(*doctored("right")) == []


@pytest.mark.parametrize(
    "how", ["traceback", "lacking", "twice", "other code", "other line", "success", "chatter"]
)
def test_fault_finder_can_fail(how):
    """Planted fault: what the command shows is wrong in one way."""
    assert faults(*doctored(how)) != []
