"""Records for tests that need results without computing any: seeded, and decaying.

Import it from any test file: ``from records import header, layout_result``. The box is
4 x 3 x 2.5 m with one sheet in it, so surfaces, sides and backs all occur.
"""

from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from raysim.geometry.mesh import MeshSurface, RoomMesh
from raysim.records import Arrivals, EnergyHistogram, PairResult, RayCount, Sides
from raysim.scene.model import (
    Air,
    Bands,
    Directivity,
    DrawnRoom,
    Finish,
    Material,
    Receiver,
    Scene,
    Settings,
    Source,
)
from raysim.scene.place import Place
from raysim.store.file import LayoutResult, LayoutRoom, RunHeader
from raysim.store.key import content_key
from raysim.units import LN_60_DB

BOX_M = (4.0, 3.0, 2.5)
WALLS = ("south", "east", "north", "west", "floor", "ceiling")

#: Outward corners of the box by surface, as bits of x, y, z.
_QUADS = {
    "south": "000 100 101 001",
    "east": "100 110 111 101",
    "north": "110 010 011 111",
    "west": "010 000 001 011",
    "floor": "000 010 110 100",
    "ceiling": "001 101 111 011",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class RoomedHeader(RunHeader):
    """The header of a run, and the room that its layouts have unless they say otherwise."""

    mesh: RoomMesh
    sides: Sides


def box_mesh() -> RoomMesh:
    """Give the box with a sheet of 1 m2 at x = 2 m; normals point into the air."""
    corner = [tuple(map(float, np.array(BOX_M) * bits)) for bits in np.ndindex(2, 2, 2)]
    vertices = [*corner, (2.0, 1.0, 0.5), (2.0, 2.0, 0.5), (2.0, 2.0, 1.5), (2.0, 1.0, 1.5)]
    quads = [[int(bits, 2) for bits in _QUADS[wall].split()][::-1] for wall in WALLS]
    quads.append([8, 9, 10, 11])
    faces = [(q[0], q[i], q[i + 1]) for q in quads for i in (1, 2)]
    number = np.repeat(np.arange(7), 2)
    surfaces = [MeshSurface(wall, "plaster") for wall in WALLS]
    surfaces.append(MeshSurface("curtain front", "cloth", "curtain back", "cloth/back"))
    lx, ly, lz = BOX_M
    area_m2 = 2 * (lx * ly + ly * lz + lz * lx)
    return RoomMesh(
        np.array(vertices), np.array(faces), number, number.copy(), tuple(surfaces),
        lx * ly * lz, area_m2, lx * ly * lz, area_m2 + 2.0,
    )  # fmt: skip


def header(seed=1, fraction=1, **changed) -> RoomedHeader:
    """Give the header of a run; ``changed`` replaces fields of its scene."""
    rng = np.random.default_rng(seed)
    bands = Bands(fraction)
    n_band = bands.n_band

    def material(name, line):
        low, likely, high = np.sort(rng.random((3, n_band)), axis=0)
        place = Place("box.toml", line)
        return Material(
            name, likely, low, high, rng.random(n_band), "made up for tests", "a note", place
        )

    names = ("plaster", "cloth", "cloth/back")
    materials = {name: material(name, i) for i, name in enumerate(names)}
    mesh = box_mesh()
    area_m2 = [*mesh.surface_area_m2(), 1.0]
    side_materials = [s.material for s in mesh.surfaces] + ["cloth/back"]
    sides = Sides(
        (*(s.name for s in mesh.surfaces), "curtain back"),
        tuple(side_materials),
        np.array([materials[m].alpha for m in side_materials]),
        np.array([materials[m].scattering for m in side_materials]),
        np.array(area_m2),
    )
    x, y = np.eye(3)[:2]
    talker = Directivity("talker", -rng.random((n_band, 37)) * 20.0, "made up for tests")
    omni = Directivity("omni", np.zeros((n_band, 2)), "definition")
    scene = {
        "title": "Test box: 4 × 3 m",
        "about": "made up",
        "path": Path("/nowhere/box.toml"),
        "text": 'title = "Test box"\n# ü\n',
        "room": DrawnRoom(np.array([(0, 0), (4, 0), (4, 3), (0, 3.0)]), 2.5, WALLS[:4]),
        "finishes": tuple(Finish(wall, "plaster") for wall in WALLS),
        "materials": materials,
        "sources": (
            Source("mouth 1.5 m", np.array([1.0, 1.0, 1.5]), x, talker, 60.0, ("mic/a",),
                   Place("box.toml", 7)),
            Source("amp", np.array([3.0, 1.0, 0.5]), y, omni),
        ),
        "receivers": (
            Receiver("mic/a", np.array([2.0, 2.0, 1.2]), -x, 0.5, Place("box.toml", 9)),
            Receiver("..", np.array([1.0, 2.5, 1.2]), y),
        ),
        "bands": bands,
        "air": Air(21.5, 43.0, 99_000.0, Place("box.toml", 3)),
        "settings": Settings(seed=seed, until_t30_pct=None),
        "ignored": ("the door gap", "people"),
    }  # fmt: skip
    return RoomedHeader(
        scene=Scene(**scene | changed), created_utc="2001-02-03T04:05:06+00:00", mesh=mesh,
        sides=sides,
    )  # fmt: skip


def arrivals(rng, n_band=8, n_arrival=40, max_order=3, n_side=8) -> Arrivals:
    """Give paths at random delays whose energy falls with distance and order."""
    distance_m = np.sort(rng.uniform(1.0, 30.0, n_arrival))
    order = np.minimum(np.arange(n_arrival), rng.integers(0, max_order + 1, n_arrival))
    surfaces = rng.integers(0, n_side, (n_arrival, max_order))
    surfaces[np.arange(max_order) >= order[:, np.newaxis]] = -1
    direction, departure = rng.standard_normal((2, n_arrival, 3))
    loss = rng.uniform(0.5, 1.0, (n_arrival, n_band)) ** order[:, np.newaxis]
    return Arrivals(
        distance_m / 343.0,
        distance_m,
        order,
        direction / np.linalg.norm(direction, axis=1, keepdims=True),
        departure / np.linalg.norm(departure, axis=1, keepdims=True),
        surfaces,
        loss / distance_m[:, np.newaxis] ** 2,
        np.where(surfaces < 0, np.nan, rng.uniform(0.1, 1.0, surfaces.shape)),
    )


def histogram(rng, n_band=8, n_batch=4, n_time=300, bin_s=0.001, t60_s=0.3) -> EnergyHistogram:
    """Give energy that decays by 60 dB in ``t60_s``, with the noise of few rays."""
    time_s = bin_s * (np.arange(n_time) + 0.5)
    mean = 0.01 * np.exp(-LN_60_DB * time_s / t60_s)
    energy = mean * rng.gamma(4.0, 0.25, (n_batch, n_band, n_time))
    share = rng.uniform(-0.3, 0.3, (8, n_band, n_time))
    return EnergyHistogram(bin_s, energy, share * energy.mean(axis=0))


#: Patterns, bands to an octave, and shapes of histograms: what sums in another order are
#: tried on.
SHAPES = [
    (1.0, 1, {}),
    (0.5, 1, {}),
    (1.0, 3, {"n_batch": 3}),
    (1.0, 1, {"t60_s": 1.4}),  # some decays are not known deep enough
    (1.0, 1, {"t60_s": 0.05, "n_time": 600}),  # followed far beyond the lines
]


def microphone(pattern=1.0) -> Receiver:
    """Give one that is aimed across the room."""
    return Receiver("mic", np.array([2.0, 2.0, 1.2]), np.array([0.6, 0.8, 0.0]), pattern)


def one_batch_louder(of: EnergyHistogram) -> EnergyHistogram:
    """Plant a fault: the first batch twice as loud."""
    energy = of.energy.copy()
    energy[0] *= 2.0
    return replace(of, energy=energy)


def close_by(paths: Arrivals) -> Arrivals:
    """Give paths whose direct sound, the only one, is so loud that it hides the room."""
    energy = paths.energy.copy()
    energy[0] *= 1e5
    order = np.maximum(paths.order, np.arange(len(energy)) > 0)
    return replace(paths, energy=energy, order=order)


def pair_result(source, receiver, seed=1, n_band=8, **shape) -> PairResult:
    """Give one pair; ``shape`` goes to `histogram`."""
    rng = np.random.default_rng(seed)
    paths = arrivals(rng, n_band)
    return PairResult(source, receiver, paths, histogram(rng, n_band, **shape))


def layout_room(name, head=None) -> LayoutRoom:
    """Give a layout of the header's room."""
    head = header() if head is None else head
    key = content_key(head.scene, head.mesh, head.sides)
    return LayoutRoom(name, key, head.mesh, head.sides, head.scene.materials, "", "", "a text")


def layout_result(name, head=None, seed=1, **shape) -> LayoutResult:
    """Give a layout with every pair of the header's sources and receivers."""
    head = header() if head is None else head
    scene = head.scene
    pairs = [
        (s.name, r.name)
        for s in scene.sources
        for r in scene.receivers
        if s.receivers is None or r.name in s.receivers
    ]
    return LayoutResult(
        layout_room(name, head),
        tuple(
            pair_result(s, r, seed + i, scene.bands.n_band, **shape)
            for i, (s, r) in enumerate(pairs)
        ),
        {s.name: RayCount(32_000, 10**10 + seed, 3, 1) for s in scene.sources},
    )
