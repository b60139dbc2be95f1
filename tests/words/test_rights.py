"""Files and folders that exist but may not be seen: a message, never a traceback.

Truth: the system's own refusal, below a folder that may not be searched.
"""

import os
import shutil
import tempfile
from pathlib import Path

import pytest
from quick import write_quick

from raysim.cli import main
from raysim.errors import RaysimError
from raysim.folders import make_folder, refuse_foreign
from raysim.geometry.mesh_file import read_facets
from raysim.response.wav import read_wav
from raysim.scene.model import MeshRoom
from raysim.scene.read import collect_scene
from raysim.store.opening import open_to_read
from raysim.store.replace import replacement_target

#: No one: root may search every folder.
NOBODY = 65534


@pytest.fixture
def shut():
    """Give a folder that the test may not search."""
    outer = Path(tempfile.mkdtemp())  # that of pytest is root's own
    outer.chmod(0o755)
    folder = outer / "shut"
    write_quick(folder / "scene")
    for name in ("room.obj", "room.stl", "a.wav", "results.h5", "more.toml"):
        (folder / name).write_text("something")
    folder.chmod(0o000)
    for command in ("check", "simulate", "page", "measure"):
        main([command, str(outer / "none")])  # loads what no one else may load
    collect_scene(write_quick(outer / "open"), [])
    is_root = os.geteuid() == 0
    if is_root:
        os.seteuid(NOBODY)
    yield folder
    if is_root:
        os.seteuid(0)
    folder.chmod(0o755)
    shutil.rmtree(outer)


def complaints(ask):
    """Give the codes that something complains with."""
    with pytest.raises(RaysimError) as caught:
        ask()
    assert "ermi" in str(caught.value) or "may not be" in str(caught.value)
    return [c.code for c in caught.value.complaints]


def listed(ask):
    """Raise what is appended to a list, as callers do."""
    found = []
    ask(found)
    if found:
        raise RaysimError(found)


def mesh(path):
    return MeshRoom(path=path, unit="m")


READERS = {
    "scene file": ("RS-F02", lambda f: listed(lambda c: collect_scene(f / "scene.toml", c))),
    "scene folder": ("RS-F02", lambda f: listed(lambda c: collect_scene(f / "scene", c))),
    "folder itself": ("RS-F02", lambda f: listed(lambda c: collect_scene(f, c))),
    "OBJ": ("RS-G10", lambda f: listed(lambda c: read_facets(mesh(f / "room.obj"), (), c, []))),
    "STL": ("RS-G10", lambda f: listed(lambda c: read_facets(mesh(f / "room.stl"), (), c, []))),
    "deep": ("RS-G10", lambda f: listed(lambda c: read_facets(mesh(f / "a/b.stl"), (), c, []))),
    "recording": ("RS-W03", lambda f: read_wav(f / "a.wav")),
    "result file": ("RS-H01", lambda f: open_to_read(f / "results.h5")),
    "place for one": ("RS-H05", lambda f: replacement_target(f / "results.h5")),
    "new folder": ("RS-F05", lambda f: make_folder(f / "new")),
    "folder below": ("RS-F05", lambda f: make_folder(f / "scene" / "new")),
}


@pytest.mark.parametrize("name", READERS)
def test_what_may_not_be_seen_is_told(shut, name):
    code, ask = READERS[name]
    assert complaints(lambda: ask(shut)) == [code]


def test_fixture_can_fail(shut):
    """Planted fault: asked as ``pathlib`` asks, the system's refusal comes through."""
    with pytest.raises(PermissionError):
        os.stat(shut / "a.wav")
    assert not os.path.exists(shut / "a.wav")


def test_folder_that_may_not_be_searched_is_no_foreign_one(shut):
    """Making it is what fails, and says why."""
    refuse_foreign(shut)
    refuse_foreign(shut / "new")


def test_file_of_materials_that_may_not_be_seen(shut):
    folder = Path(tempfile.mkdtemp())
    title = 'title = "Quick box"\n'
    write_quick(folder, (title, f'{title}materials_file = "{shut / "more.toml"}"\n'))
    assert complaints(lambda: listed(lambda c: collect_scene(folder, c))) == ["RS-F02"]
    shutil.rmtree(folder)


@pytest.mark.parametrize(
    ("command", "name", "code"),
    [
        ("check", "scene", "RS-F02"),
        ("simulate", "scene", "RS-F02"),
        ("page", "results.h5", "RS-H01"),
        ("measure", "a.wav", "RS-W03"),
    ],
)
def test_commands_say_it(shut, capsys, command, name, code):
    assert main([command, str(shut / name)]) == 2
    err = capsys.readouterr().err
    assert err.endswith(f" [{code}]\n")
    assert "ermission denied" in err
