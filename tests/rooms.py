"""Scenes built in Python for the tests: a box, and three rooms with known V and S.

Import it from any test file: ``from rooms import box_scene``. Plans are metres,
z is up. A box has the surfaces south (y = 0), east (x = lx), north, west, floor
and ceiling.
"""

from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np

from raysim.scene.model import (
    Bands,
    Directivity,
    Dormer,
    DrawnRoom,
    Finish,
    Material,
    MeshRoom,
    Receiver,
    RoofPlane,
    Scene,
    Source,
    Thing,
)
from raysim.units import Float

BOX_WALLS = ("south", "east", "north", "west")
BOX_SURFACES = (*BOX_WALLS, "floor", "ceiling")


def frozen(values) -> Float:
    """Give a read-only float64 array."""
    array = np.array(values, dtype=np.float64)
    array.setflags(write=False)
    return array


def material(name, alpha=0.1, scattering=0.1, fraction=1) -> Material:
    """Give a material; alpha and scattering are one number or one per band."""
    n_band = Bands(fraction).n_band
    a, s = (frozen(np.broadcast_to(v, (n_band,))) for v in (alpha, scattering))
    return Material(name, a, a, a, s, source="test")


def omni(fraction=1) -> Directivity:
    """Give a source that favours no direction."""
    return Directivity("omni", frozen(np.zeros((Bands(fraction).n_band, 2))), "definition")


def source(name, at_m, fraction=1) -> Source:
    return Source(name, frozen(at_m), frozen([1.0, 0.0, 0.0]), omni(fraction))


def receiver(name, at_m) -> Receiver:
    return Receiver(name, frozen(at_m), frozen([1.0, 0.0, 0.0]))


def scene_of(
    room,
    surfaces,
    alpha=0.1,
    scattering=0.1,
    sources=(),
    receivers=(),
    fraction=1,
    things=(),
    patches=(),
    other=("thing",),
) -> Scene:
    """Give a scene in which each surface has a material of its own.

    ``alpha`` and ``scattering`` are numbers, one per band, or a mapping from surface
    name to either. ``sources`` and ``receivers`` are positions, named S1, S2, ... and
    R1, R2, ...; ``other`` names further materials, for things and patches.
    """

    def of(value, name):
        return value.get(name, 0.1) if isinstance(value, Mapping) else value

    materials = {
        name: material(name, of(alpha, name), of(scattering, name), fraction)
        for name in (*surfaces, *other)
    }
    return Scene(
        title="test room",
        about="",
        path=Path("test/scene.toml"),
        text="",
        room=room,
        finishes=tuple(Finish(name, name) for name in surfaces),
        materials=materials,
        sources=tuple(source(f"S{i + 1}", p, fraction) for i, p in enumerate(sources)),
        receivers=tuple(receiver(f"R{i + 1}", p) for i, p in enumerate(receivers)),
        bands=Bands(fraction),
        things=tuple(things),
        patches=tuple(patches),
    )


def box_scene(
    lx=5.0,
    ly=4.0,
    lz=3.0,
    alpha=0.1,
    scattering=0.1,
    sources: Sequence[Sequence[float]] = ((1.0, 1.0, 1.5),),
    receivers: Sequence[Sequence[float]] = ((3.5, 2.5, 1.2),),
    fraction=1,
    things=(),
    patches=(),
    other=("thing",),
) -> Scene:
    """Give a box from the origin to (lx, ly, lz); see `scene_of` for the rest."""
    room = DrawnRoom(frozen([[0, 0], [lx, 0], [lx, ly], [0, ly]]), lz, BOX_WALLS)
    return scene_of(
        room,
        BOX_SURFACES,
        alpha,
        scattering,
        sources,
        receivers,
        fraction,
        things,
        patches,
        other,
    )


def polygon_scene(plan_m, height_m, **more) -> Scene:
    """Give a room of constant height; its walls are called wall 1, wall 2, ..."""
    walls = tuple(f"wall {i + 1}" for i in range(len(plan_m)))
    room = DrawnRoom(frozen(plan_m), height_m, walls)
    return scene_of(room, (*walls, "floor", "ceiling"), **more)


def attic_scene(dormer=True, **more) -> Scene:
    """Give an attic: 1 m knee walls, 45 degree slopes, a flat strip, an east dormer."""
    roof = (
        RoofPlane("W slope", frozen([[0, 0, 1], [0, 5.2, 1], [1.4, 0, 2.4]])),
        RoofPlane("E slope", frozen([[4, 0, 1], [4, 5.2, 1], [2.6, 0, 2.4]])),
    )
    dormers = (Dormer("dormer", frozen([[2.6, 2.0], [4, 2.0], [4, 3.2], [2.6, 3.2]]), 2.1),)
    room = DrawnRoom(
        frozen([[0, 0], [4, 0], [4, 5.2], [0, 5.2]]),
        2.4,
        ("S gable", "E knee", "N gable", "W knee"),
        ceiling_name="collar",
        roof=roof,
        dormers=dormers if dormer else (),
    )
    names = ("S gable", "E knee", "N gable", "W knee", "floor", "collar")
    names += ("W slope", "E slope")
    if dormer:
        names += ("dormer ceiling", "dormer front", "dormer cheeks")
    return scene_of(room, names, **more)


def l_scene(**more) -> Scene:
    """Give the L-shaped room of 26.84 m2 and 2.45 m height."""
    plan = [[0, 0], [6.4, 0], [6.4, 3.3], [2.6, 3.3], [2.6, 5.5], [0, 5.5]]
    return polygon_scene(plan, 2.45, **more)


def mesh_scene(path, unit="m", surfaces=("room",), repair=False, **more) -> Scene:
    """Give a scene whose room is a mesh file."""
    return scene_of(MeshRoom(Path(path), unit, repair), surfaces, **more)


def box_thing(name, from_m, to_m, turn_deg=0.0, made_of="thing", top=None) -> Thing:
    """Give a box, turned about the vertical through its centre."""
    lo, hi = np.array(from_m, dtype=float), np.array(to_m, dtype=float)
    corners = np.array([[lo[0], lo[1]], [hi[0], lo[1]], [hi[0], hi[1]], [lo[0], hi[1]]])
    centre, turn = corners.mean(axis=0), np.deg2rad(turn_deg)
    spin = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
    if turn_deg:
        corners = (corners - centre) @ spin.T + centre
    return Thing(name, "box", frozen(corners), (lo[2], hi[2]), made_of, material_top=top)


def sheet_thing(name, corners_m, made_of="thing", back=None) -> Thing:
    """Give a thin sheet with two sides."""
    return Thing(name, "sheet", frozen(corners_m), None, made_of, material_back=back)


def with_finishes(scene: Scene, finishes) -> Scene:
    """Give the scene with other finishes."""
    return replace(scene, finishes=tuple(finishes))
