"""The rooms that the benchmarks share: one box, bare, furnished, crowded, or fine-meshed.

Metres, z up; the box goes from the origin to `SIZE_M`. Furniture stands apart or
touches face to face, as in a scene file, and goes through the same mesh builder. All
alpha and scattering are invented, within what tables give for plaster and furniture.
"""

from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import trimesh

from raysim.geometry.build import build_room
from raysim.geometry.inside import enclosed_volume_m3, nearest_surface
from raysim.geometry.mesh import MeshSurface, RoomMesh
from raysim.propagation.room import AcousticRoom, acoustic_room
from raysim.scene.model import (
    Bands,
    Directivity,
    DrawnRoom,
    Finish,
    Material,
    Receiver,
    Scene,
    Source,
    Thing,
)
from raysim.units import Float

SIZE_M = (5.0, 4.0, 2.6)
SOURCE_M = (1.2, 1.9, 1.5)
RECEIVER_M = (3.7, 2.4, 1.3)
#: Starts keep this far from walls and furniture.
CLEAR_M = 0.001
#: Counting spheres of the contenders: as large as ours begin.
SPHERE_M = 0.25

_WALLS = ("south", "east", "north", "west")

#: Boxes (x, y, z from; x, y, z to): desk, bookcase, sofa, wardrobe.
_FEW = (
    (1.5, 3.20, 0.72, 3.1, 3.90, 0.75), (1.5, 3.20, 0.0, 1.54, 3.90, 0.72),
    (3.06, 3.20, 0.0, 3.1, 3.90, 0.72), (4.60, 0.6, 0.0, 4.95, 1.8, 1.9),
    (0.10, 0.5, 0.0, 0.95, 2.3, 0.42), (0.10, 0.5, 0.42, 0.30, 2.3, 0.85),
    (0.20, 3.0, 0.0, 0.90, 3.8, 2.0),
)  # fmt: skip


def _stool(x: float, y: float, seat: float = 0.45, side: float = 0.4) -> list[Float]:
    """Give a seat on four legs, five boxes."""
    boxes = [(x, y, seat - 0.04, x + side, y + side, seat)]
    for dx in (0.0, side - 0.04):
        for dy in (0.0, side - 0.04):
            boxes.append((x + dx, y + dy, 0.0, x + dx + 0.04, y + dy + 0.04, seat - 0.04))
    return [np.array(b) for b in boxes]


def _boards(x: float, y: float, long: float, heights: tuple[float, ...]) -> list[Float]:
    """Give shelf boards that hang a hand's breadth off a wall."""
    return [np.array((x, y, z, x + long, y + 0.25, z + 0.025)) for z in heights]


def sphere_radii_m(room: AcousticRoom, receivers: list[Receiver]) -> Float:
    """Give each receiver's counting sphere: inside the room, at most `SPHERE_M`."""
    gaps = [nearest_surface(room.mesh, r.position_m)[0] for r in receivers]
    return np.minimum(0.99 * np.array(gaps), SPHERE_M)


def furniture(crowded: bool) -> list[Float]:
    """Give the boxes that stand in the room, each (6,): lower and upper corner."""
    boxes = [np.array(b) for b in _FEW]
    if crowded:
        for x, y in ((2.1, 2.6), (2.4, 0.6), (3.2, 0.5), (3.0, 1.4)):
            boxes += _stool(x, y)
        boxes += _boards(1.2, 0.1, 0.9, (1.1, 1.4, 1.7))
        boxes += _boards(3.4, 3.7, 1.1, (1.3, 1.6, 1.9))
        boxes += [np.array((x, 3.5, 0.75, x + 0.2, 3.75, 1.1)) for x in (1.6, 2.8)]
    return boxes


@dataclass(frozen=True, slots=True)
class Sample:
    """A room to time, with what tells air from furniture without any tree."""

    name: str
    mesh: RoomMesh
    boxes: tuple[Float, ...]  # (6,) each
    spheres: tuple[Float, ...]  # (4,) each: centre, radius

    def starts(self, rng: np.random.Generator, n: int) -> Float:
        """Draw points in the air, (n, 3)."""
        size = np.array(SIZE_M)
        kept: list[Float] = []
        while sum(map(len, kept)) < n:
            p = rng.uniform(CLEAR_M, size - CLEAR_M, (n, 3))
            free = np.ones(n, dtype=bool)
            for b in self.boxes:
                free &= ((p < b[:3] - CLEAR_M) | (p > b[3:] + CLEAR_M)).any(axis=1)
            for s in self.spheres:
                free &= ((p - s[:3]) ** 2).sum(axis=1) > (s[3] + CLEAR_M) ** 2
            kept.append(p[free])
        return np.concatenate(kept)[:n]


def directions(rng: np.random.Generator, n: int) -> Float:
    """Draw directions evenly over the sphere, (n, 3)."""
    d = rng.normal(size=(n, 3))
    return np.asarray(d / np.linalg.norm(d, axis=1, keepdims=True))


def scene_of(boxes: list[Float] | tuple[Float, ...] = (), fraction: int = 1) -> Scene:
    """Give the scene: walls and furniture whose coefficients rise gently with frequency."""
    n_band = Bands(fraction).n_band
    rise = np.linspace(0.0, 1.0, n_band)
    wall, thing = (_material("wall", 0.08 + 0.06 * rise, 0.12 + 0.06 * rise),
                   _material("thing", 0.12 + 0.25 * rise, 0.30 + 0.10 * rise))  # fmt: skip
    x, y, z = SIZE_M
    plan = np.array([[0.0, 0.0], [x, 0.0], [x, y], [0.0, y]])
    return Scene(
        title="benchmark", about="", path=Path("benchmark"), text="",
        room=DrawnRoom(plan, z, _WALLS),
        finishes=tuple(Finish(s, "wall") for s in (*_WALLS, "floor", "ceiling")),
        materials={"wall": wall, "thing": thing},
        sources=(_source(n_band),),
        receivers=receivers(1),
        bands=Bands(fraction),
        things=tuple(
            Thing(f"box {i}", "box", b[[[0, 1], [3, 1], [3, 4], [0, 4]]], (b[2], b[5]), "thing")
            for i, b in enumerate(boxes)
        ),
    )  # fmt: skip


def _material(name: str, alpha: Float, scattering: Float) -> Material:
    return Material(name, alpha, alpha, alpha, scattering, source="invented")


def _source(n_band: int) -> Source:
    omni = Directivity("omni", np.zeros((n_band, 2)), "definition")
    return Source("S", np.array(SOURCE_M), np.array([1.0, 0.0, 0.0]), omni)


def receivers(n: int) -> tuple[Receiver, ...]:
    """Give receivers, the first at `RECEIVER_M`, the others on a row beside it."""
    first, step = np.array(RECEIVER_M), np.array([-0.05, 0.0, 0.06])
    aim = np.array([1.0, 0.0, 0.0])
    return tuple(Receiver(f"R{i}", first + i * step, aim) for i in range(n))


def bare() -> Sample:
    """Give the empty box: 12 triangles."""
    return Sample("bare box", build_room(scene_of()), (), ())


def furnished(crowded: bool) -> Sample:
    """Give the box with furniture: about 130 triangles, or about 500."""
    boxes = furniture(crowded)
    name = "crowded room" if crowded else "furnished room"
    return Sample(name, build_room(scene_of(boxes)), tuple(boxes), ())


def fine() -> Sample:
    """Give the box with six finely meshed spheres: 7692 triangles, nearly all apart."""
    centres = [(0.8, 0.8, 0.7), (2.5, 0.9, 1.9), (4.2, 0.8, 0.9),
               (0.8, 3.1, 1.8), (2.5, 3.0, 0.7), (4.2, 3.2, 1.7)]  # fmt: skip
    spheres = [np.array((*c, 0.3 + 0.05 * i)) for i, c in enumerate(centres)]
    parts = [_walls(1)]
    for s in spheres:
        ball = trimesh.creation.icosphere(subdivisions=3, radius=s[3])
        parts.append((np.asarray(ball.vertices) + s[:3], np.asarray(ball.faces)))
    return Sample("fine spheres", _joined(parts), (), tuple(spheres))


def gridded(n: int) -> Sample:
    """Give the empty box with each wall cut into n by n rectangles: 12 n^2 triangles."""
    return Sample(f"walls in {n} x {n}", _joined([_walls(n)]), (), ())


def _walls(n: int) -> tuple[Float, Float]:
    """Give vertices and faces of the box, normals inward, n by n rectangles a wall."""
    x, y, z = np.diag(SIZE_M)
    o = np.zeros(3)
    far = x + y + z
    vertices, faces = [], []
    for corner, u, v in (
        (o, x, y), (o, y, z), (o, z, x), (far, -y, -x), (far, -z, -y), (far, -x, -z)
    ):  # fmt: skip
        i, j = np.meshgrid(np.arange(n + 1), np.arange(n + 1), indexing="ij")
        at = sum(map(len, vertices))
        vertices.append(corner + i.reshape(-1, 1) / n * u + j.reshape(-1, 1) / n * v)
        k = at + (i * (n + 1) + j)[:-1, :-1].ravel()
        faces.append(np.stack([k, k + n + 1, k + n + 2], axis=1))
        faces.append(np.stack([k, k + n + 2, k + 1], axis=1))
    return np.concatenate(vertices), np.concatenate(faces)


def _joined(parts: list[tuple[Float, Float]]) -> RoomMesh:
    """Give walls, and things after them, as one mesh of two surfaces."""
    starts = np.cumsum([0, *(len(v) for v, _ in parts)])
    faces = np.concatenate([f + s for (_, f), s in zip(parts, starts, strict=False)])
    vertices = np.concatenate([v for v, _ in parts])
    surface = np.where(np.arange(len(faces)) < len(parts[0][1]), 0, 1)
    names = (MeshSurface("wall", "wall"), MeshSurface("thing", "thing"))
    x, y, z = SIZE_M
    mesh = RoomMesh(
        vertices_m=vertices,
        faces=faces.astype(np.int64),
        face_surface=surface.astype(np.int64),
        face_plane=np.arange(len(faces)),  # the tree numbers planes anew
        surfaces=names[: surface.max() + 1],
        envelope_volume_m3=x * y * z,
        envelope_area_m2=2.0 * (x * y + y * z + z * x),
        air_volume_m3=enclosed_volume_m3(vertices[faces]),
        area_m2=0.0,
    )
    return replace(mesh, area_m2=float(mesh.face_area_m2.sum()))


def acoustic(sample: Sample, fraction: int = 1) -> AcousticRoom:
    """Prepare a sample for propagation, with air that takes nothing: loops only."""
    room = acoustic_room(scene_of(sample.boxes, fraction), sample.mesh)
    return replace(room, air_per_m=np.full_like(room.air_per_m, 1e-12))
