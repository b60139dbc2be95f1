"""Sound files that cannot be used: one complaint each, with file, value and remedy."""

import numpy as np
import pytest
import soundfile
from decays import AHEAD, late, nothing

from raysim.errors import AudioError, SettingsError
from raysim.response.impulse import impulse_response
from raysim.response.wav import read_wav, write_wav
from raysim.scene.model import Bands

GOOD = 0.5 * np.sin(np.arange(4800) / 7.0)


def complaint_of(call):
    with pytest.raises((AudioError, SettingsError)) as caught:
        call()
    (complaint,) = caught.value.complaints
    return complaint


def save(path, samples, subtype="FLOAT"):
    soundfile.write(path, samples, 48_000, subtype=subtype)
    return path


def test_missing(tmp_path):
    got = complaint_of(lambda: read_wav(tmp_path / "none.wav"))
    assert (got.code, got.where) == ("RS-W01", str(tmp_path / "none.wav"))
    assert complaint_of(lambda: read_wav(tmp_path)).code == "RS-W01"


def test_empty(tmp_path):
    (tmp_path / "a.wav").touch()
    assert complaint_of(lambda: read_wav(tmp_path / "a.wav")).code == "RS-W02"
    save(tmp_path / "b.wav", np.zeros(0))
    assert complaint_of(lambda: read_wav(tmp_path / "b.wav")).code == "RS-W02"


@pytest.mark.parametrize("content", [b"hello", b"RIFF\x00\x00\x00\x00WAVEfmt ", b"\x00" * 5000])
def test_not_sound(tmp_path, content):
    (tmp_path / "a.wav").write_bytes(content)
    assert complaint_of(lambda: read_wav(tmp_path / "a.wav")).code == "RS-W03"


def test_several_channels(tmp_path):
    path = save(tmp_path / "a.flac", np.stack([GOOD, -0.5 * GOOD], axis=1), "PCM_24")
    got = complaint_of(lambda: read_wav(path))
    assert got.code == "RS-W04"
    assert "2 channels" in got.wrong
    assert read_wav(path, channel=2).samples == pytest.approx(-0.5 * GOOD, abs=2.0**-23)
    for channel in (0, 3, -1):
        got = complaint_of(lambda channel=channel: read_wav(path, channel))
        assert got.code == "RS-W05"
        assert str(channel) in got.wrong
    one = save(tmp_path / "b.wav", GOOD)
    assert read_wav(one, channel=1).samples == pytest.approx(GOOD, abs=1e-7)
    assert "one channel" in complaint_of(lambda: read_wav(one, 2)).fix


@pytest.mark.parametrize("bad", [np.nan, np.inf, -np.inf])
def test_not_finite(tmp_path, bad):
    samples = GOOD.copy()
    samples[[3, 5]] = bad
    got = complaint_of(lambda: read_wav(save(tmp_path / "a.wav", samples)))
    assert got.code == "RS-W06"
    assert "2 of 4800" in got.wrong


def test_silent(tmp_path):
    both = np.stack([GOOD, np.zeros(4800)], axis=1)
    path = save(tmp_path / "a.wav", both)
    assert complaint_of(lambda: read_wav(path, 2)).code == "RS-W07"
    assert read_wav(path, 1).cautions == ()


@pytest.mark.parametrize(("subtype", "gain", "clipped"), [
    ("PCM_16", 3.0, True), ("FLOAT", 3.0, True), ("PCM_16", 1.9, False), ("FLOAT", 1.9, False),
])  # fmt: skip
def test_clipped(tmp_path, subtype, gain, clipped):
    path = save(tmp_path / "a.wav", np.clip(gain * GOOD, -1.0, 1.0), subtype)
    got = read_wav(path).cautions
    assert [c.code for c in got] == (["RS-W08"] if clipped else [])


def test_low_level_integers_are_not_called_clipped(tmp_path):
    """Few steps of 16 bits make flat tops of their own."""
    assert read_wav(save(tmp_path / "a.wav", 1e-4 * GOOD, "PCM_16")).cautions == ()


def test_cannot_write(tmp_path):
    got = complaint_of(lambda: write_wav(tmp_path / "no" / "a.wav", GOOD, 48_000))
    assert got.code == "RS-W09"
    (tmp_path / "a.wav").mkdir()
    assert complaint_of(lambda: write_wav(tmp_path / "a.wav", GOOD, 48_000)).code == "RS-W09"
    assert [p.name for p in tmp_path.iterdir()] == ["a.wav"]


def test_failed_write_leaves_the_old_file(tmp_path, monkeypatch):
    path = tmp_path / "a.wav"
    write_wav(path, GOOD, 48_000)

    def full(*_):
        raise OSError("no space left on device")

    monkeypatch.setattr("raysim.response.wav.os.replace", full)
    got = complaint_of(lambda: write_wav(path, 0.1 * GOOD, 48_000))
    assert "no space left" in got.wrong
    assert read_wav(path).samples == pytest.approx(GOOD, abs=1e-7)
    assert [p.name for p in tmp_path.iterdir()] == ["a.wav"]


@pytest.mark.parametrize("rate_hz", [0, 8000, 22_050])
def test_sample_rate_too_low(rate_hz):
    got = complaint_of(lambda: impulse_response(nothing(), late(0.3), Bands(), rate_hz, AHEAD))
    assert got.code == "RS-W10"
    assert f"{rate_hz:g} Hz" in got.wrong
