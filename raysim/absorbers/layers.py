"""What a stack of layers is, as frozen records, from the room's side to the wall.

Lengths are metres, flow resistivity Pa s/m2, flow resistance of a sheet Pa s/m, mass
kg/m2. A stack always ends at a rigid back; what a real wall behind it absorbs besides is
added by `raysim.absorbers.cover`. Nothing here computes: `stack.py` does.
"""

from dataclasses import dataclass

#: Models of a porous layer: see `raysim.absorbers.media`.
POROUS_MODELS = ("miki", "delany-bazley", "garai-pompoli", "johnson-champoux-allard")


@dataclass(frozen=True, slots=True)
class Pores:
    """What the Johnson-Champoux-Allard model needs besides flow resistivity."""

    porosity: float  # 0 to 1
    tortuosity: float  # 1 or more
    viscous_length_m: float
    thermal_length_m: float


@dataclass(frozen=True, slots=True)
class Porous:
    """Wool, felt, foam, cloth with body: a layer that air can flow through.

    ``low`` and ``high`` bound the flow resistivity; both zero states no spread.
    """

    thickness_m: float
    resistivity_pa_s_m2: float
    model: str = "miki"
    low_pa_s_m2: float = 0.0
    high_pa_s_m2: float = 0.0
    density_kg_m3: float = 0.0  # 0: not stated
    pores: Pores | None = None  # johnson-champoux-allard only


@dataclass(frozen=True, slots=True)
class AirGap:
    """A layer of air."""

    thickness_m: float


@dataclass(frozen=True, slots=True)
class Sheet:
    """A thin cloth, foil or board that moves as a limp mass and may let air through.

    ``resistance_pa_s_m`` None: nothing flows through. ``mass_kg_m2`` 0: it is held still.
    """

    mass_kg_m2: float = 0.0
    resistance_pa_s_m: float | None = None


@dataclass(frozen=True, slots=True)
class Membrane:
    """A closed panel that moves as a mass, with losses of its own at its edges and inside."""

    mass_kg_m2: float
    loss_pa_s_m: float = 0.0


@dataclass(frozen=True, slots=True)
class Holes:
    """A plate with round holes in a square grid."""

    thickness_m: float
    diameter_m: float
    spacing_m: float
    resistance_pa_s_m: float = 0.0  # of cloth behind the holes, if any


@dataclass(frozen=True, slots=True)
class Slots:
    """A front of slats with parallel slots between."""

    thickness_m: float
    slot_m: float
    spacing_m: float  # from middle to middle of slots
    resistance_pa_s_m: float = 0.0


Layer = Porous | AirGap | Sheet | Membrane | Holes | Slots


@dataclass(frozen=True, slots=True)
class Stack:
    """Layers before a rigid back, the first towards the room.

    ``local``: no sound travels along inside the layers (cells, grids of battens), so
    that the impedance does not depend on the angle; else waves refract into them.
    """

    layers: tuple[Layer, ...]
    local: bool = False

    @property
    def depth_m(self) -> float:
        """From the front to the rigid back."""
        return sum(getattr(layer, "thickness_m", 0.0) for layer in self.layers)
