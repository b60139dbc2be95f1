"""Sums by hand for the layouts of the demo rooms: numbers that were there before the engine.

Those who drew up the rooms A (attic), B (garage) and C (narrow box) printed for each layout
how long it would linger: Eyring's formula, V and S of the empty room, a covering counted
with what it covers by 1 - (1 - a)(1 - b), free pieces with both sides, people by m2 each. The
attic's row 0 is bare with rug and books, the garage's with players and shelf, the narrow
room's with three people; air is not mentioned. Which table of absorption coefficients
they used is told of the board only (.10 at 125 Hz), and of the panels, 100 mm of about 10
kPa s/m2, and the felt, 12 mm. They are computed from eq. Eyring, not measured, and rooms
of so uneven absorption are not what that formula is for: orientation, no truth.
"""

from dataclasses import replace
from itertools import product

import numpy as np

from raysim.geometry.build import build_room
from raysim.measures.theory import decay_time_s, eyring_area_m2
from raysim.scene.air import speed_m_s
from raysim.scene.treated import back_material, front_material

#: Printed, seconds at 125, 250, 500, 1000, 2000 and 4000 Hz.
PRINTED_S: dict[str, tuple[float, ...]] = {
    "A0": (0.75, 0.81, 0.79, 0.84, 0.83, 0.79),
    "A1": (0.74, 0.77, 0.71, 0.71, 0.67, 0.63),
    "A2": (0.59, 0.53, 0.48, 0.48, 0.48, 0.46),
    "A3": (0.51, 0.50, 0.48, 0.49, 0.49, 0.47),
    "A4": (0.49, 0.42, 0.37, 0.38, 0.37, 0.36),
    "A5": (0.48, 0.43, 0.38, 0.38, 0.38, 0.37),
    "B0": (0.94, 1.34, 1.33, 1.28, 1.13, 1.19),
    "B1": (0.75, 0.68, 0.46, 0.38, 0.36, 0.38),
    "B2": (0.67, 0.64, 0.52, 0.49, 0.46, 0.46),
    "B3": (0.52, 0.49, 0.43, 0.42, 0.42, 0.43),
    "B4": (0.57, 0.62, 0.53, 0.49, 0.46, 0.47),
    "B5": (0.53, 0.54, 0.47, 0.45, 0.42, 0.42),
    "C0": (0.60, 0.67, 0.87, 0.99, 1.01, 1.04),
    "C1": (0.57, 0.58, 0.56, 0.43, 0.31, 0.24),
    "C2": (0.41, 0.34, 0.33, 0.32, 0.32, 0.32),
    "C3": (0.35, 0.31, 0.32, 0.33, 0.33, 0.33),
    "C4": (0.33, 0.26, 0.25, 0.25, 0.25, 0.25),
    "C5": (0.26, 0.20, 0.18, 0.18, 0.17, 0.18),
}

#: Of one person, m2 at 125 Hz to 4 kHz: research abstract on people in eight churches
#: (seen second-hand).
PERSON_M2 = np.array([0.29, 0.43, 0.51, 0.68, 0.71, 0.73])
PERSONS = {"A": 0, "B": 3, "C": 3}
#: Shelves by the front they show, width and height in m; what they are made of.
SHELVES = {"A": ("bookcase", 2.4 * 0.85), "B": ("shelving", 2.4 * 2.0)}
#: Curtains that hang before a part of their surface.
BEFORE = {
    ("A2", "V1"): "dormer window",
    ("A5", "V1"): "dormer window",
    ("B1", "V1"): "sectional door",
    ("C2", "V1"): "glass partition",
    ("C5", "V1"): "glass partition",
}
#: Layers that the sums tell of: 100 mm of wool, and the felt. All else may be of any table.
TOLD = (
    "wool_panel_100", "cloud_100", "screen_one_sided_900", "screen_two_sided_600",
    "screen_two_sided_1000", "felt_12",
)  # fmt: skip
PRINTED_BANDS = slice(1, 7)


class LayoutSum:
    """The absorption of one layout by hand, as areas and the materials that they have.

    Bodies count by their fronts; what stands free counts by both sides, each of them all the
    wool before a wall, for so the method reads; with ``to_middle`` each side of a screen open
    on both reaches to its middle, as in the rooms of the engine. Without ``keeps_backing`` a
    cover takes the place of what it covers, which is a fault. ``choices`` are the materials
    whose alpha may be another table's.
    """

    def __init__(self, scene, layout, keeps_backing=True, to_middle=False):
        """List what absorbs."""
        bare = build_room(replace(scene, things=(), sources=(), receivers=()))
        self.volume_m3, self.area_m2 = bare.envelope_volume_m3, bare.envelope_area_m2
        self.speed_m_s = speed_m_s(scene.air)
        self.terms = []  # (m2, name, name of what is behind or None)
        self.values = {}  # name -> low, likely, high
        self.keeps_backing, self.to_middle = keeps_backing, to_middle
        letter = scene.layouts[0].name[0]
        self.fixed = PERSONS[letter] * PERSON_M2
        made_of = {f.surface: f.material for f in scene.finishes}
        made_of |= {p.name: p.material for p in scene.patches}
        for surface, area in zip(bare.surfaces, bare.surface_area_m2(), strict=True):
            self._add(float(area), scene.materials[surface.material])
        shelf, area = SHELVES.get(letter, ("", 0.0))
        gone = () if layout is None else layout.without
        for thing in scene.things:
            if thing.name == shelf and shelf not in gone:
                self._add(area, scene.materials[thing.material])
        for item in () if layout is None else layout.items:
            self._add_item(item, layout.name, scene, made_of)

    def _add(self, area_m2, material, behind=None):
        self.values.setdefault(
            material.name, (material.alpha_low, material.alpha, material.alpha_high)
        )
        self.terms.append((area_m2, material.name, behind))

    def _add_item(self, item, layout, scene, made_of):
        area_m2 = item.size_m[0] * item.size_m[1]
        treatment, place = item.treatment, (scene.bands, scene.air, scene.materials)
        if item.on == "floor" and treatment.family != "rug":  # stands or hangs free
            if treatment.two_sided and not self.to_middle:
                treatment = replace(treatment, two_sided=False)
                self._add(2.0 * area_m2, front_material(treatment, 0.0, None, *place))
            else:
                self._add(area_m2, front_material(treatment, 0.0, None, *place))
                self._add(area_m2, back_material(treatment, 0.0, *place))
        else:
            covered = BEFORE.get((layout, item.name), item.on)
            front = front_material(treatment, item.gap_m, None, *place)
            self._add(area_m2, front, made_of[covered])

    @property
    def choices(self):
        """Names of the materials that the printed sums do not tell of."""
        told = {name for name in self.values if name.startswith(TOLD)}
        return sorted(set(self.values) - told)

    def likely(self):
        """Give the values that the catalogue holds for likely."""
        return {name: value[1] for name, value in self.values.items()}

    def decay_s(self, alpha):
        """Give Eyring's time, (6,) s, for alpha by name."""
        total_m2 = self.fixed.copy()
        for area_m2, name, behind in self.terms:
            a = alpha[name][PRINTED_BANDS]
            b = 0.0 if behind is None else alpha[behind][PRINTED_BANDS]
            # what it adds to what it covers: 1 - (1 - a)(1 - b) - b, or, at fault, a - b
            total_m2 += area_m2 * (a * (1.0 - b) if self.keeps_backing else a - b)
        whole = np.array([self.area_m2])
        return decay_time_s(
            eyring_area_m2(whole, total_m2[None, :] / self.area_m2),
            self.volume_m3,
            self.speed_m_s,
        )


def ratio_bounds(after, before):
    """Give likely, least and greatest T after over T before, each (6,), over all tables.

    Every material of `LayoutSum.choices` takes its low and its high value, in every
    combination; both layouts have the same tables. A ratio of sums that are linear in each
    coefficient is monotone in it, so that the ends suffice.
    """
    values = before.values | after.values
    names = sorted(set(before.choices) | set(after.choices))
    likely = before.likely() | after.likely()
    ratios = []
    for ends in product((0, 2), repeat=len(names)):
        alpha = likely | {n: values[n][end] for n, end in zip(names, ends, strict=True)}
        ratios.append(after.decay_s(alpha) / before.decay_s(alpha))
    return after.decay_s(likely) / before.decay_s(likely), np.min(ratios, 0), np.max(ratios, 0)
