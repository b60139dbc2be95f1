"""Dry recordings that cannot be used, or only with care: one clear word each."""

import numpy as np
import pytest
import soundfile

from raysim.errors import AudioError, SettingsError
from raysim.listening.dry import dry_recording, dry_samples
from raysim.listening.voices import demo_sound

RATE = 48_000


def speech():
    return np.concatenate(list(demo_sound("voice", RATE).pieces()))


SPEECH = speech()


def save(path, samples, subtype="PCM_24", rate=RATE):
    soundfile.write(path, samples, rate, subtype=subtype)
    return path


def refused(call):
    with pytest.raises(AudioError) as caught:
        call()
    (complaint,) = caught.value.complaints
    return complaint


def codes(path, channel=None):
    return [caution.code for caution in dry_recording(path, channel).cautions]


def test_good_recordings_have_no_cautions(tmp_path):
    """Twin of all below: what is wrong is not seen where nothing is."""
    for name, subtype in (("a.wav", "PCM_16"), ("b.wav", "FLOAT"), ("c.flac", "PCM_24")):
        sound = dry_recording(save(tmp_path / name, SPEECH, subtype))
        assert sound.cautions == ()
        assert (sound.name, sound.sample_rate_hz, sound.n_sample) == (
            name[0],
            RATE,
            SPEECH.size,
        )
        for _ in range(2):  # as often as needed
            got = np.concatenate(list(sound.pieces()))
            assert got == pytest.approx(SPEECH, abs=2.0**-15)


def test_missing_and_empty(tmp_path):
    assert refused(lambda: dry_recording(tmp_path / "none.wav")).code == "RS-W01"
    assert refused(lambda: dry_recording(tmp_path)).code == "RS-W01"
    (tmp_path / "a.wav").touch()
    assert refused(lambda: dry_recording(tmp_path / "a.wav / b.wav")).code == "RS-W01"
    assert refused(lambda: dry_recording(tmp_path / "a.wav")).code == "RS-W02"
    save(tmp_path / "b.wav", np.zeros(0))
    assert refused(lambda: dry_recording(tmp_path / "b.wav")).code == "RS-W02"


@pytest.mark.parametrize(
    "content",
    [b"words, not sound\n" * 50, b"RIFF\x00\x00\x00\x00WAVEfmt ", b"\x00" * 5000, b"R"],
)
def test_text_named_wav(tmp_path, content):
    path = tmp_path / "a.wav"
    path.write_bytes(content)
    got = refused(lambda: dry_recording(path))
    assert (got.code, got.where) == ("RS-W03", str(path))


@pytest.mark.parametrize("bad", [np.nan, np.inf, -np.inf])
def test_not_finite(tmp_path, bad):
    sound = SPEECH.copy()
    sound[[70_000, 200_000]] = bad
    got = refused(lambda: dry_recording(save(tmp_path / "a.wav", sound, "FLOAT")))
    assert got.code == "RS-W06"
    assert "2 of 288000" in got.wrong


def test_silent(tmp_path):
    assert (
        refused(lambda: dry_recording(save(tmp_path / "a.wav", 0.0 * SPEECH))).code == "RS-W07"
    )


def test_stereo(tmp_path):
    """Two microphones are refused with the remedy; one written twice is taken with a word."""
    two = save(tmp_path / "two.wav", np.stack([SPEECH, np.roll(SPEECH, 40)], axis=1))
    got = refused(lambda: dry_recording(two))
    assert got.code == "RS-L20"
    assert "1 to 2" in got.fix
    assert codes(two, 2) == []
    second = np.concatenate(list(dry_recording(two, 2).pieces()))
    assert second == pytest.approx(np.roll(SPEECH, 40), abs=2.0**-22)
    assert codes(save(tmp_path / "one.wav", np.stack([SPEECH] * 2, axis=1))) == ["RS-L24"]
    for channel in (0, 3, -1):
        assert refused(lambda c=channel: dry_recording(two, c)).code == "RS-W05"
    with_nan = np.stack([SPEECH] * 2, axis=1)
    with_nan[5] = np.nan
    alike = save(tmp_path / "nan.wav", with_nan, "FLOAT")
    assert refused(lambda: dry_recording(alike)).code == "RS-W06"
    assert refused(lambda: dry_samples("x", np.zeros((2, 5)), RATE)).code == "RS-L20"


@pytest.mark.parametrize("subtype", ["PCM_16", "PCM_24", "FLOAT"])
def test_clipped(tmp_path, subtype):
    path = save(tmp_path / "a.wav", np.clip(4.0 * SPEECH, -1.0, 1.0), subtype)
    assert codes(path) == ["RS-L21"]


def test_clipped_then_turned_down(tmp_path):
    """A flat top of floats tells; a low run in whole numbers is no clipping."""
    flat = 0.3 * np.clip(4.0 * SPEECH, -1.0, 1.0)
    assert codes(save(tmp_path / "a.wav", flat, "FLOAT")) == ["RS-L21"]
    assert codes(save(tmp_path / "b.wav", flat, "PCM_16")) == []


def test_clipped_over_a_seam(tmp_path):
    """Three samples at full scale, two of them in one block that is read, one in the next."""
    sound = 0.5 * SPEECH
    sound[65_534:65_537] = 1.0
    assert codes(save(tmp_path / "a.wav", sound)) == ["RS-L21"]
    sound[65_534] = 0.9  # two alone are no clipping
    assert codes(save(tmp_path / "b.wav", sound)) == []


def test_cut_short(tmp_path):
    path = save(tmp_path / "a.wav", SPEECH)
    path.write_bytes(path.read_bytes()[: 3 * RATE * 2 + 44])
    sound = dry_recording(path)
    (caution,) = sound.cautions
    assert caution.code == "RS-L22"
    assert "6 s were begun, 2 s are there" in caution.wrong
    assert sum(piece.size for piece in sound.pieces()) == sound.n_sample


def test_recorder_that_lost_power(tmp_path):
    """The length in the header was never filled in; all that is there is played."""
    path = save(tmp_path / "a.wav", SPEECH)
    content = bytearray(path.read_bytes())
    at = content.index(b"data") + 4
    content[at : at + 4] = b"\xff\xff\xff\xff"
    path.write_bytes(content)
    sound = dry_recording(path)
    assert [c.code for c in sound.cautions] == []
    assert sound.n_sample == SPEECH.size


def outcome(path):
    """Give codes of refusal or caution, and how many samples there are."""
    try:
        sound = dry_recording(path)
    except AudioError as error:
        return [c.code for c in error.complaints], 0
    return [c.code for c in sound.cautions], sound.n_sample


def test_flac_cut_short(tmp_path):
    """What libraries make of it differs: a clear refusal, or what is there, with a word."""
    path = save(tmp_path / "a.flac", SPEECH)
    path.write_bytes(path.read_bytes()[: path.stat().st_size // 2])
    got, n_sample = outcome(path)
    assert got in (["RS-L26"], ["RS-L22"])
    assert n_sample < SPEECH.size


def test_damaged_in_the_middle(tmp_path):
    """Refused, or bridged by the library; what is lost is said."""
    path = save(tmp_path / "a.flac", SPEECH)
    content = bytearray(path.read_bytes())
    middle = len(content) // 2
    content[middle : middle + 20_000] = bytes(20_000)
    path.write_bytes(content)
    got, n_sample = outcome(path)
    assert got == ["RS-L26"] or n_sample == SPEECH.size or "RS-L22" in got


@pytest.mark.parametrize("rate", [8000, 16_000, 22_050])
def test_low_rates_are_said(tmp_path, rate):
    sound = np.random.default_rng(1).normal(size=rate) * 0.1
    path = save(tmp_path / "a.wav", sound, rate=rate)
    (caution,) = dry_recording(path).cautions
    assert caution.code == "RS-L23"
    assert f"{rate // 2} Hz" in caution.wrong


def test_rate_that_is_none(tmp_path):
    path = save(tmp_path / "a.wav", SPEECH, rate=4000)
    assert refused(lambda: dry_recording(path)).code == "RS-L23"
    assert refused(lambda: dry_samples("x", SPEECH, 100)).code == "RS-L23"


@pytest.mark.parametrize("t60_s", [0.6, 1.5])
def test_room_in_the_recording(tmp_path, t60_s):
    """Speech with a decay of 40 to 100 dB a second falls by 5 dB in 50 ms, not by 15."""
    time_s = np.arange(RATE) / RATE
    noise = np.random.default_rng(2).normal(size=RATE) * np.exp(-6.9078 * time_s / t60_s)
    n = SPEECH.size + RATE
    wet = np.fft.irfft(np.fft.rfft(SPEECH, n) * np.fft.rfft(noise, n), n)[: SPEECH.size]
    path = save(tmp_path / "a.wav", 0.5 * wet / np.abs(wet).max())
    assert codes(path) == ["RS-L25"]


def test_a_moment_of_sound(tmp_path):
    """Truth: a block of ITU-R BS.1770 lasts 0.4 s (from memory)."""
    tone = 0.5 * np.sin(np.arange(RATE) / 9.0)
    assert codes(save(tmp_path / "a.wav", tone[: int(0.39 * RATE)])) == ["RS-L34"]
    assert codes(save(tmp_path / "b.wav", tone[: int(0.41 * RATE)])) == []


def test_steady_sound_is_not_called_a_room(tmp_path):
    assert codes(save(tmp_path / "a.wav", 0.5 * np.sin(np.arange(2 * RATE) / 9.0))) == []


def test_no_such_demo_sound():
    with pytest.raises(SettingsError) as caught:
        demo_sound("trumpet", RATE)
    (complaint,) = caught.value.complaints
    assert complaint.code == "RS-L29"
    assert "string" in complaint.fix
