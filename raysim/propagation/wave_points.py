"""Sources and receivers between the centres of cells: weights that keep cubics exact.

Theory: DEVELOPERS.md, W10.
"""

from itertools import product

import numpy as np

from raysim.errors import Complaint, WaveError
from raysim.geometry.grid import CutGrid
from raysim.units import Float, Int

#: Cells each way from the one that holds the point.
_REACH = 2
#: Sum of absolute weights above which a lower degree is taken, and misfit that counts as none.
_MOST_WEIGHT, _EXACT = 3.0, 1e-9


def point_weights(
    grid: CutGrid, volume: Float, opening: Float, at_m: Float, name: str
) -> tuple[Int, Float]:
    """Give cells and weights that read, or drive, pressure at a point  (W10).

    Only cells that sound reaches from the point's own cell without leaving the
    neighbourhood are used, so nothing is read through a screen.

    Raises
    ------
    WaveError
        RS-B02: there is no air at the point.
    """
    n, stride = np.array(grid.n), np.array(grid.stride)
    at = grid.to_cells(np.asarray(at_m, dtype=np.float64))
    own = np.floor(at).astype(np.int64)
    inside = bool((own >= 0).all() and (own < n).all())
    if inside and volume[own @ stride] == 0.0:
        near = own + np.array(list(product((-1, 0, 1), repeat=3)))
        near = near[((near >= 0) & (near < n)).all(axis=1)]
        near = near[volume[near @ stride] > 0.0]
        inside = len(near) > 0
        if inside:
            own = near[np.linalg.norm(near + 0.5 - at, axis=1).argmin()]
    if not inside:
        where = ", ".join(f"{x:.3f}" for x in at_m)
        raise WaveError(
            Complaint(
                name, f"the point ({where}) m is not in the air of the room.",
                "Move it into the room, at least 1 cm off its surfaces.", "RS-B02",
            )
        )  # fmt: skip
    cells = _reached(own, n, stride, volume, opening)
    places = np.stack([cells % n[0], cells // n[0] % n[1], cells // (n[0] * n[1])], axis=1)
    away = places + 0.5 - at
    for degree in (3, 2, 1):
        weights = _exact_weights(away, degree)
        if weights is not None:
            used = weights != 0.0
            return cells[used], weights[used]
    return cells[:1], np.ones(1)


def _reached(own: Int, n: Int, stride: Int, volume: Float, opening: Float) -> Int:
    """Give the cells near one that open faces lead to, that one first."""
    steps, most, first = stride.tolist(), n.tolist(), own.tolist()
    start = int(own @ stride)
    found, frontier = {start: None}, [(start, first)]  # a dict keeps the order
    while frontier:
        place, at = frontier.pop()
        for axis, way in product(range(3), (-1, 1)):
            to = at[axis] + way
            cell = place + way * steps[axis]
            if cell in found or abs(to - first[axis]) > _REACH or not 0 <= to < most[axis]:
                continue
            if volume[cell] > 0.0 and opening[axis, cell if way > 0 else place] > 0.0:
                found[cell] = None
                frontier.append((cell, [to if k == axis else x for k, x in enumerate(at)]))
    return np.array(list(found), dtype=np.int64)


def _exact_weights(away: Float, degree: int) -> Float | None:
    """Give the least weights, near cells favoured, that keep polynomials exact, or None."""
    powers = np.array([q for q in product(range(degree + 1), repeat=3) if sum(q) <= degree])
    basis = np.prod(away[:, None, :] ** powers, axis=2)
    trust = np.exp(-((np.linalg.norm(away, axis=1) / 1.2) ** 2))
    scaled = basis * np.sqrt(trust)[:, None]
    target = (powers.sum(axis=1) == 0).astype(np.float64)
    found, *_ = np.linalg.lstsq(scaled.T, target, rcond=1e-12)
    missed = np.abs(scaled.T @ found - target).max()
    weights = found * np.sqrt(trust)
    if missed > _EXACT or np.abs(weights).sum() > _MOST_WEIGHT:
        return None
    return np.asarray(weights)
