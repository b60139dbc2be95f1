"""Whether a ranking holds when a head moves by 10 cm, or a material is not as tabled.

A draw is one way things may be, the same for all layouts: a place of the microphone near the
given one, or absorption coefficients between their bounds. The answer is the share of draws
in which one layout stays before another. Theory: DEVELOPERS.md, C7.

Materials act by Eyring's formula on the decay that was traced.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from raysim.compare.figures import OCTAVES, Readings
from raysim.compare.targets import Aim, beyond_steps
from raysim.measures.theory import decay_time_s, eyring_area_m2
from raysim.report.pairs import within
from raysim.scene.air import attenuation_per_m, speed_m_s
from raysim.scene.model import Receiver
from raysim.store.file import Results
from raysim.units import Float

#: Receivers this close stand for one head or microphone that moves; 10 cm along two axes
#: and a little more.
NEAR_M = 0.15
#: A share of so many draws is known to within 7 %, at two standard errors.
N_DRAW = 200


@dataclass(frozen=True, slots=True)
class Held:
    """How often one layout stays before another, of all draws."""

    what: str  # "position" or "materials"
    layouts: tuple[str, ...]
    n_draw: int
    share: Float  # (n_layout, n_layout): row before column; ties count half

    def of(self, first: str, other: str) -> float:
        """Give the share of draws in which one layout is before another."""
        return float(self.share[self.layouts.index(first), self.layouts.index(other)])

    @property
    def error(self) -> Float:
        """Standard error of the shares by the number of draws."""
        return np.asarray(np.sqrt(self.share * (1.0 - self.share) / self.n_draw))


def held(what: str, layouts: Sequence[str], drawn: Float) -> Held:
    """Count in how many draws each layout comes before each other  (C7).

    Parameters
    ----------
    what : str
    layouts : sequence of str
    drawn : (n_draw, n_layout) float64
        What to rank by, less being better. Draws where a layout has none do not count.

    Returns
    -------
    Held

    Examples
    --------
    >>> held("position", ["a", "b"], np.array([[1.0, 2.0], [1.0, 1.0]])).of("a", "b")
    0.75
    """
    known = drawn[np.isfinite(drawn).all(axis=1)]
    if not len(known):
        return Held(what, tuple(layouts), 0, np.full((len(layouts),) * 2, np.nan))
    row, column = known[:, :, None], known[:, None, :]
    before = (row < column) + 0.5 * (row == column)
    return Held(what, tuple(layouts), len(known), before.mean(axis=0))


def _distance(t30_s: Float, readings: Readings, aim: Aim) -> Float:
    """Give the steps beyond an aim, (...,), of T30 in all octaves, (..., n_octave).

    Octaves that are not known everywhere do not count, nor do hints.
    """
    labels = [label for label, _ in OCTAVES]
    counted = [labels.index(b.band) for b in aim.counted]
    beyond = beyond_steps(t30_s[..., counted], aim)
    where = [readings.find("t30_s", b.band) for b in aim.counted]
    judged = np.array([i is not None and not readings.quantities[i].is_hint for i in where])
    usable = judged & np.isfinite(beyond).reshape(-1, beyond.shape[-1]).all(axis=0)
    if not usable.any():
        return np.full(beyond.shape[:-1], np.nan)
    return np.asarray(beyond[..., usable].mean(axis=-1))


def near_receivers(receivers: Sequence[Receiver]) -> dict[str, tuple[str, ...]]:
    """Give for each receiver those within `NEAR_M` of it, itself included."""
    return {
        r.name: tuple(
            o.name
            for o in receivers
            if float(np.linalg.norm(o.position_m - r.position_m)) <= NEAR_M
        )
        for r in receivers
    }


def held_by_position(
    readings: Readings, aim: Aim, receivers: Sequence[Receiver], seed: int = 1
) -> Held | None:
    """Draw places near the receivers, and rank the layouts at each.

    Parameters
    ----------
    readings : Readings
    aim : Aim
    receivers : sequence of Receiver
    seed : int

    Returns
    -------
    Held or None
        None where no two receivers are near each other: nothing is known then.
    """
    near = near_receivers(receivers)
    choices = [
        [j for j, (s, r) in enumerate(readings.pairs) if s == source and r in near[receiver]]
        for source, receiver in readings.pairs
    ]
    if all(len(one) < 2 for one in choices):
        return None
    rng = np.random.default_rng(seed)
    picked = np.stack([rng.choice(one, N_DRAW) for one in choices], axis=1)
    t30_s = readings.pair_t30_s[:, picked]  # (n_layout, n_draw, n_pair, n_octave)
    return held("position", readings.layouts, _distance(t30_s.mean(axis=2), readings, aim).T)


def between(low: Float, likely: Float, high: Float, chance: Float | float) -> Float:
    """Give the value below which a share of chance lies: likely values are likelier  (C7).

    The density rises from ``low`` to ``likely`` and falls to ``high``.

    Examples
    --------
    >>> one = np.ones(1)
    >>> [float(between(0 * one, 0.5 * one, one, p)[0]) for p in (0.0, 0.125, 0.5, 1.0)]
    [0.0, 0.25, 0.5, 1.0]
    """
    whole = high - low
    rising = likely - low
    up = low + np.sqrt(np.maximum(chance * whole * rising, 0.0))
    down = high - np.sqrt(np.maximum((1.0 - chance) * whole * (high - likely), 0.0))
    return np.where(chance * whole < rising, up, down)


def material_changes(
    results: Results, layouts: Sequence[str], seed: int = 1
) -> dict[str, Float]:
    """Draw absorption coefficients between their bounds, and say what they make of decay.

    A material has one chance for all octaves and in all layouts. Decay changes as Eyring's
    formula does.

    Parameters
    ----------
    results : Results
    layouts : sequence of str
    seed : int

    Returns
    -------
    dict of str to (n_draw, n_octave) float64
        By layout: decay times with what was drawn over those with the likely coefficients.
    """
    rng = np.random.default_rng(seed)
    names = sorted({m for layout in layouts for m in results.materials(layout)})
    chance = dict(zip(names, rng.random((len(names), N_DRAW)), strict=True))
    return {layout: _eyring_change(results, layout, chance) for layout in layouts}


def held_by_materials(
    changes: Mapping[str, Float], readings: Readings, aims: Sequence[Aim]
) -> tuple[Held, ...]:
    """Rank the layouts by the decay that was traced, as drawn materials change it.

    Parameters
    ----------
    changes : dict of str to (n_draw, n_octave) float64
        Of `material_changes`.
    readings : Readings
    aims : sequence of Aim

    Returns
    -------
    tuple of Held
        One for each aim.
    """
    t30_s = []
    for layout in readings.layouts:
        traced_s = np.array([readings.t30_s(layout, label) for label, _ in OCTAVES])
        t30_s.append(traced_s * changes[layout])
    drawn = np.stack(t30_s)
    return tuple(
        held("materials", readings.layouts, _distance(drawn, readings, a).T) for a in aims
    )


def _eyring_change(results: Results, layout: str, chance: Mapping[str, Float]) -> Float:
    """Give Eyring's decay time with drawn coefficients over that with the likely ones.

    ``chance`` holds (n_draw,) by material; the answer is (n_draw, n_octave).
    """
    sides, materials = results.sides(layout), results.materials(layout)
    of_side = [materials[name] for name in sides.materials]
    drawn = between(
        np.stack([m.alpha_low for m in of_side]),
        sides.alpha,
        np.stack([m.alpha_high for m in of_side]),
        np.stack([chance[m.name] for m in of_side], axis=1)[:, :, np.newaxis],
    )
    volume_m3, c = results.room(layout).air_volume_m3, speed_m_s(results.air)
    m = attenuation_per_m(results.air, results.bands.centre_hz)

    def eyring(alpha: Float) -> Float:
        return decay_time_s(eyring_area_m2(sides.area_m2, alpha), volume_m3, c, m)

    change = np.stack([eyring(alpha) for alpha in drawn]) / eyring(sides.alpha)
    octaves = [within(results.bands, f, f) for _, f in OCTAVES]
    return np.stack([change[:, where].mean(axis=1) for where in octaves], axis=1)
