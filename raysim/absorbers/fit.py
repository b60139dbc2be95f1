"""Passive wall filters from what is known of a wall: a stack of layers, or bands of alpha.

A stack gives the whole complex admittance, and a few damped resonators are fitted to it.
Bands of alpha give its size and not its phase, so `from_alpha` must assume one: W23 says
which, why, and what the choice is worth. Time goes as e^(+jwt). Theory: DEVELOPERS.md,
W20 to W25.
"""

import functools
import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike
from scipy.optimize import least_squares, nnls

from raysim.absorbers.admittance import RIGID, Admittance, Complex
from raysim.absorbers.diffuse import alpha_local
from raysim.absorbers.layers import Stack
from raysim.absorbers.media import Gas
from raysim.absorbers.stack import surface_admittance
from raysim.units import Float

#: Branches at most: each costs a solver two numbers for every piece of wall.
MOST_BRANCHES = 6
#: No better fit is sought than this of reflected pressure, and of alpha this share of
#: (alpha + 0.02): hard walls decide decay times, so that little must be told well too.
CLOSE, CLOSE_ALPHA, FAINT = 0.004, 0.02, 0.02
#: Absorption is told as fitted up to here; a wall that reacts locally reaches 0.951.
MOST_ALPHA = 0.95
#: Bands above do not bear on a solver of the bass.
_LAST_BAND_HZ = 1200.0
_N_FREQ = 72
_N_CORNER, _N_QUALITY = 28, 9  # resonators tried as a start
_AIR = Gas()
_NOTHING = 1e-4  # a constant that changes the reflected pressure by less is left out
_LN_FAR = 40.0  # e^40: beyond any constant that matters


@dataclass(frozen=True, slots=True)
class Fit:
    """A fitted wall and the worst it misses within the range asked for."""

    wall: Admittance
    worst_reflection: float  # of the complex reflection factor at normal incidence
    worst_alpha: float  # of alpha at normal incidence


def from_stack(
    stack: Stack, gas: Gas = _AIR, low_hz: float = 30.0, high_hz: float = 800.0
) -> Admittance:
    """Give the wall filter of a stack, taken to react locally as at normal incidence.

    `fit_stack` tells how well it fits.
    """
    return fit_stack(stack, gas, low_hz, high_hz).wall


@functools.lru_cache(maxsize=256)
def fit_stack(
    stack: Stack, gas: Gas = _AIR, low_hz: float = 30.0, high_hz: float = 800.0
) -> Fit:
    """Fit the admittance of a stack at normal incidence by few passive branches  (W21).

    A stack with a deep layer of still air behind a thin sheet lies outside what branches
    side by side can do; ``worst_alpha`` then says so.
    """
    freq_hz = np.geomspace(low_hz, high_hz, _N_FREQ)
    return fit_admittance(surface_admittance(stack, freq_hz, 0.0, gas)[:, 0], freq_hz)


def fit_admittance(target: ArrayLike, freq_hz: ArrayLike) -> Fit:
    """Fit a complex admittance times rho c, given at some frequencies  (W21).

    One branch after the other is added where it helps most, and after each all constants
    are refined together, so that no start has to be guessed.
    """
    jw = np.asarray(2j * math.pi * np.asarray(freq_hz, dtype=np.float64))
    wanted = _reflection(np.asarray(target, dtype=np.complex128))
    if (wanted == 1.0).all():
        return Fit(RIGID, 0.0, 0.0)
    rough: Float = np.array([1e-4])
    best = rough
    for _ in range(MOST_BRANCHES):
        tries = [_refined(start, jw, wanted, 0.0) for start in _longer(rough, jw, wanted)]
        if not tries:
            break
        best, _ = min(tries, key=lambda found: found[1])
        rough = best
        if _worst(_missed(np.log(rough), jw, wanted, 0.0)) < 5.0 * CLOSE:
            best, _ = _refined(rough, jw, wanted)
            if _worst(_missed(np.log(best), jw, wanted)) < CLOSE:
                break
    wall = _pruned(best, jw)
    reached = _reflection(wall.at(np.asarray(freq_hz, dtype=np.float64)))
    return Fit(
        wall,
        float(np.abs(reached - wanted).max()),
        float(np.abs(np.abs(reached) ** 2 - np.abs(wanted) ** 2).max()),
    )


def _refined(
    start: Float, jw: Complex, wanted: Complex, heed: float = 1.0
) -> tuple[Float, float]:
    """Give the best constants near a start, and the sum of squares that they leave."""
    found = least_squares(
        _missed, np.log(np.maximum(start, math.exp(1.0 - _LN_FAR))), _slope,
        bounds=(-_LN_FAR, _LN_FAR), args=(jw, wanted, heed), max_nfev=100,
    )  # fmt: skip
    return np.exp(found.x), float(found.cost)


def _reflection(admittance: Complex) -> Complex:
    """Give the pressure reflected at normal incidence."""
    return np.asarray((1.0 - admittance) / (1.0 + admittance))


def _branches(constants: Float, jw: Complex) -> Complex:
    """Give each branch's admittance (n_freq, n_branch) of constants g, r..., l..., e...."""
    r, l, e = constants[1:].reshape(3, -1)  # noqa: E741
    return np.asarray(1.0 / (r + jw[:, None] * l + e / jw[:, None]))


def _sum(constants: Float, jw: Complex) -> Complex:
    return np.asarray(constants[0] + _branches(constants, jw).sum(axis=1))


def _missed(log_constants: Float, jw: Complex, wanted: Complex, heed: float = 1.0) -> Float:
    """Give what the reflection factor misses, in real and imaginary parts, and alpha.

    ``heed`` is how much alpha counts.
    """
    reached = _reflection(_sum(np.exp(log_constants), jw))
    missed = reached - wanted
    more = (np.abs(wanted) ** 2 - np.abs(reached) ** 2) * heed * _alpha_weight(wanted)
    return np.concatenate([missed.real, missed.imag, more])


def _alpha_weight(wanted: Complex) -> Float:
    """Give how much of reflected pressure an error of alpha counts as."""
    alpha = 1.0 - np.abs(wanted) ** 2
    return np.asarray(CLOSE / CLOSE_ALPHA / (alpha.clip(0.0) + FAINT))


def _worst(missed: Float) -> float:
    """Give the largest of what `_missed` gives, real and imaginary parts as one."""
    real, imag, alpha = missed.reshape(3, -1)
    return float(max(np.hypot(real, imag).max(), np.abs(alpha).max()))


def _slope(log_constants: Float, jw: Complex, wanted: Complex, heed: float = 1.0) -> Float:
    """Give the derivative of `_missed` by the logarithm of each constant."""
    constants = np.exp(log_constants)
    branch = _branches(constants, jw)
    r, l, e = constants[1:].reshape(3, -1)  # noqa: E741
    total = constants[0] + branch.sum(axis=1)
    by_sum = -2.0 / (1.0 + total) ** 2
    by_impedance = -by_sum[:, None] * branch**2
    slope = np.column_stack([
        by_sum * constants[0],
        by_impedance * r, by_impedance * (jw[:, None] * l), by_impedance * (e / jw[:, None]),
    ])  # fmt: skip
    turn = (_reflection(total).conj() * heed * _alpha_weight(wanted))[:, None]
    return np.concatenate([slope.real, slope.imag, -2.0 * (turn * slope).real])


def _longer(constants: Float, jw: Complex, wanted: Complex) -> list[Float]:
    """Give the constants with one resonator more, for the most promising resonators.

    Each of a set of resonators is tried at four sizes about the best small one.
    """
    corner = np.tile(2.0 * math.pi * np.geomspace(8.0, 4000.0, _N_CORNER), _N_QUALITY)
    quality = np.repeat(np.geomspace(0.05, 30.0, _N_QUALITY), _N_CORNER)
    unit = 1.0 / (1.0 + quality * (jw[:, None] / corner + corner / jw[:, None]))
    now = _sum(constants, jw)[:, None]
    effect = -2.0 / (1.0 + now) ** 2 * unit
    residual = wanted[:, None] - _reflection(now)
    size = (effect.conj() * residual).real.sum(axis=0) / (np.abs(effect) ** 2).sum(axis=0)
    sizes = np.array([0.3, 1.0, 3.0, 10.0])[:, None] * np.maximum(size, 0.0)
    left = [
        (np.abs(_reflection(now + tried * unit) - wanted[:, None]) ** 2).sum(axis=0)
        for tried in sizes
    ]
    which = np.argmin(left, axis=0)
    taken = np.take_along_axis(sizes, which[None], axis=0)[0]
    order = [i for i in np.argsort(np.min(left, axis=0)) if taken[i] > 0.0]
    starts: list[Float] = []
    chosen: list[int] = []
    for i in order:
        if len(chosen) == 3:
            break
        # another start than those before: three steps of the table away at least
        apart = (abs(i % _N_CORNER - j % _N_CORNER) + abs(i - j) // _N_CORNER for j in chosen)
        if all(steps > 2 for steps in apart):
            chosen.append(i)
            new = np.array([1.0, quality[i] / corner[i], quality[i] * corner[i]]) / taken[i]
            old = constants[1:].reshape(3, -1)
            both = np.concatenate([old, new[:, None]], axis=1).ravel()
            starts.append(np.concatenate([constants[:1], both]))
    return starts


def _pruned(constants: Float, jw: Complex) -> Admittance:
    """Leave out branches and constants that change nothing worth telling."""
    g = float(constants[0])
    kept = constants[1:].reshape(3, -1).T.copy()
    full = _reflection(_sum(constants, jw))

    def harmless(g: float, rows: Float) -> bool:
        trial = np.concatenate([[g], rows.T.ravel()])
        if (rows.sum(axis=1) == 0.0).any():
            return False
        return _worst(_missed(np.log(np.maximum(trial, 1e-300)), jw, full)) < _NOTHING

    for i in reversed(range(len(kept))):
        fewer = np.delete(kept, i, axis=0)
        if harmless(g, fewer):
            kept = fewer
    if harmless(0.0, kept):
        g = 0.0
    for i in range(len(kept)):
        for j in range(3):
            trial = kept.copy()
            trial[i, j] = 0.0
            if harmless(g, trial):
                kept = trial
    r, l, e = kept.T  # noqa: E741
    return Admittance(g, r, l, e)


@functools.lru_cache(maxsize=256)
def seen_from(
    wall: Admittance,
    distance_m: float,
    speed_m_s: float = _AIR.speed_m_s,
    low_hz: float = 30.0,
    high_hz: float = 800.0,
) -> Admittance:
    """Give the wall as pressure a little before it knows it  (W25).

    A grid has its pressure half a cell before the wall; the air between moves as a mass.
    """
    freq_hz = np.geomspace(low_hz, high_hz, _N_FREQ)
    delay_s = distance_m / speed_m_s
    there = wall.at(freq_hz)
    here = np.asarray(there / (1.0 + 2j * math.pi * freq_hz * delay_s * there))
    jw = np.asarray(2j * math.pi * freq_hz)
    reflected = _reflection(here)
    own = np.concatenate([[wall.g], wall.r, wall.l, wall.e])
    with np.errstate(divide="ignore"):
        missed = _missed(np.log(own), jw, reflected)
    if _worst(missed) < 0.5 * CLOSE:
        return wall
    if wall.n_branch == 0:
        return Admittance.of(0.0, [(1.0 / wall.g, delay_s, 0.0)])
    if wall.n_branch == 1 and wall.g == 0.0:
        return Admittance(0.0, wall.r, wall.l + delay_s, wall.e)
    own, _ = _refined(
        np.concatenate([[wall.g], wall.r, wall.l + delay_s, wall.e]), jw, reflected
    )
    if _worst(_missed(np.log(own), jw, reflected)) < CLOSE:
        return _pruned(own, jw)
    return fit_admittance(here, freq_hz).wall


Incidence = Literal["random", "normal"]
#: Admittances below this take nothing: their inverse would overflow.
_CLOSED = 1e-12


def absorbed(wall: Admittance, freq_hz: ArrayLike, incidence: Incidence = "random") -> Float:
    """Give what a wall filter absorbs at each frequency, of sound at normal or any angle."""
    return _alpha(wall.at(freq_hz), incidence)


def _alpha(admittance: ArrayLike, incidence: Incidence) -> Float:
    admittance = np.asarray(admittance, dtype=np.complex128)
    if incidence == "normal":
        return np.asarray(1.0 - np.abs(_reflection(admittance)) ** 2)
    found = np.zeros(admittance.shape)
    open_ = np.abs(admittance) > _CLOSED
    found[open_] = alpha_local(1.0 / admittance[open_])
    return found


#: Unit branches (r, l, e) from which `from_alpha` builds, each of conductance one at its
#: best: springs with loss, whose absorption rises with frequency as that of thin porous
#: covers does, and mass-spring resonators, which boards on studs and panes are.
_QUALITY = 2.0
_SPRINGS_HZ = (177.8, 501.2, 1412.5)
_RESONATORS_HZ = (63.1, 125.9, 251.2, 501.2, 1000.0)
_UNIT = np.array(
    [(1.0, 0.0, 2.0 * math.pi * f) for f in _SPRINGS_HZ]
    + [(1.0, _QUALITY / (2.0 * math.pi * f), _QUALITY * 2.0 * math.pi * f)
       for f in _RESONATORS_HZ]
)  # fmt: skip
#: What a unit costs as a share of the error it must mend: a hard wall's plain conductance
#: is free, what bends it is taken only where the bands ask for it.
_PRICE = np.array([0.0] + [0.003] * len(_SPRINGS_HZ) + [0.006] * len(_RESONATORS_HZ))


def from_alpha(
    alpha: ArrayLike, centre_hz: ArrayLike, incidence: Incidence = "random"
) -> Admittance:
    """Give a passive wall that absorbs as the bands up to 1 kHz say  (W22, W23).

    Parameters
    ----------
    alpha : (n_band,) float
        Absorption of each band, 0 to 1; above 0.95 is taken as 0.95, which is all that a
        locally reacting wall can take from sound of every direction.
    centre_hz : (n_band,) float
        Exact mid-bands; those above 1 kHz are left aside.
    incidence
        ``"random"`` for values from a reverberation chamber, ``"normal"`` from a tube.
    """
    centre = np.asarray(centre_hz, dtype=np.float64)
    used = centre < _LAST_BAND_HZ
    told = np.minimum(np.asarray(alpha, dtype=np.float64)[used], MOST_ALPHA)
    if not (told > 0.0).any():
        return RIGID
    key = tuple(map(float, told)), tuple(map(float, centre[used])), incidence
    return _from_alpha(*key)


@functools.lru_cache(maxsize=1024)
def _from_alpha(
    told: tuple[float, ...], centre_hz: tuple[float, ...], incidence: Incidence
) -> Admittance:
    """Find the sizes of the units, none negative, by Gauss and Newton's steps  (W22)."""
    alpha, freq_hz = np.array(told), np.array(centre_hz)
    jw = 2j * math.pi * freq_hz[:, None]
    units = 1.0 / (_UNIT[:, 0] + jw * _UNIT[:, 1] + _UNIT[:, 2] / jw)
    units = np.concatenate([np.ones((len(freq_hz), 1)), units], axis=1)
    weight = 1.0 / (alpha + FAINT)
    hard = _hard_conductance(alpha, incidence)
    price = _PRICE / hard.mean()

    def cost(size: Float) -> float:
        missed = weight * (_alpha(units @ size, incidence) - alpha)
        return float(missed @ missed + (price @ size) ** 2)

    size = nnls(weight[:, None] * units.real, weight * hard)[0]
    for _ in range(60):
        reached = _alpha(units @ size, incidence)
        slope = _slope_of_alpha(units @ size, incidence)
        by_size = slope.real[:, None] * units.real + slope.imag[:, None] * units.imag
        rows = np.concatenate([weight[:, None] * by_size, price[None]])
        aim = np.concatenate([weight * (alpha - reached + by_size @ size), [0.0]])
        step = nnls(rows, aim)[0] - size
        share = 1.0
        while cost(size + share * step) > cost(size) and share > 1e-4:
            share /= 2.0
        if share <= 1e-4 or np.abs(step).max() < 1e-9:
            break
        size = size + share * step
    kept = size[1:] > 1e-7
    r, l, e = (_UNIT[kept] / size[1:][kept, None]).T  # noqa: E741
    return Admittance(float(size[0]), r, l, e)


def _hard_conductance(alpha: Float, incidence: Incidence) -> Float:
    """Give the real admittance of a hard wall that absorbs so much."""
    conductance = np.geomspace(1e-7, 0.638, 400)  # the local law has its maximum there
    return np.interp(alpha, _alpha(conductance, incidence), conductance)


def _slope_of_alpha(admittance: Complex, incidence: Incidence) -> Complex:
    """Give how alpha grows with the real and (as imaginary part) the imaginary part."""
    step = 1e-5 * np.abs(admittance) + 1e-9
    beside = admittance + 2.0 * step  # so that no wall gives out energy
    real = _alpha(beside + step, incidence) - _alpha(beside - step, incidence)
    imag = _alpha(beside + 1j * step, incidence) - _alpha(beside - 1j * step, incidence)
    return np.asarray((real + 1j * imag) / (2.0 * step))
