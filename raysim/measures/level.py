"""How loud and how lateral: strength G, early lateral fraction J_LF, late lateral L_J.

Source: ISO 3382-1:2009, A.2 and A.14 to A.16. The reference is the same source in free
field at 10 m, averaged over directions of power.
"""

import numpy as np

from raysim.measures.echogram import Echogram
from raysim.units import Float, to_level_db

#: From 1 m, raysim's reference, to 10 m, the standard's.
TEN_METRES_DB = 20.0


def strength_db(echogram: Echogram, source_mean_gain: Float) -> Float:
    """Give the strength G, (n_band,) dB  (M5).

    Parameters
    ----------
    echogram : Echogram
        Of an omnidirectional receiver.
    source_mean_gain : (n_band,) float64
        Mean over all directions of the source's energy gain re its axis; 1 for an
        omnidirectional source.
    """
    return np.asarray(to_level_db(echogram.total / source_mean_gain) + TEN_METRES_DB)


def lateral_fraction(lateral: Echogram, omni: Echogram) -> Float:
    """Give J_LF, (n_band,): lateral energy of 5 to 80 ms over all energy to 80 ms  (M6)."""
    early = lateral.before(0.08) - lateral.before(0.005)
    whole = omni.before(0.08)
    share = np.full_like(whole, np.nan)
    return np.divide(early, whole, out=share, where=whole > 0.0)


def late_lateral_db(lateral: Echogram, source_mean_gain: Float) -> Float:
    """Give L_J, (n_band,) dB: lateral energy after 80 ms re the reference of G."""
    late = lateral.after(np.array([0.08]))[:, 0]
    return np.asarray(to_level_db(late / source_mean_gain) + TEN_METRES_DB)
