"""Who listens: a microphone, a head or an ambisonic array, and what each makes of sound.

All but the plain microphone share one contract, `Ear`: what sound from a direction becomes
in every channel, as taps behind a common lead; how much of the energy in each bin of a
histogram each channel takes; and what is made of pressure and its gradient in the bass.
Directions are in the listener's own axes, `axes_of`. Theory: DEVELOPERS.md, H1 to H9.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, Protocol

import numpy as np
import scipy
from numpy.typing import NDArray
from scipy import fft

from raysim.records import MOMENTS, EnergyHistogram
from raysim.response.bands import power_response
from raysim.response.harmonics import channel_names, degrees, harmonics
from raysim.response.microphone import histogram_share, lateral_axis
from raysim.response.sphere import legendre, sphere_orders
from raysim.scene.model import Bands
from raysim.units import Float

Complex = NDArray[np.complex128]

#: Ears of a head hear before its middle: their taps begin this much before it.
LEAD_S: Final = 0.001
#: Length of a sphere's taps: long enough for its lowest tones, 10 ms.
_TAPS_S: Final = 0.01
#: Of half the sample rate: from here up a sphere's taps fall to nothing, so that they do
#: not ring before they begin.
_TAPER: Final = 0.85
#: Distances for which a sphere's series is worked out: steps of radius over distance.
_NEAR_STEP: Final = 1.0 / 64.0
#: Nearest source, radii from the middle.
NEAREST: Final = 1.1
#: Directions over which a channel's take of late sound is fitted by the stored moments.
_N_EVEN: Final = 1000


@dataclass(frozen=True, slots=True)
class Hearing:
    """What an ear is asked with: its axes in the room, the air, bands and sample rate."""

    axes: Float  # (3, 3) rows: ahead, left, up
    speed_m_s: float
    bands: Bands
    sample_rate_hz: int

    @property
    def lead(self) -> int:
        """How many samples before its middle a head's taps begin."""
        return math.ceil(LEAD_S * self.sample_rate_hz)


class Ear(Protocol):
    """What every ear with a sense of direction can tell."""

    @property
    def channels(self) -> tuple[str, ...]:
        """Names of the channels."""

    @property
    def what(self) -> str:
        """Say in words what listens."""

    @property
    def is_instant(self) -> bool:
        """Whether the taps are one gain each, without a lead."""

    def taps(self, direction: Float, distance_m: Float, hearing: Hearing) -> Float:
        """Give what an impulse from each direction becomes, (n_channel, n, n_tap)."""

    def late_energy(self, histogram: EnergyHistogram, hearing: Hearing) -> Float:
        """Give what each channel takes of each bin, (n_channel, n_band, n_time)."""

    def bass_weights(self, freq_hz: Float, hearing: Hearing) -> Complex:
        """Give what becomes of pressure and velocity x, y, z: (n_channel, 4, n_freq)."""

    def bass_direct(
        self, direction: Float, distance_m: float, freq_hz: Float, hearing: Hearing
    ) -> Complex:
        """Give what becomes of a single wave, without any lead: (n_channel, n_freq)."""


@dataclass(frozen=True, slots=True)
class Microphone:
    """A first-order microphone; what is None is as the scene has it."""

    pattern: float | None = None  # p of p + (1 - p) cos
    aim: Float | None = None  # (3,) unit vector


def axes_of(aim: Float) -> Float:
    """Give ahead, left and up of a listener who looks along the aim, (3, 3)  (H4).

    Who looks straight up or down has the left along y.
    """
    ahead = np.asarray(aim, np.float64)
    left = lateral_axis(ahead)
    left = np.array([0.0, 1.0, 0.0]) if left is None else left
    left = left - (left @ ahead) * ahead
    left = left / np.linalg.norm(left)
    return np.stack([ahead, left, np.cross(ahead, left)])


def even_directions(n: int) -> Float:
    """Give directions spread evenly over the sphere on a spiral, (n, 3)."""
    z = 1.0 - (2.0 * np.arange(n) + 1.0) / n
    turn = np.arange(n) * math.pi * (3.0 - math.sqrt(5.0))
    across = np.sqrt(1.0 - z * z)
    return np.stack([across * np.cos(turn), across * np.sin(turn), z], axis=1)


@dataclass(frozen=True, slots=True)
class Ambisonic:
    """Spherical harmonics of the sound at a point, ACN order and SN3D scale."""

    order: int = 1

    @property
    def channels(self) -> tuple[str, ...]:
        """Names of the channels."""
        return channel_names(self.order)

    @property
    def what(self) -> str:
        """Say in words what listens."""
        return f"ambisonic, order {self.order}, ACN order of channels, SN3D scale"

    @property
    def is_instant(self) -> bool:
        """Whether the taps are one gain each, without a lead."""
        return True

    def taps(self, direction: Float, distance_m: Float, hearing: Hearing) -> Float:
        """Give what an impulse from each direction becomes, (n_channel, n, 1)."""
        return harmonics(direction, self.order)[:, :, None]

    def late_energy(self, histogram: EnergyHistogram, hearing: Hearing) -> Float:
        """Give what each channel takes of each bin, (n_channel, n_band, n_time)  (H6).

        Orders 0 and 1 exactly, from the moments; of higher ones the moments know nothing,
        and they take what sound from everywhere gives them.
        """
        energy = histogram.energy.mean(axis=0)
        ahead, left, up = (histogram_share(histogram, a, 0.0) for a in hearing.axes)
        shares = [np.ones_like(energy), left, up, ahead]
        shares += [np.full_like(energy, 1.0 / (2 * d + 1)) for d in degrees(self.order)[4:]]
        return np.asarray(np.stack(shares[: len(self.channels)]) * energy)

    def bass_weights(self, freq_hz: Float, hearing: Hearing) -> Complex:
        """Give what becomes of pressure and velocity x, y, z: (n_channel, 4, n_freq)."""
        weights = np.zeros((len(self.channels), 4, freq_hz.size), np.complex128)
        for channel, of in zip(range(len(self.channels)), (0, 2, 3, 1), strict=False):
            weights[channel, of] = 1.0
        return weights

    def bass_direct(
        self, direction: Float, distance_m: float, freq_hz: Float, hearing: Hearing
    ) -> Complex:
        """Give what becomes of a single wave: (n_channel, n_freq)."""
        gains = harmonics(direction[None], self.order)
        return np.asarray(gains * np.ones(freq_hz.size, np.complex128))


@dataclass(frozen=True, slots=True)
class SphereHead:
    """A rigid sphere with two ears: times and levels of a head, without its outer ears."""

    radius_m: float = 0.0875
    ear_deg: float = 90.0  # from straight ahead to either side

    @property
    def channels(self) -> tuple[str, ...]:
        """Names of the channels."""
        return ("left", "right")

    @property
    def what(self) -> str:
        """Say in words what listens."""
        return (
            f"two ears of a rigid sphere of {100.0 * self.radius_m:.2f} cm radius, "
            f"{self.ear_deg:g} degrees from ahead; a comparison aid, not a recreation"
        )

    @property
    def is_instant(self) -> bool:
        """Whether the taps are one gain each, without a lead."""
        return False

    @property
    def ears(self) -> Float:
        """Unit vectors to the left and the right ear, (2, 3)."""
        angle = math.radians(self.ear_deg)
        ahead, aside = math.cos(angle), math.sin(angle)
        return np.array([[ahead, aside, 0.0], [ahead, -aside, 0.0]])

    def transfer(
        self, direction: Float, distance_m: Float, freq_hz: Float, speed_m_s: float
    ) -> Complex:
        """Give pressure at the ears re free field at the middle, (2, n, n_freq)  (H1).

        Distances are taken on straight lines over radius / distance, in steps of 1/64.
        """
        ka = 2.0 * math.pi * freq_hz * self.radius_m / speed_m_s
        cosine = np.clip(self.ears @ direction.T, -1.0, 1.0)
        near = np.minimum(self.radius_m / distance_m, 1.0 / NEAREST) / _NEAR_STEP
        lower = np.floor(near).astype(np.int64)
        out = np.zeros((2, len(direction), freq_hz.size), np.complex128)
        for node in np.unique(np.concatenate([lower, lower + 1])).tolist():
            share = np.maximum(0.0, 1.0 - np.abs(near - node))
            used = np.flatnonzero(share)
            if used.size:
                ratio = math.inf if node == 0 else max(NEAREST, 1.0 / (node * _NEAR_STEP))
                orders = sphere_orders(ka, ratio)
                for ear in (0, 1):
                    shape = legendre(len(orders), cosine[ear, used]) * share[used]
                    out[ear, used] += shape.T @ orders
        return out

    def taps(self, direction: Float, distance_m: Float, hearing: Hearing) -> Float:
        """Give what an impulse from each direction becomes, (2, n, n_tap)  (H5)."""
        rate = hearing.sample_rate_hz
        n = fft.next_fast_len(math.ceil(_TAPS_S * rate), real=True)
        n += n % 2
        freq_hz = fft.rfftfreq(n, 1.0 / rate)
        spectrum = self.transfer(direction, distance_m, freq_hz, hearing.speed_m_s)
        spectrum *= np.exp(-2j * math.pi * freq_hz * hearing.lead / rate)
        over = np.clip((freq_hz / (0.5 * rate) - _TAPER) / (1.0 - _TAPER), 0.0, 1.0)
        return np.asarray(fft.irfft(spectrum * (0.5 + 0.5 * np.cos(math.pi * over)), n))

    def late_energy(self, histogram: EnergyHistogram, hearing: Hearing) -> Float:
        """Give what each ear takes of each bin, (2, n_band, n_time)  (H8)."""
        return _taken(self, histogram, hearing)

    def bass_weights(self, freq_hz: Float, hearing: Hearing) -> Complex:
        """Give what becomes of pressure and velocity x, y, z: (2, 4, n_freq)  (H9)."""
        ka = 2.0 * math.pi * freq_hz * self.radius_m / hearing.speed_m_s
        whole, sided = sphere_orders(ka, math.inf)[:2]
        weights = np.zeros((2, 4, freq_hz.size), np.complex128)
        weights[:, 0] = whole
        weights[:, 1:] = self.ears[:, :, None] * sided
        return weights

    def bass_direct(
        self, direction: Float, distance_m: float, freq_hz: Float, hearing: Hearing
    ) -> Complex:
        """Give what becomes of a single wave: (2, n_freq)."""
        far = np.array([distance_m])
        return self.transfer(direction[None], far, freq_hz, hearing.speed_m_s)[:, 0]


@dataclass(frozen=True, slots=True, eq=False)
class MeasuredHead:
    """A head that somebody measured, as taps from many directions, at their nearest one.

    Sounds are as from where it was measured, however near their source is. In the bass, where
    such measurements end, a rigid sphere of the same size stands for it.
    """

    direction: Float  # (n, 3) in the head's own axes
    measured: Float  # (n, 2, n_tap) re free field at the middle of the head
    sample_rate_hz: int
    middle_s: float  # in the taps: when sound would be at the middle of the head
    name: str
    sphere: SphereHead = SphereHead()

    @property
    def channels(self) -> tuple[str, ...]:
        """Names of the channels."""
        return ("left", "right")

    @property
    def what(self) -> str:
        """Say in words what listens."""
        return f"a measured head, {self.name}; not your own ears: a comparison aid"

    @property
    def is_instant(self) -> bool:
        """Whether the taps are one gain each, without a lead."""
        return False

    def taps(self, direction: Float, distance_m: Float, hearing: Hearing) -> Float:
        """Give what an impulse from each direction becomes, (2, n, n_tap)  (H5)."""
        nearest = np.argmax(direction @ self.direction.T, axis=1)
        kept, which = np.unique(nearest, return_inverse=True)
        rate = hearing.sample_rate_hz
        common = math.gcd(rate, self.sample_rate_hz)
        up, down = rate // common, self.sample_rate_hz // common
        played = scipy.signal.resample_poly(self.measured[kept], up, down, axis=-1)
        played = played * (down / up)
        # moved so that the middle lies where the lead ends; silence keeps it from wrapping
        n = played.shape[-1] + 2 * hearing.lead + math.ceil(self.middle_s * rate)
        n = fft.next_fast_len(n, real=True)
        later_s = hearing.lead / rate - self.middle_s
        turn = np.exp(-2j * math.pi * fft.rfftfreq(n, 1.0 / rate) * later_s)
        moved = fft.irfft(fft.rfft(played, n) * turn, n)
        return np.asarray(moved[which].transpose(1, 0, 2))

    def late_energy(self, histogram: EnergyHistogram, hearing: Hearing) -> Float:
        """Give what each ear takes of each bin, (2, n_band, n_time)  (H8)."""
        return _taken(self, histogram, hearing)

    def bass_weights(self, freq_hz: Float, hearing: Hearing) -> Complex:
        """Give what becomes of pressure and velocity x, y, z: (2, 4, n_freq)  (H9)."""
        return self.sphere.bass_weights(freq_hz, hearing)

    def bass_direct(
        self, direction: Float, distance_m: float, freq_hz: Float, hearing: Hearing
    ) -> Complex:
        """Give what becomes of a single wave: (2, n_freq)."""
        return self.sphere.bass_direct(direction, distance_m, freq_hz, hearing)


def _taken(ear: Ear, histogram: EnergyHistogram, hearing: Hearing) -> Float:
    """Give what channels with taps take of each bin, (n_channel, n_band, n_time)  (H8).

    What a channel takes from each direction is fitted by a quadratic of it, which is all
    that the stored moments can be asked for.
    """
    directions = even_directions(_N_EVEN)
    taps = ear.taps(directions, np.full(_N_EVEN, np.inf), hearing)
    n = fft.next_fast_len(max(taps.shape[-1], hearing.sample_rate_hz // 10), real=True)
    read = power_response(fft.rfftfreq(n, 1.0 / hearing.sample_rate_hz), hearing.bands, True)
    read /= read.sum(axis=1, keepdims=True)
    room = directions @ hearing.axes  # of the listener's axes, in those of the room
    shape = _moment_shapes(room)
    energy = histogram.energy.mean(axis=0)
    moments = np.concatenate([energy[None], histogram.moments])
    taken = []
    for channel in taps:
        power = np.abs(fft.rfft(channel, n)) ** 2 @ read.T  # (n_direction, n_band)
        fitted, *_ = np.linalg.lstsq(shape, power, rcond=None)
        got = np.einsum("mb,mbt->bt", fitted, moments)
        low, high = power.min(axis=0), power.max(axis=0)  # no direction gives less or more
        taken.append(np.clip(got, low[:, None] * energy, high[:, None] * energy))
    return np.stack(taken)


def _moment_shapes(direction: Float) -> Float:
    """Give 1 and each of the stored moments of unit energy from a direction, (n, 9)."""
    column = {"": np.ones(len(direction))} | dict(zip("xyz", direction.T, strict=True))
    powers: Sequence[str] = ("", *MOMENTS)
    return np.stack(
        [column[p] if len(p) < 2 else column[p[0]] * column[p[1]] for p in powers], 1
    )
