"""Rays against triangles, every ray against every triangle, in plain float64 numpy."""

import numpy as np


def crossings(triangles_m, start, direction):
    """Give where each ray crosses each triangle's plane and how far inside its edges.

    Returns distance (n_ray, n_triangle), infinite for parallel rays, and margin, the
    distance of the crossing from the nearest edge in metres, negative outside.
    """
    a, b, c = (triangles_m[:, k] for k in range(3))
    normal = np.cross(b - a, c - a)
    normal /= np.linalg.norm(normal, axis=1, keepdims=True)
    towards = direction @ normal.T
    height = np.einsum("tk,tk->t", normal, a) - start @ normal.T
    with np.errstate(divide="ignore", invalid="ignore"):
        distance = np.where(towards == 0.0, np.inf, height / towards)
    at = (
        start[:, None]
        + np.where(np.isfinite(distance), distance, 0.0)[..., None] * (direction[:, None])
    )
    margin = np.full(distance.shape, np.inf)
    for p, q in ((a, b), (b, c), (c, a)):
        inward = np.cross(normal, q - p)
        inward /= np.linalg.norm(inward, axis=1, keepdims=True)
        margin = np.minimum(margin, np.einsum("rtk,tk->rt", at - p, inward))
    return distance, np.where(np.isfinite(distance), margin, -np.inf)


def first_crossing(triangles_m, start, direction, passed_over=None, chunk=2000):
    """Give distance and triangle of each ray's first hit, and how doubtful it is.

    ``passed_over`` (n_ray, n_triangle) says what a ray cannot meet. The doubt is the
    least distance, in metres, of the ray from any edge of a triangle whose plane it
    crosses in front of it, and of any such plane from the start.
    """
    distance, face, doubt = [], [], []
    for i in range(0, len(start), chunk):
        t, margin = crossings(triangles_m, start[i : i + chunk], direction[i : i + chunk])
        ahead = t > 0.0
        if passed_over is not None:
            ahead &= ~passed_over[i : i + chunk]
            t = np.where(passed_over[i : i + chunk], np.inf, t)
        hit = np.where(ahead & (margin >= 0.0), t, np.inf)
        near = np.where(np.isfinite(t) & (t > -1e-3), np.abs(margin), np.inf)
        near = np.minimum(near, np.where(margin > -1e-3, np.abs(t), np.inf))
        distance.append(hit.min(axis=1))
        face.append(np.where(np.isfinite(hit.min(axis=1)), hit.argmin(axis=1), -1))
        doubt.append(near.min(axis=1))
    return np.concatenate(distance), np.concatenate(face), np.concatenate(doubt)


def obstructed(triangles_m, start, end, passed_over):
    """Say for each pair of points whether a triangle lies between them.

    ``passed_over`` (n_ray, n_triangle) says which triangles do not count.
    """
    way = end - start
    length = np.linalg.norm(way, axis=1)
    direction = way / np.maximum(length, 1e-300)[:, None]
    t, margin = crossings(triangles_m, start, direction)
    between = (t > 0.0) & (t < length[:, None]) & (margin >= 0.0) & ~passed_over
    return between.any(axis=1)
