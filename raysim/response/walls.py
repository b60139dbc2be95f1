"""What the walls of a specular path do to pressure, at any frequency.

A path's energy by band holds sizes alone. Where a wall is made of layers its reflection
factor is complex and depends on frequency and angle, and all of it can be computed again
from what is stored: the layers, and the cosines at which the path meets them. Time runs
as exp(+j omega t). Theory: DEVELOPERS.md, S9 and S10.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np

from raysim.absorbers.layers import Stack
from raysim.absorbers.media import Complex, Gas
from raysim.absorbers.stack import reflection_factor
from raysim.records import Arrivals, Sides
from raysim.scene.model import Bands, Material
from raysim.units import Float, Int

#: Angles at once, to bound memory.
_CHUNK = 64
#: Cosine below which sound goes along the wall; |R| is 1 there for every stack.
_GRAZING = 1e-9
#: Frequencies in which layers are worked out, from the lowest on; straight lines between
#: them. What lies 0.3 m deep turns the phase by a tenth of a turn from one to the next at
#: 8 kHz.
_PER_OCTAVE: Final = 96
_LOWEST_HZ: Final = 10.0


@dataclass(frozen=True, slots=True, eq=False)
class PathWalls:
    """What the layered walls of paths are, for the sound of these paths."""

    sides: Sides  # that the arrivals point into
    materials: Mapping[str, Material]
    gas: Gas

    def turns(self, surfaces: Int, cosine: Float | None, freq_hz: Float) -> Complex | None:
        """Give the product of R of each path's layered walls, size and phase  (S10).

        ``surfaces`` and ``cosine`` are those of `Arrivals`; ``freq_hz`` rises, and zero may
        be the first. Walls without layers count as one here. (n_arrival, n_freq); None where
        no path meets a layered wall, or angles are unknown.
        """
        if cosine is None or not self._layered(surfaces):
            return None
        n = int(np.ceil(_PER_OCTAVE * np.log2(freq_hz[-1] / _LOWEST_HZ))) + 1
        coarse_hz = np.geomspace(_LOWEST_HZ, freq_hz[-1], n)
        product = self.reflected(surfaces, cosine, coarse_hz)
        return np.stack([np.interp(freq_hz, coarse_hz, row) for row in product])

    def reflected(self, surfaces: Int, cosine: Float, freq_hz: Float) -> Complex:
        """Give the same at frequencies above zero, ones where nothing has layers."""
        product = np.ones((len(surfaces), freq_hz.size), dtype=np.complex128)
        for i_side, stack in self._layered(surfaces):
            path, step = np.nonzero(surfaces == i_side)
            met = np.clip(np.round(cosine[path, step], 12), _GRAZING, 1.0)
            met, which = np.unique(met, return_inverse=True)
            for i in range(0, len(met), _CHUNK):
                factor = reflection_factor(
                    stack, freq_hz, np.arccos(met[i : i + _CHUNK]), self.gas
                ).T
                here = np.flatnonzero((which >= i) & (which < i + _CHUNK))
                # A path may meet one side several times.
                np.multiply.at(product, path[here], factor[which[here] - i])
        return product

    def _layered(self, surfaces: Int) -> list[tuple[int, Stack]]:
        met = np.unique(surfaces[surfaces >= 0]).tolist()
        stacks = [(i, self.materials[self.sides.materials[i]].stack) for i in met]
        return [(i, stack) for i, stack in stacks if stack is not None]


def path_reflection(
    arrivals: Arrivals,
    sides: Sides,
    materials: Mapping[str, Material],
    bands: Bands,
    freq_hz: Float,
    gas: Gas,
) -> Complex:
    """Give the product of the reflection factors of each path's walls  (S9).

    Parameters
    ----------
    arrivals : Arrivals
    sides : Sides
        That the arrivals point into.
    materials : mapping of Material
        By the names that ``sides`` has.
    bands : Bands
        That coefficients are given in.
    freq_hz : (n_freq,) float64
        Above zero.
    gas : Gas
        The air of the room.

    Returns
    -------
    (n_arrival, n_freq) complex128
        1 for the direct sound. A wall without layers counts as hard, with plus sign and
        the size that its coefficients give, on straight lines over the logarithm of
        frequency; so do all walls of arrivals without cosines. What walls behind layers
        absorb, and what is scattered, is taken off the size.
    """
    freq_hz = np.asarray(freq_hz, np.float64)
    product = np.ones((len(arrivals.order), freq_hz.size), dtype=np.complex128)
    if arrivals.cosine is not None:
        walls = PathWalls(sides, materials, gas)
        product = walls.reflected(arrivals.surfaces, arrivals.cosine, freq_hz)
    for i_side in np.unique(arrivals.surfaces[arrivals.surfaces >= 0]):
        material = materials[sides.materials[i_side]]
        kept = 1.0 - material.scattering
        if arrivals.cosine is None or material.stack is None:
            kept = kept * (1.0 - material.alpha)
        elif material.behind_alpha is not None:
            kept = kept * (1.0 - material.behind_alpha)
        size = np.sqrt(np.interp(np.log(freq_hz), np.log(bands.centre_hz), kept))
        path, _ = np.nonzero(arrivals.surfaces == i_side)
        np.multiply.at(product, path, size)
    return product
