"""Recordings of sweeps that cannot be used: one complaint each, and nothing written."""

from dataclasses import replace

import numpy as np
import pytest
import soundfile

from raysim.errors import AudioError, SettingsError
from raysim.response.sweep import Sweep, sweep_signal
from raysim.response.sweep_file import (
    check_sweep,
    read_response,
    read_sweep,
    write_response,
    write_sweep,
)
from raysim.response.wav import write_wav

SWEEP = Sweep(1.0, 50.0, 16_000.0, 48_000, silence_s=1.0)
PLAYED = sweep_signal(SWEEP)


def codes(call):
    with pytest.raises((AudioError, SettingsError)) as caught:
        call()
    for complaint in caught.value.complaints:
        assert complaint.where
        assert complaint.wrong.endswith(".")
        assert complaint.fix
    return [c.code for c in caught.value.complaints]


def save(path, samples, rate=48_000, subtype="PCM_24"):
    soundfile.write(path, samples, rate, subtype=subtype)
    return path


def test_good_ones_pass(tmp_path):
    """What follows could not fail otherwise."""
    path = save(tmp_path / "a.wav", 0.5 * PLAYED)
    assert read_response(path, SWEEP).cautions == ()
    write_sweep(tmp_path / "s.wav", SWEEP)
    assert read_sweep(tmp_path / "s.wav") == SWEEP


@pytest.mark.parametrize(
    ("how", "code"),
    [
        ({"seconds": 0.1}, "RS-W20"),
        ({"seconds": float("nan")}, "RS-W20"),
        ({"times": 0}, "RS-W20"),
        ({"level_db": 3.0}, "RS-W20"),
        ({"from_hz": 1000.0, "to_hz": 2000.0}, "RS-W20"),
        ({"to_hz": 23_900.0}, "RS-W20"),
    ],
)
def test_impossible_sweeps(tmp_path, how, code):
    assert codes(lambda: write_sweep(tmp_path / "s.wav", replace(SWEEP, **how))) == [code]
    assert list(tmp_path.iterdir()) == []


def test_all_mistakes_of_a_sweep_are_told():
    bad = replace(SWEEP, seconds=0.0, times=99, silence_s=0.0)
    assert codes(lambda: check_sweep(bad)) == ["RS-W20"] * 3


def test_sweep_is_no_other_kind_of_file(tmp_path):
    """A player would take the name's word for it."""
    assert codes(lambda: write_sweep(tmp_path / "s.mp3", SWEEP)) == ["RS-W29"]
    assert list(tmp_path.iterdir()) == []


def quantised(samples):
    return np.clip(4.0 * samples, -1.0, 1.0 - 2.0**-23)


RECORDED = {
    "noise": (np.random.default_rng(1).standard_normal(150_000) * 0.01, 48_000, "RS-W25"),
    "another, longer": (sweep_signal(replace(SWEEP, seconds=2.0)), 48_000, "RS-W25"),
    "another, narrower": (sweep_signal(replace(SWEEP, to_hz=8_000.0)), 48_000, "RS-W25"),
    "reversed": (PLAYED[::-1].copy(), 48_000, "RS-W25"),
    "other rate": (PLAYED, 44_100, "RS-W22"),
    "too short": (PLAYED[:30_000], 48_000, "RS-W23"),
    "no tail": (PLAYED[: 24_000 + 48_000 + 2000], 48_000, "RS-W24"),
    "begins too late": (np.concatenate([PLAYED[30_000:], np.zeros(10_000)]), 48_000, "RS-W24"),
    "clipped": (quantised(PLAYED), 48_000, "RS-W26"),
    "silent": (np.zeros(150_000), 48_000, "RS-W07"),
    "stereo": (np.stack([PLAYED, PLAYED], axis=1), 48_000, "RS-W04"),
}


@pytest.mark.parametrize("kind", RECORDED)
def test_bad_recordings(tmp_path, kind):
    samples, rate, code = RECORDED[kind]
    path = save(tmp_path / "a.wav", samples, rate)
    assert codes(lambda: read_response(path, SWEEP)) == [code]


def test_a_channel_of_two(tmp_path):
    path = save(tmp_path / "a.wav", np.stack([0.0 * PLAYED, 0.5 * PLAYED], axis=1))
    assert read_response(path, SWEEP, channel=2).n_sweep == 1


def test_not_a_sweep_file(tmp_path):
    plain = save(tmp_path / "plain.wav", PLAYED)
    assert codes(lambda: read_sweep(plain)) == ["RS-W21"]
    edited = tmp_path / "edited.wav"
    write_sweep(edited, SWEEP)
    told = soundfile.info(edited).extra_info.split("raysim sweep:", 1)[1].splitlines()[0]
    scale, comment = f"raysim sweep:{told}".split("{")
    write_wav(edited, 0.9 * PLAYED, 48_000, "{" + comment.split("}")[0] + "}", scale.strip())
    assert codes(lambda: read_sweep(edited)) == ["RS-W21"]
    for comment in ("{", '{"seconds": "ten"}', "{}[]"):
        write_wav(edited, PLAYED, 48_000, comment, scale.strip())
        assert codes(lambda: read_sweep(edited)) == ["RS-W21"]


def test_part_of_the_repetitions(tmp_path):
    """Truth: two of three sweeps are whole; the third is cut off."""
    sweep = replace(SWEEP, times=3)
    samples = 0.5 * sweep_signal(sweep)[: -sweep.period // 2]
    got = read_response(save(tmp_path / "a.wav", samples), sweep)
    assert got.n_sweep == 2
    assert [c.code for c in got.cautions] == ["RS-W27"]


def test_files_of_others_are_left_alone(tmp_path):
    path = save(tmp_path / "take.wav", 0.5 * PLAYED)
    before = path.read_bytes()
    found = read_response(path, SWEEP)
    assert codes(lambda: write_sweep(path, SWEEP)) == ["RS-W29"]
    assert codes(lambda: write_response(path, found, path)) == ["RS-W29"]
    (tmp_path / "other.json").write_text("{}")
    into = tmp_path / "other.wav"
    assert codes(lambda: write_response(into, found, path)) == ["RS-W29"]
    assert not into.exists()
    assert path.read_bytes() == before
    again = tmp_path / "again.wav"
    write_response(again, found, path)
    write_response(again, found, path)  # one of ours may be replaced
