"""A recording beside the simulated pair: the simulation's own response is no different."""

import numpy as np
import pytest
from quick import QUICK

from raysim.cli import main
from raysim.compare.measured import beside
from raysim.measures.recorded import measure_recorded
from raysim.planning.measured_decays import read_measured
from raysim.response.wav import read_wav, write_wav
from raysim.study import simulate


@pytest.fixture(scope="module")
def done(tmp_path_factory):
    folder = tmp_path_factory.mktemp("against")
    (folder / "scene.toml").write_text(QUICK)
    with simulate(folder, folder / "results", n_ray=4000):
        pass
    return folder / "results"


def rows(done, samples, rate_hz):
    from raysim.store.file import open_results

    with open_results(done / "results.h5") as results:
        measured = measure_recorded(samples, rate_hz, results.bands)
        return beside(measured, results, "as described", "voice", "microphone")


def own(done):
    found = read_wav(next((done / "responses").glob("*.wav")))
    return found.samples, found.sample_rate_hz


def steps_off(done, samples, rate_hz):
    """Give how far T30 is apart, in steps, 250 Hz to 4 kHz, and where that counts."""
    (t30,) = [r for r in rows(done, samples, rate_hz) if r.measure == "t30_s"]
    return t30.steps[2:7], t30.differs[2:7]


def test_the_simulations_own_response_does_not_differ(done):
    """Truth: it is the same room. One of five octaves may lie beyond two errors by chance."""
    _, differs = steps_off(done, *own(done))
    assert differs.sum() <= 1


def test_another_room_differs(done):
    """Planted fault: the response is stretched by half, and so are its decay times."""
    samples, rate_hz = own(done)
    steps, differs = steps_off(done, samples, round(rate_hz / 1.5))
    assert differs.all()
    # ln 1.5 / ln 1.05 is 8.3; bands of another frequency decay otherwise, by less
    assert np.all((steps > -14.0) & (steps < -3.0))


def test_table_is_printed(done, capsys):
    wav = str(next((done / "responses").glob("*.wav")))
    words = ["measure", wav, "--against", str(done / "results.h5")]
    assert main(words) == 0
    told = capsys.readouterr().out
    assert "voice to microphone" in told
    assert "apart, JND" in told
    assert main([*words, "--layout", "as described", "--pair", "voice", "microphone"]) == 0


@pytest.mark.parametrize(
    ("more", "code"),
    [
        (["--pair", "voice", "chair"], "RS-H"),
        (["--layout", "treated"], "RS-H"),
    ],
)
def test_unknown_names(done, capsys, more, code):
    wav = str(next((done / "responses").glob("*.wav")))
    assert main(["measure", wav, "--against", str(done / "results.h5"), *more]) == 2
    assert code in capsys.readouterr().err


def test_nothing_to_compare_with(tmp_path, capsys):
    write_wav(tmp_path / "r.wav", np.eye(1, 48_000)[0], 48_000)
    assert main(["measure", str(tmp_path / "r.wav"), "--layout", "x"]) == 2
    assert "RS-C10" in capsys.readouterr().err


def test_decay_times_go_to_calibration(done, tmp_path, capsys):
    """Truth: what is measured, read back by the reader of the other command, to six digits."""
    path = next((done / "responses").glob("*.wav"))
    found = read_wav(path)
    measured = measure_recorded(found.samples, found.sample_rate_hz)
    table = tmp_path / "decays.csv"
    words = ["measure", str(path), "--into", str(table), "--pair", "voice", "microphone"]
    assert main(words) == 0
    assert "raysim calibrate" in capsys.readouterr().out
    complaints = []
    rows = read_measured(table, complaints)
    assert complaints == []
    assert {(r.layout, r.source, r.receiver) for r in rows} == {("", "voice", "microphone")}
    for name in ("t20_s", "t30_s"):
        value, error = getattr(measured, name), measured.error[name]
        of = {r.band: (r.value_s, r.error_s) for r in rows if r.measure == name}
        assert set(of) == set(np.flatnonzero(np.isfinite(value)))
        for band, told in of.items():
            assert told == pytest.approx((value[band], error[band]), rel=5e-6)
    assert main(words) == 0  # its own table is replaced


def test_no_table_of_nothing(done, tmp_path, capsys):
    """Noise has no decay, another's file stays, and there are no fits in thirds."""
    write_wav(tmp_path / "n.wav", np.random.default_rng(1).normal(size=48_000), 48_000)
    noise, table = str(tmp_path / "n.wav"), tmp_path / "decays.csv"
    assert main(["measure", noise, "--into", str(table)]) == 2
    assert "RS-C12" in capsys.readouterr().err
    assert not table.exists()
    table.write_text("mine")
    own_wav = str(next((done / "responses").glob("*.wav")))
    assert main(["measure", own_wav, "--into", str(table)]) == 2
    assert table.read_text() == "mine"
    assert main(["measure", own_wav, "--into", str(tmp_path / "t.csv"), "--thirds"]) == 2
    assert "RS-C12" in capsys.readouterr().err
