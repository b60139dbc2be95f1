"""Early against late energy: C50, C80, D50 and the centre time Ts.

Source: ISO 3382-1:2009, A.10 to A.13.
"""

import numpy as np

from raysim.measures.echogram import Echogram
from raysim.units import Float, to_level_db


def clarity_db(echogram: Echogram, early_s: float) -> Float:
    """Give 10 lg of early over late energy, (n_band,) dB; +inf when nothing is late  (M4)."""
    late = echogram.after(np.array([early_s]))[:, 0]
    early = echogram.total - late
    with np.errstate(divide="ignore", invalid="ignore"):
        return to_level_db(early / late)


def definition(echogram: Echogram, early_s: float = 0.05) -> Float:
    """Give the early share of the energy, (n_band,), NaN without energy."""
    total = echogram.total
    share = np.full_like(total, np.nan)
    return np.divide(echogram.before(early_s), total, out=share, where=total > 0.0)


def centre_time_s(echogram: Echogram) -> Float:
    """Give the centre of gravity of the energy, (n_band,) s, NaN without energy."""
    return echogram.mean_time_s()
