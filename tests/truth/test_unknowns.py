"""Which unknowns move the answer: ends, ranking, and all of them drawn at once.

Truth: Eyring's formula for one material, the triangular distribution of another library,
and the sum of squares for small independent spreads. Tolerance: closed form, or sampling
errors of 4 sigma with a fixed seed.
"""

import math

import numpy as np
import pytest
from quick import write_quick
from scipy.stats import triang

from raysim.cli import main
from raysim.planning.unknowns import (
    AIR,
    Spread,
    decays_s,
    draws_s,
    look_for,
    together_s,
    triangular,
    unknowns,
)
from raysim.study import prepare

VOLUME_M3, SPEED_M_S = 30.0, 343.2
K = 24.0 * math.log(10.0)


def spread_of(area_m2, low, likely, high):
    """Give unknowns in one band, in air that takes nothing."""

    def rows(values):
        return np.array([*values, 0.0])[:, None]

    names = (*(f"m{i}" for i in range(len(area_m2))), AIR)
    return Spread(names, np.array([*area_m2, 0.0]), rows(low), rows(likely), rows(high))


def eyring_s(alpha, area_m2, air_per_m=0.0, volume_m3=VOLUME_M3, speed_m_s=SPEED_M_S):
    taken = -area_m2 * math.log(1.0 - alpha) + 4.0 * air_per_m * volume_m3
    return K * volume_m3 / (speed_m_s * taken)


@pytest.fixture(scope="module")
def box(tmp_path_factory):
    """A room of one material throughout, with a spread."""
    folder = tmp_path_factory.mktemp("box")
    return write_quick(
        folder / "room", ("alpha = 0.4", "alpha = 0.4\nalpha_low = 0.3\nalpha_high = 0.55")
    )


def test_one_material(box):
    """Truth: Eyring in closed form at both ends, all bands alike but for the air."""
    prepared = prepare(box)
    found = unknowns(prepared)
    one = next(u for u in found.ranked if u.name == "felt")
    air = prepared.room.air_per_m
    room = (prepared.mesh.air_volume_m3, prepared.room.speed_m_s)
    area = prepared.mesh.area_m2
    for alpha, got in ((0.55, one.most_absorbing_s), (0.3, one.least_absorbing_s)):
        low, high = (eyring_s(alpha, area, air[i], *room) for i in (1, 6))
        mid = 0.5 * sum(eyring_s(alpha, area, air[i], *room) for i in (3, 4))
        assert got == pytest.approx([low, mid, high], rel=1e-9)
        sabine_s = K * room[0] / (room[1] * (area * alpha + 4.0 * air[1] * room[0]))
        assert abs(got[0] / sabine_s - 1.0) > 0.1  # twin: the other formula
    assert found.ranked[0] is one
    assert one.area_m2 == pytest.approx(area)
    assert found.likely_s[1] == pytest.approx(eyring_s(0.4, area, air[1], *room), rel=1e-9)
    assert found.unstated == ()


def test_knowing_the_first_leaves_the_air(box):
    """With the only material known, the lows hardly vary, and the highs do by the air."""
    found = unknowns(prepare(box))
    width = found.high_s / found.low_s - 1.0
    left = found.first_known_high_s / found.first_known_low_s - 1.0
    assert width.min() > 0.2
    assert left[1] < 1e-3
    assert left[7] > 1e-2
    assert (found.low_s < found.likely_s).all()
    assert (found.likely_s < found.high_s).all()


def test_triangular_is_that_of_another_library():
    share = np.linspace(0.0, 1.0, 41)
    for low, likely, high in ((0.1, 0.2, 0.6), (0.1, 0.1, 0.4), (0.2, 0.5, 0.5)):
        at = (likely - low) / (high - low)
        truth = triang.ppf(share, at, loc=low, scale=high - low)
        got = triangular(share, *np.array([low, likely, high]))
        assert got == pytest.approx(truth, abs=1e-12)
        even = low + share * (high - low)  # planted fault: drawn evenly
        assert np.abs(even - truth).max() > 0.02
    assert triangular(share, *np.array([0.3, 0.3, 0.3])) == pytest.approx(0.3, abs=0.0)


def sigmas_of_shares(n_draw=400, seed=1, power=1.0):
    """Give how far the shares of draws beyond the true 5 and 95 % are off, in sigma."""
    low, likely, high = 0.1, 0.15, 0.4
    spread = spread_of([50.0], [low], [likely], [high])
    drawn = draws_s(spread, VOLUME_M3, SPEED_M_S, n_draw, seed)[:, 0] ** power
    off = []
    for share in (0.05, 0.95):
        alpha = triang.ppf(1.0 - share, (likely - low) / (high - low), low, high - low)
        below = (drawn < eyring_s(alpha, 50.0)).mean()
        off.append(abs(below - share) / math.sqrt(share * (1.0 - share) / n_draw))
    return max(off)


def test_one_unknown_drawn():
    """Truth: quantiles of T are T at the quantiles of alpha. Tolerance: 4 sigma of shares."""
    assert sigmas_of_shares() < 4.0
    low_s, high_s = together_s(
        spread_of([50.0], [0.1], [0.15], [0.4]), VOLUME_M3, SPEED_M_S, 20_000
    )
    for got, share in ((low_s, 0.05), (high_s, 0.95)):
        alpha = triang.ppf(1.0 - share, 1.0 / 6.0, 0.1, 0.3)
        assert got[0] == pytest.approx(eyring_s(alpha, 50.0), rel=0.02)


def test_one_unknown_drawn_can_fail():
    """Planted fault: decay times a tenth too long in the exponent."""
    assert sigmas_of_shares(power=1.1) > 4.0


N_LARGE = 4000


def sum_of_squares_off(shared=False, combine=np.hypot):
    """Give the sd of T from two small unknowns over that of their combination, less 1."""
    area, alpha, half = [20.0, 30.0], [0.2, 0.3], [0.010, 0.008]
    spread = spread_of(area, np.subtract(alpha, half), alpha, np.add(alpha, half))
    mean = np.dot(area, alpha) / 50.0
    t_s = eyring_s(mean, 50.0)
    # dT/dalpha_i = -T S_i / (S (1 - mean) (-ln(1 - mean))); sd of the triangle: half / sqrt 6
    slope = t_s / (50.0 * (1.0 - mean) * -math.log(1.0 - mean))
    each = [slope * a * h / math.sqrt(6.0) for a, h in zip(area, half, strict=True)]
    drawn = draws_s(spread, VOLUME_M3, SPEED_M_S, N_LARGE, 1)[:, 0]
    if shared:  # planted fault: one quantile for both
        share = np.random.default_rng(1).random((N_LARGE, 1, 1))
        rows = triangular(share, spread.low, spread.likely, spread.high)
        drawn = decays_s(rows, spread.area_m2, VOLUME_M3, SPEED_M_S)[:, 0]
    return abs(drawn.std() / combine(*each) - 1.0)


#: 4 sigma of a standard deviation of so many draws; a triangle's kurtosis is 2.4.
SD_BOUND = 4.0 * math.sqrt((2.4 - 1.0) / (4.0 * N_LARGE))


def test_two_small_unknowns_add_as_squares():
    assert sum_of_squares_off() < SD_BOUND


def test_two_small_unknowns_can_fail():
    """Planted faults: spreads simply added; both unknowns drawn as one."""
    assert sum_of_squares_off(combine=np.add) > 5.0 * SD_BOUND
    assert sum_of_squares_off(shared=True) > 5.0 * SD_BOUND


def test_draws_repeat():
    spread = spread_of([20.0, 30.0], [0.1, 0.1], [0.2, 0.3], [0.3, 0.4])
    one, again, other = (draws_s(spread, VOLUME_M3, SPEED_M_S, 50, seed) for seed in (1, 1, 2))
    assert (one == again).all()
    assert (one != other).all()


def test_everyone_is_told_what_to_look_for():
    assert look_for("board_on_studs").startswith("Knock on it")
    assert "hygrometer" in look_for(AIR)
    assert "underlay" in look_for("carpet_on_concrete")
    assert "second table" in look_for("my_own_thing")
    assert "flow resistivity" in look_for("my_own_thing", layered=True)
    assert "flow resistivity" in look_for("glass_wool_50")
    assert "panes take bass" in look_for("heavy_glass")
    assert "How wide is the space" in look_for("wood_floor_on_joists")


def test_command(box, capsys):
    assert main(["unknowns", str(box)]) == 0
    out = " ".join(capsys.readouterr().out.split())
    assert "These unknowns move your answer most" in out
    assert "...): Measure thickness and gap, weigh a slab" in out
    assert out.index("felt") < out.index(AIR)


def test_command_without_a_scene(tmp_path, capsys):
    assert main(["unknowns", str(tmp_path / "none")]) == 2
    assert "[RS-F01]" in capsys.readouterr().err
