"""What a scene is, as frozen records; each knows the line of the file that said it.

Lengths are metres, z is up, angles are degrees. Arrays are read-only. Bands are
held by exact centre and shown by nominal label. Nothing here reads files or
computes geometry: `read.py` makes these records, `raysim.geometry` uses them.
"""

from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from raysim.absorbers.layers import Stack
from raysim.scene.place import NOWHERE, Place
from raysim.scene.plan import Layout, Prices, Rules, State, Treatment, Zone
from raysim.units import (
    OCTAVE_LABELS,
    THIRD_LABELS,
    Float,
    Int,
    octave_centres_hz,
    third_centres_hz,
)


@dataclass(frozen=True, slots=True)
class Bands:
    """The frequency bands of a run."""

    fraction: int = 1  # 1 octaves, 3 one-third octaves

    @property
    def centre_hz(self) -> Float:
        """Exact mid-bands, (n_band,) Hz."""
        return octave_centres_hz() if self.fraction == 1 else third_centres_hz()

    @property
    def labels(self) -> tuple[str, ...]:
        """Nominal names, "63" to "8k"."""
        return OCTAVE_LABELS if self.fraction == 1 else THIRD_LABELS

    @property
    def middle(self) -> Int:
        """Indices of the bands of 500 Hz and 1 kHz, whose mean ISO 3382-1 reports."""
        centre = self.centre_hz
        return np.flatnonzero((centre > 360.0) & (centre < 1400.0))

    @property
    def n_band(self) -> int:
        """How many bands."""
        return len(self.labels)


@dataclass(frozen=True, slots=True)
class Air:
    """A homogeneous, still atmosphere."""

    temperature_c: float = 20.0  # degrees Celsius
    humidity_pct: float = 50.0  # relative, 10 to 100
    pressure_pa: float = 101_325.0  # static
    place: Place = NOWHERE


@dataclass(frozen=True, slots=True)
class Material:
    """What a surface does to sound, per band, with where the numbers come from.

    ``alpha`` is the likely random-incidence absorption coefficient, 0 to 1;
    ``alpha_low`` and ``alpha_high`` bound it. ``scattering`` is the share of the
    reflected energy that leaves by Lambert's law.
    """

    name: str
    alpha: Float  # (n_band,)
    alpha_low: Float  # (n_band,)
    alpha_high: Float  # (n_band,)
    scattering: Float  # (n_band,)
    source: str  # the publication, or "common practice, no source"
    note: str = ""
    place: Place = NOWHERE
    stack: Stack | None = None  # layers that ``alpha`` was computed from
    density_kg_m3: float | None = None
    fire: str = ""  # what is usually known of how it burns
    handling: str = ""  # what to take care of when working with it
    behind_alpha: Float | None = None  # (n_band,) part of ``alpha``: of the wall behind


@dataclass(frozen=True, slots=True)
class RoofPlane:
    """A sloping ceiling: the room lies below the plane through three points."""

    name: str
    points_m: Float  # (3, 3)
    place: Place = NOWHERE


@dataclass(frozen=True, slots=True)
class Dormer:
    """A part of the plan where a flat ceiling rises above the roof planes."""

    name: str
    plan_m: Float  # (n, 2)
    ceiling_m: float
    place: Place = NOWHERE


@dataclass(frozen=True, slots=True)
class DrawnRoom:
    """A plan polygon raised to a flat ceiling, cut by roof planes, lifted by dormers."""

    plan_m: Float  # (n, 2), either sense
    height_m: float
    wall_names: tuple[str, ...]  # wall i runs from plan corner i to i + 1
    floor_name: str = "floor"
    ceiling_name: str = "ceiling"
    roof: tuple[RoofPlane, ...] = ()
    dormers: tuple[Dormer, ...] = ()
    place: Place = NOWHERE


@dataclass(frozen=True, slots=True)
class MeshRoom:
    """A room given as a mesh file; groups, objects or materials in it name surfaces."""

    path: Path
    unit: str  # m, cm, mm, in, ft
    repair: bool = False  # the user asked for repair of what can be repaired
    place: Place = NOWHERE


@dataclass(frozen=True, slots=True)
class Finish:
    """Which material a named surface has."""

    surface: str
    material: str
    place: Place = NOWHERE


@dataclass(frozen=True, slots=True)
class Patch:
    """A part of a named surface with a name and material of its own: door, window, rug.

    The part is what lies between the given pairs: along world axes, and ``up_m``
    along the steepest line of the surface from its lowest point. ``faces`` picks
    faces of a mesh file by number instead, ``outline_m`` a polygon that lies on the
    surface; such a patch may cover part of the surface around other patches.
    """

    name: str
    on: str
    material: str
    x_m: tuple[float, float] | None = None
    y_m: tuple[float, float] | None = None
    z_m: tuple[float, float] | None = None
    up_m: tuple[float, float] | None = None
    faces: tuple[int, ...] | None = None
    place: Place = NOWHERE
    outline_m: Float | None = None  # (n, 3)


@dataclass(frozen=True, slots=True)
class Thing:
    """Something that stands in the room: a solid, or a thin sheet with two sides.

    A solid is a plan polygon between two heights (`kind` box, prism or shell), or a slab:
    a planar polygon in space, its front, extruded by ``behind_m``. A sheet is a planar
    polygon in space. The front of slab and sheet faces the side from which its corners
    run anticlockwise. Surface names are "<name> top", "<name> bottom", "<name> side" for
    solids; "<name> front" and "<name> back" for sheets, and "<name> edge" for slabs.
    ``fill`` is what a slab or other solid consists of, for the wave solver, which lets
    sound into it; None is solid matter.
    """

    name: str
    kind: str  # "box", "prism", "shell", "slab" (all solids), "sheet"
    corners_m: Float  # box, prism, shell: (n, 2) plan outline; slab, sheet: (n, 3)
    z_m: tuple[float, float] | None  # box, prism, shell only
    material: str  # all faces of a solid; the front of a sheet or slab
    material_top: str | None = None  # box, prism, shell; None is `material`
    material_back: str | None = None  # sheets, slabs; None is `material`
    place: Place = NOWHERE
    material_edge: str | None = None  # slabs; None is `material`
    behind_m: Float | None = None  # slabs: (3,) from the front to the back
    fill: Stack | None = None


@dataclass(frozen=True, slots=True)
class Directivity:
    """How a source favours directions: a table around its axis.

    ``level_db[i_band, i_angle]`` is relative to the axis; angles run evenly from 0
    (the axis) to 180 degrees.
    """

    name: str
    level_db: Float  # (n_band, n_angle)
    source: str

    @property
    def angle_deg(self) -> Float:
        """The angles of the table, (n_angle,)."""
        return np.linspace(0.0, 180.0, self.level_db.shape[1])


@dataclass(frozen=True, slots=True)
class Source:
    """A point that sounds."""

    name: str
    position_m: Float  # (3,)
    aim: Float  # (3,) unit vector of the axis
    directivity: Directivity
    level_db: float | None = None  # sound pressure level at 1 m on axis, if stated
    receivers: tuple[str, ...] | None = None  # None: all
    place: Place = NOWHERE


@dataclass(frozen=True, slots=True)
class Receiver:
    """A point that listens.

    ``pattern`` is the share p of a first-order microphone p + (1 - p) cos(theta):
    1 omnidirectional, 0.5 cardioid, 0 figure-of-eight.
    """

    name: str
    position_m: Float  # (3,)
    aim: Float  # (3,) unit vector
    pattern: float = 1.0
    place: Place = NOWHERE


@dataclass(frozen=True, slots=True)
class Settings:
    """How a run is done. The defaults suit a room of 20 to 100 m3."""

    seed: int = 1
    n_ray: int = 16_000  # rays per source for the first round
    until_t30_pct: float | None = 2.0  # go on until T30 is this certain; None: one round
    max_ray: int = 1_024_000  # per source
    image_order: int = 3
    bin_s: float = 0.001
    sample_rate_hz: int = 48_000
    place: Place = NOWHERE
    bass: bool = True  # solve for pressure below the crossover
    crossover_hz: float | None = None  # None: by the room's volume
    on_gpu: bool = False  # rays and waves on a graphics processor


@dataclass(frozen=True, slots=True)
class Scene:
    """All that a scene file says."""

    title: str
    about: str
    path: Path  # of the scene file
    text: str  # of the scene file, kept for provenance
    room: DrawnRoom | MeshRoom
    finishes: tuple[Finish, ...]
    materials: dict[str, Material]  # every material that is used, by name
    sources: tuple[Source, ...]
    receivers: tuple[Receiver, ...]
    bands: Bands = Bands()
    air: Air = Air()
    patches: tuple[Patch, ...] = ()
    things: tuple[Thing, ...] = ()
    settings: Settings = Settings()
    ignored: tuple[str, ...] = field(default=())  # what the author says is left out
    layouts: tuple[Layout, ...] = ()  # the room as described is not among them
    states: tuple[State, ...] = ()  # the state as described is not among them
    zones: tuple[Zone, ...] = ()
    rules: Rules = field(default_factory=Rules)
    treatments: dict[str, Treatment] = field(default_factory=dict)  # catalogue and own
    prices: Prices | None = None
    use: str | None = None  # one of `USES`: what the room is for, if stated
