"""Flat shapes as a user gives them: plan outlines, planes through points, corners.

What cannot be a shape is a complaint with code RS-S13.
"""

import numpy as np
from shapely import Polygon
from shapely.validation import explain_validity

from raysim.errors import figure
from raysim.scene.table import Table, frozen
from raysim.units import Float

_SMALLEST_AREA_M2 = 1e-6
_FLAT_WITHIN_M = 1e-3


def read_outline(table: Table, key: str) -> Float | None:
    """Give a plan outline of [x, y] corners that does not cross itself, (n, 2)."""
    corners = table.rows(key, 2, fewest=3, required=True)
    if corners is None:
        return None
    outline = Polygon(corners)
    if not outline.is_valid:
        cause = explain_validity(outline)
        wrong = f'the outline "{key}" crosses or touches itself: {cause}.'
        fix = "Give its corners in order around it, each once."
    elif outline.area < _SMALLEST_AREA_M2:
        wrong = f'the outline "{key}" encloses no area.'
        fix = "Give three corners or more that are not on one line."
    elif bool(np.any(np.all(corners == np.roll(corners, 1, axis=0), axis=1))):
        wrong = f'the outline "{key}" has one corner twice.'
        fix = "Give each corner once; the outline closes by itself."
    else:
        return corners
    table.complain(key, wrong, fix, "RS-S13")
    return None


def read_roof_points(table: Table, key: str) -> Float | None:
    """Give three points of a plane that is not vertical, (3, 3)."""
    points = table.rows(key, 3, 3, required=True)
    if points is None:
        return None
    normal = np.cross(points[1] - points[0], points[2] - points[0])
    if abs(normal[2]) > _SMALLEST_AREA_M2:
        return points
    table.complain(
        key,
        "the three points are on one line or on a vertical plane.",
        "Give two points at the eaves and one higher up.",
        "RS-S13",
    )
    return None


def read_flat_corners(table: Table, key: str) -> Float | None:
    """Give corners in space that lie on one plane, (n, 3)."""
    corners = table.rows(key, 3, fewest=3, required=True)
    if corners is None:
        return None
    middle = corners.mean(axis=0)
    spoke = corners - middle
    normal = 0.5 * np.cross(spoke, np.roll(spoke, -1, axis=0)).sum(axis=0)
    area_m2 = float(np.linalg.norm(normal))
    if area_m2 < _SMALLEST_AREA_M2:
        table.complain(key, "the corners enclose no area.", "Give them in order.", "RS-S13")
        return None
    off_m = float(np.abs(spoke @ (normal / area_m2)).max())
    if off_m > _FLAT_WITHIN_M:
        table.complain(
            key,
            f"the corners are not on one plane: one is {figure(1000.0 * off_m)} mm off.",
            "Correct a corner, or split the sheet into flat ones.",
            "RS-S13",
        )
        return None
    return corners


def read_pair(table: Table, key: str, required: bool = False) -> tuple[float, float] | None:
    """Give two numbers, the first one smaller."""
    pair = table.numbers(key, 2, required=required)
    if pair is None:
        return None
    if pair[0] >= pair[1]:
        wrong = f'"{key}" runs from {figure(pair[0], 6)} to {figure(pair[1], 6)}.'
        table.complain(key, wrong, "Give the smaller number first.", "RS-S13")
        return None
    return pair[0], pair[1]


def turned_box(low: Float, high: Float, turn_deg: float) -> Float:
    """Give the plan corners of a box turned about the vertical through its centre.

    Examples
    --------
    >>> turned_box(np.array([0.0, 0.0]), np.array([2.0, 1.0]), 90.0).round(9)[0]
    array([ 1.5, -0.5])
    """
    centre = 0.5 * (low + high)
    half = 0.5 * (high - low)
    corners = np.array([[-1.0, -1.0], [1.0, -1.0], [1.0, 1.0], [-1.0, 1.0]]) * half
    if turn_deg == 0.0:  # no rounding where none is needed
        return frozen(
            [[low[0], low[1]], [high[0], low[1]], [high[0], high[1]], [low[0], high[1]]]
        )
    cos, sin = np.cos(np.radians(turn_deg)), np.sin(np.radians(turn_deg))
    return frozen(centre + corners @ np.array([[cos, sin], [-sin, cos]]))


def shell_outline(
    centre: Float, radius_m: float, thickness_m: float, from_deg: float, to_deg: float, n: int
) -> Float:
    """Give the plan outline of a curved screen of n straight pieces.

    Parameters
    ----------
    centre : (2,) float64
    radius_m : float
        From the centre to the corners of the inner side.
    thickness_m : float
    from_deg, to_deg : float
        Ends of the arc, anticlockwise seen from above, 0 along x.
    n : int

    Returns
    -------
    (2 n + 2, 2) float64
        Anticlockwise.
    """
    angle = np.radians(np.linspace(from_deg, to_deg, n + 1))
    ray = np.stack([np.cos(angle), np.sin(angle)], axis=1)
    outer = centre + (radius_m + thickness_m) * ray
    inner = centre + radius_m * ray[::-1]
    return frozen(np.concatenate([outer, inner]))
