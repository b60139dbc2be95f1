"""The README's Python example runs as printed, and its promises point at real files."""

import re
import runpy
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
README = (ROOT / "README.md").read_text(encoding="utf-8")


def blocks(language, text=README):
    return re.findall(rf"^```{language}\n(.*?)^```$", text, flags=re.M | re.S)


def test_python_example_runs(tmp_path, monkeypatch, capsys):
    (tmp_path / "scenes").symlink_to(ROOT / "scenes")
    monkeypatch.chdir(tmp_path)
    (example,) = blocks("python")
    assert len(example.strip().splitlines()) <= 11
    (tmp_path / "example.py").write_text(example)
    runpy.run_path(str(tmp_path / "example.py"))
    printed = capsys.readouterr().out.splitlines()
    assert len(printed) == 3
    assert all(re.search(r"T30 \d\.\d\d ± 0\.\d\d s, STI 0\.\d\d;", line) for line in printed)


def test_there_are_two_commands():
    assert len(blocks("sh")) == 2


def missing(text):
    """List links and named test files that are not there."""
    named = re.findall(r"\]\(([^)#]+)\)", text)
    named += re.findall(r"`(tests/[\w/]+\.py)`", text)
    return [name for name in named if "://" not in name and not (ROOT / name).exists()]


@pytest.mark.parametrize("page", ["README.md", "DEVELOPERS.md", "scenes/README.md"])
def test_links_and_test_files_exist(page):
    folder = (ROOT / page).parent
    text = (ROOT / page).read_text(encoding="utf-8")
    links = [x for x in missing(text) if not (folder / x).exists()]
    assert links == []


def test_missing_file_is_seen():
    """Planted fault: a link to nowhere."""
    assert missing("[x](no-such.md) `tests/truth/test_nothing.py`") == [
        "no-such.md",
        "tests/truth/test_nothing.py",
    ]
