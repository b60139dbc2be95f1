"""Rooms prepared for propagation, and rays and images run in them, for the tests.

Import it from any test file: ``from traced import ...``.
"""

from dataclasses import replace

import numpy as np
from rooms import attic_scene, box_thing, sheet_thing

from raysim.geometry.build import build_room
from raysim.propagation import rays
from raysim.propagation.images import arrivals, pair_order
from raysim.propagation.room import acoustic_room

#: A sheet that hangs free in the attic and in the box: plan line and heights, metres.
SHEET_M = ((1.1, 2.6, 0.9), (2.4, 2.9, 0.9), (2.4, 2.9, 1.8), (1.1, 2.6, 1.8))


def things():
    """Give a low box on the floor, a tall one turned, and a sheet with two sides."""
    return (
        box_thing("bed", (1.0, 3.6, 0.0), (2.4, 5.2, 0.5)),
        box_thing("cupboard", (2.4, 0.3, 0.0), (3.2, 0.8, 1.4), turn_deg=20.0),
        sheet_thing("curtain", SHEET_M, "cloth", "felt"),
    )


def furnished_attic(**more):
    """Give the attic with `things` in it; ``cloth`` and ``felt`` are materials."""
    return attic_scene(things=things(), other=("thing", "cloth", "felt"), **more)


def prepared(scene, air=True):
    """Give a scene's room; without air, nothing but walls takes energy."""
    room = acoustic_room(scene, build_room(scene))
    if air:
        return room
    # not zero: the mean over a bin divides by it
    return replace(room, air_per_m=np.full_like(room.air_per_m, 1e-12))


def ray_run(room, scene, n_ray, *, seed=1, duration_s=0.2, bin_s=0.002, orders=(-1, 0)):
    """Follow rays from a scene's first source; ``orders`` are of images and of pairs."""
    run = rays.RayRun(
        room,
        scene.sources[0],
        list(scene.receivers),
        seed=seed,
        duration_s=duration_s,
        bin_s=bin_s,
        image_order=orders[0],
        pair_order=orders[1],
    )
    if n_ray:
        run.follow(n_ray)
    return run


def ray_energy(run, receiver=0):
    """Give energy by batch, band and time bin."""
    return run.histograms()[receiver].energy


def image_energy(room, scene, order, chain_order=0, receiver=0, duration_s=0.2):
    """Give the energy of images within a time, by band."""
    found = arrivals(
        room,
        scene.sources[0],
        list(scene.receivers),
        order,
        chain_order,
        duration_s * room.speed_m_s,
    )
    return found[receiver].energy.sum(axis=0)


def chains(room, duration_s):
    """Give how far the engine itself would follow parallel pairs."""
    return pair_order(room, duration_s)


def mean_and_error(batch):
    """Give the mean over batches (axis 0) and its standard error."""
    return batch.mean(axis=0), batch.std(axis=0, ddof=1) / np.sqrt(len(batch))
