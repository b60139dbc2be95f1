"""Measures of the low bands from the wave solver's response instead of from energies.

Bands that lie wholly below the crossover are read off the pressure as a recording's
would be, with the recording's limits on how short a decay a band can show. Their decay is
that of a few modes at one point: it is not the room's decay as a whole.
"""

from dataclasses import replace
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray
from scipy import fft

from raysim.measures.level import TEN_METRES_DB
from raysim.measures.pair import PairMeasures, RoomDecay
from raysim.measures.recorded import measure_recorded
from raysim.records import BassResponse
from raysim.response.bands import power_response
from raysim.response.join import BassEar, bass_part
from raysim.scene.model import Bands
from raysim.units import Float, band_edges_hz, to_level_db

_TAKEN: Final = (
    "edt_s", "t20_s", "t30_s", "xi_permille", "curvature_pct", "c50_db", "c80_db", "d50",
    "ts_s",
)  # fmt: skip


def bands_below(bands: Bands, crossover_hz: float) -> NDArray[np.bool_]:
    """Mark the bands that end below a crossover, (n_band,).

    Examples
    --------
    >>> bands_below(Bands(), 360.0)[:4].tolist()
    [True, True, True, False]
    """
    edges = band_edges_hz(bands.centre_hz, bands.fraction)
    return np.asarray(edges[:, 1] <= crossover_hz)


def with_bass(measured: PairMeasures, wave: BassResponse, ear: BassEar) -> PairMeasures:
    """Give a pair's measures with the low bands read off the wave solver's pressure.

    Parameters
    ----------
    measured : PairMeasures
        From arrivals and rays.
    wave : BassResponse
    ear : BassEar
        Source and microphone, those that ``measured`` is of.

    Returns
    -------
    PairMeasures
        Errors of T20 and T30 are what one response's are in a diffuse field; the other
        measures of these bands, which hold for this point exactly, have 0. J_LF, L_J and
        STI stay as they were.
    """
    low = bands_below(ear.bands, wave.crossover_hz)
    if not low.any():
        return measured
    rate_hz = int(wave.sample_rate_hz)
    heard = bass_part(wave, ear)
    onset = int(measured.start_s * rate_hz)
    read = measure_recorded(heard, rate_hz, ear.bands, onset)
    omni = heard if ear.pattern == 1.0 else bass_part(wave, replace(ear, pattern=1.0))
    values: dict[str, Float] = {name: getattr(read, name) for name in _TAKEN}
    values["g_db"] = _strength_db(omni, rate_hz, ear, low)
    changed: dict[str, Any] = {}
    error, without, why = dict(measured.error), dict(measured.without), dict(measured.why)
    for name, value in values.items():
        changed[name] = np.where(low, value, getattr(measured, name))
        own = read.error[name] if name in read.error else np.zeros(low.size)
        error[name] = np.where(low, own, error[name])
        if name in without:
            without[name] = np.where(low, value, without[name])
        if name in why:
            reasons = zip(low, read.why[name], why[name], strict=True)
            why[name] = tuple(new if is_low else old for is_low, new, old in reasons)
    return replace(measured, **changed, error=error, without=without, why=why)


def _strength_db(omni: Float, rate_hz: int, ear: BassEar, low: NDArray[np.bool_]) -> Float:
    """Give G of the low bands, (n_band,), from a response without microphone  (M5)."""
    n = 2 * max(omni.size, rate_hz)
    share = power_response(fft.rfftfreq(n, 1.0 / rate_hz), ear.bands, closed=True)[low]
    energy = share @ np.abs(fft.rfft(omni, n)) ** 2 / share.sum(axis=1)
    level_db = np.full(low.size, np.nan)
    level_db[low] = to_level_db(energy / ear.mean_gain[low]) + TEN_METRES_DB
    return level_db


def room_decay_with_bass(
    decay: RoomDecay, measured: PairMeasures, low: NDArray[np.bool_]
) -> RoomDecay:
    """Give a room's T30 with the low bands of `with_bass`."""
    without = decay.without_s
    if without is not None:
        without = np.where(low, measured.t30_s, without)
    return replace(
        decay,
        t30_s=np.where(low, measured.t30_s, decay.t30_s),
        error_s=np.where(low, measured.error["t30_s"], decay.error_s),
        without_s=without,
        rays_t30_s=decay.t30_s,
    )
