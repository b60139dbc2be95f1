"""The layers behind a name: a material or treatment of the catalogues, or of a scene."""

from collections.abc import Sequence
from pathlib import Path
from typing import Final

from raysim.absorbers.layers import Stack
from raysim.errors import Complaint, SettingsError, figure
from raysim.planning.layer_words import Typed, is_layer, split, typed_stack
from raysim.scene.materials import catalogue
from raysim.scene.model import Bands, Material
from raysim.scene.plan import Prices, Treatment
from raysim.scene.prices import stock_prices
from raysim.scene.read import read_scene
from raysim.scene.table import nearest
from raysim.scene.treatments import treatments_catalogue

#: Sides of one piece, mm.
_PIECE_MM: Final = (100.0, 10_000.0)


class Shelf:
    """All that has a name here: materials, treatments, and the prices to go with them."""

    def __init__(self, scene: Path | None = None) -> None:
        """Take the catalogues, or a scene with its own over them.

        Raises
        ------
        SceneError
            With every mistake of the scene's files.
        """
        self.materials: dict[str, Material] = dict(catalogue(Bands()))
        self.treatments: dict[str, Treatment] = treatments_catalogue()
        self.prices: Prices = stock_prices()
        if scene is not None:
            read = read_scene(scene)
            self.materials |= read.materials
            self.treatments |= read.treatments
            self.prices = read.prices or self.prices

    def stack(self, name: str) -> tuple[str, Stack]:
        """Give a title and the layers of what is called so.

        Raises
        ------
        SettingsError
            RS-M01: nothing is called so. RS-M21: its layers are not known.
        """
        found = self.treatments.get(name) or self.materials.get(name)
        if found is None:
            hint = nearest(name, [*self.treatments, *self.materials])
            raise SettingsError(
                Complaint(f'"{name}"', "no material or treatment is called so.",
                          f'{hint} Or give layers: "wool 100 mm 10000".', "RS-M01")
            )  # fmt: skip
        if found.stack is None:
            raise SettingsError(
                Complaint(f'"{name}"', "it is a row of a table, its layers are not known.",
                          f"With layers are {self._with_layers()}.", "RS-M21")
            )  # fmt: skip
        about = found.about if isinstance(found, Treatment) else found.note
        return (f"{name}: {about}" if about else name), found.stack

    def _with_layers(self) -> str:
        names = [t.name for t in self.treatments.values() if t.stack is not None]
        names += [m.name for m in self.materials.values() if m.stack is not None]
        return ", ".join(names[:12]) + (" and others" if len(names) > 12 else "")


def asked_stack(shelf: Shelf, words: Sequence[str]) -> tuple[str, Typed]:
    """Give a title and the layers of what was asked: one name, or layers as typed.

    Raises
    ------
    SettingsError
        RS-M01, RS-M20, RS-M21: a name or layer that is not known.
    """
    layers = split(words)
    if len(layers) == 1 and not is_layer(layers[0]):
        title, stack = shelf.stack(layers[0])
        return title, Typed(stack, ())
    return " + ".join(layers), typed_stack(layers)


def piece_m(width_mm: float, height_mm: float) -> tuple[float, float]:
    """Give the sides of a piece in metres.

    Raises
    ------
    SettingsError
        RS-P01: no panel has such a side.
    """
    low, high = _PIECE_MM
    for side_mm in (width_mm, height_mm):
        if not low <= side_mm <= high:
            raise SettingsError(
                Complaint("--piece-mm", f"{figure(side_mm)} is not possible.",
                          f"Give {low:.0f} to {high:.0f} mm, twice.", "RS-P01")
            )  # fmt: skip
    return width_mm / 1000.0, height_mm / 1000.0
