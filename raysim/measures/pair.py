"""All measures of one source and one receiver, with standard errors.

Time counts from the direct sound, or from the first energy of any kind where the
source is not in sight. Arrivals keep their exact times; a histogram's energy is even
within its bin, and none of it lies before the start. Decay, clarity and STI are of what
the receiver's microphone takes; G, J_LF and L_J have microphones of their own by ISO
3382-1. Errors are delete-one jackknife over the histogram's batches: images are exact.
The directions of late sound are known only as their mean over batches: J_LF and L_J
therefore come without an error, and the error of a directional microphone leaves out how
directions scatter (up to 1.6 times too small, computed for a figure-of-eight).
"""

from collections.abc import Callable
from dataclasses import dataclass, field, fields
from typing import Any

import numpy as np

from raysim.measures.clarity import centre_time_s, clarity_db, definition
from raysim.measures.decay import STEP_S, decay_curve_db, decay_times
from raysim.measures.echogram import Echogram
from raysim.measures.level import late_lateral_db, lateral_fraction, strength_db
from raysim.measures.speech import (
    modulation_transfer,
    speech_index,
    speech_octaves,
    transfer_index,
)
from raysim.records import Arrivals, EnergyHistogram
from raysim.response.microphone import arrival_gain, histogram_share, lateral_axis
from raysim.scene.model import Bands
from raysim.units import Float, to_level_db

#: Level in dB that energy missing after the end may have, below the lowest level of a
#: fit: it changes the curve there by 0.14 dB, and T30 by a third of a per cent.
_CLEARANCE_DB = 15.0

#: The measures of one value per band, and what the errors are keyed by.
BAND_MEASURES = (
    "edt_s", "t20_s", "t30_s", "xi_permille", "curvature_pct", "c50_db", "c80_db", "d50",
    "ts_s", "g_db", "j_lf", "lj_db",
)  # fmt: skip
SINGLE_MEASURES = ("t30_mid_s", "sti")


@dataclass(frozen=True, slots=True)
class PairMeasures:
    """Measures of one pair: (n_band,) arrays, and two single numbers.

    ``error[name]`` is the standard error of measure ``name``, in its shape; NaN with
    fewer than two batches, 0 where only exact arrivals count. ``why[name][i_band]``
    says why a decay time is NaN and is empty otherwise. STI is of the room alone,
    without noise or masking. ``without[name][i_batch]`` is the measure without batch
    i_batch, NaN where infinite: two pairs of one seed share the chance of a batch, so
    the spread of their differences is that of the difference  (M17).
    """

    edt_s: Float
    t20_s: Float
    t30_s: Float
    xi_permille: Float
    curvature_pct: Float
    c50_db: Float
    c80_db: Float
    d50: Float
    ts_s: Float
    g_db: Float
    j_lf: Float
    lj_db: Float
    mti: Float  # (7,) modulation transfer index, octaves 125 Hz to 8 kHz
    t30_mid_s: float  # mean of the 500 Hz and 1 kHz octaves
    sti: float
    error: dict[str, Float]
    why: dict[str, tuple[str, ...]]
    start_s: float  # after emission
    from_direct: bool  # False: no line of sight, time counts from the first energy
    without: dict[str, Float] = field(default_factory=dict)  # empty below two batches


@dataclass(frozen=True, slots=True)
class DecayLevels:
    """A decay curve to draw: level re the whole energy, and its standard error."""

    time_s: Float  # (n_time,) after the start
    level_db: Float  # (n_band, n_time)
    error_db: Float  # (n_band, n_time)


def start_of(arrivals: Arrivals, histogram: EnergyHistogram) -> tuple[float, bool]:
    """Give when time begins, in s after emission, and whether with direct sound.

    A pair that nothing reaches starts at 0.
    """
    direct = arrivals.order == 0
    if np.any(direct):
        return float(arrivals.delay_s[direct].min()), True
    first = [float(arrivals.delay_s.min())] if arrivals.delay_s.size else []
    filled = np.flatnonzero(histogram.energy.any(axis=(0, 1)))
    first += [float(filled[0] * histogram.bin_s)] if filled.size else []
    return min(first, default=0.0), False


def without_direct(arrivals: Arrivals) -> Arrivals:
    """Give the arrivals without the direct sound."""
    kept = arrivals.order > 0
    values: dict[str, Any] = {f.name: getattr(arrivals, f.name) for f in fields(Arrivals)}
    held = {name: value[kept] for name, value in values.items() if value is not None}
    return Arrivals(**held)


@dataclass(frozen=True, slots=True)
class RoomDecay:
    """T30 of a room as one pair shows it, (n_band,) each."""

    t30_s: Float
    error_s: Float
    hidden: bool  # some band is of the sound without the direct, which hid the rest
    without_s: Float | None = None  # (n_batch, n_band) T30 without each batch
    #: (n_band,) T30 of rays in all bands; None: that is what ``t30_s`` is
    rays_t30_s: Float | None = None


def room_decay(
    measured: "PairMeasures",
    arrivals: Arrivals,
    histogram: EnergyHistogram,
    bands: Bands,
    receiver_aim: Float,
    pattern: float = 1.0,
) -> RoomDecay:
    """Give a pair's T30, and where close direct sound hides it, that of the rest.

    A microphone at the mouth hears the room far more than 5 dB below the direct sound:
    the curve falls in one step, and T30 by the standard does not exist. The room decays
    all the same. Parameters are those of `measure_pair`, and its result.
    """
    t30, error = measured.t30_s, measured.error["t30_s"]
    lacks = np.isnan(t30)
    if not lacks.any() or not np.any(arrivals.order == 0):
        return RoomDecay(t30, error, hidden=False, without_s=measured.without.get("t30_s"))
    rest = measure_pair(without_direct(arrivals), histogram, bands, receiver_aim, pattern)
    return RoomDecay(
        np.where(lacks, rest.t30_s, t30),
        np.where(lacks, rest.error["t30_s"], error),
        hidden=bool(np.isfinite(rest.t30_s[lacks]).any()),
        without_s=np.where(lacks, rest.without["t30_s"], measured.without["t30_s"])
        if rest.without
        else None,
    )


@dataclass(frozen=True, slots=True)
class _Microphone:
    """One pair as one microphone takes it, ready for any mean of batches."""

    arrival_s: Float
    arrival_energy: Float  # (n_band, n_arrival)
    edge_s: Float
    share: Float  # (n_band, n_time)

    def hears(self, binned: Float) -> Echogram:
        """Give the echogram for an omnidirectional histogram (n_band, n_time)."""
        return Echogram(self.arrival_s, self.arrival_energy, self.edge_s, binned * self.share)


def _microphone(
    arrivals: Arrivals, histogram: EnergyHistogram, start_s: float, aim: Float, pattern: float
) -> _Microphone:
    order = np.argsort(arrivals.delay_s, kind="stable")
    gain = arrival_gain(arrivals.direction, aim, pattern)
    n_time = histogram.energy.shape[2]
    return _Microphone(
        arrival_s=np.maximum(arrivals.delay_s[order] - start_s, 0.0),
        arrival_energy=(arrivals.energy * gain[:, None] ** 2)[order].T,
        edge_s=np.maximum(np.arange(n_time + 1) * histogram.bin_s - start_s, 0.0),
        share=histogram_share(histogram, aim, pattern),
    )


def deepest_db(echogram: Echogram) -> Float:
    """Give down to which level the decay curve holds, for the energy after its end  (M3).

    What is missing is guessed from the last two tenths of the time, as decaying on at
    the rate between them. NaN for a band without energy.
    """
    end = echogram.end_s
    left = echogram.after(np.array([0.8, 0.9]) * end)
    last, previous = left[:, 1], left[:, 0] - left[:, 1]
    ratio = np.divide(last, previous, out=np.zeros_like(last), where=previous > 0.0)
    # Noise can make the last tenth the stronger; then the guess is nine times it.
    ratio = np.minimum(ratio, 0.9)
    missing = last * ratio / (1.0 - ratio)
    total = echogram.total
    share = np.divide(missing, total, out=np.zeros_like(total), where=total > 0.0)
    return np.where(total > 0.0, to_level_db(share) + _CLEARANCE_DB, np.nan)


def measure_pair(
    arrivals: Arrivals,
    histogram: EnergyHistogram,
    bands: Bands,
    receiver_aim: Float,
    pattern: float = 1.0,
    source_mean_gain: Float | None = None,
) -> PairMeasures:
    """Measure one pair.

    Parameters
    ----------
    arrivals, histogram
        Of the pair, from the store.
    bands : Bands
    receiver_aim : (3,) float64
        Unit vector: the microphone's axis, and the way the listener of J_LF faces.
    pattern : float
        The receiver's first-order pattern p, 1 omnidirectional.
    source_mean_gain : (n_band,) float64, optional
        Mean over directions of the source's energy gain re its axis; None is 1.

    Returns
    -------
    PairMeasures
        J_LF and L_J are NaN for an aim straight up or down.
    """
    start_s, from_direct = start_of(arrivals, histogram)
    aim = np.asarray(receiver_aim, dtype=np.float64)
    own = _microphone(arrivals, histogram, start_s, aim, pattern)
    omni = own if pattern == 1.0 else _microphone(arrivals, histogram, start_s, aim, 1.0)
    across = lateral_axis(aim)
    eight = None if across is None else _microphone(arrivals, histogram, start_s, across, 0.0)
    gain = np.ones(bands.n_band) if source_mean_gain is None else source_mean_gain
    mid = bands.middle
    step_s = min(STEP_S, histogram.bin_s / 4.0)
    mean = histogram.energy.mean(axis=0)
    deepest = deepest_db(own.hears(mean))
    nothing = np.full(bands.n_band, np.nan)

    def measure(binned: Float) -> tuple[dict[str, Float], dict[str, tuple[str, ...]]]:
        heard, whole = own.hears(binned), omni.hears(binned)
        lateral = None if eight is None else eight.hears(binned)
        time_s, level_db = decay_curve_db(heard, step_s)
        decay = decay_times(time_s, level_db, deepest)
        mti = transfer_index(modulation_transfer(speech_octaves(heard, bands.fraction)))
        values = {
            "edt_s": decay.edt_s,
            "t20_s": decay.t20_s,
            "t30_s": decay.t30_s,
            "xi_permille": decay.xi_permille,
            "curvature_pct": decay.curvature_pct,
            "c50_db": clarity_db(heard, 0.05),
            "c80_db": clarity_db(heard, 0.08),
            "d50": definition(heard),
            "ts_s": centre_time_s(heard),
            "g_db": strength_db(whole, gain),
            "j_lf": nothing if lateral is None else lateral_fraction(lateral, whole),
            "lj_db": nothing if lateral is None else late_lateral_db(lateral, gain),
            "mti": mti,
            "t30_mid_s": np.asarray(decay.t30_s[mid].mean()),
            "sti": np.asarray(speech_index(mti)),
        }
        return values, decay.why

    values, why = measure(mean)
    without = _without_each(histogram.energy, lambda binned: measure(binned)[0])
    error = {name: spread(without[name]) for name in values} if without else {}
    if not without:
        error = {name: np.full_like(value, np.nan) for name, value in values.items()}
    error |= {"j_lf": nothing, "lj_db": nothing}
    named: dict[str, Any] = dict(values)
    named |= {name: float(values[name]) for name in SINGLE_MEASURES}
    return PairMeasures(
        **named, error=error, why=why, start_s=start_s, from_direct=from_direct, without=without
    )


def _without_each(
    batches: Float, measure: Callable[[Float], dict[str, Float]]
) -> dict[str, Float]:
    """Give every measure of the mean over all batches but one, for each one  (M9).

    (n_batch, ...) each; empty with fewer than two batches.
    """
    n_batch = batches.shape[0]
    whole = batches.sum(axis=0)
    if n_batch < 2:
        return {}
    without = [measure((whole - batch) / (n_batch - 1)) for batch in batches]
    stacked = {name: np.stack([one[name] for one in without]) for name in without[0]}
    # Infinite clarities, of bands where nothing is late, have no spread to state.
    return {name: np.where(np.isfinite(v), v, np.nan) for name, v in stacked.items()}


def spread(without: Float) -> Float:
    """Give the delete-one standard error from values without each batch  (M9).

    Parameters
    ----------
    without : (n_batch, ...) float64

    Returns
    -------
    (...) float64
    """
    return np.asarray(np.sqrt((without.shape[0] - 1) * without.var(axis=0)))


def decay_levels(
    arrivals: Arrivals,
    histogram: EnergyHistogram,
    receiver_aim: Float,
    pattern: float = 1.0,
    step_s: float = 0.001,
) -> DecayLevels:
    """Give the integrated decay of every band to draw, with its standard error.

    Parameters are those of `measure_pair`; ``step_s`` is the spacing of the curve.
    Levels are re the whole energy; the error at a time is of that level.
    """
    start_s, _ = start_of(arrivals, histogram)
    aim = np.asarray(receiver_aim, dtype=np.float64)
    own = _microphone(arrivals, histogram, start_s, aim, pattern)
    mean = histogram.energy.mean(axis=0)
    time_s, level_db = decay_curve_db(own.hears(mean), step_s)
    without = _without_each(
        histogram.energy, lambda b: {"level": decay_curve_db(own.hears(b), step_s)[1]}
    )
    error_db = spread(without["level"]) if without else np.full_like(level_db, np.nan)
    return DecayLevels(time_s, level_db, error_db)
