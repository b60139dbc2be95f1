"""From a sweep to the measures of a room: make, play in a synthetic room, read, measure."""

import json

import numpy as np
import pytest
import soundfile
from decays import recording
from scipy.signal import fftconvolve, hilbert

from raysim.cli import main
from raysim.measures.recorded import measure_recorded
from raysim.response.wav import read_wav
from raysim.scene.model import Bands

T60_S = 0.5
RATE_HZ = 48_000
MAKE = ("--seconds", "5", "--silence-s", "1.5", "--times", "2")


def played_in_a_room(played, seed=1):
    """Give a recording: bent by the loudspeaker, decaying in the room, in noise, late."""
    square = played**2 - 0.5 * np.abs(hilbert(played)) ** 2
    rng = np.random.default_rng(seed)
    room = recording(T60_S, -120.0, seed, silence_s=0.0)
    heard = 0.01 * fftconvolve(played + 0.1 * square, room)
    heard = np.concatenate([np.zeros(21_111), heard])
    return heard + 3e-4 * rng.standard_normal(heard.size)


@pytest.fixture(scope="module")
def done(tmp_path_factory):
    folder = tmp_path_factory.mktemp("sweep")
    sweep, take, into = (folder / f"{n}.wav" for n in ("sweep", "take", "response"))
    assert main(["sweep", "make", str(sweep), *MAKE]) == 0
    played, rate = soundfile.read(sweep)
    assert rate == RATE_HZ
    soundfile.write(take, played_in_a_room(played), rate, subtype="PCM_24")
    assert main(["sweep", "read", str(take), "--sweep", str(sweep), "--into", str(into)]) == 0
    return folder


def misses(path, t60_s):
    """Give by how many stated errors T20 misses, octaves 250 Hz to 8 kHz."""
    found = read_wav(path)
    got = measure_recorded(found.samples, found.sample_rate_hz, Bands())
    assert np.isfinite(got.t20_s[2:]).all()
    return np.abs(got.t20_s - t60_s)[2:] / got.error["t20_s"][2:]


def test_decay_comes_out(done):
    """Truth: the decay put in. Tolerance: three of the errors that are stated, six octaves."""
    assert misses(done / "response.wav", T60_S).max() < 3.0


def test_decay_test_can_fail(done):
    """Planted fault: half as long again."""
    assert misses(done / "response.wav", 1.5 * T60_S).max() > 3.0


def test_distortion_stands_beside_the_response(done):
    """Truth: a square of 0.1 at amplitude A gives 0.05 A: A is -6 dB, so -32.0 dB; an order
    lower and higher octaves of one room differ by chance. Tolerance: 3 dB in the mean."""
    about = json.loads((done / "response.json").read_text())
    second = [
        d["level_db"] for d in about["distortion"] if d["order"] == 2 and d["above_noise"]
    ]
    assert len(second) >= 4
    assert np.mean(second) == pytest.approx(-32.0, abs=3.0)
    assert about["averaged"] == 2
    assert about["recording"] == "take.wav"


def test_measure_takes_the_response(done, capsys):
    assert main(["measure", str(done / "response.wav")]) == 0
    assert "T20" in capsys.readouterr().out


def test_raw_recording_is_no_response(done, capsys):
    """Truth: the recording lasts seconds and begins with bass alone; the response does not."""
    assert main(["measure", str(done / "take.wav")]) == 0
    assert "RS-W12" in capsys.readouterr().out
    assert main(["measure", str(done / "response.wav")]) == 0
    assert "RS-W12" not in capsys.readouterr().out


def test_cautions_are_printed(done, capsys):
    assert main(["sweep", "make", str(done / "sweep.wav"), *MAKE]) == 0
    told = capsys.readouterr().out
    for word in ("hearing protection", "tweeter", "slowly"):
        assert word in told


def test_mistakes_are_told_without_traceback(done, capsys):
    take, sweep = str(done / "take.wav"), str(done / "sweep.wav")
    assert main(["sweep", "read", take, "--sweep", take]) == 2
    assert "RS-W21" in capsys.readouterr().err
    assert main(["sweep", "read", take, "--sweep", sweep, "--into", take]) == 2
    assert "RS-W29" in capsys.readouterr().err
    assert main(["sweep", "read", take, "--sweep", sweep, "--channel", "0"]) == 2
    assert "RS-P01" in capsys.readouterr().err
