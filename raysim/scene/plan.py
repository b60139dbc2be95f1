"""What a scene may hold besides the room as it is: treatments, layouts, states, rules.

Frozen records, each with the place that said it. Lengths are metres, money is in the
currency of the price file. `raysim.scene.layouts` reads them, `raysim.geometry.furnish`
sets them into the room, `raysim.planning` counts and checks them.
"""

from dataclasses import dataclass

from raysim.absorbers.layers import Stack
from raysim.scene.place import NOWHERE, Place

#: What can be put up, as families that differ in shape and fixing.
FAMILIES = (
    "panel",  # framed, flat, against a surface or off it by a gap
    "corner panel",  # flat, straddling the corner of two surfaces
    "corner stack",  # fills a corner: triangle or square in section
    "cloud",  # flat, hung below a ceiling or slope
    "foam",  # sheets glued or pinned to a surface
    "cover",  # felt, cloth: too thin to take up room
    "curtain",  # pleated on a rail before a surface, or free across the room
    "rug",  # on the floor, with or without underlay
    "curved screen",  # round a microphone
    "screen",  # stands on the floor, absorbs on one side or both
    "block",  # stands on the floor against a wall: wall of bales, eaves stack, end wall
    "bookcase",  # stands on the floor against a wall
)

FIXINGS = ("screwed", "hung", "glued", "strips", "on rail", "standing", "laid")


@dataclass(frozen=True, slots=True)
class Amount:
    """So much of one good: per piece, or per metre or square metre of the piece."""

    good: str  # name in the price file
    quantity: float
    per: str  # one of `PER`


#: What a quantity of a good is counted by; "m" is along the piece's width.
PER = (
    "piece",
    "m",
    "m2",
    "m3",
    "frame m",  # length of board round the piece
    "cover m2",  # cloth round the front and the edges, turned in at the back
)


@dataclass(frozen=True, slots=True)
class Good:
    """Something that shops sell, by what one unit of it costs and weighs."""

    name: str
    about: str
    unit: str  # "m", "m2", "m3", "piece"
    price: tuple[float, float, float]  # low, likely, high for one unit
    currency: str
    date: str  # when the price was taken down
    source: str
    pack: float = 1.0  # units that are sold together; of boards the length of one
    mass_kg: float = 0.0  # of one unit
    board_mm: tuple[float, float] | None = None  # thickness and width, of boards only
    fire: str = ""  # what to ask for in writing
    handling: str = ""
    place: Place = NOWHERE


@dataclass(frozen=True, slots=True)
class Prices:
    """All goods that a price can be given for."""

    goods: dict[str, Good]


@dataclass(frozen=True, slots=True)
class Treatment:
    """One entry of the catalogue of treatments: what it is made of and how it is fixed."""

    name: str
    family: str
    about: str
    stack: Stack | None  # front to back without gap; None: `material` is a tabled one
    material: str | None  # name in the catalogue of materials, for books and the like
    size_m: tuple[float, float] | None  # width and height of one piece, None: to measure
    depth_m: float  # of the piece, 0 for covers and rugs
    two_sided: bool  # the back is open to sound
    goods: tuple[Amount, ...]
    fixings: tuple[str, ...]  # allowed, the usual one first
    leaves: str  # what is left behind when it is taken away
    cautions: tuple[str, ...]  # keys of `raysim.planning.cautions`
    resists_fire: bool  # of wool, glass, metal: not of foam, cloth, paper
    scattering: float = 0.1
    source: str = ""
    place: Place = NOWHERE


@dataclass(frozen=True, slots=True)
class Item:
    """One treatment put in one place of a layout, by what a person measures.

    ``on`` is a surface of the room; ``from_m`` gives, along that surface, how far the
    nearest edge of the piece is from surfaces that ``on`` meets: two, not parallel.
    A piece on the floor may be turned about the vertical. ``before`` names the patch or
    thing that a curtain hangs before.
    """

    name: str  # mark on drawings, such as "W1"
    treatment: Treatment
    on: str
    from_m: tuple[tuple[str, float], ...]
    size_m: tuple[float, float]  # along the surface: first level (or along x), then up
    gap_m: float = 0.0  # between the back and the surface
    depth_m: float = 0.0
    turn_deg: float = 0.0
    fixing: str = ""
    n_piece: int = 1  # pieces of the catalogue that make it up
    corner: str = ""  # the other surface, for what stands in or straddles a corner
    drawn_aside: bool = False  # a curtain in its open state
    place: Place = NOWHERE
    count: tuple[int, int] = (1, 1)  # pieces edge to edge along the two sides of `size_m`


@dataclass(frozen=True, slots=True)
class Layout:
    """A named set of items, and things that are moved out for it."""

    name: str
    about: str
    items: tuple[Item, ...]
    without: tuple[str, ...] = ()  # things and patches of the scene that leave
    place: Place = NOWHERE


@dataclass(frozen=True, slots=True)
class State:
    """A named condition of the room: curtains, doors, people."""

    name: str
    about: str
    drawn_aside: tuple[str, ...] = ()  # curtains (items) that are open
    without: tuple[str, ...] = ()  # things (people) that are out, items that are put away
    material: tuple[tuple[str, str], ...] = ()  # patch: other material (a door that is open)
    place: Place = NOWHERE


ZONE_KINDS = (
    "heater",  # anything that burns keeps its distance
    "flue",  # boiler, grille, vent: free air
    "escape",  # window or door to get out by: never covered, free before it
    "door",  # its swing and its passage
    "detector",
    "sprinkler",
    "socket",
    "passage",  # a lane that stays free
    "travel",  # where something moves: an overhead door
    "access",  # what must stay within reach: freezer, stores, meter
)


@dataclass(frozen=True, slots=True)
class Zone:
    """Something to keep clear of; its kind says how far, unless ``clear_m`` does.

    Given by the name of a thing or patch of the scene, by a point, or by a box.
    """

    name: str
    kind: str
    around: str | None = None  # thing or patch
    at_m: tuple[float, float, float] | None = None
    box_m: tuple[tuple[float, float, float], tuple[float, float, float]] | None = None
    clear_m: float | None = None
    place: Place = NOWHERE


@dataclass(frozen=True, slots=True)
class Rules:
    """What owner, landlord or committee allow. None: not limited, or not known."""

    budget: float | None = None
    hung_kg_max: float | None = None  # of one hung piece
    floor_load_pa: float | None = None  # of what stands on one piece's footprint
    floor_total_kg: float | None = None  # of all that stands
    no_screws: tuple[str, ...] = ()  # surfaces; "*" is all
    no_glue: bool = False
    damp: tuple[str, ...] = ()  # surfaces that need a ventilated gap
    fire_class: bool = False  # every material needs its class in writing
    nothing_overhead: bool = False  # nothing above heads without the caretaker
    keep_open: tuple[str, ...] = ()  # patches that some state must leave uncovered
    place: Place = NOWHERE
