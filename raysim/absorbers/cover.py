"""A thin cover on a wall that absorbs by itself: cloth on panelling, felt on plasterboard."""

import numpy as np

from raysim.units import Float


def with_backing(alpha_cover: Float, alpha_back: Float) -> Float:
    """Give the absorption of a cover whose stack ended rigid, before a real wall  (L18).

    What the cover leaves, (1 - a), is taken to meet the wall's own absorption once:
    1 - (1 - a_cover)(1 - a_back), never less than either. A stopgap in energy, since the
    wall's impedance is not known; fair where one of the two is small at that band.

    Examples
    --------
    >>> with_backing(np.array([0.1, 0.6]), np.array([0.3, 0.05])).round(3)
    array([0.37, 0.62])
    """
    a, b = np.asarray(alpha_cover, np.float64), np.asarray(alpha_back, np.float64)
    return np.asarray(1.0 - (1.0 - a) * (1.0 - b))
