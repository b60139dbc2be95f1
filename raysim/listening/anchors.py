"""Sounds that are known to be worse: dull, duller, and boxy, made from the reference.

They hold the ends of the scale in place, and show whether a listener hears such faults at
all. The dull ones are those of ITU-R BS.1534-3 (from memory): low-pass at 3.5 and 7 kHz,
flat to 0.1 dB below, 25 dB down at 4 kHz and 50 dB at 4.5 kHz. A small room's fault is
less often dullness than a box: the third one is our own. Theory: DEVELOPERS.md, K7.
"""

from typing import Final

import numpy as np
from scipy.signal import butter, firwin, kaiserord, oaconvolve, sosfilt

from raysim.units import LN_60_DB, Float, to_energy

#: Low-pass anchors: pass band to here, stop band from an eighth above at the latest.
LOW_HZ: Final = 3500.0
MIDDLE_HZ: Final = 7000.0
_TRANSITION = 1.0 / 7.0
_STOP_DB = 60.0

#: The boxy anchor: band, how much louder it gets, how long it rings; invented here.
BOX_BAND_HZ: Final = (100.0, 400.0)
BOX_RAISE_DB: Final = 9.0
BOX_DECAY_S: Final = 0.5
_BOX_SEED = 1534


def low_passed(samples: Float, sample_rate_hz: int, pass_hz: float) -> Float:
    """Take away what is above a frequency, without delay.

    Parameters
    ----------
    samples : (n_channel, n_sample) float64
    sample_rate_hz : int
    pass_hz : float
        `LOW_HZ` or `MIDDLE_HZ`.

    Returns
    -------
    (n_channel, n_sample) float64
    """
    half_hz = 0.5 * sample_rate_hz
    n_tap, shape = kaiserord(_STOP_DB, _TRANSITION * pass_hz / half_hz)
    n_tap += 1 - n_tap % 2  # odd: the delay is a whole number of samples
    taps = firwin(
        n_tap, (1.0 + 0.5 * _TRANSITION) * pass_hz / half_hz, window=("kaiser", shape)
    )
    longer = oaconvolve(samples, taps[np.newaxis], axes=1)
    return np.asarray(longer[:, n_tap // 2 :][:, : samples.shape[1]])


def box_response(sample_rate_hz: int) -> Float:
    """Give the response that makes things boxy  (K7): the sound, and a band that rings."""
    low_hz, high_hz = BOX_BAND_HZ
    time_s = np.arange(int(1.2 * BOX_DECAY_S * sample_rate_hz)) / sample_rate_hz
    noise = np.random.default_rng(_BOX_SEED).standard_normal(time_s.size)
    noise *= np.exp(-0.5 * LN_60_DB * time_s / BOX_DECAY_S)
    sections = butter(2, BOX_BAND_HZ, "bandpass", fs=sample_rate_hz, output="sos")
    ringing = sosfilt(sections, noise)
    n_fade = time_s.size // 12
    ringing[-n_fade:] *= np.linspace(1.0, 0.0, n_fade)

    n_fft = 4 * time_s.size
    freq_hz = np.fft.rfftfreq(n_fft, 1.0 / sample_rate_hz)
    spectrum = np.fft.rfft(ringing, n_fft)[(freq_hz >= low_hz) & (freq_hz <= high_hz)]
    along, energy = float(spectrum.real.mean()), float((np.abs(spectrum) ** 2).mean())
    more = float(to_energy(BOX_RAISE_DB)) - 1.0
    gain = (np.sqrt(along**2 + energy * more) - along) / energy
    response = gain * ringing
    response[0] += 1.0
    return np.asarray(response)


def boxed(samples: Float, sample_rate_hz: int) -> Float:
    """Give a sound as out of a box, (n_channel, n_sample), as long as it was."""
    longer = oaconvolve(samples, box_response(sample_rate_hz)[np.newaxis], axes=1)
    return np.asarray(longer[:, : samples.shape[1]])
