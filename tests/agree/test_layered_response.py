"""Impulse responses of paths that meet walls made of layers.

Truth: air before a hard wall is a way there and back, 2 d cos(theta) longer, and nothing
else; stored energies of every octave; a response that was not turned, where no wall of a
path has layers.
"""

from dataclasses import replace

import numpy as np
import pytest
from decays import AHEAD, late, paths
from rooms import box_scene

from raysim.absorbers.layers import AirGap, Membrane, Porous, Stack
from raysim.absorbers.stack import reflection_factor
from raysim.geometry.build import build_room
from raysim.propagation.images import arrivals
from raysim.propagation.room import acoustic_room
from raysim.response.bands import band_energy
from raysim.response.impulse import impulse_response
from raysim.response.walls import PathWalls
from raysim.scene.air import gas
from raysim.scene.layered import completed, draft
from raysim.scene.model import Air, Bands
from raysim.units import to_level_db

AIR = Air()
RATE_HZ = 48_000
COSINE = 0.8
WOOL = Stack((Porous(0.1, 10_000.0),))
OTHERS = {
    "air": Stack((AirGap(0.1),)),
    "wool": WOOL,
    "wool off the wall": Stack((Porous(0.05, 10_000.0), AirGap(0.2))),
    "panel": Stack((Membrane(3.5, 400.0), AirGap(0.1)), local=True),
}


def silent():
    return late(0.3, total=0.0)


def one_path(stack, cosine=COSINE, n_met=1):
    """Give a path of 20 ms off a layered wall, with the energy it has, and its walls."""
    scene = box_scene()
    made = completed(draft("layered", stack, np.zeros(8)), scene.bands, AIR)
    room = acoustic_room(scene, build_room(scene))
    materials = scene.materials | {"layered": made}
    sides = replace(room.sides, materials=("layered", *room.sides.materials[1:]))
    step = 10.0 ** (0.3 * ((np.arange(200) + 0.5) / 200 - 0.5))
    freq_hz = (scene.bands.centre_hz[:, None] * step).ravel()
    r = reflection_factor(stack, freq_hz, np.arccos(cosine), gas(AIR))[:, 0]
    energy = (np.abs(r) ** (2 * n_met)).reshape(8, -1).mean(axis=1)
    found = paths([0.02], energy)
    found = replace(
        found,
        surfaces=np.zeros((1, n_met), dtype=np.int64),
        cosine=np.full((1, n_met), cosine),
        order=np.array([n_met]),
    )
    return found, PathWalls(sides, materials, gas(AIR))


def response_of(found, walls):
    return impulse_response(found, silent(), Bands(), RATE_HZ, AHEAD, walls=walls)


def spectrum_at(response, freq_hz):
    n = np.arange(response.size)
    return np.exp(-2j * np.pi * np.asarray(freq_hz)[:, None] * n / RATE_HZ) @ response


FREQ_HZ = np.array([125.0, 500.0, 1000.0, 4000.0])


def test_air_before_a_wall_is_a_longer_way():
    """Truth: the pulse comes 2 d cos / c later. Tolerance: 1 % of a turn, of which the
    straight lines between 96 frequencies to an octave take half at 4 kHz."""
    found, walls = one_path(OTHERS["air"])
    later_s = 2.0 * 0.1 * COSINE / gas(AIR).speed_m_s
    by_hand = np.exp(-2j * np.pi * FREQ_HZ * (0.02 + later_s))
    turned = spectrum_at(response_of(found, walls), FREQ_HZ)
    assert np.abs(turned - by_hand).max() < 0.06
    assert abs(np.argmax(response_of(found, walls)) / RATE_HZ - 0.02 - later_s) < 1e-4
    # Planted faults: hard walls throughout, as before; the other sign of time.
    assert np.abs(spectrum_at(response_of(found, None), FREQ_HZ) - by_hand).max() > 0.5
    early = np.exp(-2j * np.pi * FREQ_HZ * (0.02 - later_s))
    assert np.abs(turned - early).max() > 0.5


def off_db(found, walls, stored):
    """Give by how much the bands of a response differ from energies, dB."""
    return to_level_db(band_energy(response_of(found, walls), RATE_HZ, Bands()) / stored)


@pytest.mark.parametrize("name", OTHERS)
@pytest.mark.parametrize("n_met", [1, 3])
def test_layered_path_keeps_its_stored_energies(name, n_met):
    """Truth: stored energy of every octave, to the 0.1 dB stated of any single path, in
    bands within 20 dB of the loudest whose neighbours are at most 9 dB above."""
    found, walls = one_path(OTHERS[name], n_met=n_met)
    stored = found.energy[0]
    beside = np.pad(stored, 1)
    drowned = np.maximum(beside[:-2], beside[2:]) > 10.0**0.9 * stored
    heard = (stored > 0.01 * stored.max()) & ~drowned
    assert np.count_nonzero(heard) >= 2
    assert np.abs(off_db(found, walls, stored)[heard]).max() < 0.1
    louder = replace(found, energy=found.energy * 1.05)  # planted fault: 0.2 dB
    assert np.abs(off_db(louder, walls, stored)[heard]).min() > 0.1


@pytest.mark.parametrize("name", ["wool", "wool off the wall"])
def test_layered_path_has_the_factor_of_its_wall(name):
    """Truth: R at the path's angle. Tolerance: 0.35 rad and 1 dB. Bands as read weigh
    frequencies evenly, stored ones evenly in their logarithm; what that makes of a band in
    which R has a dip is set right by gain, with the phase that belongs to it."""
    found, walls = one_path(OTHERS[name])
    freq_hz = np.array([250.0, 700.0, 1400.0, 2800.0])
    r = reflection_factor(OTHERS[name], freq_hz, np.arccos(COSINE), gas(AIR))[:, 0]
    late_by = np.exp(2j * np.pi * freq_hz * 0.02)
    turned = spectrum_at(response_of(found, walls), freq_hz) * late_by
    assert np.angle(turned / r) == pytest.approx(0.0, abs=0.35)
    assert to_level_db(np.abs(turned / r) ** 2) == pytest.approx(0.0, abs=1.0)
    assert np.angle(turned / r.conj()) != pytest.approx(0.0, abs=0.35)  # other sign of time
    if name == "wool off the wall":  # planted fault; wool on a wall is near minimum phase
        hard = spectrum_at(response_of(found, None), freq_hz) * late_by
        assert np.angle(hard / r) != pytest.approx(0.0, abs=0.35)


def test_walls_without_layers_are_as_they_were():
    """Truth: the same response to the last bit, walls given or not, where none has layers;
    and where one has, but a path does not meet it."""
    scene = box_scene()
    room = acoustic_room(scene, build_room(scene))
    (found,) = arrivals(room, scene.sources[0], list(scene.receivers)[:1], 2)
    walls = PathWalls(room.sides, scene.materials, gas(AIR))
    assert np.array_equal(response_of(found, walls), response_of(found, None))
    floor = replace(
        room.sides,
        materials=tuple(
            "layered" if name == "floor" else m
            for name, m in zip(room.sides.names, room.sides.materials, strict=True)
        ),
    )
    made = completed(draft("layered", WOOL, np.zeros(8)), scene.bands, AIR)
    laid = PathWalls(floor, scene.materials | {"layered": made}, gas(AIR))
    met = (found.surfaces == room.sides.names.index("floor")).any(axis=1)
    assert met.any()
    without = replace(found, energy=found.energy * ~met[:, None])
    assert np.allclose(response_of(without, laid), response_of(without, None), atol=1e-12)
    assert not np.allclose(response_of(found, laid), response_of(found, None), atol=1e-12)
