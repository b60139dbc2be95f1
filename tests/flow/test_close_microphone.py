"""A microphone at the mouth: the direct sound hides the room, and the room still counts.

Truth: T30 of the sound without the direct one, and Eyring's formula within a factor;
the energy picture of a cardioid in even sound is a third of what an open one takes.
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
from raysim.scene.model import Settings
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
