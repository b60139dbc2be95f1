"""Parallel hard surfaces that face each other: where a clap comes back and back.

Sound that bounces to and fro over a distance d returns c/(2d) times per second. It
loses the same share at every bounce, so the pair has a decay time of its own; where
that is longer than the room's, the flutter is heard after the rest has died away.
The decay time is the geometric one. It leaves out what spreads past the edges and takes
scattered sound for lost, though some of it stays: it is about right, no more.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import shapely

from raysim.report.shell import Shell
from raysim.units import LN_60_DB, Float

#: Half a degree: a pair tilted more than this throws sound out of the gap.
_PARALLEL = -0.99996

_SMALLEST_M2 = 0.5
_NEAREST_M, _FARTHEST_M = 0.6, 20.0


@dataclass(frozen=True, slots=True)
class FacingPair:
    """Two parallel surfaces with nothing between them over some area."""

    first: str
    second: str
    distance_m: float
    area_m2: float  # that sees the other across the gap
    rate_hz: float  # returns per second
    decay_s: float  # of sound that stays between the two, 1 to 4 kHz
    alpha: float  # of the softer of the two, 1 to 4 kHz

    @property
    def lost_db(self) -> float:
        """How much weaker sound is each time it comes back."""
        return 60.0 / (self.decay_s * self.rate_hz) if self.decay_s > 0.0 else math.inf


def facing_pairs(
    shell: Shell, alpha: Float, scattering: Float, speed_m_s: float
) -> tuple[FacingPair, ...]:
    """Find the pairs of parallel facing surfaces, the longest-lasting first  (M15).

    Parameters
    ----------
    shell : Shell
    alpha, scattering : (n_surface,) float64
        Of each surface's front, the mean over the bands from 1 to 4 kHz.
    speed_m_s : float
        Of sound.

    Returns
    -------
    tuple of FacingPair
        At most one per two surface names and distance; at least 0.5 m2 each.
    """
    planes = [np.flatnonzero(shell.face_plane == p) for p in np.unique(shell.face_plane)]
    area, normal = shell.face_area_m2, shell.face_normal
    planes = [p for p in planes if area[p].sum() >= _SMALLEST_M2]
    found: list[FacingPair] = []
    for i, first in enumerate(planes):
        for second in planes[i + 1 :]:
            if float(normal[first[0]] @ normal[second[0]]) > _PARALLEL:
                continue
            across = shell.triangles_m[second[0], 0] - shell.triangles_m[first[0], 0]
            distance = float(across @ normal[first[0]])
            if not _NEAREST_M <= distance <= _FARTHEST_M:
                continue
            open_m2 = _open_area_m2(shell, first, second, distance)
            if open_m2 < _SMALLEST_M2:
                continue
            a, b = (int(shell.face_surface[p[0]]) for p in (first, second))
            keep = (1 - alpha[a]) * (1 - alpha[b]) * (1 - scattering[a]) * (1 - scattering[b])
            there_and_back_s = 2.0 * distance / speed_m_s
            decay_s = (
                LN_60_DB * there_and_back_s / -np.log(keep)
                if 0.0 < keep < 1.0
                else (0.0 if keep <= 0.0 else np.inf)
            )
            found.append(
                FacingPair(
                    shell.surfaces[a].name,
                    shell.surfaces[b].name,
                    distance,
                    open_m2,
                    1.0 / there_and_back_s,
                    float(decay_s),
                    float(max(alpha[a], alpha[b])),
                )
            )
    return tuple(sorted(found, key=lambda p: (-p.decay_s, -p.area_m2, p.first, p.second)))


def _open_area_m2(
    shell: Shell, first: Sequence[int] | np.ndarray, second: np.ndarray, distance_m: float
) -> float:
    """Give the area over which two parallel planes see each other straight across."""
    normal = shell.face_normal[int(first[0])]
    helper = np.eye(3)[int(np.argmin(np.abs(normal)))]
    u = np.cross(normal, helper)
    u /= np.linalg.norm(u)
    basis = np.stack([u, np.cross(normal, u)])
    shapes = [
        shapely.union_all(shapely.polygons(shell.triangles_m[p] @ basis.T))
        for p in (first, second)
    ]
    common = shapely.intersection(shapes[0], shapes[1])
    if common.area < _SMALLEST_M2:
        return 0.0
    # Looked across on a grid of points: what stands between takes its share.
    x1, y1, x2, y2 = common.bounds
    grid = np.stack(
        np.meshgrid(
            x1 + (x2 - x1) * (np.arange(9) + 0.5) / 9, y1 + (y2 - y1) * (np.arange(9) + 0.5) / 9
        ),
        axis=-1,
    ).reshape(-1, 2)
    grid = grid[shapely.contains_xy(common, grid[:, 0], grid[:, 1])]
    if not len(grid):
        return 0.0
    level = float(shell.triangles_m[int(first[0]), 0] @ normal)
    start = grid @ basis + (level + 1e-6) * normal
    free = ~_is_crossed(shell.triangles_m, start, normal, distance_m - 2e-6)
    return float(common.area) * float(free.mean())


def _is_crossed(triangles_m: Float, start_m: Float, way: Float, length_m: float) -> np.ndarray:
    """Say for each start whether a triangle lies within a length along one direction."""
    a = triangles_m[:, 0]
    e1, e2 = triangles_m[:, 1] - a, triangles_m[:, 2] - a
    p = np.cross(way, e2)
    det = np.einsum("ij,ij->i", e1, p)
    usable = np.abs(det) > 1e-12
    inverse = np.where(usable, 1.0 / np.where(usable, det, 1.0), 0.0)
    crossed = np.zeros(len(start_m), dtype=bool)
    for i, origin in enumerate(start_m):
        s = origin - a
        u = np.einsum("ij,ij->i", s, p) * inverse
        q = np.cross(s, e1)
        v = (q @ way) * inverse
        t = np.einsum("ij,ij->i", e2, q) * inverse
        hit = usable & (u >= 0) & (v >= 0) & (u + v <= 1) & (t > 0) & (t < length_m)
        crossed[i] = bool(hit.any())
    return crossed
