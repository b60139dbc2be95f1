"""Will it stop the noise? What blankets, curtains, foam and panels do, in decibels.

Gains are reductions of a window with the thing before it, less those of the window alone,
for sound from all sides (N2, N4); what is open round it lets through as it did (N3). A real
gap lies between one in which sound runs sideways freely and one in which it cannot, hence
least and most. It is meant for saying no: a wall that shall stop noise is a licensed
acoustician's work.
"""

import math
from dataclasses import dataclass
from typing import Final

import numpy as np

from raysim.absorbers.insulation import (
    field_db,
    pair_db,
    rated,
    resonance_hz,
    with_opening_db,
)
from raysim.errors import Complaint, SettingsError, figure
from raysim.report.numbers import frequency, level
from raysim.units import OCTAVE_LABELS, Float, third_centres_hz, to_energy, to_level_db

#: Octaves 63 Hz to 4 kHz; above, hardly any noise is left behind a window.
LABELS: Final = OCTAVE_LABELS[:7]
#: Flow resistance of a quilt or velvet that air passes, Pa s/m; common practice, no source.
QUILT_PA_S_M: Final = 1000.0
#: Below this many dB a change is hardly noticed; common practice, no source.
NOTICED_DB: Final = 3.0

_THIRDS_HZ: Final = third_centres_hz()
#: Thirds of each octave from 63 Hz to 4 kHz, and those that ISO 717-1 rates.
_OF_OCTAVES: Final = slice(0, 3 * len(LABELS))
_RATED: Final = slice(3, 19)

#: Option, least, most, unit: what `raysim noise` can be asked.
LIMITS: Final = {
    "--window-kg-m2": (5.0, 200.0, "kg/m2; glass has 2.5 for each millimetre"),
    "--blanket-kg-m2": (
        0.05,
        5.0,
        "kg/m2; blankets have 0.5 to 2, what is heavier is a second pane",
    ),
    "--gap-mm": (0.0, 1000.0, "mm; 0 lies on the window"),
    "--open-share-pct": (0.0, 99.0, "per cent of the window that stays open to sound"),
}


@dataclass(frozen=True, slots=True)
class Gain:
    """What something before a window adds to it; octaves 63 Hz to 4 kHz, dB."""

    what: str
    least_db: Float  # (7,)
    most_db: Float  # (7,)
    traffic_least_db: int  # of Rw + Ctr, ISO 717-1
    traffic_most_db: int


@dataclass(frozen=True, slots=True)
class Blanket:
    """A blanket before a window, in numbers."""

    window_kg_m2: float
    blanket_kg_m2: float
    gap_m: float
    open_share: float
    window_db: Float  # (7,) of the window alone
    window_rated: str
    lying: Gain  # on the glass, nothing open
    hung: Gain  # at the gap, air passes through it, edges open; as `lying` without a gap
    tight: Gain  # at the gap, no air passes, edges sealed
    resonance_hz: float  # of the tight one; infinite without a gap

    @property
    def sentence(self) -> str:
        """What it comes to, for a person."""
        low = float(self.hung.most_db[:3].max())
        high = float(self.hung.most_db[3:].max())
        best = f"lying on the glass it adds at most {level(float(self.lying.most_db.max()))} dB"
        if self.gap_m > 0.0:
            best += (
                f"; hung {1000.0 * self.gap_m:.0f} mm off with "
                f"{100.0 * self.open_share:.0f} % of the window open round it, at most "
                f"{level(low)} dB up to 250 Hz and {level(high)} dB above"
            )
        return (
            f"A blanket or curtain of {figure(self.blanket_kg_m2)} kg/m2 before a window of "
            f"{figure(self.window_kg_m2)} kg/m2 hardly stops noise: {best}. It takes mass, "
            "seals or a quieter source."
        )


def blanket_before_window(
    window_kg_m2: float = 10.0,
    blanket_kg_m2: float = 2.0,
    gap_m: float = 0.05,
    open_share: float = 0.1,
    flow_pa_s_m: float = QUILT_PA_S_M,
) -> Blanket:
    """Compute what a blanket or curtain before a window does against noise.

    Parameters
    ----------
    window_kg_m2, blanket_kg_m2 : float
    gap_m : float
        0 if it lies on the glass.
    open_share : float
        Share of the window's area that is open to sound round the blanket's edges.
    flow_pa_s_m : float
        Flow resistance of the blanket.

    Returns
    -------
    Blanket

    Examples
    --------
    >>> bool(blanket_before_window().lying.most_db.max() < 1.6)
    True
    """
    window = field_db(window_kg_m2, _THIRDS_HZ)
    lying = field_db(window_kg_m2 + blanket_kg_m2, _THIRDS_HZ)
    masses = (window_kg_m2, blanket_kg_m2)
    hung, tight = [lying, lying], [lying, lying]
    if gap_m > 0.0:
        hung = [_pair(masses, gap_m, flow_pa_s_m, damped) for damped in (False, True)]
        tight = [_pair(masses, gap_m, None, damped) for damped in (False, True)]
    return Blanket(
        window_kg_m2,
        blanket_kg_m2,
        gap_m,
        open_share,
        _octaves(window),
        str(rated(window[_RATED])),
        _gain("lying on the glass, edge to edge", window, [lying], 0.0),
        _gain("hung, air passes, edges open", window, hung, open_share),
        _gain("hung, tight sheet, edges sealed", window, tight, 0.0),
        resonance_hz(*masses, gap_m) if gap_m > 0.0 else math.inf,
    )


def _pair(
    masses: tuple[float, float], gap_m: float, flow_pa_s_m: float | None, damped: bool
) -> Float:
    """Give R of both in thirds, each the mean energy of nine frequencies."""
    inside = 10.0 ** (0.1 * (np.arange(9) - 4.0) / 9.0)
    freq_hz = (_THIRDS_HZ[:, None] * inside).ravel()
    fine = pair_db(*masses, gap_m, freq_hz, flow_pa_s_m=flow_pa_s_m, damped=damped)
    return _mean_db(fine, 9)


def _mean_db(reduction_db: Float, n: int) -> Float:
    """Give R of the mean transmitted energy of each n neighbours."""
    through = to_energy(-reduction_db).reshape(-1, n)
    return -to_level_db(through.mean(axis=1))


def _octaves(reduction_db: Float) -> Float:
    return _mean_db(reduction_db[_OF_OCTAVES], 3)


def _gain(what: str, window_db: Float, with_it: list[Float], open_share: float) -> Gain:
    """Compare with the window alone; where the edges are open the gain is 0 dB there."""
    both = [window_db + with_opening_db(r - window_db, open_share) for r in with_it]
    octaves = np.array([_octaves(r) - _octaves(window_db) for r in both])
    traffic = [_traffic(r) - _traffic(window_db) for r in both]
    return Gain(what, octaves.min(axis=0), octaves.max(axis=0), min(traffic), max(traffic))


def _traffic(reduction_db: Float) -> int:
    figures = rated(reduction_db[_RATED])
    return figures.rw_db + figures.ctr_db


def cover_limit_db(share: float) -> float:
    """Give the most that covering a share of a wall can gain, dB: nothing passes there  (N3).

    Examples
    --------
    >>> round(cover_limit_db(0.2), 1)
    1.0
    """
    return float(-to_level_db(1.0 - share))


def check_options(options: dict[str, float]) -> None:
    """Complain about every option outside its limits.

    Raises
    ------
    SettingsError
        RS-P01: a value that makes no sense; all of them at once.
    """
    wrong = [
        Complaint(name, f"{figure(value)} is not possible.",
                  f"Give {figure(LIMITS[name][0])} to {figure(LIMITS[name][1])} "
                  f"{LIMITS[name][2]}.", "RS-P01")
        for name, value in options.items()
        if not LIMITS[name][0] <= value <= LIMITS[name][1]
    ]  # fmt: skip
    if wrong:
        raise SettingsError(wrong)


def answer(blanket: Blanket) -> str:
    """Give the answer in one sentence, and begin with it."""
    best = max(float(g.most_db.max()) for g in (blanket.lying, blanket.hung))
    word = "No" if best < NOTICED_DB else "Hardly"
    where = (
        ""
        if math.isinf(blanket.resonance_hz)
        else f", and a tight one can let more through near {frequency(blanket.resonance_hz)}"
    )
    lows = max(float(g.most_db[:2].max()) for g in (blanket.lying, blanket.hung))
    return (
        f"{word}: a blanket on a window, like foam, panels or a curtain, does next to nothing "
        f"against traffic, music and voices (at most {level(lows)} dB in the lows{where}). "
        "Absorbers change the sound inside a room; noise is stopped by mass, seals and "
        "distance."
    )
