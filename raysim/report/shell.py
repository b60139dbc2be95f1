"""What a drawing needs to know of the room: its edges, its cuts, what is set into it.

Works on any object with the triangles of a room; lengths are metres, z is up and
normals point into the air.
"""

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Protocol

import numpy as np

from raysim.units import Float, Int

#: Two directions closer than this are one (about a quarter of a degree).
_SAME_DIRECTION = 1.0 - 1e-5


class Named(Protocol):
    """A surface with a name; one with a back name is a sheet with air on both sides."""

    @property
    def name(self) -> str:
        """What the scene calls it."""

    @property
    def back_name(self) -> str | None:
        """What the scene calls its other side, if that faces air."""


class Shell(Protocol):
    """The triangles of a room and of what stands in it."""

    @property
    def vertices_m(self) -> Float:
        """Corners, (n_vertex, 3)."""

    @property
    def faces(self) -> Int:
        """Corner numbers of each triangle, (n_face, 3)."""

    @property
    def face_surface(self) -> Int:
        """Index into ``surfaces``, (n_face,)."""

    @property
    def face_plane(self) -> Int:
        """Number of the planar polygon each triangle is part of, (n_face,)."""

    @property
    def surfaces(self) -> Sequence[Named]:
        """The named surfaces."""

    @property
    def triangles_m(self) -> Float:
        """Corners of each triangle, (n_face, 3, 3)."""

    @property
    def face_normal(self) -> Float:
        """Unit normals into the air, (n_face, 3)."""

    @property
    def face_area_m2(self) -> Float:
        """Area of one side of each triangle, (n_face,)."""


@dataclass(frozen=True, slots=True)
class Edges:
    """Where the room bends, and where a patch ends on a flat surface."""

    segments_m: Float  # (n_edge, 2, 3)
    faces: tuple[tuple[int, ...], ...]  # the triangles that meet there


@dataclass(frozen=True, slots=True)
class Inset:
    """A surface that lies flush in a larger one: a door, a window, a rug."""

    surface: int
    host: int
    normal: Float  # (3,)
    corners_m: Float  # (n, 3), all corners of its triangles


def edges_of(shell: Shell) -> Edges:
    """Give every edge whose faces differ in direction or in surface.

    Parameters
    ----------
    shell : Shell

    Returns
    -------
    Edges
        Edges inside a flat surface are left out.
    """
    meeting: dict[tuple[int, int], list[int]] = defaultdict(list)
    for i_face, corners in enumerate(shell.faces.tolist()):
        for a, b in zip(corners, corners[1:] + corners[:1], strict=True):
            meeting[min(a, b), max(a, b)].append(i_face)
    normal = shell.face_normal
    kept: list[tuple[int, int]] = []
    faces: list[tuple[int, ...]] = []
    for ends, around in meeting.items():
        if len(around) == 2:
            i, j = around
            if (
                shell.face_surface[i] == shell.face_surface[j]
                and float(normal[i] @ normal[j]) > _SAME_DIRECTION
            ):
                continue
        kept.append(ends)
        faces.append(tuple(around))
    index = np.array(kept, dtype=np.int64).reshape(-1, 2)
    return Edges(shell.vertices_m[index], tuple(faces))


def cut_segments(triangles_m: Float, axis: int, at_m: float) -> tuple[Float, Int]:
    """Cut triangles by the plane where one coordinate has one value.

    Parameters
    ----------
    triangles_m : (n_face, 3, 3) float64
    axis : int
        0, 1 or 2: x, y or z.
    at_m : float
        A micrometre is added, so that a cut along a face is a cut just beside it.

    Returns
    -------
    segments_m : (n_cut, 2, 3) float64
    face : (n_cut,) int64
        The triangle each segment came from.
    """
    side = triangles_m[:, :, axis] - (at_m + 1e-6)
    segments: list[Float] = []
    face: list[int] = []
    crossing = np.flatnonzero((side.min(axis=1) < 0.0) & (side.max(axis=1) > 0.0))
    for i in crossing:
        ends = []
        for a, b in ((0, 1), (1, 2), (2, 0)):
            sa, sb = float(side[i, a]), float(side[i, b])
            if sa * sb < 0.0:
                share = sa / (sa - sb)
                ends.append(triangles_m[i, a] + share * (triangles_m[i, b] - triangles_m[i, a]))
        if len(ends) == 2:
            segments.append(np.stack(ends))
            face.append(int(i))
    return np.array(segments).reshape(-1, 2, 3), np.array(face, dtype=np.int64)


def insets_of(shell: Shell, edges: Edges) -> tuple[Inset, ...]:
    """Give each flat surface that shares an edge with a larger one in its plane.

    Parameters
    ----------
    shell : Shell
    edges : Edges
        Of the same shell.

    Returns
    -------
    tuple of Inset
        In order of surface; what stands in the room is not among them.
    """
    normal, surface = shell.face_normal, shell.face_surface
    # What is set in may cover more than it leaves free: go by extent, not by area.
    extent = {
        k: float(np.linalg.norm(np.ptp(shell.triangles_m[surface == k].reshape(-1, 3), axis=0)))
        for k in np.unique(surface).tolist()
    }
    hosts: dict[int, int] = {}
    for around in edges.faces:
        if len(around) != 2 or float(normal[around[0]] @ normal[around[1]]) <= _SAME_DIRECTION:
            continue
        small, large = sorted((int(surface[i]) for i in around), key=extent.__getitem__)
        hosts.setdefault(small, large)
    found = []
    for small, large in sorted(hosts.items()):
        own = np.flatnonzero(surface == small)
        flat = float((normal[own] @ normal[own[0]]).min()) > _SAME_DIRECTION
        if flat and thing_of(shell.surfaces[small].name, shell) is None:
            corners = shell.triangles_m[own].reshape(-1, 3)
            found.append(Inset(small, large, normal[own[0]], corners))
    return tuple(found)


def thing_of(surface: str, shell: Shell) -> str | None:
    """Give the name of the thing a surface is part of, or None for the room itself.

    The surfaces of a solid are called "<name> top", "<name> side" and "<name>
    bottom", those of a sheet "<name> front" and "<name> back".
    """
    for s in shell.surfaces:
        for name, suffix in ((s.name, " side"), (s.back_name or "", " back")):
            if name.endswith(suffix):
                thing = name.removesuffix(suffix)
                if surface in {f"{thing} {part}" for part in _PARTS}:
                    return thing
    return None


_PARTS = ("top", "side", "bottom", "front", "back")
