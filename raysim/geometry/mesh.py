"""The room as closed, oriented triangles: what all of `propagation` starts from.

Every normal points into the air (anticlockwise corners seen from the air). A solid
face has air on one side only; a sheet has air on both.
"""

from dataclasses import dataclass

import numpy as np

from raysim.units import Float, Int


@dataclass(frozen=True, slots=True)
class MeshSurface:
    """A named surface: what reports and arrival lists call the faces that have it."""

    name: str
    material: str
    back_name: str | None = None  # sheets only: the name and material of the other side
    back_material: str | None = None


@dataclass(frozen=True, slots=True)
class RoomMesh:
    """Triangles of room and things, watertight but for sheets.

    ``face_plane`` numbers the planar polygons: faces with one number are coplanar,
    face the same way and belong to one surface. (Mirrors for image sources join coplanar
    surfaces too: `raysim.geometry.planes`.) ``envelope_*`` are of the bare room,
    ``air_volume_m3`` and ``area_m2`` with the things in it (both sides of sheets counted).
    """

    vertices_m: Float  # (n_vertex, 3)
    faces: Int  # (n_face, 3)
    face_surface: Int  # (n_face,) index into surfaces
    face_plane: Int  # (n_face,)
    surfaces: tuple[MeshSurface, ...]
    envelope_volume_m3: float
    envelope_area_m2: float
    air_volume_m3: float
    area_m2: float

    @property
    def triangles_m(self) -> Float:
        """Corners of each face, (n_face, 3, 3)."""
        return self.vertices_m[self.faces]

    @property
    def face_normal(self) -> Float:
        """Unit normal of each face, into the air, (n_face, 3)."""
        t = self.triangles_m
        n = np.cross(t[:, 1] - t[:, 0], t[:, 2] - t[:, 0])
        return np.asarray(n / np.linalg.norm(n, axis=1, keepdims=True))

    @property
    def face_area_m2(self) -> Float:
        """Area of each face, one side, (n_face,)."""
        t = self.triangles_m
        return np.asarray(
            0.5 * np.linalg.norm(np.cross(t[:, 1] - t[:, 0], t[:, 2] - t[:, 0]), axis=1)
        )

    def surface_area_m2(self) -> Float:
        """Area of each surface, one side, (n_surface,)."""
        area = np.bincount(
            self.face_surface, weights=self.face_area_m2, minlength=len(self.surfaces)
        )
        return np.asarray(area, dtype=np.float64)
