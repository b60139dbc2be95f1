"""Measures of a recorded impulse response, each given only where the recording allows.

Time counts from the onset, the first sample within 20 dB of the peak and clear of the
noise (ISO 3382-1:2009, 5.3.2). Noise is stationary: its power is estimated from the
end, subtracted, and the decay cut where it meets the noise, with what an exponential
would still have brought added (5.3.3; the search for that place goes round as A. Lundeby
and others, Acustica 81 (1995) 344, do; from memory). A decay range must end 10 dB above
the noise, so T20 needs 35 dB and T30 45 dB (ISO 3382-2:2008), and bandwidth times decay
time be at least 4, for EDT 16.
"""

from dataclasses import dataclass
from typing import Final

import numpy as np

from raysim.errors import AudioError, Complaint
from raysim.measures.clarity import centre_time_s, definition
from raysim.measures.decay import decay_curve_db, decay_times
from raysim.measures.echogram import Echogram
from raysim.measures.speech import (
    modulation_transfer,
    speech_index,
    speech_octaves,
    transfer_index,
)
from raysim.response.bands import (
    TIME_BANDWIDTH,
    TIME_BANDWIDTH_EVEN,
    bandwidth_hz,
    split_bands,
    split_bands_reversed,
)
from raysim.scene.model import Bands
from raysim.units import Float, band_edges_hz, to_energy, to_level_db

_ONSET_DB: Final = -20.0
_ABOVE_NOISE_DB: Final = 14.0
_MARGIN_DB: Final = 10.0  # between the end of a decay range and the noise
_NOISE_SHARE: Final = 0.1  # at least so much of the end is taken as noise at first
#: Energy ratios are right to 0.1 dB or so once the decay is followed this far.
_RATIO_RANGE_DB: Final = 20.0
_LATE_CLEARANCE_DB: Final = 6.0  # of late energy above what noise leaves unknown
_SHORTEST_S: Final = 0.1
_LEAST_C50_DB: Final = -15.0
_PADDING: Final = 4.0  # lead before the onset, over the narrowest bandwidth

#: Relative spread of T20 and T30 from one response, ISO 3382-2:2008 clause 7 with n = 10
#: decays for an integrated response (values from memory): factor / sqrt(B T)  (M14).
_SPREAD: Final = {"t20_s": 0.88 * np.sqrt(1.190), "t30_s": 0.55 * np.sqrt(1.152)}


@dataclass(frozen=True, slots=True)
class RecordedMeasures:
    """Measures of one response: (n_band,) each, NaN where not given.

    ``why[name][i_band]`` says why a value is not given, and is empty where it is.
    ``error`` holds the standard errors of T20 and T30 from the chance of a single
    response in a diffuse field, ISO 3382-2:2008 clause 7.
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
    sti: float  # of the room alone: the recording's noise is taken out, none put in
    error: dict[str, Float]
    why: dict[str, tuple[str, ...]]
    onset_s: float  # in the recording
    range_db: Float  # from the start of the decay curve down to the noise
    knee_s: Float  # after the onset: where the decay meets the noise


def is_response(measured: RecordedMeasures) -> bool:
    """Tell if a recording can be the impulse response of a small room at all.

    Of an exponential decay of 22 s, longer than any small room's, 3 % of the energy come in
    the first 50 ms: a C50 of -15 dB. A sweep as it was recorded, or a click long before the
    sound that was meant, bring less in every band. A recording without any C50 passes:
    there the reasons for that are told.

    Examples
    --------
    >>> round(float(to_level_db(to_energy(60 * 0.05 / 22) - 1)))
    -15
    """
    known = measured.c50_db[np.isfinite(measured.c50_db)]
    return not known.size or bool(known.max() > _LEAST_C50_DB)


def find_onset(samples: Float) -> int:
    """Give the index of the first sample within 20 dB of the greatest.

    In a loud background it must stand 14 dB above the mean of the recording's end too,
    which is five times its root mean square, but no more than 3 dB below the greatest.
    """
    power = samples**2
    greatest = power.max()
    noise = power[int((1.0 - _NOISE_SHARE) * power.size) :].mean()
    threshold = max(greatest * to_energy(_ONSET_DB), noise * to_energy(_ABOVE_NOISE_DB))
    return int(np.argmax(power >= min(threshold, 0.5 * greatest)))


@dataclass(frozen=True, slots=True)
class _Knee:
    """Where a decay meets the noise, and how it goes on."""

    index: int  # samples after the onset
    noise: float  # mean square of the noise
    rest: float  # energy an exponential would bring after the knee
    doubt: float  # factor by which the noise may be higher than it was read


def find_knee(power: Float, sample_rate_hz: int, wide_hz: float) -> _Knee:
    """Find where a squared, band-filtered decay meets its noise  (M13).

    Parameters
    ----------
    power : (n_sample,) float64
        From the onset on.
    sample_rate_hz : int
    wide_hz : float
        Bandwidth: 1 / bandwidth is the time after which noise is a new draw.

    Returns
    -------
    _Knee
        Where no noise is met, ``index`` is the number of samples and ``rest`` as much
        as the end that was taken for noise brought.
    """
    n = power.size
    block_s = max(0.005, 1.0 / wide_hz)
    # At least ten independent values of the noise, but never more than half of all.
    tail = n - int(np.clip(10.0 / wide_hz * sample_rate_hz, _NOISE_SHARE * n, 0.5 * n))
    noise = tail_noise = float(power[tail:].mean())
    knee, rest, after = n, noise * (n - tail), tail
    for _ in range(8):
        block = max(1, int(block_s * sample_rate_hz))
        mean = power[: n - n % block].reshape(-1, block).mean(axis=1)
        if noise <= 0.0 or mean.size < 4:
            break
        # The fall is read from 8 dB above the noise, over up to 25 dB, after the peak.
        # Its end is two low blocks in a row: noise-like decay has single dips.
        level = to_level_db(mean / noise)
        first = int(np.argmax(level))
        low = level[first:] < 8.0
        below = np.flatnonzero(low[:-1] & low[1:])
        last = first + int(below[0]) if below.size else level.size
        above = np.flatnonzero(level[first:last] > 33.0)
        start = first + (int(above[-1]) if above.size else 0)
        if last - start < 2:
            # Too steep to see a slope: count all noise up to here as unknown.
            knee = min(n, (last + 1) * block)
            rest = noise * knee
            break
        time = (np.arange(start, last) + 0.5) * block / sample_rate_hz
        slope, offset = np.polyfit(time, level[start:last], 1)
        if slope >= 0.0:
            break
        found = int(np.clip(-offset / slope * sample_rate_hz, block, n))
        decay_s = -10.0 / np.log(10.0) / slope  # of energy, by e
        rest = noise * (decay_s * sample_rate_hz if found < n else n - tail)
        settled = abs(found - knee) < 0.001 * sample_rate_hz
        knee = found
        if settled:
            break
        # Noise anew from 10 dB of decay after the knee on; what has decay left in it
        # reads higher than the tail.
        after = min(int(knee + 10.0 / -slope * sample_rate_hz), tail)
        noise = min(tail_noise, float(power[after:].mean()))
        block_s = max(0.25 * block_s, min(block_s, 2.0 / -slope))
    independent = wide_hz * (n - after) / sample_rate_hz
    return _Knee(knee, noise, rest, 1.0 + 2.0 / np.sqrt(max(1.0, independent)))


def _clean(power: Float, knees: list[_Knee], lead: int, sample_rate_hz: int) -> Echogram:
    """Give each band's energy up to its knee less noise, the rest put at the knee.

    The first ``lead`` samples are what the filter spread to before the onset; they
    count at time 0.
    """
    n_time = max(k.index for k in knees)
    binned = np.zeros((len(knees), n_time + 1))
    for out, p, knee in zip(binned, power, knees, strict=True):
        out[0] = p[:lead].sum()
        out[1 : knee.index + 1] = p[lead : lead + knee.index] - knee.noise
        out[knee.index] += knee.rest
    edge = np.concatenate([[0.0], np.arange(n_time + 1) / sample_rate_hz])
    return Echogram(np.zeros(0), np.zeros((len(knees), 0)), edge, binned)


def measure_recorded(
    samples: Float, sample_rate_hz: int, bands: Bands | None = None, onset: int | None = None
) -> RecordedMeasures:
    """Measure a recorded impulse response.

    Parameters
    ----------
    samples : (n_sample,) float64
        Finite and not all zero, as `raysim.response.wav.read_wav` gives.
    sample_rate_hz : int
    bands : Bands, optional
        Octaves by default.
    onset : int, optional
        The sample at which time begins, where it is known; else it is found.

    Returns
    -------
    RecordedMeasures

    Raises
    ------
    AudioError
        RS-W11: less than 0.1 s lies after the onset.
    """
    bands = Bands() if bands is None else bands
    onset = find_onset(samples) if onset is None else onset
    cut = samples[onset:]
    if cut.size < _SHORTEST_S * sample_rate_hz:
        raise AudioError(
            Complaint(
                where="recording",
                wrong=f"only {1000.0 * cut.size / sample_rate_hz:.0f} ms follow the onset.",
                fix="Record until the sound has died away, and half a second more.",
                code="RS-W11",
            )
        )
    wide = bandwidth_hz(bands)
    lead = int(_PADDING / wide.min() * sample_rate_hz)
    decaying = split_bands_reversed(cut, sample_rate_hz, bands, lead) ** 2
    knees = [
        find_knee(p[lead:], sample_rate_hz, w) for p, w in zip(decaying, wide, strict=True)
    ]
    late = _clean(decaying, knees, lead, sample_rate_hz)
    even = _clean(
        split_bands(cut, sample_rate_hz, bands, lead) ** 2, knees, lead, sample_rate_hz
    )
    top_hz = band_edges_hz(bands.centre_hz, bands.fraction)[:, 1]
    inside = top_hz < 0.5 * sample_rate_hz
    range_db = np.where(inside, _range_db(late, knees), np.nan)

    values, why = _decay(even, late, range_db, wide)
    ratios, why_ratios = _ratios(even, range_db)
    values |= ratios
    why |= why_ratios
    mti = transfer_index(modulation_transfer(speech_octaves(even, bands.fraction)))
    speech = bool(np.all(range_db[bands.fraction :] >= _RATIO_RANGE_DB))
    why["sti"] = ("" if speech else "not every band from 125 Hz to 8 kHz is known",)
    return RecordedMeasures(
        **values,
        sti=speech_index(mti) if speech else float("nan"),
        error={n: factor * np.sqrt(values[n] / wide) for n, factor in _SPREAD.items()},
        why=why,
        onset_s=onset / sample_rate_hz,
        range_db=range_db,
        knee_s=np.array([k.index / sample_rate_hz for k in knees]),
    )


def _range_db(late: Echogram, knees: list[_Knee]) -> Float:
    """Give how far each decay curve falls until noise or the end of the recording."""
    unknown = np.array([k.rest * k.doubt for k in knees])
    total = late.total
    share = np.divide(unknown, total, out=np.ones_like(total), where=total > 0.0)
    return -to_level_db(share)


def _why_shallow(range_db: Float) -> list[str]:
    """Say where a band is out of reach or its decay too shallow for energy ratios."""
    return [
        "the sample rate is too low for this band"
        if np.isnan(r)
        else f"the decay is only {max(0.0, r):.0f} dB above the noise"
        if r < _RATIO_RANGE_DB
        else ""
        for r in range_db
    ]


def _decay(
    even: Echogram, late: Echogram, range_db: Float, wide_hz: Float
) -> tuple[dict[str, Float], dict[str, tuple[str, ...]]]:
    """Give decay times with reasons: EDT without phase, T20 and T30 in reversed time."""
    deepest_db = _MARGIN_DB - range_db
    early, decay = (decay_times(*decay_curve_db(e), deepest_db) for e in (even, late))
    values = {"edt_s": early.edt_s, "t20_s": decay.t20_s, "t30_s": decay.t30_s}
    given = {
        "edt_s": early.why["edt_s"],
        "t20_s": decay.why["t20_s"],
        "t30_s": decay.why["t30_s"],
    }
    least = {"edt_s": TIME_BANDWIDTH_EVEN, "t20_s": TIME_BANDWIDTH, "t30_s": TIME_BANDWIDTH}
    why = {}
    shallow = _why_shallow(np.where(np.isnan(range_db), np.nan, np.inf))
    for name, value in values.items():
        # EDT scatters too much in narrow bands to judge itself by.
        steady = name == "edt_s" and np.isfinite(values["t20_s"])
        product = wide_hz * np.where(steady, values["t20_s"], value)
        why[name] = tuple(
            unreachable
            or reason
            or (
                f"bandwidth times decay time is {p:.1f}, below {least[name]:g}"
                if p < least[name]
                else ""
            )
            for unreachable, reason, p in zip(shallow, given[name], product, strict=True)
        )
        values[name] = np.where([w == "" for w in why[name]], value, np.nan)
    values["xi_permille"] = np.where(np.isnan(values["t30_s"]), np.nan, decay.xi_permille)
    values["curvature_pct"] = 100.0 * (values["t30_s"] / values["t20_s"] - 1.0)
    return values, why


def _ratios(
    even: Echogram, range_db: Float
) -> tuple[dict[str, Float], dict[str, tuple[str, ...]]]:
    """Give clarity, definition and centre time, with reasons."""
    shallow = _why_shallow(range_db)
    known = np.array([w == "" for w in shallow])
    values = {
        "d50": np.where(known, definition(even), np.nan),
        "ts_s": np.where(known, centre_time_s(even), np.nan),
    }
    why = {"d50": tuple(shallow), "ts_s": tuple(shallow)}
    for name, early_s in (("c50_db", 0.05), ("c80_db", 0.08)):
        left = even.after(np.array([early_s]))[:, 0]
        # What is left late must stand above the noise that was taken out.
        heard = known & (left > even.total * to_energy(_LATE_CLEARANCE_DB - range_db))
        ratio = np.divide(even.total - left, left, out=np.ones_like(left), where=heard)
        values[name] = np.where(heard, to_level_db(ratio), np.nan)
        why[name] = tuple(
            reason
            or ("" if ok else f"what comes after {1000 * early_s:.0f} ms is lost in noise")
            for reason, ok in zip(shallow, heard, strict=True)
        )
    return values, why
