"""A microphone at the mouth: the direct sound hides the room, and the room still counts.

Truth: T30 of the sound without the direct one, and Eyring's formula within a factor;
the energy picture of a cardioid in even sound is a third of what an open one takes. A
source that points away is told by an image source worked out by hand.
"""

import dataclasses

import numpy as np
import pytest
from rooms import box_scene

from raysim.geometry.build import build_room
from raysim.measures.pair import measure_pair, room_decay, without_direct
from raysim.propagation.room import acoustic_room
from raysim.records import Arrivals, EnergyHistogram, PairResult
from raysim.report.pairs import pair_facts
from raysim.report.summary import room_cell
from raysim.scene.air import attenuation_per_m
from raysim.scene.directivity import directivity, gain
from raysim.scene.model import Air, Settings
from raysim.tracing import t30_certainty, trace_source

AIM = np.array([1.0, 0.0, 0.0])


@pytest.fixture(scope="module")
def booth():
    """A treated booth of 12 m3, the microphone 5 cm from the mouth."""
    scene = box_scene(2.5, 2.2, 2.2, 0.5, 0.3, ((1.0, 1.1, 1.2),), ((1.05, 1.1, 1.2),))
    scene = dataclasses.replace(scene, settings=Settings(n_ray=8000, until_t30_pct=None))
    room = acoustic_room(scene, build_room(scene))
    pairs, _ = trace_source(scene, room, scene.sources[0], list(scene.receivers))
    return scene, pairs[0]


def test_room_decays_behind_the_direct_sound(booth):
    scene, pair = booth
    measured = measure_pair(pair.arrivals, pair.histogram, scene.bands, AIM)
    assert np.isnan(measured.t30_s).all()  # the twin: the standard's T30 does not exist
    decay = room_decay(measured, pair.arrivals, pair.histogram, scene.bands, AIM)
    rest = measure_pair(without_direct(pair.arrivals), pair.histogram, scene.bands, AIM)
    assert decay.hidden
    np.testing.assert_array_equal(decay.t30_s, rest.t30_s)
    volume, area = 12.1, 2 * (2.5 * 2.2 + 2.5 * 2.2 + 2.2 * 2.2)
    eyring = 0.161 * volume / (area * np.log(2.0))
    # box walls that scatter little outlast Eyring, by less than half
    assert np.all((decay.t30_s[3:6] > 0.9 * eyring) & (decay.t30_s[3:6] < 1.5 * eyring))


def test_certainty_is_that_of_the_room(booth):
    scene, pair = booth
    t30_s, error_pct = t30_certainty(scene, [pair])
    assert np.isfinite(t30_s)
    assert 0.1 < error_pct < 20.0


def test_terminal_shows_the_room_behind_the_direct_sound(booth):
    scene, pair = booth
    facts = pair_facts(
        pair, "bare", scene.sources[0], scene.receivers[0], ("wall",) * 6, scene.bands
    )
    middle = scene.bands.middle
    known = f"{facts.room_decay.t30_s[middle].mean():.2f} "
    assert room_cell(facts, middle).startswith(known)
    assert room_cell(facts, middle).endswith(" ‡")
    plain = dataclasses.replace(facts.room_decay, hidden=False)
    assert room_cell(dataclasses.replace(facts, room_decay=plain), middle) == "–"  # the twin


@pytest.mark.parametrize(
    ("name", "aim", "is_away"),
    [
        ("figure-of-eight", (0.0, 1.0, 0.0), True),
        ("cardioid", (-1.0, 0.0, 0.0), True),
        ("cardioid", (1.0, 0.0, 0.0), False),  # the twins: nothing changes for them
        ("omni", (0.0, 1.0, 0.0), False),
        ("talker", (-1.0, 0.0, 0.0), False),
    ],
)
def test_source_that_points_away(name, aim, is_away):
    """Truth: an image source by hand, (d/d')^2 g (1 - a)(1 - s) re 1/d^2, less the air.

    Source and receiver are 2 m apart and 1 m from the wall, so d' is the root of 8. Re the
    direct sound of a null the same reflection would be some 90 dB higher. Tolerance: what
    rounding of directions leaves, 1e-6 dB.
    """
    scene = box_scene()
    source = dataclasses.replace(
        scene.sources[0], aim=np.array(aim), directivity=directivity(name, scene.bands),
        position_m=np.array([1.0, 1.0, 1.2]),
    )  # fmt: skip
    receiver = dataclasses.replace(scene.receivers[0], position_m=np.array([3.0, 1.0, 1.2]))
    leaving = np.array([[1.0, 0.0, 0.0], [0.5**0.5, -(0.5**0.5), 0.0]])
    angle_deg = np.degrees(np.arccos(np.clip(leaving @ np.array(aim), -1.0, 1.0)))
    sent = gain(source.directivity, angle_deg).T
    distance_m = np.array([2.0, 8.0**0.5])
    kept = np.array([1.0, 0.85 * 0.7])
    in_air = np.exp(-np.outer(distance_m, attenuation_per_m(Air(), scene.bands.centre_hz)))
    arrivals = Arrivals(
        distance_m / 343.0, distance_m, np.array([0, 1]), -leaving, leaving,
        np.array([[-1], [0]]), sent * in_air * (kept / distance_m**2)[:, None],
    )  # fmt: skip
    pair = dataclasses.replace(even_pair(), arrivals=arrivals)
    facts = pair_facts(pair, "bare", source, receiver, ("south",), scene.bands)
    assert facts.source_is_turned_away == is_away
    (reflection,) = facts.early
    high = slice(4, 8)
    reference = 1.0 if is_away else sent[0, high]
    farther = in_air[1, high] / in_air[0, high]
    ratio = (0.5 * kept[1] * sent[1, high] * farther / reference).max()
    assert reflection.level_db == pytest.approx(10.0 * np.log(ratio) / np.log(10.0), abs=1e-6)
    assert reflection.level_db < 0.0


def even_pair():
    """One direct arrival from ahead, then sound from everywhere alike."""
    energy = np.repeat(10.0 ** (-np.arange(400) / 100.0), 1)[None, None] * np.ones((4, 8, 1))
    moments = np.zeros((8, 8, 400))
    moments[3:5] = energy.mean(axis=0) / 3.0  # xx and yy; zz is the rest
    arrivals = Arrivals(
        np.array([0.003]), np.array([1.0]), np.array([0]), AIM[None], -AIM[None],
        np.full((1, 1), -1), np.ones((1, 8)),
    )  # fmt: skip
    return PairResult("S1", "R1", arrivals, EnergyHistogram(0.001, energy, moments))


@pytest.mark.parametrize(("pattern", "share"), [(1.0, 1.0), (0.5, 1.0 / 3.0), (0.0, 1.0 / 3.0)])
def test_energy_picture_is_what_the_microphone_takes(pattern, share):
    """Truth: the mean of (p + (1 - p) cos)^2 over the sphere, p^2 + (1 - p)^2/3."""
    scene = box_scene()
    receiver = dataclasses.replace(scene.receivers[0], pattern=pattern, aim=AIM)
    facts = pair_facts(even_pair(), "bare", scene.sources[0], receiver, ("wall",), scene.bands)
    late = facts.energy.total[:, 50:] / even_pair().histogram.energy.mean(axis=0)[:, 50:]
    np.testing.assert_allclose(late, share, rtol=1e-12)
