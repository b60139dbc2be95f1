"""Which doubtful inputs move the answer most: decay time against each material's spread.

Each material's absorption runs from its low over its likely to its high coefficient, all
bands and all surfaces of that material together; the air's humidity runs likewise. The
decay is Eyring's (M10): coarse, but its changes are what counts here. All unknowns at once
are drawn, independently of each other, from triangular distributions, each by one quantile
for all bands, with a fixed seed. Scattering stays as it is. Theory: DEVELOPERS.md, N7.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from raysim.measures.theory import decay_time_s, eyring_area_m2
from raysim.scene.air import attenuation_per_m
from raysim.scene.model import Air, Material
from raysim.study import Prepared
from raysim.units import Float

Bool = NDArray[np.bool_]

N_DRAW: Final = 400
_SEED: Final = 1
#: What is said of all unknowns together: from this to that share of the draws.
SHARES_PCT: Final = (5.0, 95.0)
#: Relative humidity of lived-in rooms over the year, per cent; common practice, no source.
_HUMIDITY_PCT: Final = (30.0, 70.0)
#: Lows, middle and highs, by nominal octave.
GROUPS: Final = {"125 Hz": ("125",), "500 Hz - 1 kHz": ("500", "1k"), "4 kHz": ("4k",)}

_LAYERED: Final = "Measure thickness and gap, weigh a slab; ask the maker for flow resistivity."
#: What in a material's name says how its real absorption is found out; the first that fits.
_LOOK_FOR: Final = (
    (("carpet", "rug"), "Lift a corner: is there an underlay, and what is below? Measure the "
     "thickness of both."),
    (("person", "people"), "Count who is really there, and in what clothes."),
    (("seat", "sofa", "mattress", "bed", "wardrobe", "shelves", "books"),
     "Compare what is really there with the note of the material: how full, how soft, how "
     "large?"),
    (("curtain", "blind", "cloth", "velour"), "Weigh one, measure it drawn and aside: mass per "
     "m2, how much it is pleated, how far it hangs off the wall."),
    (("foam",), "Measure the thickness; ask the maker for flow resistivity and for the fire "
     "class in writing."),
    (("sectional",), "Press the middle of a panel: what gives absorbs more of the bass. Are "
     "the seals tight all round?"),
    (("door",), "Knock on it: a solid door sounds dull, a hollow one booms and takes more of "
     "the bass. Do the seals touch?"),
    (("glass_wool", "rock_wool", "mineral_wool", "felt", "absorber", "fibre", "slab", "panel"),
     _LAYERED),
    (("glass", "window", "pane"), "Look at the edge or hold a light to it: one pane or two, "
     "how thick, how large? Thin large panes take bass."),
    (("floor", "parquet", "lining", "wood"), "Stamp or knock: does it ring hollow? How wide is "
     "the space behind, and is it filled?"),
    (("board", "gypsum", "drywall", "plaster"),
     "Knock on it: a hollow sound is board on studs, a dull one is masonry. One board or two "
     "shows at a socket; wool behind it changes the bass."),
    (("brick", "block", "render", "concrete", "masonry", "stone"),
     "Wet a finger: what drinks is bare and absorbs more than what is painted. Knock, to be "
     "sure that it is no board before the wall."),
    (("tile", "ceiling"), "What is above it, how deep is the void, does air pass the tile?"),
)  # fmt: skip
_ELSE: Final = (
    "Compare it with the note on the material; look for a second table, or measure the room's "
    "decay."
)
#: Name of the row of the air.
AIR: Final = "humidity of the air"
_AIR: Final = "Put a hygrometer in the room; it matters above 2 kHz alone."


@dataclass(frozen=True, slots=True, eq=False)
class Spread:
    """Unknowns as rows: absorption coefficients on areas; the last row is the air, 1/m."""

    names: tuple[str, ...]
    area_m2: Float  # (n,), 0 for the air
    low: Float  # (n, n_band)
    likely: Float  # (n, n_band)
    high: Float  # (n, n_band)

    @property
    def is_stated(self) -> Bool:
        """Which rows have a spread at all, (n,)."""
        return np.asarray((self.high > self.low).any(axis=1))

    def known(self, i: int) -> "Spread":
        """Give the same with one row known to be as likely."""
        low, high = self.low.copy(), self.high.copy()
        low[i] = high[i] = self.likely[i]
        return replace(self, low=low, high=high)


@dataclass(frozen=True, slots=True, eq=False)
class Unknown:
    """What one unknown does to decay times; arrays per group of `GROUPS`."""

    name: str
    where: tuple[str, ...]  # surfaces
    area_m2: float
    most_absorbing_s: Float  # (3,)
    least_absorbing_s: Float  # (3,)
    look_for: str

    @property
    def moves(self) -> Float:
        """How far apart the two ends are, as a share of the shorter time, (3,)."""
        return np.asarray(self.least_absorbing_s / self.most_absorbing_s - 1.0)


@dataclass(frozen=True, slots=True, eq=False)
class Unknowns:
    """All unknowns of a room, the weightiest first; decay times (n_band,)."""

    ranked: tuple[Unknown, ...]
    unstated: tuple[str, ...]  # materials for which no spread is given
    labels: tuple[str, ...]
    likely_s: Float
    low_s: Float  # 5 % of the draws lie below
    high_s: Float  # 5 % of the draws lie above
    first_known_low_s: Float  # the same, once the first of the list is known
    first_known_high_s: Float


def unknowns(prepared: Prepared, n_draw: int = N_DRAW, seed: int = _SEED) -> Unknowns:
    """Rank what is not known of a room by what it does to decay times.

    Parameters
    ----------
    prepared : Prepared
    n_draw : int
        Draws of all unknowns at once.
    seed : int

    Returns
    -------
    Unknowns
    """
    scene, sides = prepared.scene, prepared.room.sides
    room = (prepared.mesh.air_volume_m3, prepared.room.speed_m_s)
    of: dict[str, list[int]] = {}
    for i, name in enumerate(sides.materials):
        of.setdefault(name, []).append(i)
    spread = _spread(
        [scene.materials[name] for name in of],
        [float(sides.area_m2[which].sum()) for which in of.values()],
        scene.air,
        scene.bands.centre_hz,
    )
    labels, found = scene.bands.labels, []
    for i in np.flatnonzero(spread.is_stated).tolist():
        name = spread.names[i]

        def at(end: Float, i: int = i) -> Float:
            rows = spread.likely.copy()
            rows[i] = end[i]
            return groups_s(decays_s(rows, spread.area_m2, *room), labels)

        where = tuple(sides.names[k] for k in of.get(name, ()))
        unknown = Unknown(
            name, where, float(spread.area_m2[i]), at(spread.high), at(spread.low),
            look_for(name, name != AIR and scene.materials[name].stack is not None),
        )  # fmt: skip
        found.append((i, unknown))
    found.sort(key=lambda one: -float(one[1].moves.max()))
    first_known = spread.known(found[0][0])
    low_s, high_s = together_s(spread, *room, n_draw, seed)
    left_low_s, left_high_s = together_s(first_known, *room, n_draw, seed)
    return Unknowns(
        ranked=tuple(unknown for _, unknown in found),
        unstated=tuple(np.array(spread.names)[~spread.is_stated].tolist()),
        labels=labels,
        likely_s=decays_s(spread.likely, spread.area_m2, *room),
        low_s=low_s,
        high_s=high_s,
        first_known_low_s=left_low_s,
        first_known_high_s=left_high_s,
    )


def _spread(
    materials: Sequence[Material], area_m2: Sequence[float], air: Air, freq_hz: Float
) -> Spread:
    """Put materials in rows, and the air below them, which never lacks a spread."""
    ends = (min(_HUMIDITY_PCT[0], air.humidity_pct), max(_HUMIDITY_PCT[1], air.humidity_pct))
    damp = np.array(
        [attenuation_per_m(replace(air, humidity_pct=h), freq_hz) for h in ends]
        + [attenuation_per_m(air, freq_hz)]
    )
    return Spread(
        (*(m.name for m in materials), AIR),
        np.array([*area_m2, 0.0]),
        np.array([*(m.alpha_low for m in materials), damp.min(axis=0)]),
        np.array([*(m.alpha for m in materials), damp[-1]]),
        np.array([*(m.alpha_high for m in materials), damp.max(axis=0)]),
    )


def decays_s(rows: Float, area_m2: Float, volume_m3: float, speed_m_s: float) -> Float:
    """Give Eyring's decay times of a room.

    Parameters
    ----------
    rows : (..., n, n_band) float64
        Absorption coefficients; last the energy attenuation of the air in 1/m.
    area_m2 : (n,) float64
    volume_m3, speed_m_s : float

    Returns
    -------
    (..., n_band) float64
        Seconds.
    """
    absorbing = eyring_area_m2(area_m2[:-1], rows[..., :-1, :])
    return decay_time_s(absorbing, volume_m3, speed_m_s, rows[..., -1, :])


def groups_s(decay_s: Float, labels: Sequence[str]) -> Float:
    """Give the mean decay time of each group of octaves in `GROUPS`, (3,) s."""
    return np.array(
        [decay_s[[i for i, x in enumerate(labels) if x in names]].mean()
         for names in GROUPS.values()]
    )  # fmt: skip


def triangular(share: Float, low: Float, likely: Float, high: Float) -> Float:
    """Give what a triangular distribution stays below with a probability  (N7).

    Examples
    --------
    >>> triangular(np.array([0.0, 0.5, 1.0]), *np.array([[1.0], [2.0], [3.0]]))
    array([1., 2., 3.])
    """
    width = high - low
    rising = low + np.sqrt(share * width * (likely - low))
    falling = high - np.sqrt((1.0 - share) * width * (high - likely))
    return np.asarray(np.where(share * width < likely - low, rising, falling))


def together_s(
    spread: Spread, volume_m3: float, speed_m_s: float, n_draw: int = N_DRAW, seed: int = _SEED
) -> tuple[Float, Float]:
    """Give the decay times that `SHARES_PCT` of all draws stay below, (n_band,) s each."""
    drawn = draws_s(spread, volume_m3, speed_m_s, n_draw, seed)
    low_s, high_s = np.percentile(drawn, SHARES_PCT, axis=0)
    return np.asarray(low_s), np.asarray(high_s)


def draws_s(
    spread: Spread, volume_m3: float, speed_m_s: float, n_draw: int, seed: int
) -> Float:
    """Draw all unknowns at once and give the decay times, (n_draw, n_band) s."""
    share = np.random.default_rng(seed).random((n_draw, len(spread.names), 1))
    rows = triangular(share, spread.low, spread.likely, spread.high)
    return decays_s(rows, spread.area_m2, volume_m3, speed_m_s)


def look_for(name: str, layered: bool = False) -> str:
    """Say how a person finds out what a material of this name really is.

    ``layered`` if its absorption is computed from layers: what is not known is then what
    the porous ones are like, whatever the name.

    Examples
    --------
    >>> look_for("board_on_studs")[:45]
    'Knock on it: a hollow sound is board on studs'
    """
    if name == AIR:
        return _AIR
    fits = (advice for words, advice in _LOOK_FOR if any(w in name.lower() for w in words))
    return next(fits, _LAYERED if layered else _ELSE)
