"""How far rooms are from diffuse, and why a traced decay and Eyring's formula part.

Truth: absorption along the axes of a box, by hand, and of one that is turned about the
vertical by 45 degrees, where x and y meet all four walls alike. Tolerance: rounding.
"""

from types import SimpleNamespace

import numpy as np
import pytest

from raysim.measures.diffuseness import Diffuseness, diffuseness
from raysim.report.mixing import why_apart

#: Walls across x, across y, floor and ceiling of a box of 4 x 3 x 2.5 m.
NORMAL = np.array([[1.0, 0, 0], [-1, 0, 0], [0, 1, 0], [0, -1, 0], [0, 0, 1], [0, 0, -1]])
AREA_M2 = np.array([7.5, 7.5, 10.0, 10.0, 12.0, 12.0])
ALPHA = np.array([0.1, 0.3, 0.6, 0.6, 0.02, 0.08])
SCATTERING = np.array([0.1, 0.1, 0.3, 0.3, 0.1, 0.1])


def test_axes_of_a_box():
    found = diffuseness(NORMAL, AREA_M2, ALPHA, SCATTERING)
    assert found.by_axis == pytest.approx([0.2, 0.6, 0.05], rel=1e-12)
    assert (found.hard, found.soft, found.is_uneven) == (2, 1, True)
    assert found.alpha == pytest.approx((3.0 + 12.0 + 1.2) / 59.0, rel=1e-12)
    assert found.scattering == pytest.approx((0.1 * 39.0 + 0.3 * 20.0) / 59.0, rel=1e-12)


def test_axes_of_a_turned_box():
    turn = np.array([[1.0, 1.0, 0.0], [-1.0, 1.0, 0.0], [0.0, 0.0, np.sqrt(2)]]) / np.sqrt(2)
    found = diffuseness(NORMAL @ turn, AREA_M2, ALPHA, SCATTERING)
    walls = (3.0 + 12.0) / 35.0
    assert found.by_axis == pytest.approx([walls, walls, 0.05], rel=1e-12)
    # the twin: normals as they are would tell x and y apart
    assert abs(diffuseness(NORMAL, AREA_M2, ALPHA, SCATTERING).by_axis[0] - walls) > 0.1


def layout(name, t30_s, by_axis, scattering=0.15, error_s=0.01, eyring_s=0.3):
    return SimpleNamespace(
        name=name,
        t30_mid_s=t30_s,
        t30_mid_error_s=error_s,
        eyring_mid_s=eyring_s,
        mixing=Diffuseness(np.array(by_axis), float(np.mean(by_axis)), scattering),
    )


BARE = layout("bare", 0.3, [0.05, 0.05, 0.05])


@pytest.mark.parametrize(
    ("one", "says"),
    [
        # hard between floor and ceiling, panels on the walls across y
        (
            layout("panels", 0.45, [0.08, 0.3, 0.05]),
            "“panels” lingers 1.5 times as long as Eyring has it: sound between floor and "
            "ceiling meets a mean absorption of 0.05, along y 0.30; what is put up works "
            "mostly along y, and only 0.15 of what is reflected is scattered to other "
            "directions.",
        ),
        (layout("smooth", 0.45, [0.2, 0.22, 0.2], 0.05), "only 0.05 of what is reflected"),
        (layout("even", 0.45, [0.2, 0.22, 0.2]), "no axis is hard enough"),
        (layout("near", 0.2, [0.2, 0.22, 0.2]), "met more often than its area says"),
    ],
)
def test_reason_is_that_of_the_room(one, says):
    head, sentence = why_apart([BARE, one])
    assert head.startswith("Eyring's formula")
    assert says in sentence


@pytest.mark.parametrize(
    "one",
    [
        layout("agrees", 0.329, [0.08, 0.3, 0.05]),  # within 10 %
        layout("chance", 0.4, [0.08, 0.3, 0.05], error_s=0.06),
        layout("unknown", np.nan, [0.08, 0.3, 0.05], error_s=np.nan),
    ],
)
def test_nothing_is_said_where_they_agree_or_chance_may_do(one):
    assert why_apart([BARE, one]) == []
    assert why_apart([BARE, layout("twin", 0.4, [0.08, 0.3, 0.05])]) != []
