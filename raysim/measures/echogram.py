"""Energy over time at one place: exact arrivals beside bins of evenly spread energy.

Times are seconds after the start, the direct sound or whatever came first. All
measures are computed from this record, for simulated pairs and recordings alike.
Axis order: band, time.
"""

from dataclasses import dataclass

import numpy as np

from raysim.units import Float


@dataclass(frozen=True, slots=True)
class Echogram:
    """Arrivals at exact times, and bins within which energy is spread evenly."""

    arrival_s: Float  # (n_arrival,) ascending, not negative
    arrival_energy: Float  # (n_band, n_arrival)
    edge_s: Float  # (n_time + 1,) ascending, not negative; bins of zero width are allowed
    binned: Float  # (n_band, n_time)

    @property
    def total(self) -> Float:
        """All energy, (n_band,)."""
        return np.asarray(self.arrival_energy.sum(axis=1) + self.binned.sum(axis=1))

    @property
    def end_s(self) -> float:
        """When the last energy has come."""
        last = float(self.arrival_s[-1]) if self.arrival_s.size else 0.0
        return max(last, float(self.edge_s[-1]))

    def after(self, time_s: Float) -> Float:
        """Give the energy from each time on, (n_band, n_time): the decay curve  (M1).

        An arrival at a given time counts as after it. Backward integration, M. R.
        Schroeder, J. Acoust. Soc. Am. 37 (1965) 409.
        """
        time = np.asarray(time_s, dtype=np.float64)
        left = _sum_from_end(self.arrival_energy)
        energy = left[:, np.searchsorted(self.arrival_s, time, side="left")]
        if self.binned.shape[1]:
            left = _sum_from_end(self.binned)
            i = np.clip(np.searchsorted(self.edge_s, time, side="right") - 1, 0, None)
            i = np.minimum(i, self.binned.shape[1] - 1)
            width = self.edge_s[i + 1] - self.edge_s[i]
            safe = np.where(width > 0.0, width, 1.0)
            gone = np.clip((time - self.edge_s[i]) / safe, 0.0, 1.0)
            energy = energy + left[:, i + 1] + (1.0 - gone) * self.binned[:, i]
        return np.asarray(energy)

    def before(self, time_s: float) -> Float:
        """Give the energy up to a time, (n_band,)."""
        return np.asarray(self.total - self.after(np.array([time_s]))[:, 0])

    def mean_time_s(self) -> Float:
        """Give the centre of gravity of the energy in time, (n_band,) s."""
        middle = 0.5 * (self.edge_s[1:] + self.edge_s[:-1])
        moment = self.arrival_energy @ self.arrival_s + self.binned @ middle
        total = self.total
        return np.divide(moment, total, out=np.full_like(total, np.nan), where=total > 0.0)

    def spectrum(self, freq_hz: Float) -> Float:
        """Give the magnitude of the energy's Fourier transform, (n_band, n_freq)."""
        turn = -2j * np.pi * np.asarray(freq_hz)
        middle = 0.5 * (self.edge_s[1:] + self.edge_s[:-1])
        width = np.diff(self.edge_s)
        waves = self.arrival_energy @ np.exp(turn * self.arrival_s[:, None])
        spread = np.sinc(width[:, None] * np.asarray(freq_hz))
        waves = waves + self.binned @ (spread * np.exp(turn * middle[:, None]))
        return np.asarray(np.abs(waves))


def _sum_from_end(energy: Float) -> Float:
    """Give the sums from each place to the end, (n_band, n + 1), the last being 0."""
    padded = np.concatenate([energy, np.zeros((energy.shape[0], 1))], axis=1)
    return np.asarray(np.cumsum(padded[:, ::-1], axis=1)[:, ::-1])
