"""How much layered walls reflect at the angle at which a path meets them.

A layered wall's absorption depends on the angle, and a specular path has one: its energy
is multiplied by |R|^2 there and not by what is left at random incidence  (I8). Rays,
which come from everywhere, keep the coefficient of random incidence. Theory:
DEVELOPERS.md, I8.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np

from raysim.absorbers.layers import Stack
from raysim.absorbers.media import Gas
from raysim.absorbers.stack import reflection_factor
from raysim.records import Sides
from raysim.scene.model import Bands, Material
from raysim.units import Float, Int

#: Frequencies per one-third octave for the mean over a band: five to a step of the comb
#: that 0.3 m of air makes at 8 kHz.
N_PER_THIRD: Final = 16

#: Grazing: a plane wave along the wall; |R| is 1 for every stack.
_GRAZING: Final = 1e-9
_CHUNK: Final = 64  # angles at once, to bound memory


@dataclass(frozen=True, slots=True)
class LayeredSides:
    """What is needed to tell how much layered sides reflect specularly."""

    row: Int  # (n_side,) which of the following, -1 for sides without layers
    stacks: tuple[Stack, ...]
    kept: Float  # (n_stack, n_band) what the wall behind gives back and is not scattered
    bands: Bands
    gas: Gas

    def reflected(self, side: Int, cosine: Float) -> Float:
        """Give the share of energy for layered sides (n,) at cosines (n,), (n, n_band)."""
        share = np.zeros((len(side), self.bands.n_band))
        row = self.row[side]
        for i, stack in enumerate(self.stacks):
            here = np.flatnonzero(row == i)
            # Chains between parallel walls meet them at one angle many times.
            angle, which = np.unique(np.round(cosine[here], 12), return_inverse=True)
            share[here] = band_reflected(stack, angle, self.bands, self.gas)[which]
        return share * self.kept[row]


def layered_sides(
    sides: Sides, materials: Mapping[str, Material], bands: Bands, gas: Gas
) -> LayeredSides:
    """Gather all sides that have layers.

    Parameters
    ----------
    sides : Sides
    materials : mapping of Material
        By the names that ``sides`` has.
    bands : Bands
    gas : Gas
        The air of the room.
    """
    layered = {
        name: materials[name]
        for name in dict.fromkeys(sides.materials)
        if materials[name].stack is not None
    }
    kept = np.zeros((len(layered), bands.n_band))
    for i, material in enumerate(layered.values()):
        kept[i] = 1.0 - material.scattering
        if material.behind_alpha is not None:
            kept[i] *= 1.0 - material.behind_alpha
    names = list(layered)
    return LayeredSides(
        row=np.array([names.index(m) if m in names else -1 for m in sides.materials]),
        stacks=tuple(m.stack for m in layered.values() if m.stack is not None),
        kept=kept,
        bands=bands,
        gas=gas,
    )


def band_reflected(stack: Stack, cosine: Float, bands: Bands, gas: Gas) -> Float:
    """Give |R|^2 at cosines of incidence, mean over each band, (n_cosine, n_band).

    The mean is even in the logarithm of frequency, as that of the random-incidence
    coefficient is, so that the two agree over all angles.
    """
    n = N_PER_THIRD * 3 // bands.fraction
    step = 10.0 ** (0.3 / bands.fraction * ((np.arange(n) + 0.5) / n - 0.5))
    freq_hz = (bands.centre_hz[:, np.newaxis] * step).ravel()
    theta_rad = np.arccos(np.clip(cosine, _GRAZING, 1.0))
    reflected = np.zeros((len(theta_rad), bands.n_band))
    for i in range(0, len(theta_rad), _CHUNK):
        part = slice(i, i + _CHUNK)
        factor = reflection_factor(stack, freq_hz, theta_rad[part], gas)
        energy = (np.abs(factor) ** 2).reshape(bands.n_band, n, -1).mean(axis=1)
        reflected[part] = np.minimum(energy, 1.0).T
    return reflected
