"""The bass of a scene through the command and the result file: whole, in parts, left out.

Truth: bytes and bits. What is done twice, later, or from the result file alone must come
out the same; below the crossover a response is the wave solver's and nothing else.
"""

import dataclasses
import json
import shutil

import numpy as np
import pytest
import soundfile
from quick import MORE_SOURCES, write_quick
from records import header, layout_result

import raysim
import raysim.spread.units
import raysim.study
from raysim.cli import main
from raysim.propagation.bass import bass_of
from raysim.propagation.wave_pulse import band_filter
from raysim.records import Bass, BassResponse, Modes, SeatMap
from raysim.scene.air import speed_m_s
from raysim.scene.conditions import CROSSOVER_HZ
from raysim.scene.model import Air
from raysim.store.file import bass_key, open_results, write_bass, write_layout
from raysim.study import AS_DESCRIBED
from raysim.tracing import trace_source

#: A crossover so low that the grid is coarse and a run lasts about a second.
SPLIT_HZ = 120.0
#: From voice to microphone.
AWAY_M = 0.6
LOW = ("bass = false", f"crossover_hz = {SPLIT_HZ}")


@pytest.fixture(scope="module")
def scene(tmp_path_factory):
    return write_quick(tmp_path_factory.mktemp("scene") / "room", LOW)


@pytest.fixture(scope="module")
def done(scene):
    """Results of one run with bass; kernels are compiled from here on."""
    folder = scene.parent / "done"
    assert main(["simulate", str(scene), "--into", str(folder)]) == 0
    return folder


@pytest.fixture
def begun(monkeypatch):
    """Give the list of what is traced and solved while a test runs."""
    names = []

    def counted_trace(scene, room, source, *more):
        names.append(source.name)
        return trace_source(scene, room, source, *more)

    def counted_solve(scene, room, tell):
        names.append("bass")
        return bass_of(scene, room, tell)

    monkeypatch.setattr(raysim.spread.units, "trace_source", counted_trace)
    monkeypatch.setattr(raysim.spread.units, "bass_of", counted_solve)
    return names


def run(scene, folder, *more):
    return main(["simulate", str(scene), "--into", str(folder), *more])


def contents(folder):
    """Give all files of a run but the result file, without the time of its making."""
    about = json.loads((folder / "measures.json").read_text(encoding="utf-8"))["provenance"]
    time = about["created_utc"].encode()
    paths = [p for p in folder.rglob("*") if p.is_file() and p.name != "results.h5"]
    return {str(p.relative_to(folder)): p.read_bytes().replace(time, b"?") for p in paths}


def stored(folder):
    with open_results(folder / "results.h5") as results:
        return results.bass(AS_DESCRIBED)


def same(a, b):
    """Say whether two records hold the same."""
    if isinstance(a, np.ndarray):
        return a.shape == b.shape and np.array_equal(a, b, equal_nan=True)
    if dataclasses.is_dataclass(a):
        names = [f.name for f in dataclasses.fields(a)]
        return type(a) is type(b) and all(same(getattr(a, n), getattr(b, n)) for n in names)
    if isinstance(a, tuple):
        return len(a) == len(b) and all(same(x, y) for x, y in zip(a, b, strict=True))
    return bool(a == b)


# --- the store --------------------------------------------------------------------------


def made_bass(seed=1):
    """Give the bass of two pairs with names that HDF5 would misread; whole in float32."""
    rng = np.random.default_rng(seed)

    def some(*shape):
        return rng.standard_normal(shape).astype(np.float32).astype(np.float64)

    def pair(source, receiver):
        around = some(6, 50)
        around[2] = np.nan  # no air there
        return BassResponse(source, receiver, 2000.0, 10.0, 450.0, 360.0, some(50), around)

    level_db = some(5, 3, 4)
    level_db[:, 0, 0] = np.nan
    return Bass(
        pairs=(pair("a/b.", "z"), pair("a/b.", "é"), pair("A", "z")),
        modes=Modes(
            np.array([40.0, 61.5]), np.array([1.2, 0.8]), some(2, 3), ("along x", "oblique"),
            (("west", "east, upper"), ()), some(2, 2), some(2, 3),
        ),
        maps=(
            SeatMap("a/b.", 1.2, some(4), some(3), some(5), level_db),
            SeatMap("A", 1.2, some(4), some(3), some(5), level_db[:, :2]),
        ),
        spacing_m=0.053,
        imbalance=2e-6,
    )  # fmt: skip


class TestStore:
    @pytest.fixture
    def path(self, tmp_path):
        path = tmp_path / "box.h5"
        for name in ("bare", "a/b."):
            write_layout(path, header(), layout_result(name))
        return path

    def test_bass_comes_back_exactly_and_in_order(self, path):
        write_bass(path, "a/b.", "key", made_bass())
        with open_results(path) as results:
            assert same(results.bass("a/b."), made_bass())
            assert results.bass_key("a/b.") == "key"
            assert results.bass("bare") is None
            assert results.bass_key("bare") is None

    def test_comparison_can_fail(self, path):
        """Planted faults: another order of pairs, one sample, one name."""
        bass = made_bass()
        p = bass.pairs[0].pressure.copy()
        p[7] *= 1.0 + 2.0**-23
        faulty = (
            dataclasses.replace(bass, pairs=bass.pairs[::-1]),
            dataclasses.replace(
                bass, pairs=(dataclasses.replace(bass.pairs[0], pressure=p), *bass.pairs[1:])
            ),
            dataclasses.replace(
                bass, modes=dataclasses.replace(bass.modes, kind=("along x", "along y"))
            ),
        )
        write_bass(path, "bare", "key", bass)
        with open_results(path) as results:
            assert not any(same(results.bass("bare"), fault) for fault in faulty)

    def test_bass_is_replaced_and_kept(self, path):
        write_bass(path, "bare", "old", made_bass(1))
        write_bass(path, "bare", "new", made_bass(2))
        write_layout(path, header(), layout_result("a third"))
        with open_results(path) as results:
            assert results.bass_key("bare") == "new"
            assert same(results.bass("bare"), made_bass(2))

    def test_layout_that_is_written_anew_loses_it(self, path):
        write_bass(path, "bare", "key", made_bass())
        write_layout(path, header(), layout_result("bare", seed=5))
        with open_results(path) as results:
            assert results.bass("bare") is None


# --- a run ------------------------------------------------------------------------------


def test_run_has_a_bass_for_every_pair(done):
    bass = stored(done)
    (pair,) = bass.pairs
    assert (pair.source, pair.receiver, pair.crossover_hz) == ("voice", "microphone", SPLIT_HZ)
    assert np.isfinite(pair.pressure).all()
    assert bass.imbalance < 1e-4
    # half a wavelength in the longest side, whatever the walls add or take of it
    assert bass.modes.freq_hz[0] == pytest.approx(343.2 / 8.0, rel=0.1)
    (seats,) = bass.maps
    assert np.isfinite(seats.level_db).any()


def before_emission(pair, freq_hz):
    """Give what the band spreads of the direct sound to before its emission, as a spectrum.

    The stored pressure has no samples there; a joined response has no use for it.
    """
    n, rate_hz = 8 * pair.pressure.size, pair.sample_rate_hz
    all_hz = np.fft.rfftfreq(n, 1.0 / rate_hz)
    late = np.exp(-2j * np.pi * all_hz * AWAY_M / speed_m_s(Air())) / AWAY_M
    whole = np.fft.irfft(late * band_filter(all_hz, pair.low_hz, pair.high_hz), n)
    time_s = np.arange(-n // 2, 0) / rate_hz
    return np.exp(-2j * np.pi * freq_hz[:, None] * time_s) @ whole[n // 2 :]


def low_error(heard, folder):
    """Give by how much a response misses the stored bass well below the crossover."""
    samples, rate_hz = soundfile.read(heard / "responses" / "voice-to-microphone.wav")
    (pair,) = stored(folder).pairs
    freq_hz = np.arange(30.0, 0.8 * SPLIT_HZ, 0.5)

    def at(signal, rate_hz):
        turns = freq_hz[:, None] * np.arange(signal.size) / rate_hz
        return np.exp(-2j * np.pi * turns) @ signal

    wanted = at(pair.pressure, pair.sample_rate_hz) + before_emission(pair, freq_hz)
    return np.abs(at(samples, rate_hz) - wanted).max()


def test_sound_below_the_crossover_is_the_solvers(scene, done, tmp_path):
    """The filter at the lower end turns direct sound by 2.61 low/split where the sides meet.

    Half of what that leaves lies before the emission and is cut off. Planted fault: paths
    and rays alone.
    """
    (pair,) = stored(done).pairs
    bound = 0.5 * 2.61 * pair.low_hz / SPLIT_HZ / AWAY_M
    assert low_error(done, done) < bound
    assert run(scene, tmp_path, "--no-bass") == 0
    assert low_error(tmp_path, done) > 2.0 * bound


def test_measures_tell_what_both_sides_disagree_by(done):
    with open_results(done / "results.h5") as results:
        measures = results.measures(AS_DESCRIBED, "voice", "microphone")
    assert abs(measures["bass_mismatch_db"].value) < 10.0


def test_all_comes_again_from_the_result_file_alone(done, tmp_path):
    (tmp_path / "moved").mkdir()
    shutil.copy(done / "results.h5", tmp_path / "moved" / "kept.h5")
    second = tmp_path / "second"
    assert main(["page", str(tmp_path / "moved" / "kept.h5"), "--into", str(second)]) == 0
    assert contents(second) == contents(done)


def test_second_run_solves_nothing(scene, done, begun):
    before = contents(done)
    assert run(scene, done) == 0
    assert begun == []
    assert contents(done) == before


def test_python_gives_the_same_as_the_command(scene, done, tmp_path):
    with raysim.simulate(scene, tmp_path) as results:
        assert same(results.bass(AS_DESCRIBED), stored(done))
    assert contents(tmp_path) == contents(done)


def test_bass_left_out_can_be_had_later(scene, done, tmp_path, begun):
    """And then all is as if it had been there from the start."""
    assert run(scene, tmp_path, "--no-bass") == 0
    assert begun == ["voice"]
    assert stored(tmp_path) is None
    with open_results(tmp_path / "results.h5") as results:
        measures = results.measures(AS_DESCRIBED, "voice", "microphone")
    assert "bass_mismatch_db" not in measures
    without = contents(tmp_path)
    assert without != contents(done)
    assert run(scene, tmp_path) == 0
    assert begun == ["voice", "bass"]
    assert contents(tmp_path) == contents(done)
    # what is there is not taken away
    assert run(scene, tmp_path, "--no-bass") == 0
    assert begun == ["voice", "bass"]
    assert same(stored(tmp_path), stored(done))


def test_another_crossover_solves_again_and_traces_nothing(done, tmp_path, begun):
    assert CROSSOVER_HZ[0] <= 110.0
    other = write_quick(tmp_path / "room", ("bass = false", "crossover_hz = 110.0"))
    shutil.copytree(done, tmp_path / "out")
    assert run(other, tmp_path / "out") == 0
    assert begun == ["bass"]
    assert stored(tmp_path / "out").pairs[0].crossover_hz == 110.0


def test_bass_of_another_scene_does_not_stay(done, tmp_path, begun):
    """Neither with `--no-bass` nor when the run is stopped before there is a new one."""
    other = write_quick(tmp_path / "room", ("bass = false", "crossover_hz = 110.0"))
    shutil.copytree(done, tmp_path / "out")
    assert run(other, tmp_path / "out", "--no-bass") == 0
    assert begun == []
    assert stored(tmp_path / "out") is None


def test_key_changes_with_what_the_bass_depends_on():
    scene = header().scene
    keys = {
        bass_key(scene, "a"),
        bass_key(scene, "b"),
        bass_key(
            dataclasses.replace(
                scene, settings=dataclasses.replace(scene.settings, crossover_hz=200.0)
            ),
            "a",
        ),
    }
    assert len(keys) == 3


# --- stopped ----------------------------------------------------------------------------


def test_stopped_in_the_bass_keeps_all_rays(scene, done, tmp_path, monkeypatch, begun, capsys):
    def stop(*_):
        raise KeyboardInterrupt

    with monkeypatch.context() as patch:
        patch.setattr(raysim.spread.units, "bass_of", stop)
        assert run(scene, tmp_path / "out") == 130
    kept = "stopped; 1 of 1 source is kept. The same command goes on.\n"
    assert capsys.readouterr().err == kept
    assert [p.name for p in (tmp_path / "out").iterdir()] == ["results.h5"]
    assert run(scene, tmp_path / "out") == 0
    assert begun == ["voice", "bass"]
    assert contents(tmp_path / "out") == contents(done)


def test_progress_tells_of_the_bass(tmp_path):
    scene = write_quick(tmp_path / "room", LOW, more=MORE_SOURCES)
    told = []
    prepared = raysim.study.prepare_all(scene)
    raysim.study.run(prepared, tmp_path / "out", lambda share, what: told.append((share, what)))
    shares = [share for share, _ in told]
    assert shares == sorted(shares)
    assert shares[-1] == 1.0
    said = [what for _, what in told if what.startswith("bass: ")]
    assert said == ["bass: modes", "bass: voice", "bass: cello", "bass: drum"]
    assert [p.source for p in stored(tmp_path / "out").pairs] == ["voice", "cello", "drum"]
