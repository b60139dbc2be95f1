"""A room with materials in doubt, and decay times traced in it with others: planted truths.

Import it from any test file: ``from calibrated import SCENE, planted, traced_decays``.
"""

from dataclasses import replace

import numpy as np

from raysim.measures.pair import measure_pair
from raysim.planning.alpha_fit import prior_spread
from raysim.planning.calibrate import in_question
from raysim.planning.measured_decays import DECAYS, MeasuredDecay
from raysim.propagation.room import acoustic_room
from raysim.study import Prepared, with_settings
from raysim.tracing import trace_source

SCENE = """\
title = "Room in doubt"

[room]
plan_m = [[0, 0], [5, 0], [5, 3.6], [0, 3.6]]
height_m = 2.5
wall_names = ["south", "east", "north", "west"]

[surfaces]
south = "boards"
east = "boards"
north = "felt"
west = "boards"
floor = "lining"
ceiling = "painted_plaster"

[material.boards]
alpha = [0.2, 0.12, 0.1, 0.08, 0.1, 0.12]
alpha_low = [0.08, 0.05, 0.04, 0.03, 0.04, 0.05]
alpha_high = [0.4, 0.25, 0.2, 0.16, 0.2, 0.24]
scattering = 0.3

[material.felt]
alpha = [0.2, 0.4, 0.6, 0.7, 0.7, 0.7]
alpha_low = [0.1, 0.2, 0.35, 0.45, 0.45, 0.45]
alpha_high = [0.4, 0.6, 0.8, 0.9, 0.9, 0.9]
scattering = 0.3

[material.lining]
alpha = 0.1
alpha_low = 0.03
alpha_high = 0.3
scattering = 0.3

[[source]]
name = "box"
at_m = [1.0, 1.2, 1.2]

[[receiver]]
name = "left"
at_m = [3.8, 1.0, 1.2]

[[receiver]]
name = "right"
at_m = [3.6, 2.6, 1.3]

[simulate]
rays = 4000
until_t30_pct = false
bass = false
"""


def planted(prepared: Prepared, seed: int) -> dict[str, np.ndarray]:
    """Draw coefficients as the ranges say: normal, of the triangle's spread, inside."""
    rng = np.random.default_rng(seed)
    drawn = {}
    for m in in_question([prepared]):
        spread = prior_spread(m.alpha_low, m.alpha, m.alpha_high)
        off = np.clip(rng.standard_normal(m.alpha.size), -1.5, 1.5) * spread
        drawn[m.name] = np.clip(m.alpha + off, m.alpha_low, m.alpha_high)
    return drawn


def with_alpha(prepared: Prepared, alpha: dict[str, np.ndarray]) -> Prepared:
    """Give the room with other coefficients."""
    materials = dict(prepared.scene.materials)
    for name, value in alpha.items():
        materials[name] = replace(materials[name], alpha=value)
    scene = replace(prepared.scene, materials=materials)
    return replace(prepared, scene=scene, room=acoustic_room(scene, prepared.mesh))


def traced_decays(prepared: Prepared, n_ray: int, seed: int) -> list[MeasuredDecay]:
    """Trace a room and give its decay times with their errors, as if measured."""
    scene = with_settings(prepared, n_ray=n_ray, until_t30_pct=0.0, seed=seed).scene
    rows = []
    for source in scene.sources:
        receivers = prepared.receivers_of(source)
        pairs, _ = trace_source(scene, prepared.room, source, receivers)
        for receiver, pair in zip(receivers, pairs, strict=True):
            got = measure_pair(pair.arrivals, pair.histogram, scene.bands, receiver.aim)
            rows += [
                MeasuredDecay(
                    "", source.name, receiver.name, name, band,
                    float(getattr(got, name)[band]), float(got.error[name][band]), "test",
                )
                for name in DECAYS
                for band in range(scene.bands.n_band)
            ]  # fmt: skip
    return rows
