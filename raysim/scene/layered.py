"""Materials made of layers: what a stack absorbs in the bands of a run.

Absorption is of random incidence on an endless layer; its bounds are those of the flow
resistivity, and of pieces with edges the upper one counts what sound bent round them
brings. What the wall behind a stack absorbs by itself is added as under any cover:
the stack is computed before a rigid wall, and a board that gives way to bass goes on
doing so behind it.
"""

from collections.abc import Iterator, Mapping, MutableMapping
from dataclasses import replace
from functools import lru_cache

import numpy as np

from raysim.absorbers.cover import with_backing
from raysim.absorbers.diffuse import alpha_in_bands
from raysim.absorbers.finite import alpha_finite
from raysim.absorbers.layers import Stack
from raysim.absorbers.media import Gas
from raysim.scene.air import gas
from raysim.scene.model import Air, Bands, Material
from raysim.units import Float

#: Of a material whose numbers were worked out here, where its file names no other.
COMPUTED = "computed from its layers"


#: Absorption of a draft: it is yet to be computed.
_NOT_YET = np.zeros(0)


def draft(name: str, stack: Stack, scattering: Float) -> Material:
    """Give a material made of layers, its absorption not computed yet."""
    return Material(name, _NOT_YET, _NOT_YET, _NOT_YET, scattering, COMPUTED, stack=stack)


def completed(material: Material, bands: Bands, air: Air) -> Material:
    """Compute what a draft absorbs before a rigid wall; give anything else back as it is.

    Raises
    ------
    AbsorberError
        A layer's model does not hold at the frequencies of the bands.
    """
    if material.stack is None or material.alpha.size:
        return material
    low, likely, high = _alpha(material.stack, bands, gas(air))
    return replace(material, alpha=likely, alpha_low=low, alpha_high=high)


def with_edges(
    material: Material, size_m: tuple[float, float], bands: Bands, air: Air
) -> Material:
    """Give a material made of layers whose upper bound is that of a piece with edges  (L13).

    Neighbouring pieces share what arrives, and rays do not bend: ``alpha`` stays that of an
    endless layer, and the truth for a few small pieces lies well above it. No surface
    takes more than all, so the bound is 1 at most.
    """
    if material.stack is None:
        return material
    piece = _share(_of_piece(material.stack, size_m, bands, gas(air)))
    return replace(material, alpha_high=_share(np.maximum(material.alpha_high, piece)))


def hung_free(name: str, stack: Stack, scattering: Float, bands: Bands, air: Air) -> Material:
    """Give what either side of layers takes with air before and behind  (L19).

    What passes through is not absorbed. The material has no layers: they would be taken as
    lying on a wall.
    """
    low, likely, high = _alpha(stack, bands, gas(air), free=True)
    return Material(name, likely, low, high, scattering, COMPUTED)


class Materials(MutableMapping[str, Material]):
    """Materials by name, drafts among them, which are completed when first asked for.

    A catalogue has many, a scene uses few, and an absorption takes tens of milliseconds.
    """

    def __init__(self, held: Mapping[str, Material], bands: Bands, air: Air) -> None:
        self._held = dict(held)
        self._bands = bands
        self._air = air

    def __getitem__(self, name: str) -> Material:
        self._held[name] = completed(self._held[name], self._bands, self._air)
        return self._held[name]

    def __setitem__(self, name: str, material: Material) -> None:
        self._held[name] = material

    def __delitem__(self, name: str) -> None:
        del self._held[name]

    def __iter__(self) -> Iterator[str]:
        return iter(self._held)

    def __len__(self) -> int:
        return len(self._held)


@lru_cache(maxsize=4096)
def _alpha(
    stack: Stack, bands: Bands, medium: Gas, free: bool = False
) -> tuple[Float, Float, Float]:
    low, likely, high = alpha_in_bands(stack, bands.centre_hz, bands.fraction, medium, free)
    return _share(low), _share(likely), _share(high)


@lru_cache(maxsize=256)
def _of_piece(stack: Stack, size_m: tuple[float, float], bands: Bands, medium: Gas) -> Float:
    """Give absorption per square metre of one piece, mean of thirds in each band."""
    n = 3 // bands.fraction
    step = 10.0 ** (0.3 / bands.fraction * ((np.arange(n) + 0.5) / n - 0.5))
    freq_hz = (bands.centre_hz[:, np.newaxis] * step).ravel()
    alpha = alpha_finite(stack, freq_hz, size_m, medium).reshape(-1, n).mean(axis=1)
    alpha.setflags(write=False)
    return np.asarray(alpha)


def _share(alpha: Float) -> Float:
    share = np.clip(alpha, 0.0, 1.0)  # a share of energy, but for rounding
    share.setflags(write=False)
    return share


def before(material: Material, behind: Material) -> Material:
    """Give a material that keeps what the wall behind it absorbs.

    Low goes with low and high with high. The name stays; ``behind_alpha`` says what was
    added, for those who know the layers better than by ``alpha``.
    """
    pairs = (
        (material.alpha, behind.alpha),
        (material.alpha_low, behind.alpha_low),
        (material.alpha_high, behind.alpha_high),
    )
    likely, low, high = (_share(with_backing(cover, wall)) for cover, wall in pairs)
    return replace(
        material, alpha=likely, alpha_low=low, alpha_high=high, behind_alpha=behind.alpha
    )
