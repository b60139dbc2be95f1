"""Surface impedance, reflection and absorption of a stack of layers at any angle.

Waves are carried from the rigid back to the front as a pair (pressure, velocity inwards),
of which only the ratio counts: unlike an impedance, the pair has no poles. Angles are
radians from the normal; arrays are (n_freq, n_theta). Time runs as exp(+j omega t).
Theory: DEVELOPERS.md, L4 to L8 and L19.
"""

import math

import numpy as np
from scipy.special import ive  # Bessel functions of complex argument, scaled

from raysim.absorbers.layers import AirGap, Holes, Membrane, Porous, Sheet, Slots, Stack
from raysim.absorbers.media import NORMAL_AIR, VISCOSITY_PA_S, Complex, Gas, characteristic
from raysim.units import Float


def fok(ratio: float) -> float:
    """Give Fok's function of 0.88 diameter over spacing: how far holes help each other.

    The end correction of a lone hole is divided by it  (L6).

    Examples
    --------
    >>> round(fok(0.22), 4)
    1.4417
    """
    series = (1.0, -1.4092, 0.0, 0.33818, 0.0, 0.06793, -0.02287, 0.03015, -0.01641)
    return 1.0 / sum(c * ratio**power for power, c in enumerate(series))


def holes_end_m(diameter_m: float, spacing_m: float) -> float:
    """Give the length that moving air at both ends of a hole adds  (L6)."""
    lone_m = 8.0 / (3.0 * math.pi) * diameter_m
    return lone_m / fok(0.88 * diameter_m / spacing_m)


def slots_end_m(slot_m: float, spacing_m: float) -> float:
    """Give the length that moving air at both ends of a slot adds  (L7)."""
    return -2.0 * slot_m / math.pi * math.log(math.sin(0.5 * math.pi * slot_m / spacing_m))


def _edges(omega: Float, gas: Gas) -> Float:
    """Give the resistance of flow round the edges of both ends, Pa s/m  (L6)."""
    return np.asarray(0.5 * np.sqrt(2.0 * omega * gas.density_kg_m3 * VISCOSITY_PA_S))


def _holes(plate: Holes, omega: Float, gas: Gas) -> Complex:
    """Give the impedance of a plate with round holes, (n_freq, 1)  (L6)."""
    q = 0.5 * plate.diameter_m * np.sqrt(1j * omega * gas.density_kg_m3 / VISCOSITY_PA_S)
    # 1 - 2 I1(q) / (q I0(q)) = I2(q) / I0(q), without the difference of near numbers.
    tube = 1j * omega * gas.density_kg_m3 * plate.thickness_m * ive(0, q) / ive(2, q)
    end = 1j * omega * gas.density_kg_m3 * holes_end_m(plate.diameter_m, plate.spacing_m)
    open_share = math.pi / 4.0 * (plate.diameter_m / plate.spacing_m) ** 2
    total = tube + end + _edges(omega, gas) + plate.resistance_pa_s_m
    return np.asarray(total / open_share)


def _slots(plate: Slots, omega: Float, gas: Gas) -> Complex:
    """Give the impedance of a front with parallel slots, (n_freq, 1)  (L7)."""
    q = 0.5 * plate.slot_m * np.sqrt(1j * omega * gas.density_kg_m3 / VISCOSITY_PA_S)
    # tanh(q)/q to third order where the difference from one would be lost.
    flow = np.where(np.abs(q) < 1e-3, q**2 / 3.0, 1.0 - np.tanh(q) / q)
    tube = 1j * omega * gas.density_kg_m3 * plate.thickness_m / flow
    end = 1j * omega * gas.density_kg_m3 * slots_end_m(plate.slot_m, plate.spacing_m)
    total = tube + end + _edges(omega, gas) + plate.resistance_pa_s_m
    return np.asarray(total * plate.spacing_m / plate.slot_m)


def _thin(layer: Sheet | Membrane | Holes | Slots, omega: Float, gas: Gas) -> Complex | None:
    """Give the impedance of something thin; None where nothing gets through  (L5)."""
    if isinstance(layer, Holes):
        return _holes(layer, omega, gas)
    if isinstance(layer, Slots):
        return _slots(layer, omega, gas)
    inertia = 1j * omega * layer.mass_kg_m2
    if isinstance(layer, Membrane):
        return np.asarray(inertia + layer.loss_pa_s_m)
    r = layer.resistance_pa_s_m
    if layer.mass_kg_m2 == 0.0:
        return None if r is None else np.full(omega.shape, r, np.complex128)
    return np.asarray(inertia if r is None else r * inertia / (r + inertia))


def _thick(
    layer: Porous | AirGap, freq_hz: Float, theta_rad: Float, gas: Gas
) -> tuple[Complex, Complex]:
    """Give impedance and wavenumber across a layer; the angle is that outside  (L4)."""
    k0 = 2.0 * np.pi * freq_hz / gas.speed_m_s
    if isinstance(layer, AirGap):
        cosine = np.cos(theta_rad)
        return np.asarray(gas.impedance_pa_s_m / cosine + 0j), np.asarray(k0 * cosine + 0j)
    zc, k = characteristic(layer, freq_hz[:, 0], gas, extrapolate=True)
    zc, k = zc[:, np.newaxis], k[:, np.newaxis]
    # Of the two roots the one with Re >= 0; in a passive medium it decays inwards too.
    across = np.sqrt(k * k - (k0 * np.sin(theta_rad)) ** 2)
    return np.asarray(zc * k / across), np.asarray(across)


def _front(stack: Stack, freq_hz: Float, theta_rad: Float, gas: Gas) -> tuple[Complex, Complex]:
    """Give pressure and inward velocity at the front, but for a common factor  (L4)."""
    p, v, _ = _carried(stack, freq_hz, theta_rad, gas, 0.0)
    return p, v


def _carried(
    stack: Stack, freq_hz: Float, theta_rad: Float, gas: Gas, admittance: Float | float
) -> tuple[Complex, Complex, Float]:
    """Carry a pair to the front from a back of some admittance, m/(Pa s)  (L4).

    Gives pressure and velocity at the front for a pressure at the back whose squared size
    is the third result.
    """
    freq_hz = np.asarray(freq_hz, np.float64).reshape(-1, 1)
    theta_rad = np.asarray(theta_rad, np.float64).reshape(1, -1)
    omega = 2.0 * np.pi * freq_hz
    p = np.ones((freq_hz.size, theta_rad.size), np.complex128)
    v = p * admittance
    back2 = np.ones(p.shape)
    if stack.local:
        theta_rad = np.zeros_like(theta_rad)
    for layer in reversed(stack.layers):
        if isinstance(layer, Porous | AirGap):
            zc, k = _thick(layer, freq_hz, theta_rad, gas)
            # cos and sin of kd times exp(-jkd), which keeps deep layers finite.
            twice = np.exp(-2j * k * layer.thickness_m)
            cosine, j_sine = 0.5 * (1.0 + twice), 0.5 * (1.0 - twice)
            p, v = p * cosine + zc * v * j_sine, v * cosine + p * j_sine / zc
            back2 = back2 * np.abs(twice)
        else:
            z = _thin(layer, omega, gas)
            if z is None:
                p, v, back2 = np.ones_like(p), np.zeros_like(v), np.zeros_like(back2)
            else:
                p = np.asarray(p + z * v)
    return p, v, back2


def surface_impedance(
    stack: Stack, freq_hz: Float, theta_rad: Float | float = 0.0, gas: Gas = NORMAL_AIR
) -> Complex:
    """Give pressure over inward normal velocity at the front of a stack.

    Parameters
    ----------
    stack : Stack
    freq_hz : (n_freq,) float64
        Above zero.
    theta_rad : (n_theta,) float64 or float
        From the normal, 0 to below pi/2.
    gas : Gas

    Returns
    -------
    (n_freq, n_theta) complex128
        Pa s/m; inf + 0j where nothing moves, as before a rigid wall.

    Raises
    ------
    AbsorberError
        RS-M11 or RS-M12, from a porous layer's model.

    Examples
    --------
    >>> stack = Stack((Porous(0.05, 10_000.0),))
    >>> (surface_impedance(stack, np.array([500.0])) / Gas().impedance_pa_s_m).round(4)
    array([[0.5924-1.538j]])
    """
    p, v = _front(stack, freq_hz, np.asarray(theta_rad), gas)
    rigid = v == 0.0
    return np.where(rigid, np.inf + 0j, p / np.where(rigid, 1.0, v))


def surface_admittance(
    stack: Stack, freq_hz: Float, theta_rad: Float | float = 0.0, gas: Gas = NORMAL_AIR
) -> Complex:
    """Give Z0 over the surface impedance, (n_freq, n_theta): zero before a rigid wall."""
    p, v = _front(stack, freq_hz, np.asarray(theta_rad), gas)
    return np.asarray(gas.impedance_pa_s_m * v / p)


def reflection_factor(
    stack: Stack, freq_hz: Float, theta_rad: Float | float = 0.0, gas: Gas = NORMAL_AIR
) -> Complex:
    """Give reflected over incident pressure of a plane wave, (n_freq, n_theta)  (L8)."""
    theta = np.asarray(theta_rad, np.float64)
    p, v = _front(stack, freq_hz, theta, gas)
    p, v = p * np.cos(theta).reshape(1, -1), v * gas.impedance_pa_s_m
    return np.asarray((p - v) / (p + v))


def alpha_at(
    stack: Stack, freq_hz: Float, theta_rad: Float | float = 0.0, gas: Gas = NORMAL_AIR
) -> Float:
    """Give the share of a plane wave's energy that is not reflected, (n_freq, n_theta).

    4 Re(p conj(v)) cos / |p cos + Z0 v|^2, which is 1 - |R|^2 without its rounding  (L8).
    """
    theta = np.asarray(theta_rad, np.float64)
    p, v = _front(stack, freq_hz, theta, gas)
    p, v = p * np.cos(theta).reshape(1, -1), v * gas.impedance_pa_s_m
    return np.asarray(4.0 * (p * v.conj()).real / np.abs(p + v) ** 2)


def lost_at(
    stack: Stack, freq_hz: Float, theta_rad: Float | float = 0.0, gas: Gas = NORMAL_AIR
) -> Float:
    """Give the share of a plane wave's energy that stays in a stack with air on both sides.

    1 - |R|^2 - |T|^2, (n_freq, n_theta): what one side of a hung cloth takes  (L19).

    Examples
    --------
    >>> lost_at(Stack((Sheet(0.0, 2.0 * Gas().impedance_pa_s_m),)), np.array([500.0])).round(3)
    array([[0.5]])
    """
    theta = np.asarray(theta_rad, np.float64)
    cosine = np.cos(theta).reshape(1, -1)
    p, v, back2 = _carried(stack, freq_hz, theta, gas, cosine / gas.impedance_pa_s_m)
    p, v = p * cosine, v * gas.impedance_pa_s_m
    return np.asarray(4.0 * ((p * v.conj()).real - back2 * cosine**2) / np.abs(p + v) ** 2)
