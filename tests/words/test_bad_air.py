"""Air outside the range of the standard is refused, all mistakes at once."""

import numpy as np
import pytest

from raysim.errors import SceneError
from raysim.scene.air import attenuation_db_per_m, density_kg_m3, speed_m_s
from raysim.scene.model import Air
from raysim.scene.place import Place

KILOHERTZ = np.array([1000.0])


@pytest.mark.parametrize(
    ("air", "code", "value"),
    [
        (Air(68.0), "RS-S40", "68"),
        (Air(float("nan")), "RS-S40", "nan"),
        (Air(20.0, 0.5), "RS-S41", "0.5"),
        (Air(20.0, 120.0), "RS-S41", "120"),
        (Air(20.0, 50.0, 1013.25), "RS-S42", "1013.25"),
    ],
)
def test_air_out_of_range(air, code, value):
    for ask in (speed_m_s, density_kg_m3, lambda a: attenuation_db_per_m(a, KILOHERTZ)):
        with pytest.raises(SceneError) as caught:
            ask(air)
        (complaint,) = caught.value.complaints
        assert complaint.code == code
        assert value in complaint.wrong


@pytest.mark.parametrize("freq_hz", [20.0, 16_000.0, float("nan")])
def test_frequency_out_of_range(freq_hz):
    with pytest.raises(SceneError) as caught:
        attenuation_db_per_m(Air(), np.array([1000.0, freq_hz]))
    (complaint,) = caught.value.complaints
    assert complaint.code == "RS-S43"
    assert f"{freq_hz:g}" in complaint.wrong


def test_all_at_once_with_the_line():
    air = Air(99.0, 1.0, 0.0, Place("scene.toml", 12))
    with pytest.raises(SceneError) as caught:
        attenuation_db_per_m(air, np.array([1.0]))
    codes = [c.code for c in caught.value.complaints]
    assert codes == ["RS-S40", "RS-S41", "RS-S42", "RS-S43"]
    assert caught.value.complaints[0].where.startswith("scene.toml:12")


def test_the_limits_themselves_are_allowed():
    for air in (Air(-20.0, 10.0, 50_000.0), Air(50.0, 100.0, 200_000.0)):
        assert np.all(attenuation_db_per_m(air, np.array([50.0, 10_000.0])) > 0.0)
