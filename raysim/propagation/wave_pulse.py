"""The pulse that a source sends into the grid, and how what is heard becomes a response.

Theory: DEVELOPERS.md, W11 and W12.
"""

import math

import numpy as np

from raysim.absorbers.admittance import Complex
from raysim.units import Float

#: A pulse ends where it has fallen to this.
_END = 1e-9
#: Frequencies evaluated at once: bounds memory.
_AT_ONCE = 64
#: Silence after the response, as a share of it, so that nothing wraps round.
_PADDING = 0.25


def pulse(peak_hz: float, step_s: float) -> Float:
    """Give the second derivative of a bell, which has no mean, at each step  (W11)."""
    reach = math.sqrt(-math.log(_END)) / (math.pi * peak_hz)
    half = math.ceil(reach / step_s)
    a = (math.pi * peak_hz * step_s * np.arange(-half, half + 1)) ** 2
    return np.asarray((1.0 - 2.0 * a) * np.exp(-a))


def grid_frequency(
    omega: Float, spacing_m: float, step_s: float, speed_m_s: float
) -> tuple[Float, Float]:
    """Give at which angular frequency the grid has the wavelength of one in air  (W12).

    And by which factor it is too loud there.
    """
    k = omega / speed_m_s
    slowed = k * np.sqrt(1.0 - (k * spacing_m) ** 2 / 18.0)
    on_grid = 2.0 / step_s * np.arcsin(0.5 * speed_m_s * step_s * slowed)
    return on_grid, 1.0 / (1.0 - (k * spacing_m) ** 2 / 9.0)


def band_filter(freq_hz: Float, low_hz: float, high_hz: float) -> Complex:
    """Give the response of the band that is kept: maximally flat and causal at its lower end.

    Fourth order, 3 dB down at ``low_hz``; in phase at its upper end, where it falls from 1
    at ``high_hz`` as a cosine to 0 at 5/4 of it.
    """
    s = 1j * freq_hz / low_hz
    up = np.ones(freq_hz.shape, dtype=np.complex128)
    for angle in (math.pi / 8.0, 3.0 * math.pi / 8.0):
        up *= s**2 / (s**2 + 2.0 * math.cos(angle) * s + 1.0)
    down = np.clip((1.25 * high_hz - freq_hz) / (0.25 * high_hz), 0.0, 1.0)
    return np.asarray(up * (0.5 - 0.5 * np.cos(np.pi * down)))


def spectrum_at(signal: Float, omega: Float, step_s: float, delay_s: float) -> Complex:
    """Give the sum of signal times e^(-j omega t), (..., n_freq), time from a delay on."""
    t = delay_s + step_s * np.arange(signal.shape[-1])
    sums = np.zeros((*signal.shape[:-1], len(omega)), dtype=np.complex128)
    for i in range(0, len(omega), _AT_ONCE):
        some = slice(i, i + _AT_ONCE)
        phase = t[:, None] * omega[some]
        # Apart: a product with complex numbers would make the signal complex first.
        sums[..., some].real = signal @ np.cos(phase)
        sums[..., some].imag = -(signal @ np.sin(phase))
    return sums


def to_response(
    heard: Float,
    drive: Float,
    step_s: float,
    spacing_m: float,
    speed_m_s: float,
    band_hz: tuple[float, float],
    sample_rate_hz: float,
) -> Float:
    """Give responses to a unit impulse, 1 at 1 m in free field, from what was heard  (W12).

    Parameters
    ----------
    heard : (n_receiver, n_step) float64
        Pressure after each step.
    drive : (n_drive,) float64
        The pulse, in the middle of which time is zero.
    step_s, spacing_m, speed_m_s : float
    band_hz : two float
        The response is that of the band between.
    sample_rate_hz : float

    Returns
    -------
    (n_receiver, n_sample) float64
    """
    middle_s = 0.5 * (drive.size - 1) * step_s
    duration_s = heard.shape[-1] * step_s - middle_s
    n_sample = int(duration_s * sample_rate_hz)
    n_padded = 2 * math.ceil(0.5 * (1.0 + _PADDING) * n_sample)
    freq_hz: Float = np.fft.rfftfreq(n_padded, 1.0 / sample_rate_hz).astype(np.float64)
    used = (freq_hz > 0.0) & (freq_hz < 1.25 * band_hz[1])
    omega = 2.0 * math.pi * freq_hz[used]
    on_grid, louder = grid_frequency(omega, spacing_m, step_s, speed_m_s)
    # After step n it is (n + 1) steps; the pulse is at step n.
    got = spectrum_at(heard, on_grid, step_s, step_s - middle_s)
    sent = spectrum_at(drive, on_grid, step_s, -middle_s)
    whole = np.zeros((*heard.shape[:-1], freq_hz.size), dtype=np.complex128)
    whole[..., used] = got / sent / louder * band_filter(freq_hz[used], *band_hz)
    return np.asarray(np.fft.irfft(whole, n_padded)[..., :n_sample])
