"""Dry sound through responses: against scipy's convolution, closed forms, and meters."""

import math
import tracemalloc

import numpy as np
import pytest
import soundfile
from scipy import signal

from raysim.errors import AudioError
from raysim.listening import render, wave_file
from raysim.listening.convolve import convolved
from raysim.listening.dry import dry_recording, dry_samples
from raysim.listening.loudness import loudness_lufs
from raysim.listening.render import KINDS, render_set
from raysim.listening.resample import n_resampled, resampled
from raysim.listening.true_peak import true_peak_db
from raysim.listening.voices import VOICES, demo_sound
from raysim.response.heard import HeardResponse

RATE = 48_000
#: Half a step of 32-bit float at full scale, and of 24-bit.
FLOAT_STEP, STEP_24 = 2.0**-25, 2.0**-24


def decay(t60_s, gain, key, n_channel=1, delay=200, rate=RATE):
    """Give direct sound and a noise tail that is faded out, (n_channel, n_sample)."""
    n = int(0.7 * t60_s * rate)
    time_s = np.arange(n) / rate
    noise = np.random.default_rng(key).normal(size=(n_channel, n)) * 0.05
    tail = noise * np.exp(-6.9078 * time_s / t60_s) * np.linspace(1.0, 0.0, n) ** 2
    samples = np.zeros((n_channel, delay + n))
    samples[:, delay:] = tail
    samples[:, delay] += 1.0
    return gain * samples


def heard(layout, samples, rate=RATE):
    names = ("mono",) if samples.shape[0] == 1 else ("left", "right")
    return HeardResponse(samples, rate, names, layout, "voice", "seat", "test")


def two_layouts(n_channel=1):
    return [
        heard("bare", decay(0.8, 0.9, 1, n_channel)),
        heard("treated", decay(0.3, 0.5, 2, n_channel)),
    ]


def read(folder, version):
    samples, rate = soundfile.read(folder / version.file, always_2d=True)
    return samples.T, rate


def noise_bursts(n=RATE):
    gate = (np.arange(n) // 6000) % 2
    return 0.3 * np.random.default_rng(3).normal(size=n).clip(-3.0, 3.0) * gate


@pytest.mark.parametrize("n_channel", [1, 2])
@pytest.mark.parametrize(("form", "step"), [("float", FLOAT_STEP), ("24", STEP_24)])
def test_equals_direct_convolution(tmp_path, n_channel, form, step):
    dry = noise_bursts()
    responses = two_layouts(n_channel)
    made = render_set(dry_samples("dry", dry, RATE), responses, tmp_path, form)
    by_name = {one.layout: one.samples for one in responses}
    longest = max(one.samples.shape[1] for one in responses)
    assert made.n_sample == dry.size + longest - 1
    for version in made.versions:
        got, rate = read(tmp_path, version)
        wanted = signal.fftconvolve(dry[np.newaxis], by_name[version.layout], axes=1)
        wanted *= 10.0 ** (version.gain_db / 20.0)
        assert (rate, got.shape) == (RATE, (n_channel, made.n_sample))
        n = wanted.shape[1]
        # rounding of the format, and of the transforms
        assert np.abs(got[:, :n] - wanted).max() <= 2.0 * step + 1e-7
        assert not got[:, n:].any()
        # planted fault: one sample late would be seen
        assert np.abs(got[:, 1:n] - wanted[:, :-1]).max() > 1e-3


@pytest.mark.parametrize("n_block", [300, 4096, 70_000])
def test_block_size_does_not_matter(n_block):
    """Rounding of float64 alone, some sqrt(n) eps of sums of 5000 terms."""
    rng = np.random.default_rng(4)
    sound, response = rng.normal(size=20_001), rng.normal(size=(2, 5003))
    pieces = np.array_split(sound, [1, 30, 30, 9000])
    got = np.concatenate(list(convolved(pieces, response, n_block)), axis=1)
    wanted = signal.fftconvolve(sound[np.newaxis], response, axes=1)
    assert got.shape == wanted.shape
    assert np.abs(got - wanted).max() < 1e-10


def test_unit_impulse_gives_the_response(tmp_path):
    click = np.zeros(RATE // 2)
    click[0] = 0.5
    responses = two_layouts()
    made = render_set(dry_samples("click", click, RATE), responses, tmp_path)
    for version in made.versions[:2]:
        got, _ = read(tmp_path, version)
        wanted = next(one.samples for one in responses if one.layout == version.layout)
        got = got / (0.5 * 10.0 ** (version.gain_db / 20.0))
        assert np.abs(got[:, : wanted.shape[1]] - wanted).max() < 1e-6


DRY = {
    "bursts": noise_bursts,
    "square": lambda: np.sign(np.sin(np.arange(2 * RATE) / 20.0 + 0.1)),
    "clicks": lambda: np.where(np.arange(RATE) % 12_000 == 5000, 1.0, 0.0),
    "faint": lambda: 1e-4 * noise_bursts(),
    "loud": lambda: 50.0 * noise_bursts(),
    "short": lambda: np.ones(3),
}


@pytest.mark.parametrize("name", DRY)
@pytest.mark.parametrize("n_channel", [1, 2])
def test_levels_of_a_set(tmp_path, name, n_channel):
    """Matched within 0.1 LU, one common gain, never a sample beyond 1, -1 dBTP at most."""
    dry = dry_samples(name, DRY[name](), RATE)
    made = render_set(dry, two_layouts(n_channel), tmp_path)
    true = [v for v in made.versions if v.kind == KINDS[0]]
    matched = [v for v in made.versions if v.kind == KINDS[1]]
    assert {v.gain_db for v in true} == {made.common_gain_db}
    loud = [loudness_lufs(read(tmp_path, v)[0], RATE) for v in matched]
    assert max(loud) - min(loud) < 0.1
    assert made.matched_lufs == pytest.approx(loud[0], abs=0.1)
    for version in made.versions:
        samples, _ = read(tmp_path, version)
        assert np.abs(samples).max() <= 1.0
        assert true_peak_db(samples) <= -1.0 + 1e-5
        assert true_peak_db(samples) == pytest.approx(version.true_peak_dbtp, abs=1e-4)
        assert loudness_lufs(samples, RATE) == pytest.approx(version.loudness_lufs, abs=1e-3)
    top = [loudness_lufs(read(tmp_path, v)[0], RATE) for v in true]
    peaks = [v.true_peak_dbtp for v in made.versions]
    # as loud as the aim, unless a peak forbids it
    assert max(top) == pytest.approx(-23.0, abs=0.1) or max(peaks) > -1.2


def test_gain_alone_is_heard_true_and_hidden_matched(tmp_path):
    """Closed form: a layout that is another at a quarter is 12.04 dB below it, or equal."""
    response = decay(0.5, 0.8, 7)
    pair = [heard("whole", response), heard("quarter", 0.25 * response)]
    made = render_set(dry_samples("dry", noise_bursts(), RATE), pair, tmp_path)
    whole, quarter, matched, other = (read(tmp_path, v)[0] for v in made.versions)
    assert np.abs(0.25 * whole - quarter).max() <= 2.0 * FLOAT_STEP
    assert np.abs(matched - other).max() <= 1e-6
    loud = [v.loudness_lufs for v in made.versions]
    assert loud[0] - loud[1] == pytest.approx(20.0 * math.log10(4.0), abs=1e-6)


def test_peak_of_each_alone_is_noticed(tmp_path, monkeypatch):
    """Planted fault: every layout taken to the same peak loses both relations."""

    def by_peaks(measured):
        gains = [-1.0 - one.peak_db for one in measured]
        return gains[0], gains, -23.0

    monkeypatch.setattr(render, "_gains", by_peaks)
    made = render_set(dry_samples("dry", DRY["clicks"](), RATE), two_layouts(), tmp_path)
    loud = [loudness_lufs(read(tmp_path, v)[0], RATE) for v in made.versions[2:]]
    assert max(loud) - min(loud) > 0.1


def test_clipping_cannot_be_written(tmp_path, monkeypatch):
    """Planted fault: a ceiling above full scale is stopped at the file."""
    monkeypatch.setattr(render, "CEILING_DBTP", 6.0)
    monkeypatch.setattr(render, "AIM_LUFS", 0.0)
    with pytest.raises(ValueError, match="beyond full scale"):
        render_set(dry_samples("dry", noise_bursts(), RATE), two_layouts(), tmp_path)


def test_step_at_the_end_is_faded_and_said(tmp_path):
    cut = decay(0.8, 0.9, 1)[:, :8000]
    cut[0, -1] = 0.02
    pair = [heard("cut", cut), two_layouts()[1]]
    click = np.zeros(RATE)
    click[0] = 1.0
    made = render_set(dry_samples("click", click, RATE), pair, tmp_path)
    assert made.faded == ("cut",)
    got, _ = read(tmp_path, made.versions[0])
    got /= 10.0 ** (made.common_gain_db / 20.0)
    assert abs(got[0, 7999]) < 1e-4
    assert got[0, :7000] == pytest.approx(cut[0, :7000], abs=1e-6)


def test_another_rate_starts_and_lasts_alike(tmp_path):
    """A click at sample 441 of 44.1 kHz is sample 480 of 48 kHz, to a sample."""
    click = np.zeros(44_100)
    click[441] = 0.5
    direct = np.zeros((1, 10))
    direct[0, 0] = 1.0
    pair = [heard("a", direct), heard("b", 0.5 * direct)]
    made = render_set(dry_samples("click", click, 44_100), pair, tmp_path)
    for version in made.versions:
        got, _ = read(tmp_path, version)
        assert np.argmax(np.abs(got[0])) == 480


@pytest.mark.parametrize(
    ("old", "new"), [(44_100, 48_000), (48_000, 44_100), (8000, 48_000), (96_000, 48_000),
                     (44_056, 48_000), (22_050, 96_000)],
)  # fmt: skip
def test_resampled_sines(old, new):
    """Flat to 0.01 dB up to 0.9 of the lower half rate, 80 dB down from 1.1 of it."""
    n, half = old // 2, 0.5 * min(old, new)
    for share in (0.01, 0.5, 0.9):
        wave = np.sin(2.0 * np.pi * share * half * np.arange(n) / old)
        got = np.concatenate(list(resampled(np.array_split(wave, 7), old, new)))
        assert got.size == n_resampled(n, old, new)
        wanted = np.sin(2.0 * np.pi * share * half * np.arange(got.size) / new)
        inside = slice(new // 20, -new // 20)
        assert np.abs(got - wanted)[inside].max() < 10.0 ** (0.01 / 20.0) - 1.0
        late = np.roll(wanted, 1)  # planted fault
        assert np.abs(got - late)[inside].max() > 10.0 ** (0.01 / 20.0) - 1.0
    if 1.1 * new < old:
        wave = np.sin(2.0 * np.pi * 1.1 * half * np.arange(n) / old)
        got = np.concatenate(list(resampled([wave], old, new)))
        assert np.abs(got[new // 20 : -new // 20]).max() < 1e-4


def write_long(path, minutes, rate=8000):
    rng = np.random.default_rng(8)
    with soundfile.SoundFile(path, "w", rate, 1, "PCM_16") as file:
        for _ in range(minutes * 6):
            file.write(0.1 * rng.uniform(-1.0, 1.0, 10 * rate) * np.linspace(1, 0, 10 * rate))


def peak_memory(work):
    tracemalloc.start()
    try:
        work()
        return tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()


def test_long_recordings_need_no_more_memory(tmp_path):
    """20 minutes, 77 MB as float64: next to 2 minutes, less than 2 MB more are held."""
    pair = [heard("a", decay(0.3, 0.5, 1, rate=8000), 8000)]

    def work(minutes):
        path = tmp_path / f"{minutes}.wav"
        made = render_set(dry_recording(path), pair, tmp_path)
        assert made.duration_s > 60.0 * minutes

    held = {}
    for minutes in (2, 20):
        write_long(tmp_path / f"{minutes}.wav", minutes)
        held[minutes] = peak_memory(lambda m=minutes: work(m))
    assert held[20] - held[2] < 2e6
    # planted fault: the whole of it at once
    dry = dry_recording(tmp_path / "20.wav")
    assert peak_memory(lambda: np.concatenate(list(dry.pieces()))) - held[2] > 2e6


def test_equal_work_gives_equal_files(tmp_path):
    for name in ("one", "two"):
        sound = dry_samples("dry", noise_bursts(), RATE)
        render_set(sound, two_layouts(2), tmp_path / name, "24")
    files = sorted(p.relative_to(tmp_path / "one") for p in (tmp_path / "one").rglob("*.wav"))
    assert len(files) == 4
    for file in files:
        assert (tmp_path / "one" / file).read_bytes() == (tmp_path / "two" / file).read_bytes()
    assert "gain" in soundfile.SoundFile(tmp_path / "one" / files[0]).comment


def test_24_bit_of_odd_length(tmp_path):
    """A single channel of an odd number of samples is filled up to an even length."""
    path = tmp_path / "a.wav"
    with wave_file.WaveFile(path, 3, 1, RATE, "24") as file:
        file.write(np.array([[1.0, -1.0, 0.5]]))
    got, _ = soundfile.read(path)
    assert got == pytest.approx([1.0, -1.0, 0.5], abs=2.0**-22)
    assert path.stat().st_size % 2 == 0
    with (
        pytest.raises(ValueError, match="2 samples are missing"),
        wave_file.WaveFile(path, 3, 1, RATE) as file,
    ):
        file.write(np.array([[1.0]]))


def test_responses_that_do_not_go_together(tmp_path):
    dry = dry_samples("dry", noise_bursts(), RATE)
    good = two_layouts()[0]
    for other, code in (
        (heard("x", decay(0.3, 0.5, 2, 2)), "RS-L30"),
        (heard("x", decay(0.3, 0.5, 2), 44_100), "RS-L30"),
        (heard("x", np.full((1, 5), np.nan)), "RS-L30"),
        (heard("x", np.zeros((1, 0))), "RS-L30"),
        (heard("x", np.zeros((1, 500))), "RS-L31"),
    ):
        with pytest.raises(AudioError) as caught:
            render_set(dry, [good, other], tmp_path)
        (complaint,) = caught.value.complaints
        assert complaint.code == code
        assert "x" in complaint.where


def test_longer_than_a_wav_file(tmp_path):
    with pytest.raises(AudioError) as caught:
        wave_file.WaveFile(tmp_path / "a.wav", 2**30, 2, RATE)
    assert caught.value.complaints[0].code == "RS-L27"
    assert not (tmp_path / "a.wav").exists()


@pytest.mark.parametrize("name", VOICES)
def test_demo_sounds(name):
    """Stated level and length, an end in silence, no clipping, the same at any rate."""
    sounds = {rate: demo_sound(name, rate) for rate in (44_100, 48_000, 96_000)}
    samples = {rate: np.concatenate(list(s.pieces())) for rate, s in sounds.items()}
    for rate, one in samples.items():
        assert 3.0 <= one.size / rate <= 8.0
        # next to the peak the fourfold grid is this near, and samples are above 20 Hz
        assert true_peak_db(one) == pytest.approx(-6.02, abs=0.01)
        assert not one[: rate // 25].any()
        assert np.abs(one[-rate // 4 :]).max() < 1e-5
    low = np.concatenate(list(resampled([samples[96_000]], 96_000, 48_000)))
    # the scale is by the peak, which grids find to 0.69 dB at most; a shape is the same
    scale = (low @ samples[48_000]) / (low @ low)
    assert 20.0 * abs(math.log10(scale)) < 0.69
    apart = scale * low - samples[48_000]
    assert (apart @ apart) / (samples[48_000] @ samples[48_000]) < 1e-4
    other = demo_sound(next(n for n in VOICES if n != name), 48_000)  # planted fault
    wrong = np.concatenate(list(other.pieces()))[: low.size]
    apart = low[: wrong.size] - wrong
    assert (apart @ apart) / (wrong @ wrong) > 1e-2


def test_resonances_of_a_chain():
    """Closed form: a product of resonators is the sum of its partial fractions."""
    from raysim.listening.voices import _ringing

    formant_hz = np.array([500.0, 1500.0, 2500.0, 3500.0, 4500.0])  # an even tube
    freq_hz, strength, _ = _ringing(formant_hz, 48_000.0)
    for f in (100.0, 900.0, 2100.0, 4000.0):
        product = np.prod(formant_hz**2 / (formant_hz**2 - f**2))
        terms = freq_hz**2 / (freq_hz**2 - f**2)
        assert strength @ terms == pytest.approx(product, rel=1e-12)
        assert abs(np.abs(strength) @ terms - product) > 1e-3 * abs(product)  # planted fault
