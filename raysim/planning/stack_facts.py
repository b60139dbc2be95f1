"""What a stack of layers does, and what a gap or a thicker slab would add for its price.

Absorption by octave from 63 Hz to 8 kHz, each the mean of its three thirds: straight on,
from all sides on an endless stack (least, likely, most by flow resistivity and by the
losses of closed panels), and per square metre of one piece with edges. Single figures are
those of the endless stack; a chamber measures a piece, and so more. A rigid wall is behind.
"""

from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from raysim.absorbers.diffuse import alpha_in_bands, in_band
from raysim.absorbers.finite import alpha_finite
from raysim.absorbers.layers import AirGap, Porous, Stack
from raysim.absorbers.media import Gas, in_range
from raysim.absorbers.rating import Rating, nrc, practical, weighted
from raysim.absorbers.stack import alpha_at
from raysim.report.numbers import band_name
from raysim.scene.plan import Prices
from raysim.units import OCTAVE_LABELS, THIRD_LABELS, Float, third_centres_hz

Bool = NDArray[np.bool_]

_USUAL_GAS: Final = Gas()
#: The usual framed panel.
PANEL_M: Final = (1.2, 0.6)
#: From this share on a stack is called useful; below that one it takes next to nothing.
USEFUL, NEXT_TO_NOTHING = 0.5, 0.15

_THIRDS_HZ: Final = third_centres_hz()
#: Thirds of the octaves 63 Hz to 8 kHz, and those of 100 Hz to 5 kHz that are rated.
_ALL: Final = slice(0, 24)
_RATED: Final = slice(3, 21)
#: Octaves (of eight) of the bass, 63 to 250 Hz, and of the middle, 500 Hz to 2 kHz.
_BASS, _MIDDLE = slice(0, 3), slice(3, 6)
#: The good of the price file that a porous layer is priced by, by its thickness in m;
#: the words are looked for in what the stack was called.
_FILLINGS: Final = (("felt", "felt_12", 0.012), ("foam", "foam_sheet_50", 0.05))
_WOOL: Final = ("wool_100", 0.1)


@dataclass(frozen=True, slots=True, eq=False)
class Variant:
    """The stack, or one changed in a single way."""

    name: str
    depth_m: float
    likely: Float  # (8,)
    filling_price: float  # of the porous layers, per m2; nan if not priced

    @property
    def bass(self) -> float:
        """Mean absorption at 63 to 250 Hz: m2 per m2."""
        return float(self.likely[_BASS].mean())

    @property
    def middle(self) -> float:
        """Mean absorption at 500 Hz to 2 kHz."""
        return float(self.likely[_MIDDLE].mean())


@dataclass(frozen=True, slots=True, eq=False)
class StackFacts:
    """All that ``raysim stack`` says. Octaves are (8,), thirds (24,) from 50 Hz to 10 kHz."""

    title: str
    stack: Stack
    normal: Float
    low: Float
    likely: Float
    high: Float
    piece: Float  # per m2 of one piece of ``size_m``; may exceed 1
    size_m: tuple[float, float]
    third_low: Float
    third_likely: Float
    third_high: Float
    third_normal: Float
    third_piece: Float
    outside: Bool  # octaves in which a porous model is continued outside its fit
    rating: Rating
    nrc: float
    variants: tuple[Variant, ...]  # the stack itself first
    currency: str
    assumed: tuple[str, ...]

    @property
    def useful_from_hz(self) -> float:
        """Where it begins to take half of what comes from all sides; inf if nowhere."""
        good = np.flatnonzero(self.third_likely >= USEFUL)
        return float(_THIRDS_HZ[good[0]]) if good.size else float("inf")

    @property
    def sentence(self) -> str:
        """What it comes to, in plain words."""
        return f"{_useful(self.third_likely)} {_bass(self.likely)}"


def stack_facts(
    title: str,
    stack: Stack,
    *,
    size_m: tuple[float, float] = PANEL_M,
    prices: Prices | None = None,
    assumed: tuple[str, ...] = (),
    gas: Gas = _USUAL_GAS,
) -> StackFacts:
    """Work out what a stack does.

    Parameters
    ----------
    title : str
        What it is called; "foam" or "felt" in it says by what its filling is priced.
    stack : Stack
    size_m : (float, float)
        Of the piece whose edges are counted.
    prices : Prices, optional
    assumed : tuple of str
        What was not said and had to be assumed.
    gas : Gas

    Returns
    -------
    StackFacts

    Raises
    ------
    AbsorberError
        A layer's model does not hold at these frequencies.
    """
    low, likely, high = alpha_in_bands(stack, _THIRDS_HZ, 3, gas)
    normal = alpha_at(stack, _THIRDS_HZ, 0.0, gas)[:, 0]
    piece = alpha_finite(stack, _THIRDS_HZ, size_m, gas)
    per_m, currency = _price_per_m(title, prices)
    return StackFacts(
        title=title, stack=stack,
        normal=_octaves(normal), low=_octaves(low), likely=_octaves(likely),
        high=_octaves(high), piece=_octaves(piece), size_m=size_m,
        third_low=low, third_likely=likely, third_high=high, third_normal=normal,
        third_piece=piece,
        outside=_outside(stack, gas),
        rating=weighted(practical(likely[_RATED])),
        nrc=nrc(likely[[7, 10, 13, 16]]),
        variants=tuple(
            _variant(name, changed, per_m, gas) for name, changed in variants(stack).items()
        ),
        currency=currency, assumed=assumed,
    )  # fmt: skip


def variants(stack: Stack) -> dict[str, Stack]:
    """Give the stack and what could be done to it, by name.

    A gap goes behind the last layer; thickness is that of all porous layers.
    """
    found = {
        "as it is": stack,
        "50 mm more air behind": _with_gap(stack, 0.05),
        "100 mm more air behind": _with_gap(stack, 0.1),
    }
    if any(isinstance(layer, Porous) for layer in stack.layers):
        found["twice as thick"] = _thicker(stack, 2.0)
        found["half as thick"] = _thicker(stack, 0.5)
    return found


def _with_gap(stack: Stack, gap_m: float) -> Stack:
    *front, last = stack.layers
    if isinstance(last, AirGap):
        return replace(stack, layers=(*front, AirGap(last.thickness_m + gap_m)))
    return replace(stack, layers=(*stack.layers, AirGap(gap_m)))


def _thicker(stack: Stack, factor: float) -> Stack:
    layers = tuple(
        replace(layer, thickness_m=factor * layer.thickness_m)
        if isinstance(layer, Porous)
        else layer
        for layer in stack.layers
    )
    return replace(stack, layers=layers)


def _variant(name: str, stack: Stack, per_m: float, gas: Gas) -> Variant:
    porous_m = sum(x.thickness_m for x in stack.layers if isinstance(x, Porous))
    likely = in_band(stack, _THIRDS_HZ, 3, gas)
    return Variant(name, stack.depth_m, _octaves(likely), porous_m * per_m)


def _price_per_m(title: str, prices: Prices | None) -> tuple[float, str]:
    """Give what a metre of thickness of the filling costs per m2, and in what currency."""
    if prices is None:
        return float("nan"), ""
    fits = ((good, m) for word, good, m in _FILLINGS if word in title.lower())
    name, thickness_m = next(fits, _WOOL)
    good = prices.goods.get(name)
    return (float("nan"), "") if good is None else (good.price[1] / thickness_m, good.currency)


def _octaves(third: Float) -> Float:
    return np.asarray(third[_ALL].reshape(8, 3).mean(axis=1))


def _outside(stack: Stack, gas: Gas) -> Bool:
    """Say in which octaves a third lies outside what a model was fitted to, if likely."""
    inside = np.ones(_THIRDS_HZ.size, np.bool_)
    for layer in stack.layers:
        if isinstance(layer, Porous):
            inside &= in_range(layer, _THIRDS_HZ, gas)
    return np.asarray(~inside[_ALL].reshape(8, 3).all(axis=1))


def _useful(third: Float) -> str:
    """Say where a stack takes half or more."""
    good = third >= USEFUL
    if not good.any():
        best = int(third.argmax())
        return (
            f"Takes at most {third[best]:.2f} of what meets it, near "
            f"{band_name(THIRD_LABELS[best])}: not much of an absorber by itself."
        )
    edges = np.flatnonzero(np.diff(np.concatenate([[False], good, [False]]).astype(int)))
    runs = edges.reshape(-1, 2)  # first good third, first bad one after it
    first, after = (int(i) for i in runs[np.argmax(runs[:, 1] - runs[:, 0])])
    start = band_name(THIRD_LABELS[first])
    if after == third.size:
        whole = first == 0
        return "Useful at all pitches." if whole else f"Useful from about {start} on."
    if after == first + 1:
        return f"Useful near {start} alone: a tuned absorber."
    return f"Useful from about {start} to {band_name(THIRD_LABELS[after - 1])} alone."


def _bass(octave: Float) -> str:
    """Say what is left to wish for in the bass."""
    nothing = [OCTAVE_LABELS[i] for i in range(3) if octave[i] < NEXT_TO_NOTHING]
    if nothing:
        return f"It takes next to nothing at {_listed(nothing)}."
    weak = [OCTAVE_LABELS[i] for i in range(3) if octave[i] < USEFUL]
    return f"It takes a little at {_listed(weak)}." if weak else "It reaches the bass."


def _listed(labels: list[str]) -> str:
    *others, last = labels
    return f"{', '.join(others)} and {band_name(last)}" if others else band_name(last)
