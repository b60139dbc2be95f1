"""Files of measured heads: what is read from good ones, and what is said of bad ones.

Truth of the good ones: a file made here from a rigid sphere, whose series is known.
"""

import numpy as np
import pytest

from raysim.errors import RaysimError
from raysim.response.ears import Hearing, SphereHead, even_directions
from raysim.response.head_file import read_head
from raysim.scene.model import Bands
from raysim.units import to_level_db

sofar = pytest.importorskip("sofar")

C, N = 343.0, 300


def hearing(rate_hz):
    return Hearing(np.eye(3), C, Bands(), rate_hz)


def write(
    path, *, rate_hz=44_100, gain=1.0, directions=None, ears=(1.0, -1.0), delay=0, **more
):
    """Write a head's file of a rigid sphere; ``more`` replaces what the file holds."""
    directions = even_directions(N) if directions is None else directions
    n = len(directions)
    taps = SphereHead().taps(directions, np.full(n, np.inf), hearing(rate_hz))
    if ears[0] < 0.0:
        taps = taps[::-1]
    made = sofar.Sofa("SimpleFreeFieldHRIR")
    made.Data_IR = gain * taps.transpose(1, 0, 2)
    made.Data_SamplingRate = float(rate_hz)
    made.Data_Delay = np.full((1, 2), delay)
    azimuth = np.degrees(np.arctan2(directions[:, 1], directions[:, 0]))
    elevation = np.degrees(np.arcsin(directions[:, 2]))
    made.SourcePosition = np.stack([azimuth, elevation, np.full(n, 1.5)], axis=1)
    made.ReceiverPosition = np.array([[0.0, 0.09 * side, 0.0] for side in ears])
    for name, value in more.items():
        setattr(made, name, value)
    sofar.write_sofa(str(path), made)
    return path


def off_sphere(head, rate_hz=48_000):
    """Give the worst difference of a head's taps from the sphere's: dB, and samples."""
    directions = even_directions(N)[::7]
    far = np.full(len(directions), np.inf)
    got, wanted = (one.taps(directions, far, hearing(rate_hz)) for one in (head, SphereHead()))
    freq_hz = np.array([300.0, 1000.0, 4000.0, 9000.0])
    spectra = [
        taps @ np.exp(-2j * np.pi * np.outer(np.arange(taps.shape[-1]), freq_hz) / rate_hz)
        for taps in (got, wanted)
    ]
    ratio = spectra[0] / spectra[1]
    turn = np.angle(ratio[..., :2]) / (2.0 * np.pi * freq_hz[:2] / rate_hz)
    return float(np.abs(to_level_db(np.abs(ratio) ** 2)).max()), float(np.abs(turn).max())


@pytest.mark.parametrize(
    "how",
    [
        {},
        {"rate_hz": 48_000},
        {"gain": 0.1},
        {"ears": (-1.0, 1.0)},
        {"delay": 37},
    ],
    ids=["as it is", "48 kHz", "another level", "right ear first", "a common delay"],
)
@pytest.mark.parametrize("rate_hz", [48_000, 96_000])
def test_a_sphere_comes_back(tmp_path, how, rate_hz):
    """Truth: the sphere itself. Tolerance: 0.3 dB for the level found from a smooth quarter
    to one kilohertz and for resampling, half a sample of 44.1 kHz for when sound is at the
    middle, which the file does not say."""
    head = read_head(write(tmp_path / "head.sofa", **how))
    level_db, samples = off_sphere(head, rate_hz)
    assert level_db < 0.3
    assert samples < 0.5 * rate_hz / 44_100
    assert head.sphere.radius_m == pytest.approx(0.0875, rel=0.03)
    assert ("its level changed" in head.what) == (how.get("gain") is not None)


def test_sphere_test_can_fail(tmp_path):
    """Planted faults: a file whose ears are named the wrong way round, and a late ear."""
    swapped = write(tmp_path / "swapped.sofa",
                    ReceiverPosition=np.array([[0, -0.09, 0], [0, 0.09, 0]]))  # fmt: skip
    assert off_sphere(read_head(swapped))[0] > 0.3
    late = write(tmp_path / "late.sofa", Data_Delay=np.array([[0, 3]]))
    assert off_sphere(read_head(late))[1] > 0.5


def complaint(path):
    with pytest.raises(RaysimError) as caught:
        read_head(path)
    (one,) = caught.value.complaints
    assert one.where == str(path)
    return one


def test_no_such_file(tmp_path):
    assert complaint(tmp_path / "none.sofa").code == "RS-L03"


@pytest.mark.parametrize("content", [b"", b"hello", b"\x89HDF\r\n\x1a\n" + bytes(500)])
def test_not_such_a_file(tmp_path, content):
    path = tmp_path / "text.sofa"
    path.write_bytes(content)
    assert complaint(path).code == "RS-L04"


def test_cut_short(tmp_path):
    whole = write(tmp_path / "whole.sofa").read_bytes()
    path = tmp_path / "cut.sofa"
    path.write_bytes(whole[: len(whole) // 3])
    assert complaint(path).code == "RS-L04"


def test_another_convention(tmp_path):
    made = sofar.Sofa("GeneralFIR")
    made.Data_IR, made.Data_SamplingRate = np.ones((1, 1, 8)), 48_000.0
    sofar.write_sofa(str(tmp_path / "general.sofa"), made)
    one = complaint(tmp_path / "general.sofa")
    assert one.code == "RS-L05"
    assert "GeneralFIR" in one.wrong


NAN = np.full((N, 2, 64), np.nan)
SILENT = np.stack([np.ones((N, 64)), np.zeros((N, 64))], axis=1)


@pytest.mark.parametrize(
    ("how", "said"),
    [
        ({"directions": even_directions(20)}, "20 directions"),
        ({"directions": even_directions(N)[: N // 4]}, "a hole of"),
        ({"Data_IR": NAN}, "not all its numbers are finite"),
        ({"Data_IR": SILENT}, "one of its ears is silent"),
        ({"Data_SamplingRate": 100.0}, "sample rate is 100 Hz"),
    ],
)
def test_contents_that_cannot_be_used(tmp_path, how, said):
    one = complaint(write(tmp_path / "head.sofa", **how))
    assert one.code == "RS-L06"
    assert said in one.wrong


def test_without_the_library(tmp_path, monkeypatch):
    monkeypatch.setitem(__import__("sys").modules, "sofar", None)
    path = tmp_path / "head.sofa"
    path.write_bytes(b"anything")
    with pytest.raises(RaysimError, match="RS-L02"):
        read_head(path)
