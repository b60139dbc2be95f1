"""Tables of measured decay times that cannot be used, and scenes that cannot be fitted."""

from pathlib import Path

import pytest
from calibrated import SCENE

from raysim.cli import main
from raysim.planning.measured_decays import read_measured

HEAD = "source,receiver,measure,band_hz,value,error,unit\n"
GOOD = "box,left,t30_s,500,0.52,0.02,s\n"


@pytest.fixture
def scene(tmp_path):
    folder = tmp_path / "room"
    folder.mkdir()
    (folder / "scene.toml").write_text(SCENE)
    return folder


def read(tmp_path, text):
    path = tmp_path / "measured.csv"
    path.write_text(text)
    complaints = []
    return read_measured(path, complaints), complaints


def test_good_table(tmp_path):
    text = (
        HEAD + GOOD + "box,left,c50_db,500,3.1,,dB\n,,edt_s,1k,0.61,,s\nbox,left,t20_s,8k,,,s\n"
    )
    rows, complaints = read(tmp_path, text)
    assert complaints == []
    assert [(r.measure, r.band, r.value_s) for r in rows] == [
        ("t30_s", 3, 0.52),
        ("edt_s", 4, 0.61),
    ]
    assert rows[0].where.endswith("measured.csv:2")
    assert read(tmp_path, HEAD + GOOD.replace("500", "1000"))[0][0].band == 4


def test_a_table_of_raysim_itself_is_read(tmp_path):
    """Truth: the columns of `measures.csv`."""
    head = "layout,source,receiver,measure,band_hz,value,error,unit,modal\n"
    rows, complaints = read(tmp_path, head + "as described,box,left,t20_s,63,0.5,0.1,s,yes\n")
    assert complaints == []
    assert rows[0].layout == "as described"


@pytest.mark.parametrize(
    ("text", "code"),
    [
        ("", "RS-C01"),
        (HEAD, "RS-C01"),
        ("measure,band_hz,value\n", "RS-C01"),
        (HEAD.replace("error", "sigma") + GOOD, "RS-C01"),
        (HEAD + GOOD.replace("t30_s", "t60_s"), "RS-C02"),
        (HEAD + GOOD.replace("500", "505"), "RS-C02"),
        (HEAD + GOOD.replace(",s\n", ",ms\n"), "RS-C02"),
        (HEAD + GOOD.replace("0.52", "520"), "RS-C02"),
        (HEAD + GOOD.replace("0.52", "nan"), "RS-C02"),
        (HEAD + GOOD.replace("0.02", "-1"), "RS-C02"),
        (HEAD + GOOD.replace("0.52", "0,52"), "RS-C02"),
    ],
)
def test_bad_tables(tmp_path, text, code):
    rows, complaints = read(tmp_path, text)
    assert rows == []
    assert [c.code for c in complaints] == [code]


def test_all_mistakes_of_a_table_are_told(tmp_path):
    bad = GOOD.replace("500", "505").replace("0.52", "520").replace(",s\n", ",h\n")
    assert len(read(tmp_path, HEAD + bad + GOOD + bad)[1]) == 6


def test_no_such_file(tmp_path):
    complaints = []
    assert read_measured(tmp_path / "none.csv", complaints) == []
    (tmp_path / "b.csv").write_bytes(b"\xff\xfe\x00")
    assert read_measured(tmp_path / "b.csv", complaints) == []
    assert [c.code for c in complaints] == ["RS-C01", "RS-C01"]


def refused(scene, tmp_path, capsys, text, *more):
    path = tmp_path / "measured.csv"
    path.write_text(text)
    assert main(["calibrate", str(scene), "--measured", str(path), "--rays", "256", *more]) == 2
    assert not Path(f"{scene}-fitted").exists()
    return capsys.readouterr().err


def test_names_that_the_scene_lacks(scene, tmp_path, capsys):
    told = refused(scene, tmp_path, capsys, HEAD + GOOD.replace("left", "middle"))
    assert "RS-C03" in told
    assert "box to left" in told
    layout = HEAD.replace("source", "layout,source") + "treated," + GOOD
    told = refused(scene, tmp_path, capsys, layout)
    assert "RS-C03" in told
    assert "as described" in told
    told = refused(scene, tmp_path, capsys, layout.replace("treated", "as described"),
                   "--layout", "x")  # fmt: skip
    assert "RS-C03" in told


def test_nothing_in_doubt(scene, tmp_path, capsys):
    text = (scene / "scene.toml").read_text().replace("painted_plaster", "boards")
    lines = [line for line in text.splitlines() if not line.startswith(("alpha_l", "alpha_h"))]
    (scene / "scene.toml").write_text("\n".join(lines))
    assert "RS-C04" in refused(scene, tmp_path, capsys, HEAD + GOOD)


def test_thirds(scene, tmp_path, capsys):
    text = (scene / "scene.toml").read_text()
    (scene / "scene.toml").write_text(text + '[bands]\nwidth = "third"\n')
    told = refused(scene, tmp_path, capsys, HEAD + GOOD)
    assert "RS-C05" in told


def test_nothing_is_overwritten(scene, tmp_path, capsys):
    into = tmp_path / "there"
    into.mkdir()
    told = refused(scene, tmp_path, capsys, HEAD + GOOD, "--into", str(into))
    assert "RS-C06" in told
    assert list(into.iterdir()) == []


def test_impossible_numbers(scene, tmp_path, capsys):
    assert "RS-P01" in refused(scene, tmp_path, capsys, HEAD + GOOD, "--model-pct", "0")
