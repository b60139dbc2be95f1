"""The bass of a room in one layout: what the wave solver is given, and what it gives back.

Bodies of wool or foam become volumes that sound goes into, cloths become veils, and all
else keeps its surface with a wall filter from its layers or from its coefficients. The
same grid serves all layouts of a room, so that what differs is the layout. Theory:
DEVELOPERS.md, W40 to W44.
"""

import math
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace

import numba
import numpy as np

from raysim.absorbers.admittance import Admittance
from raysim.absorbers.fit import from_alpha, from_stack, seen_from
from raysim.absorbers.layers import AirGap, Porous, Sheet, Stack
from raysim.absorbers.media import Gas
from raysim.absorbers.volume import porous_volume
from raysim.errors import Complaint, SceneError
from raysim.geometry.build import DRAWN_M, collect_room
from raysim.geometry.furnish import furnish
from raysim.geometry.inside import inside_air, nearest_surface
from raysim.geometry.mesh import RoomMesh
from raysim.geometry.polygons import Facet
from raysim.geometry.things import thing_facets
from raysim.geometry.triangulate import triangulate
from raysim.propagation import wave
from raysim.propagation.modes import room_modes
from raysim.propagation.near_source import NEAR_CELLS, near_error
from raysim.propagation.room import AcousticRoom
from raysim.records import AROUND_M, Bass, BassResponse, Modes, SeatMap
from raysim.scene.air import gas
from raysim.scene.model import Bands, Material, Scene, Source, Thing
from raysim.scene.plan import State
from raysim.units import Float, to_level_db

#: The crossover if nothing else is asked for, Hz  (W40).
LEAST_CROSSOVER_HZ, MOST_CROSSOVER_HZ = 360.0, 700.0
#: The default crossover over the transition frequency of a room of this decay time; it
#: lies above that of a room that rings for 0.9 s as well.
_OVER_TRANSITION, _USUAL_DECAY_S = 1.5, 0.4
#: Responses reach so far above the crossover, as a factor: both sides meet there.
OVERLAP = 1.25
#: Bodies of wool thinner than so many cells are surfaces with a filter, not volumes: 50 mm on
#: cells of 29 mm are off by 0.015 in absorption, 30 mm by 0.021 (W9), and more on coarser ones.
LEAST_CELLS = 1.5
#: Modes are looked for up to here.
_MODES_HZ = 200.0
#: A run lasts as long as the slowest mode needs to fall by 45 dB, which T30 asks for,
#: within these bounds.
_FALL, _LEAST_S, _MOST_S = 0.75, 0.4, 1.2
#: Steps to find out how many threads are the quickest.
_N_PROBE = 12
#: Samples of responses per cycle of their highest frequency.
_PER_CYCLE = 3.0
#: Spacing and number of points of a seat map, how far they keep from all surfaces, and
#: its frequencies: twelfths of an octave.
_MAP_M, _MAP_POINTS, _MAP_CLEAR_M = 0.25, 500, 0.3
_MAP_HZ = 30.0 * 2.0 ** (np.arange(34) / 12.0)

#: Called with the share done and what is being done.
Tell = Callable[[float, str], None]


def crossover_hz(scene: Scene, envelope_volume_m3: float) -> float:
    """Give the frequency below which the wave solver is believed  (W40).

    What the scene asks for, else one and a half times the transition frequency of the bare
    room with a usual decay time: a matter of its volume alone, hence the same for all its
    layouts.

    Examples
    --------
    >>> from types import SimpleNamespace as Some
    >>> round(crossover_hz(Some(settings=Some(crossover_hz=None)), 14.4))
    500
    """
    asked = scene.settings.crossover_hz
    if asked is not None:
        return asked
    usual = _OVER_TRANSITION * 2000.0 * math.sqrt(_USUAL_DECAY_S / envelope_volume_m3)
    return min(MOST_CROSSOVER_HZ, max(LEAST_CROSSOVER_HZ, usual))


@dataclass(frozen=True, slots=True, eq=False)
class Airspace:
    """The room as the wave solver takes it: bodies and cloths apart from its surfaces.

    ``walls`` has one filter per side: fronts of the mesh's surfaces, then backs of sheets.
    """

    mesh: RoomMesh
    walls: tuple[Admittance, ...]
    fills: tuple[wave.Fill, ...]
    veils: tuple[wave.Veil, ...]


def airspace(scene: Scene, room: AcousticRoom) -> Airspace:
    """Sort a scene into surfaces, porous bodies and cloths  (W41).

    A body counts as porous if its layers are wool, foam, air and cloth alone, and if it is
    thick enough for the grid; slats, perforated plates, boards and thin bodies keep the
    surface that their layers give them.
    """
    air = gas(scene.air)
    split_hz = crossover_hz(scene, room.mesh.envelope_volume_m3)
    least_m = LEAST_CELLS * wave.default_spacing_m(split_hz, air.speed_m_s)
    soft = [
        t
        for t in scene.things
        if t.fill is not None and _is_open(t.fill) and _thick_m(t) > least_m - 1e-9
    ]
    mesh = room.mesh
    if soft:
        complaints: list[Complaint] = []
        emptied = State("without soft bodies", "", without=tuple(t.name for t in soft))
        bare = furnish(scene, None, emptied, complaints, [])
        found = collect_room(bare, complaints, [])
        if found is None:
            raise SceneError(complaints)
        mesh = found
    fills: list[wave.Fill] = []
    veils: list[wave.Veil] = []
    for thing in soft:
        assert thing.fill is not None
        if thing.kind == "sheet":
            veils.append(_veil(_triangles_m(thing_facets(thing, [])), thing.fill))
        else:
            _spread(thing, thing.fill, air, fills, veils)
    backs = [s.back_material for s in mesh.surfaces if s.back_material is not None]
    names = [s.material for s in mesh.surfaces] + backs
    filters = {n: wall_filter(scene.materials[n], scene.bands, air) for n in set(names)}
    return Airspace(mesh, tuple(filters[n] for n in names), tuple(fills), tuple(veils))


def _thick_m(thing: Thing) -> float:
    """Give how thick a body is; a cloth is no body, and never too thin."""
    if thing.kind == "sheet":
        return math.inf
    if thing.behind_m is not None:
        return float(np.linalg.norm(thing.behind_m))
    return float(np.ptp(np.asarray(thing.corners_m, dtype=np.float64), axis=0).min())


def _is_open(stack: Stack) -> bool:
    """Tell if sound goes into a body of these layers, and through its cloths as veils."""
    if not all(isinstance(layer, Porous | AirGap | Sheet) for layer in stack.layers):
        return False
    sheets = [layer for layer in stack.layers if isinstance(layer, Sheet)]
    if any(s.resistance_pa_s_m is None and s.mass_kg_m2 == 0.0 for s in sheets):
        return False  # a sheet held still that nothing flows through is solid
    return any(isinstance(layer, Porous | Sheet) for layer in stack.layers)


def wall_filter(material: Material, bands: Bands, air: Gas) -> Admittance:
    """Give the wall filter of a material  (W42).

    From its layers where it has some; what the wall behind them takes goes beside them.
    """
    if material.stack is None:
        return from_alpha(material.alpha, bands.centre_hz)
    front = from_stack(material.stack, air)
    if material.behind_alpha is None:
        return front
    behind = from_alpha(material.behind_alpha, bands.centre_hz)
    return Admittance(
        front.g + behind.g,
        *(np.concatenate([getattr(front, x), getattr(behind, x)]) for x in ("r", "l", "e")),
    )


def _triangles_m(facets: Sequence[Facet]) -> Float:
    """Give facets as triangles (n, 3, 3), normals as theirs."""
    vertices_m, faces, _ = triangulate(facets, np.zeros((0, 3)), DRAWN_M)
    return np.asarray(vertices_m[faces])


def _spread(
    thing: Thing, stack: Stack, air: Gas, fills: list[wave.Fill], veils: list[wave.Veil]
) -> None:
    """Add a body's porous layers as volumes, and its cloths as veils.

    The layers of a slab lie one behind the other from its front. Any other body is filled
    with the thickest of its layers; a cloth round it is left out.
    """
    porous = [layer for layer in stack.layers if isinstance(layer, Porous)]
    deep_m = 0.0 if thing.behind_m is None else float(np.linalg.norm(thing.behind_m))
    if thing.behind_m is None or abs(deep_m - stack.depth_m) > 0.1 * stack.depth_m:
        if porous:
            most = max(porous, key=lambda layer: layer.thickness_m)
            body = _triangles_m(thing_facets(thing, []))
            fills.append(wave.Fill(body, porous_volume(most, air)))
        return
    front, step = np.asarray(thing.corners_m, dtype=np.float64), thing.behind_m / stack.depth_m
    at_m = 0.0
    for layer in stack.layers:
        thickness_m = getattr(layer, "thickness_m", 0.0)
        part = replace(thing, corners_m=front + at_m * step, behind_m=thickness_m * step)
        if isinstance(layer, Porous):
            body = _triangles_m(thing_facets(part, []))
            fills.append(wave.Fill(body, porous_volume(layer, air)))
        elif isinstance(layer, Sheet):
            ring = replace(thing, kind="sheet", corners_m=part.corners_m, behind_m=None)
            veils.append(_veil(_triangles_m(thing_facets(ring, [])), Stack((layer,))))
        at_m += thickness_m


def _veil(triangles_m: Float, stack: Stack) -> wave.Veil:
    """Give a cloth of some layers as one sheet: resistances and masses add up  (W41)."""
    resistance: float | None = 0.0
    mass = 0.0
    for layer in stack.layers:
        if isinstance(layer, Porous):
            mass += layer.density_kg_m3 * layer.thickness_m
            through: float | None = layer.resistivity_pa_s_m2 * layer.thickness_m
        elif isinstance(layer, Sheet):
            mass += layer.mass_kg_m2
            through = layer.resistance_pa_s_m
        else:
            continue
        resistance = None if resistance is None or through is None else resistance + through
    return wave.Veil(triangles_m, resistance, mass)


def bass_of(scene: Scene, room: AcousticRoom, tell: Tell) -> Bass:
    """Compute the bass of a room: responses, modes and seat maps.

    Parameters
    ----------
    scene : Scene
        With all that the layout puts in and takes out.
    room : AcousticRoom
        Of it.
    tell : callable
        Called with the share done and what is being done, before each part.

    Returns
    -------
    Bass

    Raises
    ------
    WaveError
        RS-B01: the balance of energy broke. RS-B02: a point is not in the air.
    """
    tell(0.0, "bass: modes")
    air, split_hz = gas(scene.air), crossover_hz(scene, room.mesh.envelope_volume_m3)
    space = airspace(scene, room)
    sources, receivers = (
        np.stack([p.position_m for p in of]) for of in (scene.sources, scene.receivers)
    )
    modes = room_modes(
        space.mesh, space.walls, space.fills, sources, receivers, air.speed_m_s,
        up_to_hz=min(_MODES_HZ, split_hz),
    )  # fmt: skip
    spacing_m = wave.default_spacing_m(split_hz, air.speed_m_s)
    walls = [seen_from(w, 0.5 * spacing_m, air.speed_m_s) for w in space.walls]
    solver = wave.wave_room(
        space.mesh, walls, spacing_m, air.speed_m_s, air.density_kg_m3, space.fills, space.veils
    )
    duration_s = _duration_s(modes)
    pairs: list[BassResponse] = []
    maps: list[SeatMap] = []
    worst = 0.0
    for i, source in enumerate(scene.sources):
        tell((i + 0.5) / (len(scene.sources) + 0.5), f"bass: {source.name}")
        with _quickest_threads(solver, source.position_m):
            new, seats, imbalance = _heard(
                scene, room, space.mesh, solver, source, split_hz, duration_s
            )
        pairs += new
        maps += seats
        worst = max(worst, imbalance)
    return Bass(tuple(pairs), modes, tuple(maps), spacing_m, worst)


def _duration_s(modes: Modes) -> float:
    """Give how long to listen, from how long the room rings."""
    longest = float(modes.decay_s.max()) if modes.decay_s.size else _MOST_S
    return min(_MOST_S, max(_LEAST_S, _FALL * longest))


@contextmanager
def _quickest_threads(solver: wave.WaveRoom, source_m: Float) -> Iterator[None]:
    """Use as many threads as are the quickest just now; results do not depend on it.

    Threads wait for each other several times a step. Where other programs have some of
    the processors, waiting for all costs far more than leaving those out.
    """
    most = numba.get_num_threads()
    none = np.zeros((0, 3))
    drive = np.ones(1)
    spent_s: dict[int, float] = {}
    try:
        for n in sorted({1, *(2**k for k in range(1, 7) if 2**k < most), most}):
            numba.set_num_threads(n)
            probe = wave.Stepper(solver, source_m, none, drive, 2 * _N_PROBE)
            probe.advance(_N_PROBE)
            start_s = time.perf_counter()
            probe.advance(_N_PROBE)
            spent_s[n] = time.perf_counter() - start_s
        numba.set_num_threads(min(spent_s, key=lambda n: spent_s[n]))
        yield
    finally:
        numba.set_num_threads(most)


def _heard(
    scene: Scene,
    room: AcousticRoom,
    mesh: RoomMesh,
    solver: wave.WaveRoom,
    source: Source,
    split_hz: float,
    duration_s: float,
) -> tuple[list[BassResponse], list[SeatMap], float]:
    """Give responses and the seat map of one source, and the balance of energy."""
    receivers = [
        r for r in scene.receivers if source.receivers is None or r.name in source.receivers
    ]
    if not receivers:
        return [], [], 0.0
    beside = np.concatenate([r.position_m + np.array(AROUND_M) for r in receivers])
    # The solver takes air up to the nearest cell: here a point is in the air or is not.
    there = inside_air(mesh, beside)
    x_m, y_m = _raster(mesh)
    height_m = float(receivers[0].position_m[2])
    seats, free = _seats(room.mesh, x_m, y_m, height_m)
    points = np.concatenate(
        [np.stack([r.position_m for r in receivers]), beside[there], seats[free]]
    )
    names = [r.name for r in receivers]
    high_hz = OVERLAP * split_hz
    rate_hz = 1000.0 * math.ceil(_PER_CYCLE * high_hz / 1000.0)
    got = wave.run(
        solver,
        source.position_m,
        points,
        duration_s,
        high_hz,
        sample_rate_hz=rate_hz,
        names=names,
        on_gpu=scene.settings.on_gpu,
    )
    n, n_beside = len(receivers), int(there.sum())
    away_m = np.linalg.norm(points[: n + n_beside] - source.position_m, axis=1)
    near = np.flatnonzero((away_m < NEAR_CELLS * solver.grid.spacing_m.max()) & (away_m > 0.0))
    if near.size:
        got.p[near] -= near_error(
            solver, source.position_m, points[near], (got.low_hz, high_hz), rate_hz,
            got.p.shape[1],
        )  # fmt: skip
    around = np.full((len(beside), got.p.shape[1]), np.nan)
    around[there] = got.p[n : n + n_beside]
    six = around.reshape(n, len(AROUND_M), -1)
    span = (rate_hz, got.low_hz, high_hz, split_hz)
    pairs = [
        BassResponse(source.name, r.name, *span, got.p[i], six[i])
        for i, r in enumerate(receivers)
    ]
    used = _MAP_HZ[high_hz > _MAP_HZ]
    flat_db = np.full((used.size, len(seats)), np.nan)
    flat_db[:, free] = _levels_db(got.p[n + n_beside :], rate_hz, used)
    level_db = flat_db.reshape(used.size, y_m.size, x_m.size)
    seat_map = SeatMap(source.name, height_m, x_m, y_m, used, level_db)
    return pairs, [seat_map] if free.any() else [], got.imbalance


def _raster(mesh: RoomMesh) -> tuple[Float, Float]:
    """Give x and y of a seat map: even steps about the middle of the plan."""
    low, high = mesh.vertices_m.min(axis=0), mesh.vertices_m.max(axis=0)
    long_m = high - low
    step_m = max(_MAP_M, math.sqrt(long_m[0] * long_m[1] / _MAP_POINTS))

    def steps(i: int) -> Float:
        n = int(long_m[i] / step_m)
        middle = 0.5 * (low[i] + high[i])
        return np.asarray(middle + step_m * (np.arange(n) - 0.5 * (n - 1)))

    return steps(0), steps(1)


def _seats(mesh: RoomMesh, x_m: Float, y_m: Float, height_m: float) -> tuple[Float, np.ndarray]:
    """Give the points (n_y * n_x, 3) of a seat map, and which of them one can be at."""
    y, x = (a.ravel() for a in np.meshgrid(y_m, x_m, indexing="ij"))
    at_m = np.stack([x, y, np.full(x.size, height_m)], axis=1)
    free = inside_air(mesh, at_m)
    for i in np.flatnonzero(free):
        free[i] = nearest_surface(mesh, at_m[i])[0] >= _MAP_CLEAR_M
    return at_m, free


def _levels_db(p: Float, rate_hz: float, centre_hz: Float) -> Float:
    """Give the level of responses in twelfths of an octave, (n_freq, n_point)  (W44)."""
    n = 2 * math.ceil(0.5 * max(p.shape[1], 8.0 * rate_hz))  # eight points to a hertz
    power = np.abs(np.fft.rfft(p, n)) ** 2
    freq_hz = np.fft.rfftfreq(n, 1.0 / rate_hz)
    half = 2.0 ** (1.0 / 24.0)
    inside = (freq_hz >= centre_hz[:, None] / half) & (freq_hz < centre_hz[:, None] * half)
    mean = inside.astype(np.float64) @ power.T / inside.sum(axis=1)[:, None]
    return to_level_db(mean)
