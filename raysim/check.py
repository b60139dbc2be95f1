"""What can be said of a scene before tracing it: sizes, materials, what to expect.

The numbers behind ``raysim check``. Expected decay times are the formulas of diffuse
rooms; `warnings` says where this room is not one.
"""

from dataclasses import dataclass

import numpy as np

from raysim.errors import figure
from raysim.geometry.between import surfaces_between
from raysim.measures.diffuseness import AXES, DEAD, SMOOTH, diffuseness
from raysim.measures.theory import (
    decay_time_s,
    mean_free_path_m,
    sabine_area_m2,
    transition_frequency_hz,
)
from raysim.planning.decay import decay_of
from raysim.propagation.rays import N_BATCH, RayRun, counting_spheres, expected_duration_s
from raysim.records import MOMENTS
from raysim.scene.contents import thing_surfaces
from raysim.study import Prepared
from raysim.units import Float

#: Rays of the leak test.
_N_RAY = 2048
_SPHERE_NOTE_M = 0.1
#: Histograms that need more memory than this are warned of.
_LARGE_GB = 3.0
#: They exist as collected, put in order, and taken apart for each receiver.
_N_COPY = 3


@dataclass(frozen=True, slots=True)
class Expectation:
    """What a scene promises before it is simulated."""

    mean_free_path_m: float
    sabine_s: Float  # (n_band,)
    eyring_s: Float  # (n_band,)
    eyring_low_s: Float  # (n_band,) with every material at its most absorbing
    eyring_high_s: Float  # (n_band,) at its least absorbing
    transition_hz: float
    n_ray: int
    n_segment: int
    n_lost: int
    warnings: tuple[str, ...]


def expect(prepared: Prepared) -> Expectation:
    """Compute what can be said beforehand."""
    scene, mesh, sides = prepared.scene, prepared.mesh, prepared.room.sides
    volume, area = mesh.air_volume_m3, mesh.area_m2
    c, m = prepared.room.speed_m_s, prepared.room.air_per_m
    eyring = decay_of(scene, mesh, sides)
    mid_s = float(eyring.likely_s[scene.bands.middle].mean())
    rays = _leak_test(prepared)
    return Expectation(
        mean_free_path_m=mean_free_path_m(volume, area),
        sabine_s=decay_time_s(sabine_area_m2(sides.area_m2, sides.alpha), volume, c, m),
        eyring_s=eyring.likely_s,
        eyring_low_s=eyring.low_s,
        eyring_high_s=eyring.high_s,
        transition_hz=float(transition_frequency_hz(volume, mid_s)),
        n_ray=rays.count.n_ray,
        n_segment=rays.count.n_segment,
        n_lost=rays.count.n_lost,
        warnings=warnings(prepared),
    )


def warnings(prepared: Prepared) -> tuple[str, ...]:
    """Say in sentences what a person should know before trusting a scene's results."""
    return (
        *_not_diffuse(prepared),
        *_small_spheres(prepared),
        *_out_of_sight(prepared),
        *_much_memory(prepared),
    )


def _leak_test(prepared: Prepared) -> RayRun:
    """Follow some rays from the first source; walls as they are."""
    scene = prepared.scene
    source = scene.sources[0]
    rays = RayRun(
        prepared.room, source, prepared.receivers_of(source), seed=scene.settings.seed,
        duration_s=0.5, bin_s=0.01, image_order=0, pair_order=0,
    )  # fmt: skip
    rays.follow(_N_RAY)
    return rays


def _not_diffuse(prepared: Prepared) -> list[str]:
    """Say in words where the formulas of diffuse rooms will mislead."""
    mesh, sides, mid = prepared.mesh, prepared.room.sides, prepared.scene.bands.middle
    alpha, scattering = sides.alpha[:, mid].mean(axis=1), sides.scattering[:, mid].mean(axis=1)
    of_face = diffuseness(
        mesh.face_normal, mesh.face_area_m2, alpha[mesh.face_surface],
        scattering[mesh.face_surface],
    )  # fmt: skip
    found = []
    if of_face.is_uneven:
        by_axis, hard = of_face.by_axis, AXES[of_face.hard]
        found.append(
            f"Not diffuse: absorption {hard} is {by_axis.min():.2f} and {AXES[of_face.soft]} "
            f"{by_axis.max():.2f}. Sound {hard} will outlast the formulas; trust the traced "
            "decay, and look for flutter there."
        )
    # sheets count with both sides here
    weights = sides.area_m2 / sides.area_m2.sum()
    if float(weights @ scattering) < SMOOTH:
        found.append(
            f"Not diffuse: mean scattering is below {SMOOTH:g}. Smooth plane walls keep sound "
            "in ordered paths, and the decay bends."
        )
    if float(weights @ alpha) > DEAD:
        found.append(
            f"Mean absorption is above {DEAD:g}: Sabine's formula gives too long a decay."
        )
    return found


def _small_spheres(prepared: Prepared) -> list[str]:
    """Name receivers that see so little about them that late sound is caught poorly."""
    receivers = list(prepared.scene.receivers)
    seen_m3 = counting_spheres(prepared.room, receivers)[:, 5]
    return [
        f'Receiver "{r.name}" sees no farther than about {radius:.2f} m: late sound there '
        "needs many rays."
        for r, radius in zip(receivers, np.cbrt(0.75 / np.pi * seen_m3), strict=True)
        if radius < _SPHERE_NOTE_M
    ]


def _out_of_sight(prepared: Prepared) -> list[str]:
    """Name the things that stand between a source and a receiver that hears it."""
    scene = prepared.scene
    thing_of = {side: t.name for t in scene.things for side in thing_surfaces(t.name, t.kind)}
    for patch in scene.patches:
        if patch.on in thing_of:
            thing_of[patch.name] = thing_of[patch.on]
    found = []
    for source in scene.sources:
        for receiver in prepared.receivers_of(source):
            met = surfaces_between(prepared.mesh, source.position_m, receiver.position_m)
            names = dict.fromkeys(thing_of[s] for s in met if s in thing_of)
            if names:
                listed = " and ".join(f'"{name}"' for name in names)
                stand = "stands" if len(names) == 1 else "stand"
                found.append(
                    f'{listed} {stand} between source "{source.name}" and receiver '
                    f'"{receiver.name}". But for bass that is solved as waves, nothing passes '
                    "through it or bends round it in this model, so there is no direct sound."
                )
    return found


def _much_memory(prepared: Prepared) -> list[str]:
    """Say if the histograms of a source will need more memory than many computers have."""
    scene = prepared.scene
    n_receiver = max(len(prepared.receivers_of(s)) for s in scene.sources)
    n_bin = expected_duration_s(prepared.room) / scene.settings.bin_s
    per_receiver = N_BATCH * n_bin * (1 + len(MOMENTS)) * scene.bands.n_band * 8
    memory_gb = 1e-9 * _N_COPY * n_receiver * per_receiver
    if memory_gb <= _LARGE_GB:
        return []
    ways = ["wider bins (bin_ms)"]
    if scene.bands.fraction > 1:
        ways.insert(0, "octaves")
    if n_receiver > 1:
        ways.insert(0, "fewer receivers per source")
    needed = figure(memory_gb, 2)
    return [
        f"Tracing needs about {needed} GB of memory. If this machine has not as much to spare, "
        f"ask for {' or '.join(ways)}."
    ]


#: What no scene of raysim models, whatever it says.
MODEL_IGNORES = (
    "Waves above the crossover, and in the bass too if it is left out: rays know no standing "
    "waves. Decay times of octaves below the transition frequency are a rough guide.",
    "Above the crossover, sound bending round edges of screens, furniture and doorways.",
    "Above it, sound through things: a sheet or screen, even a thin curtain, lets nothing "
    "through.",
    "Phase and angle at walls whose layers are not known: they take a share of energy.",
    "Everything outside: no noise from or to other rooms. Absorbers do not stop noise.",
)
