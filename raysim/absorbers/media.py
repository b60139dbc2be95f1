"""How sound travels inside a layer: characteristic impedance and wavenumber.

Time runs as exp(+j omega t), so that a passive medium has Im k <= 0. Impedances are
Pa s/m, wavenumbers rad/m, flow resistivity Pa s/m2. Porous media are taken as fluids of
complex density and bulk modulus: their frame stands still.
Theory: DEVELOPERS.md, L1 to L3.
"""

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from raysim.absorbers.layers import Porous
from raysim.errors import AbsorberError, Complaint, figure
from raysim.units import Float

Complex = NDArray[np.complex128]

#: Air at 20 degrees, handbook values (from memory).
VISCOSITY_PA_S: Final = 1.84e-5
HEAT_RATIO: Final = 1.4
CONDUCTIVITY_W_M_K: Final = 0.0257
HEAT_CAPACITY_J_KG_K: Final = 1005.0
PRESSURE_PA: Final = 101_325.0

#: Bounds of frequency over flow resistivity within which the fits were made. Delany and
#: Bazley, Appl. Acoust. 3 (1970) (seen second-hand); the later fits are given the same.
FIT_LOW, FIT_HIGH = 0.01, 1.0


@dataclass(frozen=True, slots=True)
class Gas:
    """The air in and before the layers: 20 degrees Celsius unless stated."""

    density_kg_m3: float = 1.204
    speed_m_s: float = 343.2

    @property
    def impedance_pa_s_m(self) -> float:
        """Density times speed of sound."""
        return self.density_kg_m3 * self.speed_m_s


#: Air at 20 degrees, where nothing else is said.
NORMAL_AIR: Final = Gas()


@dataclass(frozen=True, slots=True)
class PowerLaw:
    """A fit to measured wools: eight numbers, and what its argument is  (L1)."""

    zc: tuple[float, float, float, float]  # Zc/Z0 = 1 + a X^-b - j c X^-d
    k: tuple[float, float, float, float]  # k/k0 = 1 + e X^-g - j i X^-n
    scale: float = 1.0  # X = scale f / sigma ...
    by_density: bool = False  # ... times the density of air
    below: bool = True  # may be used below its fitted range


#: Sources beside each; all second-hand but where said otherwise.
POWER_LAWS: Final = {
    # Miki, J. Acoust. Soc. Jpn. (E) 11 (1990) 19.
    "miki": PowerLaw((5.50, 0.632, 8.43, 0.632), (7.81, 0.618, 11.41, 0.618), 1e3),
    # Delany and Bazley, Appl. Acoust. 3 (1970) 105. Grossly active below its range.
    "delany-bazley": PowerLaw(
        (9.08, 0.75, 11.9, 0.73), (10.8, 0.70, 10.3, 0.59), 1e3, below=False
    ),
    # The same data by density, as given by Allard and Champoux, J. Acoust. Soc. Am. 91 (1992).
    "delany-bazley by density": PowerLaw(
        (0.0571, 0.754, 0.0870, 0.732), (0.0978, 0.700, 0.1890, 0.595), 1.0, True, False
    ),
    # Garai and Pompoli, Appl. Acoust. 66 (2005), polyester: numbers seen second-hand, where
    # the two pairs of k are exchanged. That way round the medium would be active; this way
    # (from memory) it is passive throughout.
    "garai-pompoli": PowerLaw(
        (0.078, 0.623, 0.074, 0.660), (0.121, 0.530, 0.159, 0.571), 1.0, True
    ),
}  # fmt: skip


def fit_argument(layer: Porous, freq_hz: Float, gas: Gas = NORMAL_AIR) -> Float:
    """Give f/sigma, or rho f/sigma for models fitted so: the number their range is in."""
    law = POWER_LAWS[layer.model]
    density = gas.density_kg_m3 if law.by_density else 1.0
    return np.asarray(density * np.asarray(freq_hz, np.float64) / layer.resistivity_pa_s_m2)


def in_range(layer: Porous, freq_hz: Float, gas: Gas = NORMAL_AIR) -> NDArray[np.bool_]:
    """Say at which frequencies the layer's model lies within its fitted range, (n_freq,).

    Models that are not fits (Johnson-Champoux-Allard) are in range everywhere.
    """
    if layer.model not in POWER_LAWS:
        return np.ones(np.shape(freq_hz), np.bool_)
    x = fit_argument(layer, freq_hz, gas)
    # A frequency on the bound is inside, also where the division has rounded.
    return np.asarray((x >= FIT_LOW * (1 - 1e-9)) & (x <= FIT_HIGH * (1 + 1e-9)))


def power_law(law: PowerLaw, x: Float) -> tuple[Complex, Complex]:
    """Give Zc/Z0 and k/k0 of a fit at f/sigma, or rho f/sigma  (L1)."""
    a, b, c, d = law.zc
    e, g, i, n = law.k
    x = law.scale * np.asarray(x, np.float64)
    zc = 1.0 + a * x**-b - 1j * c * x**-d
    return zc, 1.0 + e * x**-g - 1j * i * x**-n


def _johnson(layer: Porous, omega: Float, gas: Gas) -> tuple[Complex, Complex]:
    """Give density and bulk modulus by Johnson, Champoux and Allard  (L2)."""
    pores = layer.pores
    if pores is None:
        raise AbsorberError(
            Complaint(_where(layer), "this model needs what the pores are like.",
                      "State porosity, tortuosity and both lengths, or use the model miki.",
                      "RS-M12")
        )  # fmt: skip
    rho0, sigma, phi = gas.density_kg_m3, layer.resistivity_pa_s_m2, pores.porosity
    turns, eta = pores.tortuosity, VISCOSITY_PA_S
    bend = 4j * turns**2 * eta * rho0 * omega / (sigma * pores.viscous_length_m * phi) ** 2
    drag = sigma * phi / (1j * omega * rho0 * turns) * np.sqrt(1.0 + bend)
    heat = pores.thermal_length_m**2 * HEAT_CAPACITY_J_KG_K * rho0 * omega / CONDUCTIVITY_W_M_K
    lag = 1.0 - 8j / heat * np.sqrt(1.0 + 1j * heat / 16.0)
    modulus = HEAT_RATIO * PRESSURE_PA / (HEAT_RATIO - (HEAT_RATIO - 1.0) / lag)
    return turns * rho0 / phi * (1.0 + drag), modulus / phi


def characteristic(
    layer: Porous, freq_hz: Float, gas: Gas = NORMAL_AIR, extrapolate: bool = False
) -> tuple[Complex, Complex]:
    """Give characteristic impedance and wavenumber of a porous layer.

    Parameters
    ----------
    layer : Porous
    freq_hz : (n_freq,) float64
        Above zero.
    gas : Gas
    extrapolate : bool
        Go on outside the range of the fit where the model stays passive there.

    Returns
    -------
    zc, k : (n_freq,) complex128
        Pa s/m and rad/m, with the porosity in them: use Zc at the layer's surface as it
        is. Where a fit has a bulk modulus that would give out energy, its imaginary
        part is set to zero  (L3).

    Raises
    ------
    AbsorberError
        RS-M10: outside the range; RS-M11: outside, and cannot be extrapolated; RS-M12:
        the model needs the pores.

    Examples
    --------
    >>> zc, k = characteristic(Porous(0.05, 10_000.0), np.array([500.0]))
    >>> (zc / Gas().impedance_pa_s_m).round(4)
    array([1.4641-0.7113j])
    """
    freq_hz = np.asarray(freq_hz, np.float64)
    omega = 2.0 * np.pi * freq_hz
    if layer.model in POWER_LAWS:
        _refuse(layer, freq_hz, gas, extrapolate)
        law = POWER_LAWS[layer.model]
        zc, k = power_law(law, fit_argument(layer, freq_hz, gas))
        zc, k = zc * gas.impedance_pa_s_m, k * omega / gas.speed_m_s
        density, modulus = zc * k / omega, zc * omega / k
    else:
        density, modulus = _johnson(layer, omega, gas)
    modulus = np.asarray(modulus.real + 1j * np.maximum(modulus.imag, 0.0), np.complex128)
    # Not sqrt of the product: the two phases may add up to more than half a turn.
    root, stiff = np.sqrt(density), np.sqrt(modulus)
    return np.asarray(root * stiff), np.asarray(omega * root / stiff)


def _where(layer: Porous) -> str:
    return f"porous layer of {figure(layer.resistivity_pa_s_m2)} Pa s/m2, model {layer.model}"


def _refuse(layer: Porous, freq_hz: Float, gas: Gas, extrapolate: bool) -> None:
    """Complain of the first frequency that the model must not be asked for."""
    law, x = POWER_LAWS[layer.model], fit_argument(layer, freq_hz, gas)
    allowed = in_range(layer, freq_hz, gas)
    if extrapolate:  # towards high frequencies every fit tends to air
        allowed = allowed | law.below | (x > FIT_LOW)
    if np.all(allowed):
        return
    first = int(np.argmin(allowed))
    if x.flat[first] < FIT_LOW and not law.below:
        code = "RS-M11"
        fix = "Use the model miki, which can be continued to lower frequencies."
    else:
        code = "RS-M10"
        fix = "Ask within the range, or for its continuation, which this model allows."
    scale = layer.resistivity_pa_s_m2 / (gas.density_kg_m3 if law.by_density else 1.0)
    wrong = (
        f"{figure(float(freq_hz.flat[first]))} Hz is outside the range of the model, which for "
        f"this flow resistivity is {figure(FIT_LOW * scale)} to {figure(FIT_HIGH * scale)} Hz."
    )
    raise AbsorberError(Complaint(_where(layer), wrong, fix, code))
