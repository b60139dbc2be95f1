"""From a result file to what is heard: WAV files of a set, their level, time and log.

Truths are the image list and the histogram in the result file, and the measures made of them.
"""

import json
import re
from dataclasses import replace

import numpy as np
import pytest
import soundfile
from quick import LAYOUTS, write_quick

import raysim
from raysim.cli import main
from raysim.measures.pair import measure_pair
from raysim.measures.recorded import measure_recorded
from raysim.response.bands import band_energy
from raysim.response.ears import Ambisonic, Microphone, SphereHead
from raysim.response.heard import HeardResponse, hear
from raysim.response.heard_set import common_gain_db
from raysim.response.quality import quality
from raysim.response.sphere import sphere_orders
from raysim.response.wav import SCALE
from raysim.scene.directivity import mean_gain
from raysim.units import to_level_db

PAIR = ("voice", "microphone")


def run(*words):
    """Run ``raysim hear`` and give its exit code."""
    return main(["hear", *(str(word) for word in words)])


@pytest.fixture(scope="module")
def path(tmp_path_factory):
    """A result file of a small room and its layouts, off its line of symmetry."""
    folder = tmp_path_factory.mktemp("hear")
    write_quick(folder / "box", ("at_m = [1.6, 1.5, 1.2]", "at_m = [2.3, 1.1, 1.45]"),
                ("rays = 2000", "rays = 8000"), more=LAYOUTS)  # fmt: skip
    words = ["simulate", str(folder / "box"), "--layout", "all", "--into", str(folder / "out")]
    assert main(words) == 0
    return folder / "out" / "results.h5"


@pytest.fixture(scope="module")
def results(path):
    with raysim.open_results(path) as opened:
        yield opened


@pytest.fixture(scope="module")
def microphone(path):
    """The set of a microphone, by file name, and its log."""
    folder = path.parent / "by-microphone"
    assert run(path, "--into", folder) == 0
    return folder, json.loads((folder / "heard.json").read_text(encoding="utf-8"))


def absolute(folder, log, i=0):
    samples, rate_hz = soundfile.read(folder / log["files"][i]["file"], always_2d=True)
    return samples.T / 10.0 ** (log["gain_db"] / 20.0), rate_hz


class TestFirstArrival:
    """Truth: delay and energy of the direct sound in the image list."""

    BAND = slice(4, 8)  # 1 to 8 kHz

    def misses(self, samples, results, rate_hz=48_000):
        """Give samples, of the greatest one, and dB, of the octaves until the next arrival."""
        arrivals = results.pair(results.layout_names[0], *PAIR).arrivals
        second = int(arrivals.delay_s[1] * rate_hz)
        alone = np.zeros(8192)
        alone[: second - 40] = samples[: second - 40]
        energy = band_energy(alone, rate_hz, results.bands)
        off_db = to_level_db(energy / arrivals.energy[0])[self.BAND]
        late = np.argmax(np.abs(alone)) - arrivals.delay_s[0] * rate_hz
        return float(abs(late)), float(np.abs(off_db).max())

    def test_is_where_and_as_loud_as_it_should_be(self, microphone, results):
        """Tolerance: one sample and 0.1 dB; octaves from 1 kHz, which 3 ms can tell apart."""
        late, off_db = self.misses(absolute(*microphone)[0][0], results)
        assert late < 1.0
        assert off_db < 0.1

    def test_faults_are_noticed(self, microphone, results):
        """Planted faults: late by two samples, and a quarter of a decibel too loud."""
        samples = absolute(*microphone)[0][0]
        assert self.misses(np.roll(samples, 2), results)[0] > 1.0
        assert self.misses(1.03 * samples, results)[1] > 0.1


class TestMicrophone:
    def test_is_the_stored_response(self, microphone, results):
        """Two ways to one sound: the response that a run stores. Tolerance: float32."""
        folder, log = microphone
        for i, one in enumerate(log["files"]):
            samples, rate_hz = absolute(folder, log, i)
            stored, stored_hz = results.impulse(one["layout"], *PAIR)
            assert rate_hz == stored_hz
            assert samples[0] == pytest.approx(stored, abs=2e-7 * np.abs(stored).max())

    def octaves_off_db(self, results, layout, scale=1.0):
        """Give by how much the octaves from 500 Hz miss paths and histogram, mean of the
        noise of 5 seeds, dB."""
        pair = results.pair(layout, *PAIR)
        stored = pair.arrivals.energy.sum(axis=0) + pair.histogram.energy.mean(axis=0).sum(1)
        settings, got = results.settings, []
        for seed in range(5):
            results.settings = replace(settings, seed=seed)
            one = hear(results, layout, *PAIR, Microphone())
            got.append(band_energy(scale * one.samples[0], 48_000, results.bands))
        results.settings = settings
        return to_level_db(np.mean(got, axis=0) / stored)[3:]

    def test_octaves_have_the_stored_energy(self, results):
        """Truth: energies of paths and histogram. Tolerance: 0.5 dB: paths that come within
        a filter's time add as pressures, and the seeds leave a third of a decibel."""
        assert np.abs(self.octaves_off_db(results, results.layout_names[0])).max() < 0.5

    def test_octave_test_can_fail(self, results):
        """Planted fault: a decibel more."""
        off = self.octaves_off_db(results, results.layout_names[0], scale=1.122)
        assert np.abs(off).max() > 0.5

    def off_sigma(self, results, samples):
        """Give by how many standard errors T20 and C50 from a WAV miss the histogram's."""
        pair = results.pair(results.layout_names[0], *PAIR)
        source = results.sources[0]
        stored = measure_pair(
            pair.arrivals, pair.histogram, results.bands, np.array([1.0, 0.0, 0.0]), 1.0,
            mean_gain(source.directivity),
        )  # fmt: skip
        first = int(pair.arrivals.delay_s[0] * 48_000) - 20
        found = measure_recorded(samples, 48_000, results.bands, onset=first)
        off = (found.t20_s - stored.t20_s) / np.hypot(
            found.error["t20_s"], stored.error["t20_s"]
        )
        return off[np.isfinite(off)]

    def test_measures_of_the_file_are_those_of_the_histogram(self, microphone, results):
        """Truth: T20 of the histogram. Tolerance: four sigma of both: what a single response
        scatters by (ISO 3382-2, factor from memory) and what the rays do."""
        samples = absolute(*microphone)[0][0]
        off = self.off_sigma(results, samples)
        assert off.size >= 5
        assert np.abs(off).max() < 4.0

    def test_measure_test_can_fail(self, microphone, results):
        """Planted fault: a response that dies away in 0.6 of its time."""
        samples = absolute(*microphone)[0][0]
        time_s = np.arange(samples.size) / 48_000
        dead = samples * np.exp(-6.9 * (1.0 / 0.6 - 1.0) * time_s / 0.15)
        assert np.abs(self.off_sigma(results, dead)).max() > 4.0


class TestBelowTheCrossover:
    """The wave solver's part: what all listeners make of one pressure and its gradient."""

    FREQ_HZ = np.linspace(25.0, 80.0, 12)

    @pytest.fixture(scope="class")
    @classmethod
    def deep(cls, tmp_path_factory):
        folder = tmp_path_factory.mktemp("deep")
        write_quick(folder / "box", ("bass = false", "crossover_hz = 120.0"),
                    ("at_m = [1.6, 1.5, 1.2]", "at_m = [2.3, 1.1, 1.45]"))  # fmt: skip
        assert main(["simulate", str(folder / "box"), "--into", str(folder / "out")]) == 0
        with raysim.open_results(folder / "out" / "results.h5") as opened:
            yield opened

    def spectra(self, deep, listener):
        samples = hear(deep, deep.layout_names[0], *PAIR, listener).samples
        turn = np.exp(
            -2j * np.pi * np.outer(np.arange(samples.shape[1]), self.FREQ_HZ) / 48_000
        )
        return samples @ turn

    def test_a_microphone_hears_the_stored_response(self, deep):
        one = hear(deep, deep.layout_names[0], *PAIR, Microphone())
        stored, _ = deep.impulse(deep.layout_names[0], *PAIR)
        assert one.samples[0] == pytest.approx(stored, abs=1e-6 * np.abs(stored).max())
        assert abs(one.mismatch_db) < 6.0

    @pytest.mark.parametrize(
        ("channel", "microphone"),
        [
            (0, Microphone(1.0)),
            (1, Microphone(0.0, np.array([0.0, 1.0, 0.0]))),
            (2, Microphone(0.0, np.array([0.0, 0.0, 1.0]))),
            (3, Microphone(0.0, np.array([1.0, 0.0, 0.0]))),
        ],
        ids="WYZX",
    )
    def test_ambisonics_are_microphones_at_one_point(self, deep, channel, microphone):
        """Two ways to one sound: first-order microphones along the axes. Tolerance: 2 % of
        the pressure: responses are cut at the emission, and what late sound of another
        noise, from 101 Hz on, loses there leaks down (uncut, they agree to 1e-5: measured)."""
        got = self.spectra(deep, Ambisonic(1))
        wanted = self.spectra(deep, microphone)[0]
        bound = 0.02 * np.abs(got[0]).max()
        assert np.abs(got[channel] - wanted).max() < bound
        other = got[(channel + 1) % 4]  # planted fault: the next channel
        assert np.abs(other - wanted).max() > bound

    def test_ears_hear_the_pressure_between_them(self, deep):
        """Truth: at opposite ears orders 0 add and orders 1 cancel: half the sum is B0 times
        the pressure. Tolerance: order 2 of the direct sound, 5 mu^2 / 9 of it."""
        left, right = self.spectra(deep, SphereHead())
        pressure = self.spectra(deep, Ambisonic(1))[0]
        mu = 2.0 * np.pi * self.FREQ_HZ * 0.0875 / 343.2
        wanted = sphere_orders(mu, np.inf)[0] * pressure
        bound = (
            5.0 * mu**2 / 9.0 / deep.pair(deep.layout_names[0], *PAIR).arrivals.distance_m[0]
        )
        # near sources are a little louder than plane waves at the sphere: order 0 of 1.4 m
        bound = bound + 1e-3 * np.abs(pressure).max()
        assert np.all(np.abs(0.5 * (left + right) - wanted) < bound)
        assert not np.all(np.abs(left - wanted) < bound)  # planted fault: one ear alone


class TestSet:
    def test_has_one_gain(self, microphone, results):
        """Truth: each file against what was heard. Tolerance: float32."""
        folder, log = microphone
        assert len(log["files"]) == len(results.layout_names)
        ratios = []
        for one in log["files"]:
            samples, _ = soundfile.read(folder / one["file"])
            wanted = hear(results, one["layout"], *PAIR, Microphone()).samples[0]
            ratios.append(samples @ wanted / (wanted @ wanted))
        assert ratios == pytest.approx(
            [10.0 ** (log["gain_db"] / 20.0)] * len(ratios), rel=1e-6
        )

    def test_gain_test_can_fail(self, microphone):
        """Planted fault: files brought to one peak each."""
        folder, log = microphone
        peaks = [np.abs(soundfile.read(folder / one["file"])[0]).max() for one in log["files"]]
        assert [0.5 / p for p in peaks] != pytest.approx(
            [0.5 / peaks[0]] * len(peaks), rel=1e-6
        )

    def test_is_turned_down_as_a_whole_where_it_must_be(self, path):
        """A close source: peaks over one are turned down by whole decibels, all alike."""
        assert common_gain_db(0.89) == 0.0
        assert common_gain_db(4.0) == -14.0

    def test_says_its_scale(self, microphone):
        folder, log = microphone
        for one in log["files"]:
            with soundfile.SoundFile(folder / one["file"]) as sound:
                assert sound.comment.startswith(SCALE)
                assert one["layout"] in sound.comment
                assert sound.subtype == "FLOAT"

    @pytest.mark.parametrize(
        ("words", "channels"),
        [
            (("--as", "head"), ["left", "right"]),
            (("--order", "1"), ["W", "Y", "Z", "X"]),
            (("--as", "ambisonic", "--order", "2"), list("WYZXVTRSU")),
        ],
    )
    def test_of_other_listeners(self, path, results, tmp_path, words, channels):
        layout = results.layout_names[1]
        assert run(path, *words, "--layout", layout, "--into", tmp_path) == 0
        log = json.loads((tmp_path / "heard.json").read_text(encoding="utf-8"))
        assert log["channels"] == channels
        (one,) = log["files"]
        samples, _ = absolute(tmp_path, log)
        ear = SphereHead() if "head" in words else Ambisonic(len(channels) // 4)
        wanted = hear(results, layout, *PAIR, ear).samples
        assert samples == pytest.approx(wanted, abs=2e-7 * np.abs(wanted).max())
        assert one["layout"] == layout
        assert not one["faults"]

    def test_same_words_give_same_files(self, path, results, tmp_path):
        for name in ("one", "other"):
            run(path, "--as", "head", "--layout", results.layout_names[0],
                "--into", tmp_path / name)  # fmt: skip
        files = [sorted(p for p in (tmp_path / n).iterdir()) for n in ("one", "other")]
        assert [p.read_bytes() for p in files[0]] == [p.read_bytes() for p in files[1]]

    def test_sample_rates_agree(self, results):
        """Two ways to one sound. Tolerance: the noise is another one at each rate: what a
        band of it scatters by, 0.6 dB from 500 Hz (stated), between three of them."""
        levels = [
            to_level_db(band_energy(
                hear(results, results.layout_names[0], *PAIR, Microphone(), rate).samples[0],
                rate, results.bands,
            ))[3:] for rate in (44_100, 48_000, 96_000)
        ]  # fmt: skip
        assert np.ptp(levels, axis=0).max() < 1.2

    def test_layouts_of_an_earlier_set_go(self, path, results, tmp_path):
        first, second = results.layout_names[:2]
        run(path, "--layout", first, "--layout", second, "--into", tmp_path)
        assert len(list(tmp_path.glob("*.wav"))) == 2
        run(path, "--layout", first, "--into", tmp_path)
        assert len(list(tmp_path.glob("*.wav"))) == 1

    def test_aes69(self, path, results, tmp_path):
        """Truth: what the WAV beside it holds, read by another's code."""
        sofar = pytest.importorskip("sofar")
        layout = results.layout_names[0]
        run(path, "--as", "head", "--sofa", "--layout", layout, "--into", tmp_path)
        (sofa,), (wav,) = tmp_path.glob("*.sofa"), tmp_path.glob("*.wav")
        held = sofar.read_sofa(str(sofa), verbose=False)
        assert held.GLOBAL_SOFAConventions == "SingleRoomSRIR"
        assert float(held.Data_SamplingRate) == 48_000.0
        samples, _ = soundfile.read(wav)
        assert held.Data_IR[0] == pytest.approx(samples.T, abs=1e-7)
        assert held.ReceiverPosition[0, 1] > 0.0 > held.ReceiverPosition[1, 1]


class TestMistakes:
    @pytest.fixture
    def complaint(self, capsys):
        def of(*words):
            """Give the codes that the command complains with."""
            capsys.readouterr()
            assert run(*words) == 2
            return re.findall(r"\[(RS-[A-Z]\d\d)\]", capsys.readouterr().err)

        return of

    def test_options_that_do_not_go_together(self, path, tmp_path, complaint):
        assert complaint(path, "--as", "head", "--order", 2) == ["RS-L08"]
        got = complaint(path, "--as", "microphone", "--head", "x.sofa", "--order", 99)
        assert got == ["RS-L08", "RS-L08", "RS-L07"]

    def test_no_such_layout(self, path, tmp_path, complaint):
        folder = tmp_path / "none"
        assert complaint(path, "--layout", "panel", "--into", folder) == ["RS-H08"]
        assert not folder.exists()

    def test_no_such_head(self, path, tmp_path, complaint):
        folder = tmp_path / "none"
        got = complaint(path, "--head", tmp_path / "x.sofa", "--into", folder)
        assert got == ["RS-L03"]
        assert not folder.exists()

    @pytest.mark.parametrize("name", ["heard.json", "voice-to-microphone.wav"])
    def test_what_is_not_ours_stays(self, path, results, tmp_path, name, complaint):
        (tmp_path / name).write_text("mine")
        got = complaint(path, "--layout", results.layout_names[0], "--into", tmp_path)
        assert got == ["RS-L09"]
        assert [p.name for p in tmp_path.iterdir()] == [name]
        assert (tmp_path / name).read_text() == "mine"

    def test_a_source_inside_the_head(self, tmp_path, complaint):
        write_quick(tmp_path / "near", ("at_m = [1.6, 1.5, 1.2]", "at_m = [1.05, 1.5, 1.2]"))
        assert main(["simulate", str(tmp_path / "near"), "--into", str(tmp_path / "out")]) == 0
        path = tmp_path / "out" / "results.h5"
        assert complaint(path, "--as", "head", "--into", tmp_path / "heard") == ["RS-L01"]
        assert run(path, "--into", tmp_path / "heard") == 0


class TestQuality:
    RATE_HZ = 48_000

    def response(self, seed=1):
        """Give noise that dies away in 0.5 s after 10 ms, as a sound response is."""
        time_s = np.arange(self.RATE_HZ) / self.RATE_HZ
        noise = np.random.default_rng(seed).standard_normal(time_s.size)
        samples = noise * np.exp(-6.9 * time_s / 0.5) * (time_s >= 0.01)
        return samples * np.where(time_s > 0.9, np.cos(5.0 * np.pi * (time_s - 0.9)) ** 2, 1.0)

    def faults(self, samples, mismatch_db=0.0):
        heard = HeardResponse(samples[None], self.RATE_HZ, ("mono",), "l", "s", "r", "w",
                              0.01, 300.0, mismatch_db)  # fmt: skip
        return quality(heard).faults

    def test_of_a_good_one(self):
        """Truth: noise is as dense as noise, and nothing else is wrong with it."""
        assert self.faults(self.response()) == ()

    @pytest.mark.parametrize(
        ("fault", "said"),
        [
            (lambda x: np.roll(x, -300), "before the first arrival"),
            (lambda x: x + 0.01, "an offset"),
            (lambda x: x[:12_000], "ends in a step"),
            (lambda x: x * (np.arange(x.size) % 16 == 0), "as dense as noise"),
        ],
    )
    def test_of_planted_faults(self, fault, said):
        found = self.faults(fault(self.response()))
        assert any(said in one for one in found)

    def test_of_parts_that_do_not_meet(self):
        assert any("waves are +7.0 dB" in one for one in self.faults(self.response(), 7.0))
