"""Values given per octave, brought to the bands of a run.

Eight values are octaves 63 Hz to 8 kHz; six are 125 Hz to 4 kHz, as tables print
them, and the outer two are repeated for 63 Hz and 8 kHz. One-third octaves lie in
between on a logarithmic frequency axis; those beyond the outer octaves repeat them.
"""

import numpy as np

from raysim.scene.model import Bands
from raysim.units import OCTAVE_LABELS, Float

N_OCTAVE = len(OCTAVE_LABELS)
N_PRINTED = N_OCTAVE - 2

# Steps from 1 kHz in octaves: bands are even on a logarithmic axis.
_OCTAVE_STEP = np.arange(-4, 4)
_THIRD_STEP = np.arange(-13, 11) / 3.0


def per_band(values: Float, bands: Bands) -> Float:
    """Bring octave values to a run's bands.

    Parameters
    ----------
    values : (..., 8) or (..., 6) or (..., 1) float64
        Octaves 63 Hz to 8 kHz, or 125 Hz to 4 kHz, or one value for all.
    bands : Bands

    Returns
    -------
    (..., n_band) float64
        Read-only.

    Examples
    --------
    >>> per_band(np.array([0.1, 0.2, 0.3, 0.4, 0.5, 0.6]), Bands())
    array([0.1, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.6])
    >>> per_band(np.array([0.1, 0.2, 0.3, 0.4, 0.5, 0.6]), Bands(3))[4:8].round(4)
    array([0.1   , 0.1333, 0.1667, 0.2   ])
    """
    octave = np.array(values, dtype=np.float64)
    if octave.shape[-1] == 1:
        octave = np.repeat(octave, N_OCTAVE, axis=-1)
    elif octave.shape[-1] == N_PRINTED:
        octave = np.concatenate([octave[..., :1], octave, octave[..., -1:]], axis=-1)
    if bands.fraction == 3:
        rows = octave.reshape(-1, N_OCTAVE)
        thirds = [np.interp(_THIRD_STEP, _OCTAVE_STEP, row) for row in rows]
        octave = np.array(thirds).reshape(*octave.shape[:-1], _THIRD_STEP.size)
    octave.setflags(write=False)
    return octave
