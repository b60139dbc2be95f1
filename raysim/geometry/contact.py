"""Where two solids touch there is no air: their common area is taken from both.

What is left of room and things is one closed surface without coincident faces. What
stands in another's way is found here too: `clashes` shrinks a thing by 1 mm and asks
if any edge of one passes through a facet of the other.
"""

from collections.abc import Sequence

import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry

from raysim.errors import Complaint
from raysim.geometry.inside import winding_number
from raysim.geometry.polygons import Facet, boxes_m, common, facet_from, without
from raysim.geometry.things import TOUCH_M, holds, slab_rings_m, thing_facets
from raysim.scene.model import Thing
from raysim.units import Float


def subtract_contacts(facets: Sequence[Facet], tolerance_m: float) -> list[Facet]:
    """Give the facets without the areas where one thing stands against another  (G6).

    Parameters
    ----------
    facets : sequence of Facet
        Of room and things; sheets pass through unchanged.
    tolerance_m : float
        How far apart two planes may be to be one.
    """
    shapes: list[BaseGeometry] = [f.polygon for f in facets]
    for i, j in _touching(facets, tolerance_m):
        here, there = facets[i], facets[j]
        for piece in there.cut_to(shapes[j]):
            shared = common(shapes[i], here.shape_of(piece), tolerance_m)
            if shared.is_empty:
                continue
            shapes[i] = without(shapes[i], shared, tolerance_m)
            for spot in here.cut_to(shared):
                shapes[j] = without(shapes[j], there.shape_of(spot), tolerance_m)
    return [f for facet, shape in zip(facets, shapes, strict=True) for f in facet.cut_to(shape)]


def clashes(
    things: Sequence[Thing], room: Sequence[Facet], bare: Float, complaints: list[Complaint]
) -> None:
    """Complain of things that leave the room or enter each other.

    Parameters
    ----------
    things : sequence of Thing
        Without faults, settled.
    room : sequence of Facet
        The bare room.
    bare : (n, 3, 3) float64
        The bare room's triangles.
    complaints : list of Complaint
        RS-G31 out of the room, RS-G32 into another thing, RS-G33 a sheet that lies
        against something.
    """
    full = [thing_facets(t, []) for t in things]
    for i, thing in enumerate(things):
        core = _shrunk(thing, full[i])
        walls = _near(full[i], room)
        through = sorted({f.surface for f in walls if _cross(core, [f])})
        flat = sorted(
            {
                other.surface
                for other in (*walls, *(f for before in full[:i] for f in before))
                for own in full[i]
                if (own.is_sheet or other.is_sheet) and _flat_against(own, other)
            }
        )
        spot = core[0].corners_m()[:1]
        if flat:
            names = " and ".join(f'"{s}"' for s in flat)
            _complain(complaints, thing, f"lies flat against {names}", "RS-G33")
        elif through:
            names = " and ".join(f'"{s}"' for s in through)
            _complain(complaints, thing, f"goes through {names}", "RS-G31")
        elif abs(winding_number(bare, spot)[0]) < 0.5:
            at = ", ".join(f"{x:.2f}" for x in spot[0])
            _complain(complaints, thing, f"lies outside the room, at ({at}) m", "RS-G31")
        for other, its in zip(things[:i], full[:i], strict=True):
            there = _shrunk(other, its)
            spots = [f[0].corners_m()[0] for f in (core, there)]
            within = holds(other, spots[0], 0.5 * TOUCH_M) or holds(
                thing, spots[1], 0.5 * TOUCH_M
            )
            if within or _cross(core, its):
                _complain(complaints, thing, f'enters thing "{other.name}"', "RS-G32")


def surfaces_met(thing: Thing, room: Sequence[Facet]) -> list[str]:
    """Give the names of the surfaces of the bare room that a thing goes through."""
    full = thing_facets(thing, [])
    core = _shrunk(thing, full)
    return sorted({f.surface for f in _near(full, room) if _cross(core, [f])})


def _near(own: Sequence[Facet], room: Sequence[Facet]) -> list[Facet]:
    """Give the facets whose boxes come within 1 mm of that of a thing."""
    low, high = boxes_m(room)
    box = np.concatenate([f.corners_m() for f in own])
    near = (low <= box.max(axis=0) + TOUCH_M).all(axis=1)
    near &= (high >= box.min(axis=0) - TOUCH_M).all(axis=1)
    return [f for f, is_near in zip(room, near, strict=True) if is_near]


def _complain(complaints: list[Complaint], thing: Thing, what: str, code: str) -> None:
    fix = {
        "RS-G31": "Move it or make it smaller; standing against a surface is fine.",
        "RS-G32": "Move one of them; things may touch, not overlap.",
        "RS-G33": "Hang it at least 5 mm off, or make it a patch of the surface.",
    }[code]
    complaints.append(Complaint(str(thing.place), f'thing "{thing.name}" {what}.', fix, code))


def _touching(facets: Sequence[Facet], tolerance_m: float) -> list[tuple[int, int]]:
    """Give the pairs of solid facets that face each other in one plane."""
    normal = np.array([f.normal for f in facets])
    low, high = boxes_m(facets)
    owner = np.array([f.owner for f in facets])
    solid = np.array([not f.is_sheet for f in facets])
    pairs = []
    for i, facet in enumerate(facets):
        if facet.owner == "" or facet.is_sheet:
            continue
        near = solid & (owner != facet.owner) & (normal @ facet.normal < -0.999)
        near &= (low <= high[i] + tolerance_m).all(axis=1)
        near &= (high >= low[i] - tolerance_m).all(axis=1)
        for j in np.flatnonzero(near).tolist():
            other = facets[j]
            if other.owner != "" and j < i:
                continue  # the pair has been seen from the other side
            small, large = sorted((facet, other), key=lambda f: f.area_m2)
            if np.abs(large.distance_m(small.corners_m())).max() <= tolerance_m:
                pairs.append((i, j))
    return pairs


def _shrunk(thing: Thing, facets: list[Facet]) -> list[Facet]:
    """Give the facets of a thing drawn in by 1 mm all around."""
    if thing.z_m is None:
        front = facets[0]
        drawn = front.cut_to(front.polygon.buffer(-TOUCH_M, join_style="mitre"))
        if thing.behind_m is None:
            return drawn
        share = -TOUCH_M / float(front.normal @ thing.behind_m)
        behind = np.asarray(thing.behind_m)
        return [
            facet_from(ring, "")
            for part in drawn
            for ring in slab_rings_m(
                next(part.rings_m()) + share * behind, (1.0 - 2.0 * share) * behind
            )
        ]
    outline = shapely.Polygon(thing.corners_m).buffer(-TOUCH_M, join_style="mitre")
    z0, z1 = thing.z_m[0] + TOUCH_M, thing.z_m[1] - TOUCH_M
    found = []
    for part in getattr(outline, "geoms", [outline]):
        xy = np.asarray(part.exterior.coords)[:-1]
        low = np.column_stack([xy, np.full(len(xy), z0)])
        high = np.column_stack([xy, np.full(len(xy), z1)])
        found += [facet_from(low, ""), facet_from(high, "")]
        for i in range(len(xy)):
            j = (i + 1) % len(xy)
            found.append(facet_from(np.array([low[i], low[j], high[j], high[i]]), ""))
    return found


def _cross(a: Sequence[Facet], b: Sequence[Facet]) -> bool:
    """Tell if an edge of one passes through a facet of the other."""
    return _pierce(a, b) or _pierce(b, a)


def _pierce(edges_of: Sequence[Facet], through: Sequence[Facet]) -> bool:
    rings = [r for f in edges_of for r in f.rings_m()]
    p = np.concatenate(rings)
    q = np.concatenate([np.roll(r, -1, axis=0) for r in rings])
    for facet in through:
        dp, dq = facet.distance_m(p), facet.distance_m(q)
        cross = dp * dq < 0.0
        if cross.any():
            t = (dp[cross] / (dp[cross] - dq[cross]))[:, None]
            xy = facet.to_plane(p[cross] + t * (q[cross] - p[cross]))
            if shapely.intersects_xy(facet.polygon, xy[:, 0], xy[:, 1]).any():
                return True
    return False


def _flat_against(a: Facet, b: Facet) -> bool:
    """Tell if two facets lie in one plane within 1 mm and overlap."""
    if abs(a.normal @ b.normal) < 0.999:
        return False
    overlap = common(b.polygon, b.shape_of(a))
    if overlap.area < 1e-6:
        return False
    spots = np.concatenate([part.corners_m() for part in b.cut_to(overlap)])
    return bool(np.abs(a.distance_m(spots)).max() <= TOUCH_M)
