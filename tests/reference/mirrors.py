"""Image sources by brute force: every sequence of mirrors, every triangle, no pruning."""

from itertools import pairwise, product
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from reference.triangles import crossings, obstructed

#: Nearer a mirror than this (m) a point is on it, and no path can come back to it: the
#: two faces of a sheet cannot follow each other.
BEFORE_M = 1e-9


class Path(NamedTuple):
    """A specular path: its length, first and last leg, triangles and mirrors met."""

    length_m: float
    first: NDArray[np.float64]
    last: NDArray[np.float64]
    triangles: tuple[int, ...]
    mirrors: tuple[int, ...]


def gathered(triangles_m, two_sided):
    """Give mirrors as (unit normal, offset, triangle numbers), the air before the normal.

    A triangle that shows air on both sides is in two mirrors.
    """
    normal = np.cross(
        triangles_m[:, 1] - triangles_m[:, 0], triangles_m[:, 2] - triangles_m[:, 0]
    )
    normal /= np.linalg.norm(normal, axis=1, keepdims=True)
    found = {}
    for i, (n, corner) in enumerate(zip(normal, triangles_m[:, 0], strict=True)):
        for sign in (1.0, -1.0) if two_sided[i] else (1.0,):
            plane = np.append(sign * n, sign * (n @ corner))
            key = tuple(np.round(plane, 5) + 0.0)  # + 0.0 makes minus zero plain
            found.setdefault(key, (plane, []))[1].append(i)
    return [(plane[:3], plane[3], np.array(tri)) for plane, tri in found.values()]


def all_paths(triangles_m, two_sided, source_m, target_m, most_order, sight=True):
    """Give every specular path, by every sequence of the mirrors that `gathered` gives.

    ``sight=False`` leaves out the test for obstruction.
    """
    mirrors = gathered(triangles_m, two_sided)
    paths = []
    for order in range(most_order + 1):
        every = list(product(range(len(mirrors)), repeat=order))
        sequences = np.array(every, dtype=int).reshape(len(every), order)
        if order > 1:
            sequences = sequences[(np.diff(sequences, axis=1) != 0).all(axis=1)]
        paths += _paths_by(mirrors, sequences, triangles_m, source_m, target_m, sight)
    return paths


def _paths_by(mirrors, sequences, triangles_m, source_m, target_m, sight):
    """Give the real ones among the paths by sequences of one length."""
    normal = np.array([m[0] for m in mirrors])
    offset = np.array([m[1] for m in mirrors])
    n, order = sequences.shape
    image = [np.tile(source_m, (n, 1))]
    real = np.ones(n, dtype=bool)
    for k in range(order):
        a, c = normal[sequences[:, k]], offset[sequences[:, k]]
        height = np.einsum("ij,ij->i", a, image[-1]) - c
        real &= height > 0.0
        image.append(image[-1] - 2.0 * height[:, None] * a)
    points = [np.tile(target_m, (n, 1))]
    for k in range(order - 1, -1, -1):
        a, c = normal[sequences[:, k]], offset[sequences[:, k]]
        h_point = np.einsum("ij,ij->i", a, points[0]) - c
        h_image = np.einsum("ij,ij->i", a, image[k + 1]) - c
        real &= (h_point > BEFORE_M) & (h_image < 0.0)
        share = np.where(real, h_point / np.where(real, h_point - h_image, 1.0), 0.0)
        points.insert(0, points[0] + share[:, None] * (image[k + 1] - points[0]))
    points.insert(0, np.tile(source_m, (n, 1)))
    met = np.full((n, order), -1)
    for i in np.flatnonzero(real):
        for k in range(order):
            met[i, k] = _triangle_at(mirrors[sequences[i, k]], triangles_m, points[k + 1][i])
    real &= (met >= 0).all(axis=1)
    if sight:
        in_plane = np.zeros((len(mirrors), len(triangles_m)), dtype=bool)
        for m, (a, c, _) in enumerate(mirrors):
            in_plane[m] = (np.abs(triangles_m @ a - c) < 1e-6).all(axis=1)
        for k in range(order + 1):
            which = np.flatnonzero(real)
            over = np.zeros((len(which), len(triangles_m)), dtype=bool)
            for end in (k - 1, k):
                if 0 <= end < order:
                    over |= in_plane[sequences[which, end]]
            real[which] = ~obstructed(triangles_m, points[k][which], points[k + 1][which], over)
    found = []
    for i in np.flatnonzero(real):
        legs = [q[i] - p[i] for p, q in pairwise(points)]
        length = float(np.linalg.norm(legs, axis=1).sum())
        found.append(Path(length, legs[0], legs[-1], tuple(met[i]), tuple(sequences[i])))
    return found


def _triangle_at(mirror, triangles_m, point):
    """Give the triangle of a mirror in which a point of its plane lies, or -1."""
    normal, _, members = mirror
    start = (point + normal)[None]
    _, margin = crossings(triangles_m[members], start, -normal[None])
    best = int(np.argmax(margin[0]))
    return int(members[best]) if margin[0, best] >= 0.0 else -1
