"""Where flat treatments could go: rectangles of surfaces, so that one mesh serves all layouts.

A site is cut out of its surface as a patch with the material that is there. A layout then
only changes materials of patches, and is answered from one recorded trace. What a site
leaves out is the thickness of a piece and its edges.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
import shapely

from raysim.geometry.build import (
    bare_room,
    corner_tolerance_m,
    finished,
    patches_by_limits,
)
from raysim.geometry.mesh import RoomMesh
from raysim.geometry.patches import cut_patches
from raysim.geometry.polygons import Facet
from raysim.planning.clearance import faces_of, hull_distance_m, kept_clear
from raysim.scene.model import Material, Patch, Scene
from raysim.scene.plan import Treatment
from raysim.scene.treated import front_material
from raysim.units import Float

#: Sites stay this far from each other and from edges, metres: room for a hand's error.
APART_M = 0.02
#: Surfaces that face up more than this are floors and tops, where no flat piece is hung.
_LEVEL = 0.5


@dataclass(frozen=True, slots=True, eq=False)
class Site:
    """A rectangle of a surface where a flat piece could be."""

    name: str
    on: str  # surface
    behind: str  # material that is there
    outline_m: Float  # (4, 3) anticlockwise, seen from the air
    size_m: tuple[float, float]  # along the surface's level line, then up the steepest
    normal: Float  # (3,) into the air


def sites_of(
    scene: Scene,
    mesh: RoomMesh,
    sizes_m: Sequence[tuple[float, float]],
    *,
    depth_m: float = 0.1,
    pitch_m: float = 0.1,
    surfaces: Sequence[str] | None = None,
) -> tuple[Site, ...]:
    """Find where rectangles fit on the bare parts of surfaces, clear of all that must be.

    Parameters
    ----------
    scene : Scene
        As described.
    mesh : RoomMesh
        Its room.
    sizes_m : sequence of (float, float)
        Width and height; the first that fit are kept, and none overlap.
    depth_m : float
        How far pieces reach into the room: zones, things, sources and receivers are kept
        clear of.
    pitch_m : float
        Step at which places are tried.
    surfaces : sequence of str, optional
        Only these; all but those that face up otherwise.

    Returns
    -------
    tuple of Site
    """
    found = bare_room(scene, [], [])
    if found is None:
        return ()
    bare = finished(scene, found[0], [])
    names = {f.surface for f in bare} - {p.name for p in scene.patches}
    facets = cut_patches(bare, patches_by_limits(scene), corner_tolerance_m(scene), [], [])
    bodies = _obstacles(scene, mesh)
    sites: list[Site] = []
    for facet in facets:
        wanted = facet.normal[2] < _LEVEL if surfaces is None else facet.surface in surfaces
        if not wanted or facet.surface not in names:
            continue
        for low, size in _rectangles(facet, sizes_m, pitch_m, depth_m, bodies):
            corners = low + np.array([[0, 0], [1, 0], [1, 1], [0, 1]]) * size
            sites.append(
                Site(
                    name=f"site {len(sites) + 1}",
                    on=facet.surface,
                    behind=facet.material,
                    outline_m=facet.to_space(corners),
                    size_m=size,
                    normal=facet.normal,
                )
            )
    return tuple(sites)


def _obstacles(scene: Scene, mesh: RoomMesh) -> list[tuple[Float, float]]:
    """List convex bodies that pieces stay off, as points (n, 3), and how far."""
    kept = [k for k in kept_clear(scene, mesh) if k.zone.kind != "access"]
    bodies = [(k.points_m, k.clear_m) for k in kept]
    bodies += [(faces_of(mesh, thing.name)[0], 0.0) for thing in scene.things]
    points = [s.position_m for s in scene.sources] + [r.position_m for r in scene.receivers]
    bodies += [(p[None], APART_M) for p in points]
    return [(points_m, clear_m) for points_m, clear_m in bodies if len(points_m)]


def _rectangles(
    facet: Facet,
    sizes_m: Sequence[tuple[float, float]],
    pitch_m: float,
    depth_m: float,
    bodies: Sequence[tuple[Float, float]],
) -> Iterator[tuple[Float, tuple[float, float]]]:
    """Give least corners, in the frame of a facet, and sizes of rectangles that fit."""
    inside = facet.polygon.buffer(-APART_M, join_style="mitre")
    left = inside
    if inside.is_empty:
        return
    x0, y0, x1, y1 = inside.bounds
    for size in sizes_m:
        for y in np.arange(y0, y1 - size[1] + 1e-9, pitch_m):
            for x in np.arange(x0, x1 - size[0] + 1e-9, pitch_m):
                box = shapely.box(x, y, x + size[0], y + size[1])
                if not left.buffer(1e-9).contains(box):
                    continue
                corners = facet.to_space(np.asarray(box.exterior.coords)[:4])
                body = np.concatenate([corners, corners + depth_m * facet.normal])
                if not all(_is_off(body, *other) for other in bodies):
                    continue
                left = left.difference(box.buffer(APART_M, join_style="mitre"))
                yield np.array([x, y]), size


def _is_off(body_m: Float, other_m: Float, clear_m: float) -> bool:
    """Tell if a body is as far from another as it must be, and does not touch it."""
    gap_m = np.maximum(
        other_m.min(axis=0) - body_m.max(axis=0), body_m.min(axis=0) - other_m.max(axis=0)
    )
    if gap_m.max() > max(clear_m, 1e-3):
        return True  # their boxes tell already
    away_m = hull_distance_m(body_m, other_m)
    return away_m > 0.0 and away_m >= clear_m - 1e-6


def with_sites(scene: Scene, sites: Sequence[Site]) -> Scene:
    """Give a scene with sites cut out as patches of what is there: it sounds the same."""
    cut = tuple(Patch(s.name, s.on, s.behind, outline_m=s.outline_m) for s in sites)
    return replace(scene, patches=scene.patches + cut)


def site_material(
    site: Site, treatment: Treatment, scene: Scene, gap_m: float = 0.0
) -> Material:
    """Give what a treatment on a site does to sound; see `front_material` for errors."""
    behind = scene.materials[site.behind]
    return front_material(treatment, gap_m, behind, scene.bands, scene.air, scene.materials)
