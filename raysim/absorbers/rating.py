"""Single numbers of absorption, and absorption measured in a reverberation chamber.

Sources: ISO 11654:1997 (seen second-hand), ASTM C423 (seen second-hand; SAA from memory),
ISO 354:2003 (from memory). Steps of 0.05 are counted as whole numbers, so that no
verdict hangs on the last bit of a sum. Theory: DEVELOPERS.md, L14 and L15.
"""

from dataclasses import dataclass

import numpy as np

from raysim.units import Float, Int

#: ISO 11654, 4.2: reference 0.80 1.00 1.00 1.00 0.90 at 250 Hz to 4 kHz, in steps of 0.05.
REFERENCE = np.array([16, 20, 20, 20, 18])

#: ISO 11654, 4.2 and 4.3: 0.10 of unfavourable deviations; 0.25 of excess. In steps.
UNFAVOURABLE, EXCESS = 2, 5

#: ISO 11654, annex B: least weighted coefficient of each class, in steps.
CLASSES = ((18, "A"), (16, "B"), (12, "C"), (6, "D"), (3, "E"))


@dataclass(frozen=True, slots=True)
class Rating:
    """Weighted absorption of ISO 11654."""

    alpha_w: float
    letters: str  # of "L", "M", "H": where absorption is much above the reference
    grade: str  # "A" to "E" or "not classified"

    def __str__(self) -> str:
        return f"{self.alpha_w:.2f}" + (f"({self.letters})" if self.letters else "")


def _steps(alpha: Float, step: float) -> Int:
    """Give the nearest whole number of steps, halves upwards."""
    return np.asarray(np.floor(np.asarray(alpha) / step + 0.5 + 1e-9), np.int64)


def _expect(alpha: Float, n: tuple[int, ...]) -> Float:
    alpha = np.asarray(alpha, np.float64)
    if alpha.ndim != 1 or len(alpha) not in n:
        raise ValueError(f"expected {n} values of absorption, got shape {alpha.shape}")
    return alpha


def practical(alpha_third: Float) -> Float:
    """Give the practical coefficient of each octave from its three thirds  (L14).

    Parameters
    ----------
    alpha_third : (3 n_octave,) float64
        Sound absorption coefficients; may exceed one.

    Returns
    -------
    (n_octave,) float64
        In steps of 0.05, at most 1.00.

    Examples
    --------
    >>> practical(np.array([0.9, 0.92, 0.94, 1.1, 1.0, 1.0]))
    array([0.9, 1. ])
    """
    alpha = np.asarray(alpha_third, np.float64)
    if alpha.ndim != 1 or alpha.size == 0 or alpha.size % 3:
        raise ValueError(f"expected three values per octave, got shape {alpha.shape}")
    steps = _steps(alpha.reshape(-1, 3).mean(axis=1), 0.05)
    return np.asarray(np.clip(steps, 0, 20) / 20.0)


def weighted(alpha_p: Float) -> Rating:
    """Give weighted coefficient, letters and class from practical coefficients  (L14).

    Parameters
    ----------
    alpha_p : (5,) or (6,) float64
        Octaves 250 Hz to 4 kHz, or 125 Hz to 4 kHz: 125 Hz does not count.

    Examples
    --------
    >>> str(weighted(np.array([0.35, 1.00, 0.65, 0.60, 0.55])))
    '0.60(M)'
    """
    steps = _steps(_expect(alpha_p, (5, 6))[-5:], 0.05)
    shift = 0
    while np.maximum(REFERENCE - shift - steps, 0).sum() > UNFAVOURABLE:
        shift += 1
    curve = np.maximum(REFERENCE - shift, 0)
    excess = steps - curve >= EXCESS
    letters = "".join(
        letter
        for letter, found in zip(
            "LMH", (excess[0], excess[1:3].any(), excess[3:].any()), strict=True
        )
        if found
    )
    whole = int(curve[1])
    grade = next((name for least, name in CLASSES if whole >= least), "not classified")
    return Rating(whole / 20.0, letters, grade)


def nrc(alpha_third: Float) -> float:
    """Give the noise reduction coefficient from the thirds at 250, 500, 1k and 2k  (L14).

    Examples
    --------
    >>> nrc(np.array([0.46, 0.82, 1.01, 0.99]))
    0.8
    """
    return int(_steps(_expect(alpha_third, (4,)).mean(), 0.05)) / 20.0


def saa(alpha_third: Float) -> float:
    """Give the mean of the twelve thirds from 200 Hz to 2.5 kHz, to 0.01  (L14)."""
    return int(_steps(_expect(alpha_third, (12,)).mean(), 0.01)) / 100.0


@dataclass(frozen=True, slots=True)
class Chamber:
    """A sample measured in a reverberation chamber."""

    empty_area_m2: Float  # equivalent absorption area without the sample
    with_area_m2: Float  # with it
    sample_area_m2: Float  # of the sample
    alpha: Float


def chamber(
    volume_m3: float,
    t1_s: Float | float,
    t2_s: Float | float,
    area_m2: float,
    temperature_c: tuple[float, float] = (20.0, 20.0),
    attenuation_per_m: tuple[Float | float, Float | float] = (0.0, 0.0),
) -> Chamber:
    """Give absorption from decay times without and with a sample  (L15).

    Parameters
    ----------
    volume_m3 : float
    t1_s, t2_s : (n_band,) float64 or float
        Decay times of 60 dB without and with the sample.
    area_m2 : float
        Of the sample.
    temperature_c, attenuation_per_m
        Of the air in both measurements; the second per metre, for energy.
    """

    def absorption_area_m2(decay_s: Float | float, i: int) -> Float:
        speed_m_s = 331.0 + 0.6 * temperature_c[i]
        air_m2 = 4.0 * volume_m3 * np.asarray(attenuation_per_m[i])
        return np.asarray(55.3 * volume_m3 / (speed_m_s * np.asarray(decay_s)) - air_m2)

    empty, filled = absorption_area_m2(t1_s, 0), absorption_area_m2(t2_s, 1)
    return Chamber(empty, filled, filled - empty, (filled - empty) / area_m2)
