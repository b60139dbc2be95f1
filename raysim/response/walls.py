"""What the walls of a specular path do to pressure, at any frequency.

A path's energy by band holds sizes alone. Where a wall is made of layers its reflection
factor is complex and depends on frequency and angle, and all of it can be computed again
from what is stored: the layers, and the cosines at which the path meets them. Time runs
as exp(+j omega t). Theory: DEVELOPERS.md, S9.
"""

from collections.abc import Mapping

import numpy as np

from raysim.absorbers.media import Complex, Gas
from raysim.absorbers.stack import reflection_factor
from raysim.records import Arrivals, Sides
from raysim.scene.model import Bands, Material
from raysim.units import Float

#: Angles at once, to bound memory.
_CHUNK = 64
#: Cosine below which sound goes along the wall; |R| is 1 there for every stack.
_GRAZING = 1e-9


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
    cosine = arrivals.cosine
    for i_side in np.unique(arrivals.surfaces[arrivals.surfaces >= 0]):
        material = materials[sides.materials[i_side]]
        kept = 1.0 - material.scattering
        stack = None if cosine is None else material.stack
        if stack is None:
            kept = kept * (1.0 - material.alpha)
        elif material.behind_alpha is not None:
            kept = kept * (1.0 - material.behind_alpha)
        size = np.sqrt(np.interp(np.log(freq_hz), np.log(bands.centre_hz), kept))
        path, step = np.nonzero(arrivals.surfaces == i_side)
        if cosine is None or stack is None:
            # A path may meet one side several times.
            np.multiply.at(product, path, size)
            continue
        met = np.clip(cosine[path, step], _GRAZING, 1.0)
        for i in range(0, len(path), _CHUNK):
            part = slice(i, i + _CHUNK)
            factor = reflection_factor(stack, freq_hz, np.arccos(met[part]), gas).T
            np.multiply.at(product, path[part], factor * size)
    return product
