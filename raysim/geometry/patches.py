"""Parts of surfaces with a name and material of their own: doors, windows, rugs.

A patch lies between pairs of limits along the world's axes, and ``up_m`` between two
distances up the steepest line of the surface from its lowest point. What is given by an
outline takes of its surface what other patches have left.
"""

from collections.abc import Sequence
from dataclasses import replace
from difflib import get_close_matches

import numpy as np
import shapely
from shapely.geometry import Polygon

from raysim.errors import Complaint, figure
from raysim.geometry.polygons import Facet, common, without
from raysim.scene.model import Patch
from raysim.units import Float

#: A patch smaller than this is a mistake, m2.
LEAST_M2 = 1e-4
#: Half the side of a square that holds every facet, metres.
FAR_M = 1e4
#: An outline lies on a facet whose plane is this close, metres.
ON_PLANE_M = 1e-4


def cut_patches(
    facets: Sequence[Facet],
    patches: Sequence[Patch],
    tolerance_m: float,
    complaints: list[Complaint],
    notes: list[str],
) -> list[Facet]:
    """Give the facets with every patch cut out as facets of its own.

    Parameters
    ----------
    facets : sequence of Facet
    patches : sequence of Patch
        By limits; those by face numbers are dealt with where the file is read.
    tolerance_m : float
        How far from an edge a limit may lie to be that edge.
    complaints : list of Complaint
        RS-G20 unknown surface, RS-G21 nothing there, RS-G22 limits that mean
        nothing, RS-G23 on top of another patch.
    notes : list of str
        A sentence for each patch that reaches beyond its surface.
    """
    now = list(facets)
    taken: dict[str, list[tuple[str, Facet]]] = {}
    for patch in patches:
        names = dict.fromkeys(f.surface for f in now)
        if patch.on not in names and patch.on not in taken:
            near = get_close_matches(patch.on, names, n=1)
            hint = f'Did you mean "{near[0]}"?' if near else "It has " + ", ".join(names) + "."
            _complain(complaints, patch, f'there is no surface "{patch.on}".', hint, "RS-G20")
            continue
        ground = [f for f in now if f.surface == patch.on]
        base = [*ground, *(f for _, f in taken.get(patch.on, []))]
        wrong = _limit_fault(patch, base)
        if wrong:
            fix = (
                "Give limits, the lower one first: x_m, y_m, z_m, or up_m on walls and slopes."
            )
            _complain(complaints, patch, wrong, fix, "RS-G22")
            continue
        low_m = min(float(f.corners_m()[:, 2].min()) for f in base)
        others = taken.get(patch.on, []) if patch.outline_m is None else []
        for name in sorted(
            {
                name
                for name, f in others
                if common(f.polygon, _window(f, patch, low_m)).area >= LEAST_M2
            }
        ):
            fix = f'Move one, or put it on "{name}".'
            _complain(complaints, patch, f'overlaps patch "{name}".', fix, "RS-G23")

        got, asked, bounded = 0.0, 0.0, True
        for facet in ground:
            window = _window(facet, patch, low_m)
            part = common(facet.polygon, window, tolerance_m)
            if part.is_empty:
                continue
            got += part.area
            asked += window.area
            bounded &= max(map(abs, window.bounds)) < 0.5 * FAR_M
            bounded &= patch.outline_m is None
            mine = replace(facet, surface=patch.name, material=patch.material)
            pieces = mine.cut_to(part)
            taken.setdefault(patch.on, []).extend((patch.name, p) for p in pieces)
            now.remove(facet)
            now += [*facet.cut_to(without(facet.polygon, window, tolerance_m)), *pieces]
        if got < LEAST_M2:
            extent = _extent(base)
            wrong = f'only {1e4 * got:.2g} cm2 of "{patch.on}" lie within its limits.'
            fix = f'"{patch.on}" reaches {extent}.'
            _complain(complaints, patch, wrong, fix, "RS-G21")
        elif bounded and got < 0.999 * asked:
            notes.append(
                f'Patch "{patch.name}" reaches beyond "{patch.on}": '
                f"{got:.2f} of {asked:.2f} m2 lie on it and count."
            )
    return now


def _complain(
    complaints: list[Complaint], patch: Patch, wrong: str, fix: str, code: str
) -> None:
    complaints.append(Complaint(str(patch.place), f'patch "{patch.name}": {wrong}', fix, code))


def _limit_fault(patch: Patch, base: Sequence[Facet]) -> str:
    """Say what is wrong with a patch's limits; empty if nothing is."""
    if patch.faces is not None:
        return "a drawn room has no face numbers."
    pairs = {"x_m": patch.x_m, "y_m": patch.y_m, "z_m": patch.z_m, "up_m": patch.up_m}
    given = {k: v for k, v in pairs.items() if v is not None}
    if not given and patch.outline_m is None:
        return "it has no limits."
    for key, (low, high) in given.items():
        if not (np.isfinite(low) and np.isfinite(high) and low < high):
            return f"{key} runs from {low:g} to {high:g}."
    if patch.up_m is not None and any(abs(f.normal[2]) > 1.0 - 1e-9 for f in base):
        return f'up_m has no meaning on "{patch.on}", which is level.'
    return ""


def _window(facet: Facet, patch: Patch, low_m: float) -> Polygon:
    """Give the part of a facet's plane within a patch's limits, at most 2 FAR_M wide."""
    shape = shapely.box(-FAR_M, -FAR_M, FAR_M, FAR_M)
    if patch.outline_m is not None:
        if np.abs(facet.distance_m(patch.outline_m)).max() > ON_PLANE_M:
            return Polygon()
        shape = shapely.orient_polygons(Polygon(facet.to_plane(patch.outline_m)))
    slabs = [(np.eye(3)[i], pair) for i, pair in enumerate((patch.x_m, patch.y_m, patch.z_m))]
    if patch.up_m is not None:
        # z grows by v_z for each metre up the steepest line.
        rise = float(facet.v[2])
        up = (low_m + rise * patch.up_m[0], low_m + rise * patch.up_m[1])
        slabs.append((np.eye(3)[2], up))
    for axis, pair in slabs:
        if pair is None:
            continue
        g = np.array([facet.u @ axis, facet.v @ axis])
        size, start = np.hypot(*g), float(facet.origin_m @ axis)
        if size < 1e-9:
            # The facet lies across the axis: all of it is inside the slab or none.
            if not pair[0] - 1e-6 <= start <= pair[1] + 1e-6:
                return Polygon()
            continue
        shape = shape.intersection(_strip(g / size, [(p - start) / size for p in pair]))
    return shape


def _strip(across: Float, limits: Sequence[float]) -> Polygon:
    """Give the strip of a plane between two distances along a direction."""
    along = 2.0 * FAR_M * np.array([-across[1], across[0]])
    a, b = limits[0] * across, limits[1] * across
    return Polygon([a - along, b - along, b + along, a + along])


def _extent(facets: Sequence[Facet]) -> str:
    corners = np.concatenate([f.corners_m() for f in facets])
    limits = zip("xyz", corners.min(axis=0), corners.max(axis=0), strict=True)
    return ", ".join(f"{n} {figure(low, 4)} to {figure(high, 4)}" for n, low, high in limits)
