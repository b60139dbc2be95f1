"""What layouts are compared by, without each batch of rays in turn, and nothing more.

The numbers are those of `raysim.measures.pair.PairMeasures.without`, in a part of the time:
only what is compared is measured; decays come from `raysim.measures.replicas`. Theory:
DEVELOPERS.md, M9 and M17.
"""

import numpy as np

from raysim.measures.clarity import clarity_db
from raysim.measures.echogram import Echogram
from raysim.measures.level import strength_db
from raysim.measures.pair import PairMeasures, RoomDecay, without_direct
from raysim.measures.replicas import Heard, decays_without_each
from raysim.measures.speech import (
    modulation_transfer,
    speech_index,
    speech_octaves,
    transfer_index,
)
from raysim.records import PairResult
from raysim.scene.model import Bands, Receiver
from raysim.units import Float

#: Decay times that are compared.
_DECAYS = ("edt_s", "t30_s")


def without_each(
    pair: PairResult,
    receiver: Receiver,
    bands: Bands,
    measured: PairMeasures,
    mean_gain: Float,
) -> dict[str, Float]:
    """Give EDT, T30, C50, C80, G and STI of one pair without each batch  (M9).

    Parameters
    ----------
    pair : PairResult
    receiver : Receiver
    bands : Bands
    measured : PairMeasures
        Of all batches: decay times that it lacks stay unknown.
    mean_gain : (n_band,) float64
        As for `raysim.measures.pair.measure_pair`.

    Returns
    -------
    dict of str to (n_batch, n_band) float64
        STI (n_batch,). Empty with fewer than two batches.
    """
    histogram = pair.histogram
    if len(histogram.energy) < 2:
        return {}
    own = Heard(pair.arrivals, histogram, receiver, receiver.pattern)
    omni = own
    if receiver.pattern != 1.0:
        omni = Heard(pair.arrivals, histogram, receiver, 1.0)
    found: dict[str, list[Float]] = {name: [] for name in ("c50_db", "c80_db", "g_db")}
    octaves = []
    for heard, whole in zip(own.without_each(), omni.without_each(), strict=True):
        found["c50_db"].append(clarity_db(heard, 0.05))
        found["c80_db"].append(clarity_db(heard, 0.08))
        found["g_db"].append(strength_db(whole, mean_gain))
        octaves.append(speech_octaves(heard, bands.fraction))
    without = {name: np.stack(values) for name, values in found.items()}
    without |= decays_without_each(own, {n: getattr(measured, n) for n in _DECAYS})
    without["sti"] = _speech(octaves)
    return {name: np.where(np.isfinite(v), v, np.nan) for name, v in without.items()}


def decay_without_each(
    pair: PairResult,
    receiver: Receiver,
    measured: PairMeasures,
    decay: RoomDecay,
    without_t30_s: Float,
) -> Float:
    """Give T30 of the room as one pair shows it without each batch, (n_batch, n_band).

    Where the direct sound hides it, it is that of the rest: see
    `raysim.measures.pair.room_decay`, which ``decay`` is of; ``without_t30_s`` is of the pair
    with all its sound.
    """
    lacks = np.isnan(measured.t30_s)
    if not (decay.hidden and lacks.any()):
        return without_t30_s
    rest = Heard(without_direct(pair.arrivals), pair.histogram, receiver, receiver.pattern)
    return np.where(
        lacks, decays_without_each(rest, {"t30_s": decay.t30_s})["t30_s"], without_t30_s
    )


def _speech(octaves: list[Echogram]) -> Float:
    """Give the STI of several echograms that differ in their bins alone."""
    first = octaves[0]
    together = Echogram(
        first.arrival_s,
        np.tile(first.arrival_energy, (len(octaves), 1)),
        first.edge_s,
        np.concatenate([one.binned for one in octaves]),
    )
    transfer = modulation_transfer(together).reshape(len(octaves), 7, -1)
    return np.array([speech_index(mti) for mti in transfer_index(transfer)])
