"""Where one item of a layout has come to be: the record that drawings and checks read."""

from dataclasses import dataclass

from raysim.scene.plan import Item
from raysim.units import Float


@dataclass(frozen=True, slots=True, eq=False)
class Placed:
    """An item in its place.

    ``origin_m`` is the corner of the surface that the item was measured from, ``u`` and
    ``v`` unit vectors along the surface (v up the steepest line, or along y on a level
    one) and ``normal`` the surface's, into the air. Outlines are in metres in the room.
    """

    item: Item
    origin_m: Float  # (3,)
    u: Float  # (3,)
    v: Float  # (3,)
    normal: Float  # (3,)
    footprint_m: Float  # (n, 3) what it covers of its surface, seen along the normal
    front_m: Float  # (n, 3) outline of its front
    box_m: Float  # (2, 3) least and greatest coordinates, gap not included
    volume_m3: float  # of air it takes from the room
    front_area_m2: float  # of what sound meets: front, and back if two-sided
    overhead: bool  # hangs where people walk or sit below
