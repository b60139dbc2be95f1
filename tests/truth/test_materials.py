"""The catalogue of materials: against the printed tables, and against its own sense.

Truth: rows of handbook tables, seen second-hand, typed here apart from the catalogue.
Tolerance: none, a printed value is copied or it is wrong.
"""

from dataclasses import replace

import numpy as np
import pytest

from raysim.scene.bandwise import per_band
from raysim.scene.materials import catalogue
from raysim.scene.model import Bands

#: 125 Hz to 4 kHz as printed. V: Vorländer, Auralization. H: Howard and Angus. C: Cox
#: and D'Antonio. B: Barron. P: databank of the German national metrology institute.
#: U: UK handbook table. E: Everest, Master Handbook of Acoustics.
PRINTED = {
    "painted_plaster": ".01 .01 .02 .02 .02 .02",  # H
    "board_on_studs_handbook": ".29 .10 .05 .04 .07 .09",  # H, E
    "board_on_empty_cavity": ".08 .11 .04 .03 .03 0",  # P
    "two_boards_with_wool": ".15 .10 .06 .04 .04 .05",  # V
    "rendered_brick": ".01 .02 .02 .03 .03 .04",  # V
    "wood_lining": ".27 .23 .22 .15 .10 .07",  # V
    "brick_bare": ".03 .03 .03 .04 .05 .07",  # B
    "brick_painted": ".01 .01 .02 .02 .02 .03",  # B
    "concrete_smooth": ".01 .01 .02 .02 .02 .05",  # V
    "block_painted": ".10 .05 .06 .07 .09 .08",  # P
    "wood_floor_on_joists": ".15 .11 .10 .07 .06 .07",  # P
    "carpet_on_concrete": ".02 .06 .14 .37 .60 .65",  # P
    "carpet_on_underlay": ".08 .24 .57 .69 .71 .73",  # C
    "window_glass": ".35 .25 .18 .12 .07 .04",  # P
    "heavy_glass": ".18 .06 .04 .03 .02 .02",  # P
    "door_solid": ".14 .10 .06 .08 .10 .10",  # V
    "door_hollow": ".30 .25 .15 .10 .10 .07",  # U
    "curtain_heavy_half_area": ".14 .35 .55 .72 .70 .65",  # P
    "curtain_medium_half_area": ".07 .31 .49 .75 .70 .60",  # C
    "curtain_medium_straight": ".05 .07 .13 .22 .32 .35",  # C
    "curtain_cotton_off_wall": ".30 .45 .65 .56 .59 .71",  # V
    "melamine_foam_25": ".09 .22 .54 .76 .88 .93",  # U
    "melamine_foam_50": ".18 .56 .96 1 1 1",  # U
    "polyurethane_foam_25": ".16 .25 .45 .84 .97 .87",  # C
    "polyurethane_foam_50": ".25 .50 .85 .95 .90 .90",  # U
    "convoluted_foam_50": ".06 .25 .56 .81 .90 .91",  # a table of unknown origin
    "glass_wool_25": ".11 .32 .56 .77 .89 .91",  # U
    "glass_wool_50": ".27 .54 .94 1 .96 .96",  # U
    "glass_wool_100": ".46 1 1 1 1 1",  # U
    "rock_wool_50": ".15 .60 .90 .90 .90 .85",  # U
    "rock_wool_100": ".35 .95 .98 .92 .90 .85",  # U
    "rock_wool_50_dense": ".11 .60 .96 .94 .92 .82",  # U
    "rock_wool_75_dense": ".34 .95 .98 .82 .87 .86",  # U
    "mineral_wool_50_gap_300": ".70 .45 .65 .60 .75 .65",  # V
    "cloth_seats": ".44 .60 .77 .89 .82 .70",  # V
}

#: m2 per person as printed (U), and the box that the material is meant for.
PEOPLE = {
    "person_seated": (".33 .40 .44 .45 .45 .45", (0.46, 0.38, 1.00)),
    "person_standing": (".15 .38 .42 .43 .45 .45", (0.44, 0.38, 1.35)),
}


def numbers(printed):
    return np.array([float(word) for word in printed.split()])


def agrees(material, printed):
    return np.array_equal(material.alpha[1:-1], numbers(printed))


def makes_sense(material):
    low, likely, high = material.alpha_low, material.alpha, material.alpha_high
    is_ordered = bool(np.all(low <= likely) and np.all(likely <= high))
    within = [bool(np.all((v >= 0) & (v <= 1))) for v in (low, high, material.scattering)]
    return is_ordered and all(within) and bool(material.source)


@pytest.mark.parametrize("name", PRINTED)
def test_catalogue_agrees_with_printed_table(name):
    assert agrees(catalogue(Bands())[name], PRINTED[name])


@pytest.mark.parametrize("name", PRINTED)
def test_catalogue_test_can_fail(name):
    """Planted fault: two neighbouring bands change places."""
    material = catalogue(Bands())[name]
    i = 1 + int(np.flatnonzero(np.diff(material.alpha[1:-1]))[0])
    swapped = material.alpha.copy()
    swapped[[i, i + 1]] = swapped[[i + 1, i]]
    assert not agrees(replace(material, alpha=swapped), PRINTED[name])


@pytest.mark.parametrize("fraction", [1, 3])
def test_all_coefficients_make_sense(fraction):
    """Truth: shares of energy are 0 to 1, and the likely one is within its bounds."""
    for material in catalogue(Bands(fraction)).values():
        assert makes_sense(material), material.name


@pytest.mark.parametrize(
    "fault",
    [
        {"alpha": np.full(8, 1.01)},
        {"alpha_low": np.full(8, 0.5)},
        {"alpha_high": np.full(8, 0.001)},
        {"scattering": np.full(8, -0.1)},
        {"source": ""},
    ],
    ids=lambda fault: next(iter(fault)),
)
def test_sense_test_can_fail(fault):
    assert not makes_sense(replace(catalogue(Bands())["block_painted"], **fault))


def test_light_board_spans_the_published_spread():
    """Truth: .08 (P) to .29 (H, E), in other tables .30, at 125 Hz; likely .10."""
    board = catalogue(Bands())["board_on_studs"]
    assert (board.alpha_low[1], board.alpha[1], board.alpha_high[1]) == (0.08, 0.10, 0.30)


def area_m2(name, height_m=None):
    """Give the absorption area of a person's box that stands on the floor."""
    width, depth, height = PEOPLE[name][1]
    height = height_m or height
    faces_m2 = 2 * (width + depth) * height + width * depth
    return catalogue(Bands())[name].alpha[1:-1] * faces_m2


@pytest.mark.parametrize("name", PEOPLE)
def test_people_absorb_as_printed(name):
    """Tolerance: half the last printed digit."""
    assert area_m2(name) == pytest.approx(numbers(PEOPLE[name][0]), abs=0.005)


@pytest.mark.parametrize("name", PEOPLE)
def test_people_test_can_fail(name):
    """Planted fault: a box a tenth taller than the coefficients are made for."""
    taller = area_m2(name, height_m=1.1 * PEOPLE[name][1][2])
    assert taller != pytest.approx(numbers(PEOPLE[name][0]), abs=0.005)


def test_rug_keeps_what_its_floor_absorbs():
    """Truth: 1 - (1 - a)(1 - b) for a thin cover, to half the last digit kept."""
    floor, carpet = (
        numbers(PRINTED[n]) for n in ("wood_floor_on_joists", "carpet_on_concrete")
    )
    rug = catalogue(Bands())["rug_on_boards"].alpha[1:-1]
    assert rug == pytest.approx(1 - (1 - floor) * (1 - carpet), abs=0.005 + 1e-12)
    assert rug != pytest.approx(carpet, abs=0.005)  # the fault of leaving the floor out


def test_thirds_are_straight_between_octaves():
    """Truth: a straight line over log frequency stays straight, to rounding."""
    octave = Bands().centre_hz
    third = Bands(3).centre_hz
    got = per_band(np.log2(octave / 63.0), Bands(3))
    inside = slice(1, -1)  # 50 Hz and 10 kHz lie beyond the octaves and repeat them
    assert got[inside] == pytest.approx(np.log2(third / 63.0)[inside], rel=1e-12, abs=1e-12)
    assert (got[0], got[-1]) == (got[1], got[-2])


def test_interpolation_test_can_fail():
    """Planted fault: straight over frequency itself, not over its logarithm."""
    octave, third = Bands().centre_hz, Bands(3).centre_hz
    wrong = np.interp(third, octave, np.log2(octave / 63.0))[1:-1]
    assert wrong != pytest.approx(np.log2(third / 63.0)[1:-1], rel=1e-12, abs=1e-12)
