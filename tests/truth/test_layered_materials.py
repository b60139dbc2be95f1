"""Walls made of layers: what a scene says of them, and what single paths lose on them.

Truth: Miki's model of a porous layer (J. Acoust. Soc. Jpn. (E) 11 (1990), coefficients
seen second-hand), the layer formulas and R = (Z cos - Z0)/(Z cos + Z0) of the textbooks
(from memory), coded here apart from the engine.
"""

from dataclasses import replace

import numpy as np
import pytest
from rooms import attic_scene, box_scene, frozen, material

from raysim.absorbers.layers import (
    AirGap,
    Holes,
    Membrane,
    Pores,
    Porous,
    Sheet,
    Slots,
    Stack,
)
from raysim.absorbers.stack import reflection_factor
from raysim.geometry.build import build_room
from raysim.propagation.angles import band_reflected
from raysim.propagation.images import arrivals
from raysim.propagation.room import acoustic_room
from raysim.response.walls import path_reflection
from raysim.scene.air import density_kg_m3, gas, speed_m_s
from raysim.scene.layered import before, completed, draft
from raysim.scene.materials import catalogue
from raysim.scene.model import Air, Bands
from raysim.scene.plan import Amount, Treatment
from raysim.scene.treated import back_material, edge_material, front_material
from raysim.store.stacks import stack_of, stack_text

AIR = Air()
WOOL = Stack((Porous(0.1, 10_000.0, low_pa_s_m2=5_000.0, high_pa_s_m2=20_000.0),))
#: 512 frequencies to an octave against the engine's 48: the engine's rule of midpoints
#: errs by a few 1e-6 on wool, as halving its step shows (`test_midpoints_converge`).
N_FINE = 512
WITHIN = 2e-5


def layer_reflection(freq_hz, cosine, gap_m=0.0, thickness_m=0.1, resistivity=10_000.0):
    """Give R of a rigid-backed Miki layer, with air behind it if asked, by hand."""
    rho, c = density_kg_m3(AIR), speed_m_s(AIR)
    k0, x = 2 * np.pi * freq_hz / c, 1e3 * freq_hz / resistivity
    zc = rho * c * (1 + 5.50 * x**-0.632 - 8.43j * x**-0.632)
    k = k0 * (1 + 7.81 * x**-0.618 - 11.41j * x**-0.618)
    along = k0 * np.sqrt(1 - cosine**2)
    across = np.sqrt(k**2 - along**2)
    z_layer, tangent = zc * k / across, np.tan(across * thickness_m)
    if gap_m:
        z_gap = -1j * rho * c / cosine / np.tan(k0 * cosine * gap_m)
        z = z_layer * (z_gap + 1j * z_layer * tangent) / (z_layer + 1j * z_gap * tangent)
    else:
        z = -1j * z_layer / tangent
    return (z * cosine - rho * c) / (z * cosine + rho * c)


def band_energy(cosine, n=N_FINE, **layer):
    """Give the mean of |R|^2 over each octave, evenly in log frequency."""
    step = 10.0 ** (0.3 * ((np.arange(n) + 0.5) / n - 0.5))
    freq_hz = (Bands().centre_hz[:, None] * step).ravel()
    r = layer_reflection(freq_hz, cosine, **layer)
    return (np.abs(r) ** 2).reshape(8, n).mean(axis=1)


def room_with(stack, behind_alpha=None, scattering=0.1, fraction=1):
    """Give the scene of a box whose floor is made of layers, and its acoustic room."""
    scene = box_scene(
        sources=((1.1, 1.3, 1.7),),
        receivers=((1.3, 1.2, 1.1), (3.7, 2.2, 1.4), (4.6, 3.5, 0.2)),
        scattering=scattering,
        fraction=fraction,
    )
    made = draft("floor", stack, scene.materials["floor"].scattering)
    made = completed(made, scene.bands, scene.air)
    if behind_alpha is not None:
        wall = material("wall", behind_alpha, fraction=fraction)
        made = replace(before(made, wall), name="floor")
    scene = replace(scene, materials=scene.materials | {"floor": made})
    return scene, acoustic_room(scene, build_room(scene))


def floor_bounces(scene, room):
    """Give cosine by hand, and what the floor left of the energy, of each single bounce."""
    source = scene.sources[0]
    found = arrivals(room, source, list(scene.receivers), 1)
    floor = room.sides.names.index("floor")
    rows = []
    for receiver, paths in zip(scene.receivers, found, strict=True):
        (i,) = np.flatnonzero((paths.order == 1) & (paths.surfaces[:, 0] == floor))
        rise = source.position_m[2] + receiver.position_m[2]
        without_walls = np.exp(-room.air_per_m * paths.distance_m[i]) / paths.distance_m[i] ** 2
        cosine = rise / paths.distance_m[i]
        assert paths.cosine[i, 0] == pytest.approx(cosine, abs=1e-12)
        rows.append((cosine, paths.energy[i] / without_walls))
    return rows


@pytest.mark.parametrize("gap_m", [0.0, 0.1])
@pytest.mark.parametrize("behind", [None, 0.3])
def test_single_bounce_takes_what_its_angle_leaves(gap_m, behind):
    stack = Stack((*WOOL.layers, AirGap(gap_m))) if gap_m else WOOL
    rows = floor_bounces(*room_with(stack, behind))
    cosines = [cosine for cosine, _ in rows]
    assert min(cosines) < 0.45 < 0.99 < max(cosines)
    for cosine, left in rows:
        by_hand = 0.9 * (1.0 - (behind or 0.0)) * band_energy(cosine, gap_m=gap_m)
        assert left == pytest.approx(by_hand, abs=WITHIN)


def test_single_bounce_test_can_fail():
    """Planted faults: random incidence for the angle; normal incidence; no wall behind."""
    scene, room = room_with(WOOL, 0.3)
    alpha = scene.materials["floor"].alpha
    for cosine, left in floor_bounces(scene, room):
        by_hand = 0.9 * 0.7 * band_energy(cosine)
        assert by_hand != pytest.approx(0.9 * (1.0 - alpha), abs=WITHIN)
        assert left != pytest.approx(0.9 * 0.7 * band_energy(0.9 * cosine), abs=WITHIN)
        assert left != pytest.approx(0.9 * band_energy(cosine), abs=WITHIN)


def test_midpoints_converge():
    """Tolerance of this file: the fine rule differs from one twice as fine by far less."""
    fine = band_energy(0.7)
    assert band_energy(0.7, 2 * N_FINE) == pytest.approx(fine, abs=0.01 * WITHIN)
    assert band_energy(0.7, 3) != pytest.approx(fine, abs=0.01 * WITHIN)


@pytest.mark.parametrize("name", ["wool_100", "felt_12", "membrane_100", "slats_wool_50"])
def test_angles_together_give_random_incidence(name):
    """Truth: the integral of |R|^2 2 cos sin over all angles is 1 - alpha.

    Tolerance: both are rules of nine and of 48 frequencies to an octave; the narrow peak
    of the membrane sets it, and 2e-3 is a fifth of the last digit tables print.
    """
    made = catalogue(Bands())[name]
    node, weight = np.polynomial.legendre.leggauss(96)
    cosine, weight = 0.5 * (node + 1.0), 0.5 * weight
    energy = band_reflected(made.stack, cosine, Bands(), gas(AIR))
    left = (energy * (2.0 * cosine * weight)[:, None]).sum(axis=0)
    assert left == pytest.approx(1.0 - made.alpha, abs=2e-3)
    even = (energy * weight[:, None]).sum(axis=0)  # planted fault: all angles alike
    assert even != pytest.approx(1.0 - made.alpha, abs=2e-3)


def test_walls_without_layers_lose_what_they_lost():
    """Truth: the product of (1 - alpha)(1 - s), in order of the path; to the last bit."""
    scene = box_scene(alpha={"floor": 0.3, "east": 0.17}, scattering=0.2)
    room = acoustic_room(scene, build_room(scene))
    (paths,) = arrivals(room, scene.sources[0], list(scene.receivers), 3)
    keep = (1.0 - room.sides.alpha) * (1.0 - room.sides.scattering)
    energy = np.ones_like(paths.energy)
    energy *= np.exp(-np.outer(paths.distance_m, room.air_per_m))
    energy /= paths.distance_m[:, None] ** 2
    factor = np.ones_like(energy)
    for i, met in enumerate(paths.surfaces):
        for side in met[met >= 0]:
            factor[i] *= keep[side]
    assert np.array_equal(paths.energy, energy * factor)
    assert not np.array_equal(paths.energy, energy * factor * (1.0 + 1e-15))


def test_cosines_of_a_box():
    """Truth: in a box the image is mirrored straight, so cos is its offset over distance."""
    scene, room = room_with(WOOL)
    axis = {"east": 0, "west": 0, "north": 1, "south": 1, "floor": 2, "ceiling": 2}
    for receiver, paths in zip(
        scene.receivers,
        arrivals(room, scene.sources[0], list(scene.receivers), 3),
        strict=True,
    ):
        image = receiver.position_m + paths.distance_m[:, None] * paths.direction
        offset = np.abs(image - receiver.position_m) / paths.distance_m[:, None]
        for i in range(len(paths.order)):
            met = [room.sides.names[s] for s in paths.surfaces[i, : paths.order[i]]]
            by_hand = [offset[i, axis[name]] for name in met]
            assert paths.cosine[i, : paths.order[i]] == pytest.approx(by_hand, abs=1e-12)
            assert np.isnan(paths.cosine[i, paths.order[i] :]).all()


def leg_faults(paths, normal_of):
    """Give how far first and last cosines are from those of the legs themselves."""
    some = np.flatnonzero(paths.order > 0)
    last = paths.order[some] - 1
    first_normal = normal_of[paths.surfaces[some, 0]]
    last_normal = normal_of[paths.surfaces[some, last]]
    first = np.abs((paths.departure[some] * first_normal).sum(axis=1))
    end = np.abs((paths.direction[some] * last_normal).sum(axis=1))
    return np.concatenate(
        [paths.cosine[some, 0] - first, paths.cosine[some, last] - end], dtype=np.float64
    )


def test_cosines_under_slopes():
    """Truth: the first and the last leg, which the search gives by itself; rounding."""
    scene = attic_scene(
        dormer=False, sources=((2.03, 1.61, 1.29),), receivers=((1.13, 3.27, 0.97),)
    )
    mesh = build_room(scene)
    room = acoustic_room(scene, mesh)
    (paths,) = arrivals(room, scene.sources[0], list(scene.receivers), 3)
    normal_of = np.zeros((len(room.sides.names), 3))
    normal_of[mesh.face_surface] = mesh.face_normal
    assert np.count_nonzero(paths.order > 1) > 10
    assert leg_faults(paths, normal_of) == pytest.approx(0.0, abs=1e-9)
    turned = replace(paths, cosine=np.sqrt(1.0 - paths.cosine**2))  # planted: the sine
    assert leg_faults(turned, normal_of) != pytest.approx(0.0, abs=1e-9)


def band_mean_of_paths(scene, room, paths, n=48):
    """Give the mean of |product|^2 over each octave, at the engine's frequencies."""
    step = 10.0 ** (0.3 * ((np.arange(n) + 0.5) / n - 0.5))
    freq_hz = (scene.bands.centre_hz[:, None] * step).ravel()
    product = path_reflection(
        paths, room.sides, scene.materials, scene.bands, freq_hz, gas(scene.air)
    )
    energy = np.abs(product) ** 2
    return energy.reshape(len(product), scene.bands.n_band, n).mean(axis=2)


def test_complex_factor_has_the_stored_energy():
    """Truth: the energy of each path, where one wall at most is layered; to rounding.

    Coefficients are the same in all bands, so that straight lines between them are flat.
    """
    scene, room = room_with(WOOL, 0.3)
    paths = arrivals(room, scene.sources[0], list(scene.receivers), 2)[1]
    floor = room.sides.names.index("floor")
    assert np.any(np.count_nonzero(paths.surfaces == floor, axis=1) == 1)
    without_walls = np.exp(-np.outer(paths.distance_m, room.air_per_m))
    without_walls /= paths.distance_m[:, None] ** 2
    left = paths.energy / without_walls
    assert band_mean_of_paths(scene, room, paths) == pytest.approx(left, rel=1e-9)
    old = replace(paths, cosine=None)  # planted fault: angles forgotten
    assert band_mean_of_paths(scene, room, old) != pytest.approx(left, rel=1e-9)


def test_complex_factor_turns_the_phase_as_the_wall_does():
    """Truth: R by hand at the path's own angle; other walls are hard, with plus sign."""
    scene, room = room_with(WOOL)
    paths = arrivals(room, scene.sources[0], list(scene.receivers), 1)[1]
    freq_hz = np.array([125.0, 500.0, 777.0, 4000.0])
    product = path_reflection(
        paths, room.sides, scene.materials, scene.bands, freq_hz, gas(scene.air)
    )
    floor = room.sides.names.index("floor")
    for i in range(len(paths.order)):
        if paths.surfaces[i, 0] == floor:
            r = layer_reflection(freq_hz, paths.cosine[i, 0])
            by_hand = r * np.sqrt(0.9)
            assert product[i] == pytest.approx(by_hand, abs=1e-9)
            assert product[i] != pytest.approx(by_hand.conj(), abs=1e-3)  # the other time sign
        else:
            assert product[i] == pytest.approx(np.sqrt(0.81) ** paths.order[i], abs=1e-12)


def test_wall_behind_goes_on_absorbing():
    """Truth: 1 - (1 - a)(1 - b), common practice; a cover never takes absorption away."""
    known = catalogue(Bands())
    felt, board = known["felt_12"], known["board_on_studs"]
    both = before(felt, board)
    assert both.alpha == pytest.approx(1 - (1 - felt.alpha) * (1 - board.alpha), abs=1e-12)
    assert np.all(both.alpha >= board.alpha)
    assert np.all(both.alpha_low <= both.alpha)
    assert np.all(both.alpha <= both.alpha_high)
    assert both.behind_alpha is board.alpha
    assert both.alpha[1] != pytest.approx(felt.alpha[1], abs=0.01)  # the fault of swapping


def test_layers_are_computed_in_the_air_of_the_room():
    """Truth: at the same temperature, Z0 scales layer and air alike; warmth moves c.

    Miki's model depends on f/sigma and k0 d alone, so alpha at (f, d, c) is alpha at
    (f, d c0/c, c0): a slab thinner in the ratio of speeds.
    """
    bands, warm = Bands(), Air(temperature_c=45.0)
    thinner = speed_m_s(AIR) / speed_m_s(warm)
    slab = replace(WOOL.layers[0], thickness_m=0.1 * thinner)
    s = frozen(np.full(8, 0.1))
    in_warm = completed(draft("a", WOOL, s), bands, warm)
    in_cool = completed(draft("b", Stack((slab,)), s), bands, AIR)
    usual = completed(draft("c", WOOL, s), bands, AIR)
    assert in_warm.alpha == pytest.approx(in_cool.alpha, abs=1e-9)
    assert in_warm.alpha != pytest.approx(usual.alpha, abs=1e-3)


ALL_LAYERS = Stack(
    (
        Holes(0.006, 0.005, 0.02, 10.0),
        Slots(0.018, 0.015, 0.06),
        Sheet(0.15, 30.0),
        Sheet(0.1),
        Membrane(3.5, 400.0),
        Porous(0.05, 1e4, "johnson-champoux-allard", 5e3, 2e4, 40.0,
               Pores(0.98, 1.05, 9e-5, 1.8e-4)),
        AirGap(0.05),
    ),
    local=True,
)  # fmt: skip


def test_stacks_survive_as_text():
    """Truth: the records themselves."""
    assert stack_of(stack_text(ALL_LAYERS)) == ALL_LAYERS
    fault = stack_text(ALL_LAYERS).replace("0.018", "0.019")
    assert stack_of(fault) != ALL_LAYERS


PANEL = Treatment(
    name="panel",
    family="panel",
    about="",
    stack=WOOL,
    material=None,
    size_m=(1.2, 0.6),
    depth_m=0.1,
    two_sided=False,
    goods=(),
    fixings=("screwed",),
    leaves="",
    cautions=(),
    resists_fire=True,
)
BOARD = catalogue(Bands())["board_on_studs"]


def test_front_of_a_hung_panel():
    """Truth: its layers and the gap by the layer formulas, then the rule of covers."""
    front = front_material(PANEL, 0.05, BOARD, Bands(), AIR, {})
    assert front.name == "panel, 50 mm off, before board_on_studs"
    assert front.stack == Stack((*WOOL.layers, AirGap(0.05)))
    bare = completed(draft("x", front.stack, front.scattering), Bands(), AIR)
    by_hand = 1 - (1 - bare.alpha) * (1 - BOARD.alpha)
    assert front.alpha == pytest.approx(by_hand, abs=1e-12)
    r = reflection_factor(front.stack, np.array([250.0]), 0.5, gas(AIR))[0, 0]
    assert r == pytest.approx(layer_reflection(250.0, np.cos(0.5), gap_m=0.05), abs=1e-9)
    flush = front_material(PANEL, 0.0, BOARD, Bands(), AIR, {})
    assert flush.name == "panel, before board_on_studs"
    assert np.any(front.alpha != flush.alpha)


def test_body_that_stands_free_counts_to_its_middle():
    """Truth: two halves back to back are the whole; each side has 50 of 100 mm."""
    screen = replace(PANEL, two_sided=True)
    half = (replace(WOOL.layers[0], thickness_m=0.05),)
    front = front_material(screen, 0.0, None, Bands(), AIR, {})
    back = back_material(screen, 0.0, Bands(), AIR, {})
    assert front.stack.layers == half == back.stack.layers
    assert front.name == "panel, front"
    assert front_material(screen, 0.0, BOARD, Bands(), AIR, {}).stack == WOOL
    assert back_material(PANEL, 0.0, Bands(), AIR, {}).name == "table_wood"
    assert back_material(PANEL, 0.05, Bands(), AIR, {}).name == "panel, back"


def test_halves_keep_thin_layers_where_they_are():
    """Truth: 18 mm of slats and 100 mm of wool are 118 mm; half is slats and 41 mm."""
    slats = Slots(0.018, 0.015, 0.06)
    screen = replace(PANEL, two_sided=True, stack=Stack((slats, *WOOL.layers)))
    front = front_material(screen, 0.0, None, Bands(), AIR, {})
    assert front.stack.layers[0] == slats
    assert front.stack.layers[1].thickness_m == pytest.approx(0.041, abs=1e-12)
    back = back_material(screen, 0.0, Bands(), AIR, {})
    assert [layer.thickness_m for layer in back.stack.layers] == pytest.approx([0.059])


def test_edges_of_treatments():
    """Truth: half of 600 mm; board where there is a frame; the table where there is one."""
    edge = edge_material(PANEL, Bands(), AIR, {})
    assert edge.stack.layers[0].thickness_m == pytest.approx(0.3, abs=1e-12)
    framed = replace(PANEL, goods=(Amount("board", 1.0, "frame m"),))
    assert edge_material(framed, Bands(), AIR, {}).name == "table_wood"
    books = replace(PANEL, stack=None, material="shelves_with_books", family="bookcase")
    tabled = catalogue(Bands())["shelves_with_books"]
    for made in (
        edge_material(books, Bands(), AIR, {}),
        back_material(books, 0.0, Bands(), AIR, {}),
        front_material(books, 0.0, BOARD, Bands(), AIR, {}),
    ):
        assert np.array_equal(made.alpha, tabled.alpha)


def test_rug_by_table_keeps_its_floor():
    """Truth: the rule of covers, also for a tabled cover; the table alone is the fault."""
    rug = replace(PANEL, stack=None, material="carpet_on_underlay", family="rug")
    carpet = catalogue(Bands())["carpet_on_underlay"]
    made = front_material(rug, 0.0, BOARD, Bands(), AIR, {})
    assert made.alpha == pytest.approx(1 - (1 - carpet.alpha) * (1 - BOARD.alpha), abs=1e-12)
    assert made.alpha != pytest.approx(carpet.alpha, abs=1e-3)


TREATING = (
    "felt_", "wool_", "loose_wool_", "foam_", "melamine_", "polyurethane_", "convoluted_",
    "glass_wool_", "rock_wool_", "mineral_wool_", "duvet_", "blanket_", "slats_", "membrane_",
    "cellulose_", "polyester_", "curtain_", "carpet_", "rug_",
)  # fmt: skip


def uncautioned(materials):
    """Name the materials that people put up and that say nothing of fire or handling."""
    return [
        m.name for m in materials if m.name.startswith(TREATING) and not (m.fire and m.handling)
    ]


def test_what_people_put_up_comes_with_cautions():
    known = catalogue(Bands())
    assert sum(name.startswith(TREATING) for name in known) > 40
    assert uncautioned(known.values()) == []
    assert uncautioned([replace(known["wool_100"], fire="")]) == ["wool_100"]
