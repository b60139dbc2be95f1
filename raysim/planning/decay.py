"""What decay Eyring's formula promises a room, with what its materials leave open."""

from dataclasses import dataclass

import numpy as np

from raysim.geometry.mesh import RoomMesh
from raysim.measures.theory import decay_time_s, eyring_area_m2
from raysim.records import Sides
from raysim.scene.air import attenuation_per_m, speed_m_s
from raysim.scene.model import Scene
from raysim.units import Float


@dataclass(frozen=True, slots=True)
class Decay:
    """Eyring's decay time, seconds by band, with what the materials leave open."""

    likely_s: Float  # (n_band,)
    low_s: Float  # (n_band,) every material at its most absorbing
    high_s: Float  # (n_band,) at its least absorbing


def decay_of(scene: Scene, mesh: RoomMesh, sides: Sides) -> Decay:
    """Give Eyring's decay times of a room as it is furnished."""
    c = speed_m_s(scene.air)
    m = attenuation_per_m(scene.air, scene.bands.centre_hz)
    materials = [scene.materials[name] for name in sides.materials]

    def eyring(alpha: Float) -> Float:
        return decay_time_s(eyring_area_m2(sides.area_m2, alpha), mesh.air_volume_m3, c, m)

    return Decay(
        likely_s=eyring(sides.alpha),
        low_s=eyring(np.stack([x.alpha_high for x in materials])),
        high_s=eyring(np.stack([x.alpha_low for x in materials])),
    )
