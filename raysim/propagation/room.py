"""The room as the kernels read it: tree, mirrors, and what each side does to sound."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from raysim.geometry.bvh import Tree, build_pairs, build_tree
from raysim.geometry.mesh import RoomMesh
from raysim.geometry.planes import Mirrors, back_sides, gather_mirrors, number_planes
from raysim.propagation.angles import LayeredSides, layered_sides
from raysim.records import Sides
from raysim.scene.air import attenuation_per_m, gas, speed_m_s
from raysim.scene.model import Scene
from raysim.units import Float, Int


@dataclass(frozen=True, slots=True)
class AcousticRoom:
    """All that propagation needs to know of a room."""

    mesh: RoomMesh
    sides: Sides
    tree: Tree
    mirrors: Mirrors
    normal: Float  # (n_piece, 3) unit
    offset: Float  # (n_piece,)
    middle: Float  # (n_piece, 3) a point well inside the face of each piece
    plane: Int  # (n_piece,)
    front: Int  # (n_piece,) side met from the normal's side
    back: Int  # (n_piece,) side met from behind, -1 where there is no air
    speed_m_s: float
    air_per_m: Float  # (n_band,) energy attenuation of the air
    layered: LayeredSides

    def tree_arrays(
        self, on_gpu: bool = False
    ) -> tuple[NDArray[np.float32], NDArray[np.uint32], NDArray[np.float32]]:
        """Give what `raysim.core.walk` reads; on a GPU, `raysim.core.pairs`."""
        tree = build_pairs(self.tree) if on_gpu else self.tree
        return tree.box, tree.child, tree.row


def tabulate_sides(scene: Scene, mesh: RoomMesh) -> Sides:
    """Give every side its name and coefficients: fronts first, then backs of sheets."""
    area = mesh.surface_area_m2()
    listed = [(s.name, s.material, a) for s, a in zip(mesh.surfaces, area, strict=True)]
    listed += [
        (s.back_name or s.name, s.back_material, a)
        for s, a in zip(mesh.surfaces, area, strict=True)
        if s.back_material is not None
    ]
    materials = [scene.materials[m] for _, m, _ in listed]
    return Sides(
        names=tuple(n for n, _, _ in listed),
        materials=tuple(m for _, m, _ in listed),
        alpha=np.stack([m.alpha for m in materials]),
        scattering=np.stack([m.scattering for m in materials]),
        area_m2=np.array([a for _, _, a in listed]),
    )


def acoustic_room(scene: Scene, mesh: RoomMesh) -> AcousticRoom:
    """Prepare a scene's room for propagation."""
    numbered = number_planes(mesh)
    of_face, plane_normal, plane_offset = numbered
    back = back_sides(mesh)
    sides = tabulate_sides(scene, mesh)
    tree = build_tree(mesh.triangles_m, of_face, mesh.face_surface, back[mesh.face_surface] < 0)
    surface, plane = mesh.face_surface[tree.face], of_face[tree.face]
    # of a face's own normal, but exactly equal for all faces of one plane
    sign = np.sign(np.einsum("ij,ij->i", mesh.face_normal[tree.face], plane_normal[plane]))
    return AcousticRoom(
        mesh=mesh,
        sides=sides,
        tree=tree,
        mirrors=gather_mirrors(mesh, numbered),
        normal=np.ascontiguousarray(sign[:, None] * plane_normal[plane]),
        offset=sign * plane_offset[plane],
        middle=tree.middle_m,
        plane=plane,
        front=surface,
        back=back[surface],
        speed_m_s=speed_m_s(scene.air),
        air_per_m=attenuation_per_m(scene.air, scene.bands.centre_hz),
        layered=layered_sides(sides, scene.materials, scene.bands, gas(scene.air)),
    )
