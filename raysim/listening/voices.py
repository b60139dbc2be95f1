"""Demo sounds without a room, made by reckoning: string, drum, clicks, noise, a voice.

Every sound is a function of time in which chance comes from a fixed key, so it is the same
at any sample rate, but for what lies above half of it; nothing is recorded, no room is in
it. All are scaled to a true peak of -6.02 dBTP, so that none clips when it is resampled.
They begin after 50 ms of silence and end in silence, so that the room is heard alone.

Sources: ratios of the drum's modes are zeros of Bessel functions (ideal membrane, closed
form). Formants are mean values of adult men, Peterson and Barney, J. Acoust. Soc. Am. 24
(1952), value from memory; the fourth and fifth, and all widths, are common practice. The
rest is chosen by ear's needs: attacks, gaps in which a decay is heard, all octaves.
"""

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import numpy as np
from scipy import fft, special

from raysim.errors import Complaint, SettingsError
from raysim.listening.dry import DrySound, dry_samples
from raysim.listening.true_peak import true_peak_db
from raysim.listening.wave_file import write_whole
from raysim.units import LN_60_DB, Float, to_energy

#: True peak of every sound: half of full scale.
PEAK_DBTP: Final = -6.0206
_LEAD_S: Final = 0.05
#: Nothing is made above this, so that sounds are alike at all usual rates.
_TOP_HZ: Final = 18_000.0
_TOP_SHARE: Final = 0.45  # of the sample rate, if that is lower

#: First three formants in Hz, by a word with the vowel.
_VOWELS: Final = {
    "heed": (270.0, 2290.0, 3010.0),
    "hid": (390.0, 1990.0, 2550.0),
    "head": (530.0, 1840.0, 2480.0),
    "had": (660.0, 1720.0, 2410.0),
    "father": (730.0, 1090.0, 2440.0),
    "ball": (570.0, 840.0, 2410.0),
    "boot": (300.0, 870.0, 2240.0),
    "hut": (640.0, 1190.0, 2390.0),
}
_UPPER_HZ: Final = (3300.0, 3750.0)
_WIDTH_HZ: Final = (60.0, 90.0, 130.0, 200.0, 250.0)


@dataclass(frozen=True, slots=True)
class Voice:
    """One demo sound: its name, what it is good for, and how it is made."""

    name: str
    about: str
    duration_s: float
    make: Callable[[Float, float], Float]  # times in s and sample rate to samples


def demo_sound(name: str, sample_rate_hz: int) -> DrySound:
    """Make one of `VOICES` at a sample rate.

    Raises
    ------
    SettingsError
        RS-L29: there is none of this name.
    AudioError
        RS-L23: the rate is too low.

    Examples
    --------
    >>> sound = demo_sound("clicks", 48_000)
    >>> round(sound.duration_s, 3), sound.n_sample
    (4.0, 192000)
    """
    if name not in VOICES:
        raise SettingsError(
            Complaint(name, "there is no demo sound of this name.",
                      f"There are: {', '.join(VOICES)}.", "RS-L29")
        )  # fmt: skip
    voice = VOICES[name]
    time_s = np.arange(round(voice.duration_s * sample_rate_hz)) / sample_rate_hz
    made = voice.make(time_s - _LEAD_S, float(sample_rate_hz))
    made *= np.sqrt(to_energy(PEAK_DBTP - true_peak_db(made)))
    return dry_samples(name, made, sample_rate_hz, voice.about)


def _draws(key: int) -> np.random.Generator:
    """Give a stream that is a function of its key alone: the cipher counts from zero."""
    return np.random.Generator(np.random.Philox(np.random.SeedSequence(key)))


def _top_hz(rate: float) -> float:
    return min(_TOP_HZ, _TOP_SHARE * rate)


def _window(time_s: Float, start_s: float, end_s: float, rise_s: float) -> Float:
    """Give 1 between two times, with rise and fall of half a cosine within them."""
    up = np.clip((time_s - start_s) / rise_s, 0.0, 1.0)
    down = np.clip((end_s - time_s) / rise_s, 0.0, 1.0)
    return np.asarray(np.sin(0.5 * np.pi * up) ** 2 * np.sin(0.5 * np.pi * down) ** 2)


def _add(
    out: Float, time_s: Float, start_s: float, length_s: float, sound: Callable[[Float], Float]
) -> None:
    """Add what ``sound`` gives for the times since its start, over its length."""
    # A sample that rounding puts just before the start is the start, at every rate.
    first, last = np.searchsorted(time_s, np.array([start_s, start_s + length_s]) - 1e-9)
    out[first:last] += sound(time_s[first:last] - start_s)


def _partials(
    since_s: Float, freq_hz: Float, amplitude: Float, decay_s: Float, rise_s: float
) -> Float:
    """Give a sum of sines that fall by 60 dB in their decay times, after a soft attack."""
    out = np.zeros_like(since_s)
    for f, a, decay in zip(freq_hz, amplitude, decay_s, strict=True):
        out += a * np.exp(-0.5 * LN_60_DB * since_s / decay) * np.sin(2.0 * np.pi * f * since_s)
    return np.asarray(out * (1.0 - np.exp(-since_s / rise_s)))


def _string(time_s: Float, rate: float) -> Float:
    """Pluck a string at a seventh of its length: a phrase of short notes, then a chord."""
    out = np.zeros_like(time_s)
    notes = [(0.0, 110.0), (0.4, 164.8), (0.8, 220.0), (1.2, 277.2), (1.6, 329.6), (2.0, 440.0),
             (2.8, 146.8), (2.82, 220.0), (2.84, 293.7), (2.86, 370.0)]  # fmt: skip
    for start_s, pitch_hz in notes:
        length_s = 1.3 if start_s > 2.5 else 0.36
        n = np.arange(1, int(_top_hz(rate) / pitch_hz) + 1)
        # Stiffness raises the upper ones a little; damping grows with frequency.
        freq_hz = n * pitch_hz * np.sqrt(1.0 + 4e-5 * n**2)
        kept = freq_hz < _top_hz(rate)
        n, freq_hz = n[kept], freq_hz[kept]
        amplitude = np.sin(np.pi * n / 7.0) / n**1.5
        decay_s = 1.6 / (1.0 + (freq_hz / 1500.0) ** 1.2)

        def note(
            since_s: Float, f: Float = freq_hz, a: Float = amplitude, d: Float = decay_s,
            length_s: float = length_s,
        ) -> Float:  # fmt: skip
            damped = _window(since_s, -1.0, length_s, 0.02)
            return _partials(since_s, f, a, d, 0.0005) * damped

        _add(out, time_s, start_s, length_s, note)
    return out


def _drum(time_s: Float, rate: float) -> Float:
    """Beat a frame drum: modes of a membrane, soft and hard strokes, a pause, a roll."""
    zeros = np.array([special.jn_zeros(m, 4) for m in range(6)])
    freq_hz = np.sort((85.0 * zeros / zeros[0, 0]).ravel())
    amplitude: Float = np.arange(1.0, freq_hz.size + 1.0) ** -0.7
    decay_s = 0.35 / (1.0 + freq_hz / 250.0)
    slap = _noise(2, 0.03, rate, (1500.0, 9000.0))
    out = np.zeros_like(time_s)
    strokes = [(0.0, 1.0), (0.6, 0.4), (0.9, 0.6), (1.2, 1.0), (1.8, 0.5), (2.0, 0.5),
               (2.2, 0.7), (2.4, 1.0), (3.4, 0.8), (3.5, 0.5), (3.6, 0.6), (3.7, 0.7),
               (3.8, 1.0)]  # fmt: skip
    for start_s, force in strokes:

        def stroke(since_s: Float, force: float = force) -> Float:
            beat = _partials(since_s, freq_hz, amplitude, decay_s, 0.001)
            hand = np.zeros_like(since_s)
            n = min(slap.size, since_s.size)
            hand[:n] = slap[:n] * np.exp(-since_s[:n] / 0.006)
            return np.asarray(force * (beat + 0.5 * force * hand))

        _add(out, time_s, start_s, 0.9, stroke)
    return out


def _clicks(time_s: Float, rate: float) -> Float:
    """Click at times that do not repeat: first apart, so that flutter is heard, then near.

    Each is the slope of a bell curve, whose spectrum is highest at 4 kHz and has no DC.
    """
    width_s = max(1.0 / (2.0 * np.pi * 4000.0), 1.0 / rate)
    out = np.zeros_like(time_s)
    for at_s in (0.0, 0.8, 1.5, 2.0, 2.3, 2.45, 2.6, 2.7, 2.8):
        x = (time_s - at_s) / width_s
        near = np.abs(x) < 12.0
        out[near] -= x[near] * np.exp(-0.5 * x[near] ** 2)
    return out


def _noise(
    key: int, length_s: float, rate: float, band_hz: tuple[float, float], tilt: float = 0.0
) -> Float:
    """Give noise of a band: lines 1/length apart, strength f^-tilt, phases by chance."""
    n = max(2, round(length_s * rate))
    lines = fft.rfftfreq(n, 1.0 / rate)
    phase = np.zeros(lines.size)
    n_drawn = int(_TOP_HZ * length_s) + 1
    drawn = _draws(key).random(n_drawn) * 2.0 * np.pi
    phase[: min(n_drawn, lines.size)] = drawn[: lines.size]
    high_hz = min(band_hz[1], _top_hz(rate))
    kept = (lines >= band_hz[0]) & (lines <= high_hz)
    strength = np.where(kept, np.maximum(lines, 1.0) ** -tilt, 0.0)
    sound = fft.irfft(strength * np.exp(1j * phase), n)
    return np.asarray(sound / np.sqrt(np.sum(strength**2)) * n / np.sqrt(2.0))


def _bursts(time_s: Float, rate: float) -> Float:
    """Give pink noise in bursts that stop at once, each followed by its decay."""
    out = np.zeros_like(time_s)
    for i, (start_s, length_s, force) in enumerate(
        [(0.0, 0.5, 1.0), (1.2, 0.25, 1.0), (2.1, 0.1, 1.0), (2.8, 0.5, 0.5)]
    ):
        noise = _noise(10 + i, length_s, rate, (60.0, 16_000.0), 0.5)
        first = int(np.searchsorted(time_s, start_s - 1e-9))
        shape = _window(np.arange(noise.size) / rate, 0.0, length_s, 0.004)
        out[first : first + noise.size] += force * noise * shape
    return out


#: Syllables of the phrase: start, end, vowel it moves from and to, pitch in Hz from and to.
_SYLLABLES: Final = (
    (0.10, 0.34, "hid", "heed", 118.0, 128.0),
    (0.42, 0.78, "father", "hut", 132.0, 112.0),
    (0.90, 1.12, "boot", "ball", 110.0, 120.0),
    (1.22, 1.62, "had", "heed", 126.0, 104.0),
    (2.20, 2.42, "head", "hid", 122.0, 134.0),
    (2.50, 2.72, "heed", "father", 138.0, 126.0),
    (2.80, 3.02, "ball", "boot", 120.0, 114.0),
    (3.16, 3.70, "father", "heed", 116.0, 88.0),
    (4.40, 4.62, "boot", "head", 124.0, 140.0),
    (4.74, 5.20, "hut", "ball", 130.0, 84.0),
)
#: Consonants: start, length, band in Hz, strength. Hisses and the bursts of stops.
_CONSONANTS: Final = (
    (0.00, 0.10, (4000.0, 9000.0), 0.10),
    (0.37, 0.02, (1500.0, 5000.0), 0.25),
    (0.84, 0.05, (400.0, 1600.0), 0.15),
    (1.16, 0.07, (2500.0, 6500.0), 0.10),
    (1.64, 0.12, (4000.0, 9000.0), 0.09),
    (2.17, 0.02, (2500.0, 8000.0), 0.30),
    (2.44, 0.06, (1000.0, 8000.0), 0.06),
    (3.05, 0.09, (4000.0, 9000.0), 0.09),
    (4.36, 0.02, (600.0, 3000.0), 0.25),
    (4.66, 0.07, (2500.0, 6500.0), 0.10),
    (5.24, 0.02, (2500.0, 8000.0), 0.28),
)


def _spoken(time_s: Float, rate: float) -> Float:
    """Say a phrase without words: pulses of the glottis through formants that move.

    Every pulse rings the mouth's five resonances as they stand at that moment; they are
    those of a chain of resonators, so that their strengths follow from their places.
    """
    out = np.zeros_like(time_s)
    for i, (start_s, end_s, first, second, low_hz, high_hz) in enumerate(_SYLLABLES):
        draws = _draws(100 + i)
        at_s = start_s
        while at_s < end_s:
            share = (at_s - start_s) / (end_s - start_s)
            pitch_hz = low_hz + (high_hz - low_hz) * share
            turn = 0.5 - 0.5 * np.cos(np.pi * share)
            a, b = np.array(_VOWELS[first]), np.array(_VOWELS[second])
            formant_hz = np.concatenate([a + (b - a) * turn, _UPPER_HZ])
            force = np.sqrt(np.sin(np.pi * min(1.0, 0.08 + 0.92 * share)))
            ring = _ringing(formant_hz, rate)

            def pulse(
                since_s: Float, ring: tuple[Float, Float, Float] = ring, force: float = force
            ) -> Float:  # fmt: skip
                # The glottis closes within a fraction of a millisecond, not at once.
                return np.asarray(force * _partials(since_s, *ring, 0.0001))

            _add(out, time_s, at_s, 0.04, pulse)
            at_s += (1.0 + 0.01 * (draws.random() - 0.5)) / pitch_hz
    loudest = float(np.abs(out).max())
    for i, (start_s, length_s, band_hz, force) in enumerate(_CONSONANTS):
        noise = _noise(200 + i, length_s, rate, band_hz)
        begin = int(np.searchsorted(time_s, start_s - 1e-9))
        shape = _window(np.arange(noise.size) / rate, 0.0, length_s, 0.3 * length_s)
        out[begin : begin + noise.size] += force * loudest * noise * shape
    return out


def _ringing(formant_hz: Float, rate: float) -> tuple[Float, Float, Float]:
    """Give frequency, strength and decay time of each resonance of a chain of them.

    The chain is a sum of resonances whose strengths are its residues; each rings with its
    frequency as a factor, which the falling slope of the glottis' pulse takes away.
    """
    square = formant_hz**2
    own = np.eye(square.size, dtype=bool)
    apart = np.where(own, 1.0, square[np.newaxis, :] - square[:, np.newaxis])
    strength = np.prod(np.where(own, 1.0, square / apart), axis=1)
    kept = formant_hz < _top_hz(rate)
    decay_s = LN_60_DB / (2.0 * np.pi * np.array(_WIDTH_HZ))
    return formant_hz[kept], strength[kept], decay_s[kept]


#: In the order in which they are offered.
VOICES: Final = {
    voice.name: voice
    for voice in (
        Voice("voice", "like speech, without words: clearness, boxiness", 6.0, _spoken),
        Voice("string", "a plucked phrase and a chord: colour, bass notes", 5.0, _string),
        Voice("drum", "a frame drum: attacks, low decay", 5.0, _drum),
        Voice("clicks", "clicks, first far apart: flutter, single echoes", 4.0, _clicks),
        Voice("noise", "pink noise that stops: decay and colour", 4.0, _bursts),
    )
}  # fmt: skip


def write_demo_sound(name: str, path: Path, sample_rate_hz: int = 48_000) -> None:
    """Write a demo sound as 32-bit float WAV, whole or not at all.

    Raises
    ------
    SettingsError, AudioError
        As `demo_sound`; RS-L28: it cannot be written.
    """
    sound = demo_sound(name, sample_rate_hz)
    write_whole(path, sound.pieces(), sound.n_sample, sample_rate_hz, f"raysim demo: {name}.")
