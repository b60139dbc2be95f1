"""Speech transmission index: how much of speech's modulation the room lets through.

Octave bands 125 Hz to 8 kHz, 14 modulation frequencies, male weights, all as in IEC
60268-16 Edition 5 (2020); its weights and masking equal those of Edition 4 (2011). The
modulation transfer of a room is that of M. R. Schroeder, Acustica 49 (1981) 179, with
the squared response in numerator and denominator.
"""

import numpy as np

from raysim.measures.echogram import Echogram
from raysim.units import Float, to_energy, to_level_db

OCTAVE_HZ = (125, 250, 500, 1000, 2000, 4000, 8000)
MODULATION_HZ = np.array(
    [0.63, 0.80, 1.00, 1.25, 1.60, 2.00, 2.50, 3.15, 4.00, 5.00, 6.30, 8.00, 10.0, 12.5]
)
MALE_ALPHA = np.array([0.085, 0.127, 0.230, 0.233, 0.309, 0.224, 0.173])
MALE_BETA = np.array([0.085, 0.078, 0.065, 0.011, 0.047, 0.095])
#: Faintest band level that speech is heard at, dB SPL.
RECEPTION_DB = np.array([46.0, 27.0, 12.0, 6.5, 7.5, 8.0, 12.0])
#: Band levels of male speech relative to its A-weighted level, Edition 5.
SPEECH_RE_A_DB = np.array([-2.5, 0.5, 0.0, -6.0, -12.0, -18.0, -24.0])


def speech_octaves(energy_of_bands: Echogram, fraction: int) -> Echogram:
    """Pick, or add up from thirds, the seven octaves 125 Hz to 8 kHz.

    The bands are those of `raysim.units`: eight octaves from 63 Hz, or 24 thirds from
    50 Hz, of a source whose thirds are equally strong within an octave.
    """

    def octaves(energy: Float) -> Float:
        return np.asarray(energy.reshape(8, fraction, -1).sum(axis=1)[1:])

    return Echogram(
        energy_of_bands.arrival_s,
        octaves(energy_of_bands.arrival_energy),
        energy_of_bands.edge_s,
        octaves(energy_of_bands.binned),
    )


def modulation_transfer(octaves: Echogram) -> Float:
    """Give m(F) of the room alone, (7, 14); NaN for a band without energy  (M7)."""
    total = octaves.total[:, None]
    waves = octaves.spectrum(MODULATION_HZ)
    return np.divide(waves, total, out=np.full_like(waves, np.nan), where=total > 0.0)


def with_noise(transfer: Float, speech_less_noise_db: Float | float) -> Float:
    """Give m(F) with noise added, (7, 14), for a level difference of each band."""
    ratio = np.broadcast_to(np.asarray(speech_less_noise_db, dtype=np.float64), (7,))
    return np.asarray(transfer / (1.0 + to_energy(-ratio))[:, None])


def with_masking(transfer: Float, level_db: Float) -> Float:
    """Give m(F) as the ear takes it, (7, 14).

    Parameters
    ----------
    transfer : (7, 14) float64
        With noise, if there is any.
    level_db : (7,) float64
        Sound pressure level of speech and noise together in each octave.
    """
    below = level_db[:-1]
    upward_db = np.select(
        [below < 63.0, below < 67.0, below < 100.0],
        [0.5 * below - 65.0, 1.8 * below - 146.9, 0.5 * below - 59.8],
        -10.0,
    )
    own = to_energy(level_db)
    masking = np.concatenate([[0.0], own[:-1] * to_energy(upward_db)])
    return np.asarray(transfer * (own / (own + masking + to_energy(RECEPTION_DB)))[:, None])


def transfer_index(transfer: Float) -> Float:
    """Give the modulation transfer index of each octave, (7,), 0 to 1."""
    with np.errstate(divide="ignore"):
        ratio_db = to_level_db(transfer) - to_level_db(np.maximum(0.0, 1.0 - transfer))
    return np.asarray(((np.clip(ratio_db, -15.0, 15.0) + 15.0) / 30.0).mean(axis=-1))


def speech_index(mti: Float) -> float:
    """Give the STI, 0 to 1, from the seven octaves' transfer indices  (M8)."""
    together = np.sqrt(mti[:-1] * mti[1:])
    return float(np.minimum(1.0, MALE_ALPHA @ mti - MALE_BETA @ together))
