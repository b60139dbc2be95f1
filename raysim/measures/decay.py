"""Decay times from the backward-integrated curve: EDT, T20, T30 and how straight it is.

Lines are fitted by least squares to the level in dB at evenly spaced instants, and
their slope given as the time of 60 dB. Where the curve is not known deep enough the
time is NaN, with the reason in words. Source: ISO 3382-1:2009, ISO 3382-2:2008 Annex B.
"""

from dataclasses import dataclass

import numpy as np

from raysim.measures.echogram import Echogram
from raysim.units import Float, to_level_db

#: Level ranges in dB of the integrated decay curve, ISO 3382.
RANGES_DB = {"edt_s": (0.0, -10.0), "t20_s": (-5.0, -25.0), "t30_s": (-5.0, -35.0)}

#: The finest spacing of the instants at which a curve is read.
STEP_S = 0.25e-3


@dataclass(frozen=True, slots=True)
class DecayTimes:
    """Decay times of every band, (n_band,) each; ``why`` says why one is NaN."""

    edt_s: Float
    t20_s: Float
    t30_s: Float
    xi_permille: Float  # non-linearity of the T30 line, 1000 (1 - r^2)
    curvature_pct: Float  # 100 (T30 / T20 - 1)
    why: dict[str, tuple[str, ...]]


def decay_curve_db(echogram: Echogram, step_s: float = STEP_S) -> tuple[Float, Float]:
    """Read the integrated decay curve.

    Returns
    -------
    time_s : (n_time,) float64
        Middles of equal steps, so that a jump at an instant weighs nothing.
    level_db : (n_band, n_time) float64
        Relative to the whole energy; -inf after the end.
    """
    n_step = max(1, int(np.ceil(echogram.end_s / step_s)))
    time: Float = np.asarray((np.arange(n_step) + 0.5) * step_s, dtype=np.float64)
    total = echogram.total[:, None]
    after = np.maximum(echogram.after(time), 0.0)  # noise taken out can leave less than none
    share = np.divide(after, total, out=np.zeros_like(after), where=total > 0.0)
    return time, to_level_db(share)


def fit_line(
    time_s: Float, level_db: Float, upper_db: float, lower_db: float
) -> tuple[Float, Float]:
    """Fit a line to the part of each decay curve between two levels  (M2).

    Parameters
    ----------
    time_s : (n_time,) float64
        Evenly spaced.
    level_db : (n_band, n_time) float64
        Falling.
    upper_db, lower_db : float

    Returns
    -------
    decay_s : (n_band,) float64
        Time of 60 dB along the line; NaN with fewer than three points between the
        levels, or when these span less than half of the range.
    xi_permille : (n_band,) float64
        1000 (1 - r^2), 0 for a straight decay, ISO 3382-2:2008 Annex B.
    """
    inside = (level_db <= upper_db) & (level_db >= lower_db)
    n = inside.sum(axis=1)
    # One step of a staircase is no slope: half the range must be there to be seen.
    span = np.where(inside, level_db, -np.inf).max(axis=1) - np.where(
        inside, level_db, np.inf
    ).min(axis=1)
    enough = (n >= 3) & (span >= 0.5 * (upper_db - lower_db))
    n_safe = np.maximum(n, 1)
    time = np.where(inside, time_s, 0.0)
    level = np.where(inside, level_db, 0.0)
    time = np.where(inside, time - (time.sum(axis=1) / n_safe)[:, None], 0.0)
    level = np.where(inside, level - (level.sum(axis=1) / n_safe)[:, None], 0.0)
    tt, tl, ll = (time**2).sum(axis=1), (time * level).sum(axis=1), (level**2).sum(axis=1)
    falls = enough & (tl < 0.0)
    nothing = np.full(n.shape, np.nan)
    decay = np.divide(-60.0 * tt, tl, out=nothing.copy(), where=falls)
    r2 = np.divide(tl**2, tt * ll, out=nothing.copy(), where=falls)
    return decay, np.maximum(0.0, 1000.0 * (1.0 - r2))


def decay_times(time_s: Float, level_db: Float, deepest_db: Float) -> DecayTimes:
    """Give EDT, T20 and T30 where the curve is known deep enough.

    Parameters
    ----------
    time_s : (n_time,) float64
    level_db : (n_band, n_time) float64
        Integrated decay curve, as from `decay_curve_db`.
    deepest_db : (n_band,) float64
        Down to where each curve may be used; NaN where there is no energy at all.

    Returns
    -------
    DecayTimes
    """
    got: dict[str, Float] = {}
    why: dict[str, tuple[str, ...]] = {}
    xi = np.full(level_db.shape[0], np.nan)
    for name, (upper, lower) in RANGES_DB.items():
        decay, xi = fit_line(time_s, level_db, upper, lower)
        deep = deepest_db <= lower
        reasons = []
        for known, deepest, value in zip(deep, deepest_db, decay, strict=True):
            if known and np.isfinite(value):
                reasons.append("")
            elif known:
                reasons.append(
                    f"too little of the curve lies between {upper:g} and {lower:g} dB: "
                    "it falls in a few steps"
                )
            elif np.isnan(deepest):
                reasons.append("no energy in this band")
            else:
                reasons.append(
                    f"needs the decay down to {lower:g} dB, "
                    f"known down to {min(deepest, 0.0):.0f} dB"
                )
        got[name] = np.where(deep, decay, np.nan)
        xi = np.where(deep, xi, np.nan)
        why[name] = tuple(reasons)
    return DecayTimes(
        edt_s=got["edt_s"],
        t20_s=got["t20_s"],
        t30_s=got["t30_s"],
        xi_permille=xi,
        curvature_pct=100.0 * (got["t30_s"] / got["t20_s"] - 1.0),
        why=why,
    )
