"""Materials of the faces that a placed treatment shows to the room.

A treatment's layers tell what its front does before a rigid wall. Where it hangs off the
wall the air between is one more layer, and what the wall takes by itself is kept. Edges
and backs are not in the layers; what is assumed of them stands at each function. All
assumptions are ours, no source.
"""

from collections.abc import Mapping
from dataclasses import replace

import numpy as np

from raysim.absorbers.layers import AirGap, Layer, Porous, Stack
from raysim.scene.layered import before, completed, draft, hung_free, with_edges
from raysim.scene.materials import catalogue
from raysim.scene.model import Air, Bands, Material
from raysim.scene.plan import Treatment

#: What frames, and backs that are not open, are made of, by its name in the catalogue.
_BOARD = "table_wood"
#: Families thin enough for what lies under them to go on absorbing, tabled or not.
_COVERS = ("cover", "curtain", "rug")
#: What is left, on either side, of the absorption tabled before a wall when cloth hangs
#: free: low, likely, high  (L19).
FREE_SHARE = (0.5, 2.0 / 3.0, 1.0)


def front_material(
    treatment: Treatment,
    gap_m: float,
    behind: Material | None,
    bands: Bands,
    air: Air,
    materials: Mapping[str, Material],
) -> Material:
    """Give what the front of a treatment does to sound.

    Its layers, the gap as a layer of air, and a rigid wall; then the absorption of
    ``behind`` is added by the rule of covers. A body open on both sides that stands free
    counts to its middle plane: at wavelengths long against its size the pressure is the
    same on both sides and nothing moves there, and at short ones half the depth is
    plenty. A tabled material is taken as it is; only curtains, rugs and covers keep what
    is behind them. Edges count in the upper bound alone, by the size of one piece.

    Parameters
    ----------
    treatment : Treatment
    gap_m : float
        Air between its back and the surface.
    behind : Material or None
        Of that surface; None if it stands free.
    bands : Bands
    air : Air
    materials : mapping of Material
        Those of the scene, for tabled ones; the catalogue is looked up after them.

    Returns
    -------
    Material
        Its name says treatment, gap and what is behind.

    Raises
    ------
    AbsorberError
        A layer's model does not hold at the frequencies of the bands.
    """
    if treatment.stack is None:
        tabled = _tabled(treatment, bands, air, materials)
        if behind is None or treatment.family not in _COVERS:
            return tabled
        return replace(before(tabled, behind), name=f"{tabled.name}, before {behind.name}")
    name, layers = treatment.name, treatment.stack.layers
    if gap_m > 0.0:
        name += f", {1000.0 * gap_m:.0f} mm off"
        layers = (*layers, AirGap(gap_m))
    elif treatment.two_sided and behind is None:
        layers = _to_the_middle(layers)
    # Never the treatment's bare name, which a material of the catalogue may have too.
    called = name if gap_m > 0.0 else f"{name}, front"
    front = _layered(called, replace(treatment.stack, layers=layers), treatment, bands, air)
    if treatment.size_m is not None:
        front = with_edges(front, treatment.size_m, bands, air)
    if behind is None:
        return front
    return replace(before(front, behind), name=f"{name}, before {behind.name}")


def free_material(
    treatment: Treatment, bands: Bands, air: Air, materials: Mapping[str, Material]
) -> Material:
    """Give what either side of a curtain that hangs free in the room does to sound  (L19).

    Its layers without the air that is meant to be behind them, and what passes through is
    not absorbed; of a table, made before a wall, a part. Nothing passes through a sheet in
    the mesh, so that what would pass is reflected: as much arrives from the other side.
    Parameters and errors are those of `front_material`.
    """
    name = f"{treatment.name}, hung free"
    if treatment.stack is None:
        tabled = _tabled(treatment, bands, air, materials)
        low, likely, high = FREE_SHARE
        return replace(
            tabled,
            name=name,
            alpha_low=low * tabled.alpha_low,
            alpha=likely * tabled.alpha,
            alpha_high=high * tabled.alpha_high,
            stack=None,
            behind_alpha=None,
        )
    layers = list(treatment.stack.layers)
    while isinstance(layers[-1], AirGap):
        layers.pop()
    scattering = np.full(bands.n_band, treatment.scattering)
    scattering.setflags(write=False)
    made = hung_free(
        name, replace(treatment.stack, layers=tuple(layers)), scattering, bands, air
    )
    source = f"{made.source}: {treatment.source}" if treatment.source else made.source
    return replace(made, source=source, place=treatment.place)


def back_material(
    treatment: Treatment,
    gap_m: float,
    bands: Bands,
    air: Air,
    materials: Mapping[str, Material],
) -> Material:
    """Give what the back of a treatment does to sound.

    A back that is open, or that hangs off a surface, shows the layers in reverse order,
    to the middle plane (see `front_material`); any other back is board. Parameters and
    errors are those of `front_material`.
    """
    if treatment.stack is None:
        return _tabled(treatment, bands, air, materials)
    if not treatment.two_sided and gap_m == 0.0:
        return _board(bands, air, materials)
    layers = _to_the_middle(tuple(reversed(treatment.stack.layers)))
    stack = replace(treatment.stack, layers=layers)
    back = _layered(f"{treatment.name}, back", stack, treatment, bands, air)
    return back if treatment.size_m is None else with_edges(back, treatment.size_m, bands, air)


def edge_material(
    treatment: Treatment, bands: Bands, air: Air, materials: Mapping[str, Material]
) -> Material:
    """Give what the edges of a treatment do to sound.

    A framed one shows the board of its frame. Else the thickest porous layer is met from
    the side, as a layer half as thick as the piece is wide: sound comes in at both edges,
    and the middle is a plane of symmetry. A piece without a size of its own is taken as
    wide as twice its depth. Parameters and errors are those of `front_material`.
    """
    if treatment.stack is None:
        return _tabled(treatment, bands, air, materials)
    porous = [layer for layer in treatment.stack.layers if isinstance(layer, Porous)]
    is_framed = any(amount.per == "frame m" for amount in treatment.goods)
    if is_framed or not porous:
        return _board(bands, air, materials)
    body = max(porous, key=lambda layer: layer.thickness_m)
    width_m = min(treatment.size_m) if treatment.size_m else 2.0 * treatment.depth_m
    half_m = max(0.5 * width_m, body.thickness_m)
    stack = Stack((replace(body, thickness_m=half_m),), treatment.stack.local)
    return _layered(f"{treatment.name}, edge", stack, treatment, bands, air)


def _layered(name: str, stack: Stack, treatment: Treatment, bands: Bands, air: Air) -> Material:
    """Give the material of some layers of a treatment."""
    scattering = np.full(bands.n_band, treatment.scattering)
    scattering.setflags(write=False)
    made = completed(draft(name, stack, scattering), bands, air)
    source = f"{made.source}: {treatment.source}" if treatment.source else made.source
    return replace(made, source=source, place=treatment.place)


def _to_the_middle(layers: tuple[Layer, ...]) -> tuple[Layer, ...]:
    """Give the layers down to half the depth of all."""
    depth_m = [getattr(layer, "thickness_m", 0.0) for layer in layers]
    left_m = 0.5 * sum(depth_m)
    kept: list[Layer] = []
    for layer, thickness_m in zip(layers, depth_m, strict=True):
        if isinstance(layer, Porous | AirGap) and thickness_m >= left_m:
            return (*kept, replace(layer, thickness_m=left_m))
        kept.append(layer)
        left_m -= thickness_m
    return tuple(kept)


def _tabled(
    treatment: Treatment, bands: Bands, air: Air, materials: Mapping[str, Material]
) -> Material:
    if treatment.material is None:
        raise ValueError(f"the treatment {treatment.name!r} has neither layers nor material")
    return _known(treatment.material, bands, air, materials)


def _board(bands: Bands, air: Air, materials: Mapping[str, Material]) -> Material:
    return _known(_BOARD, bands, air, materials)


def _known(name: str, bands: Bands, air: Air, materials: Mapping[str, Material]) -> Material:
    return materials[name] if name in materials else catalogue(bands, air)[name]
