"""Speech transmission index against its own definition worked out, and limiting cases."""

import numpy as np
import pytest
from decays import AHEAD, exponential, late, nothing, octaves, slopes

from raysim.measures import speech
from raysim.measures.pair import measure_pair
from raysim.scene.model import Bands
from raysim.units import LN_60_DB, third_centres_hz

#: STI of exponential decays without noise or masking, male weights of IEC 60268-16
#: (computed from m(F) = 1 / sqrt(1 + (2 pi F T / 13.8155)^2) at the nominal F).
STI = {
    0.1: 0.9623, 0.125: 0.9424, 0.2: 0.8876, 0.25: 0.8560, 0.3: 0.8275, 0.4: 0.7779,
    0.5: 0.7363, 0.6: 0.7001, 0.8: 0.6389, 1.0: 0.5885, 1.5: 0.4979, 2.0: 0.4374,
    3.0: 0.3571, 4.0: 0.3035, 5.0: 0.2637, 8.0: 0.1884,
}  # fmt: skip

#: T -> STI at 0, 5, 10, 15, 20, 30 dB speech above noise in all bands (computed likewise).
STI_IN_NOISE = {
    0.2: "0.4751 0.6229 0.7500 0.8496 0.8793 0.8869",
    0.3: "0.4569 0.5953 0.7075 0.7893 0.8187 0.8267",
    0.5: "0.4233 0.5481 0.6407 0.7006 0.7272 0.7355",
    1.0: "0.3585 0.4636 0.5304 0.5653 0.5803 0.5876",
    2.0: "0.2737 0.3607 0.4071 0.4268 0.4339 0.4370",
}

#: Half the last digit.
DIGIT = 0.5e-4 + 1e-9


def transfer(t60_s) -> np.ndarray:
    """Give m(F) of an exponential decay in all octaves, read from its echogram."""
    return speech.modulation_transfer(octaves(exponential(t60_s, bin_s=1e-4)))


def index(m) -> float:
    return speech.speech_index(speech.transfer_index(m))


@pytest.mark.parametrize(("t60_s", "sti"), STI.items())
def test_exponential_decay(t60_s, sti):
    """Truth: worked table. Tolerance: half the last digit."""
    assert index(transfer(t60_s)) == pytest.approx(sti, abs=DIGIT)


def test_modulation_transfer_at_one_second():
    """Truth: closed form, worked out. Tolerance: half the last digit."""
    printed = (
        ".9613 .9397 .9103 .8693 .8086 .7398 .6604 .5724 .4817 .4026 .3295 .2650 .2148 .1732"
    )
    expected = np.tile(np.array(printed.split(), float), (7, 1))
    assert transfer(1.0) == pytest.approx(expected, abs=DIGIT)


@pytest.mark.parametrize(("t60_s", "printed"), STI_IN_NOISE.items())
def test_decay_and_noise(t60_s, printed):
    """Truth: worked table. Tolerance: half the last digit."""
    m = transfer(t60_s)
    got = [index(speech.with_noise(m, ratio)) for ratio in (0, 5, 10, 15, 20, 30)]
    assert got == pytest.approx(np.array(printed.split(), float), abs=DIGIT)


def test_tables_can_fail():
    """Planted fault: the response in place of its square, a decay of twice the time."""
    assert index(transfer(2 * 0.3)) != pytest.approx(STI[0.3], abs=DIGIT)
    got = index(speech.with_noise(transfer(0.3), 5.1))
    assert got != pytest.approx(0.5953, abs=DIGIT)


@pytest.mark.parametrize(
    ("ratio_db", "sti"),
    [(-20, 0.0), (-15, 0.0), (-10, 1 / 6), (0, 0.5), (10, 5 / 6), (15, 1.0), (30, 1.0)],
)
def test_noise_alone(ratio_db, sti):
    """Truth: (SNR + 15) / 30 within 0 to 1, by definition."""
    assert index(speech.with_noise(np.ones((7, 14)), ratio_db)) == pytest.approx(sti, abs=1e-12)


def test_weights():
    """Truth: IEC 60268-16 tables (read in several public copies): one band alone gives its
    alpha, 125 and 250 Hz together 0.085 + 0.127 - 0.085; all together 1."""
    assert speech.speech_index(np.ones(7)) == pytest.approx(1.0, abs=1e-12)
    for alone, alpha in zip(
        np.eye(7), (0.085, 0.127, 0.230, 0.233, 0.309, 0.224, 0.173), strict=True
    ):
        assert speech.speech_index(alone) == pytest.approx(alpha, abs=1e-12)
    assert speech.speech_index(np.array([1, 1, 0, 0, 0, 0, 0.0])) == pytest.approx(0.127)


def test_bands_of_unlike_decay():
    """Truth: worked example, T by octave. Tolerance: half the last digit. The weights of
    female speech would give 0.8164."""
    decays_s = (0.5, 0.45, 0.4, 0.35, 0.3, 0.3, 0.25)
    mti = np.array([speech.transfer_index(transfer(t))[0] for t in decays_s])
    printed = ".7363 .7568 .7779 .8021 .8275 .8275 .8560"
    assert mti == pytest.approx(np.array(printed.split(), float), abs=DIGIT)
    assert speech.speech_index(mti) == pytest.approx(0.8112, abs=DIGIT)
    assert speech.speech_index(mti) != pytest.approx(0.8164, abs=DIGIT)


def test_speech_spectrum_has_its_own_level():
    """Truth: A-weighting of IEC 61672-1, 125 Hz to 8 kHz (values from memory): the band
    levels of speech at 0 dB(A) add up to 0 dB(A). Tolerance: seven values of one digit."""
    a_weight_db = np.array([-16.1, -8.6, -3.2, 0.0, 1.2, 1.0, -1.1])
    level = 10.0 * np.log10(np.sum(10.0 ** ((speech.SPEECH_RE_A_DB + a_weight_db) / 10.0)))
    assert level == pytest.approx(0.0, abs=0.05)


#: Level of an octave -> factor by which it masks the next, dB: IEC 60268-16 (read in
#: public copies), worked by hand on both sides of each bend.
UPWARD = {50.0: -40.0, 62.0: -34.0, 65.0: -29.9, 80.0: -19.8, 99.0: -10.3, 105.0: -10.0}


@pytest.mark.parametrize(("level_db", "upward_db"), UPWARD.items())
def test_masking_of_the_next_octave(level_db, upward_db):
    """Truth: m falls by I / (I + I_masking + I_threshold); here in the 250 Hz octave."""
    levels = np.array([level_db, 60.0, 60, 60, 60, 60, 60])
    got = speech.with_masking(np.ones((7, 14)), levels)
    own, masking, threshold = 1e6, 10.0 ** ((level_db + upward_db) / 10.0), 10.0**2.7
    assert got[1] == pytest.approx(own / (own + masking + threshold), rel=1e-12)


def test_masking_lowers_loud_and_faint_speech():
    """Truth: hearing is best in between; 125 Hz has nothing below it to mask it."""
    at = {
        dba: index(speech.with_masking(np.ones((7, 14)), dba + speech.SPEECH_RE_A_DB))
        for dba in (20.0, 60.0, 105.0)
    }
    assert at[60.0] > at[20.0]
    assert at[60.0] > at[105.0]
    loud = speech.with_masking(np.ones((7, 14)), np.full(7, 105.0))
    assert loud[0] == pytest.approx(1.0, abs=2e-6)


@pytest.mark.parametrize("fraction", [1, 3])
def test_pair(fraction):
    """Truth: the table, through the measures of a pair. Tolerance: half the last digit and,
    for bins of 1 ms within which energy is even, (2 pi 12.5 Hz 1 ms)^2 / 24."""
    bands = Bands(fraction)
    n = bands.n_band
    got = measure_pair(nothing(n), late(0.5, end_s=1.5, n_band=n), bands, AHEAD)
    assert got.sti == pytest.approx(STI[0.5], abs=DIGIT + 2.6e-4)
    assert got.mti == pytest.approx(STI[0.5], abs=DIGIT + 2.6e-4)


def test_thirds_add_up_to_octaves():
    """Truth: energies add: an octave of thirds with unlike decay has the transfer of their
    sum, not the mean of their transfers. Tolerance: rounding."""
    bands = Bands(3)
    decays_s = np.where(np.abs(third_centres_hz() - 1000.0) < 1.0, 1.0, 0.3)
    one = [slopes((1.0, t), end_s=1.5, bin_s=1e-3) for t in decays_s]
    stacked = type(one[0])(
        one[0].arrival_s, np.zeros((bands.n_band, 0)), one[0].edge_s,
        np.concatenate([o.binned for o in one]),
    )  # fmt: skip
    got = speech.modulation_transfer(speech.speech_octaves(stacked, 3))
    pole = 1.0 / (1.0 + 2j * np.pi * speech.MODULATION_HZ * np.array([[1.0], [0.3]]) / LN_60_DB)
    together = np.abs(pole[0] + 2.0 * pole[1]) / 3.0
    # Bins of 1 ms, and the slow third's last 90 dB cut off.
    assert got[3] == pytest.approx(together, abs=3e-4)
    assert got[2] == pytest.approx(np.abs(pole[1]), abs=3e-4)
    assert got[3] != pytest.approx(np.abs(pole).mean(axis=0), abs=3e-3)
