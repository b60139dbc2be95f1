"""Decay times of a room whose materials change: traced once, replayed for each change.

Each source's rays are recorded with every material in question at its least absorbing
coefficient, so that no ray ends that a change would need (R12); images are found once and
weighed anew (R13). What microphones take of both is measured as for a run, so the curve is
the traced one, and no formula of diffuse rooms comes in.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from raysim.measures.pair import measure_pair
from raysim.measures.theory import decay_time_s, eyring_area_m2
from raysim.planning.measured_decays import DECAYS
from raysim.propagation.images import arrivals, pair_order
from raysim.propagation.replay import (
    Recording,
    Reflected,
    record,
    replay_all,
    reweighted_arrivals,
)
from raysim.propagation.room import AcousticRoom
from raysim.records import MOMENTS, Arrivals, EnergyHistogram
from raysim.response.microphone import arrival_gain
from raysim.scene.model import Bands, Receiver, Source
from raysim.study import Prepared
from raysim.tracing import Tell, say_nothing
from raysim.units import Float, Int

#: Histograms last so many times as long as the longest decay that is expected of them.
_LASTS: Final = 2.0
#: What was taken by a microphone already is measured as it is; straight up, so that no
#: lateral fraction is looked for.
_TAKEN: Final = np.array([0.0, 0.0, 1.0])


@dataclass(frozen=True, slots=True, eq=False)
class _Heard:
    """One source: its walks, and its paths to each receiver."""

    source: Source
    receivers: tuple[Receiver, ...]
    recording: Recording
    exact: tuple[Arrivals, ...]
    known: tuple[Reflected, ...]


@dataclass(frozen=True, slots=True, eq=False)
class ReplayedRoom:
    """One layout of a room, recorded."""

    name: str
    room: AcousticRoom
    bands: Bands
    column: Int  # (n_side,) which material in question is on a side, -1: none
    heard: tuple[_Heard, ...]

    @property
    def pairs(self) -> tuple[tuple[str, str], ...]:
        """Names of source and receiver, in the order of `decays_s`."""
        return tuple((h.source.name, r.name) for h in self.heard for r in h.receivers)

    def decays_s(self, alpha: Float, *, spread: bool = False) -> tuple[Float, Float]:
        """Give decay times for coefficients of the materials in question.

        Parameters
        ----------
        alpha : (n_change, n_material, n_band) float64
        spread : bool
            Errors too: takes thirty times as long.

        Returns
        -------
        value_s, error_s : (n_change, n_pair, n_decay, n_band) float64
            In the order of `DECAYS`; NaN where there is none. Errors are NaN if not asked.
        """
        on = self.column >= 0
        sides = np.repeat(self.room.sides.alpha[None], len(alpha), axis=0)
        sides[:, on] = alpha[:, self.column[on]]
        scattering = np.broadcast_to(self.room.sides.scattering, sides.shape)
        shape = (len(alpha), len(self.pairs), len(DECAYS), self.bands.n_band)
        value_s, error_s = np.full(shape, np.nan), np.full(shape, np.nan)
        i_pair = 0
        for one in self.heard:
            replays = replay_all(
                one.recording, sides, np.ascontiguousarray(scattering), "heard"
            )
            for i, histograms in enumerate(replays):
                room = replace(self.room, sides=replace(self.room.sides, alpha=sides[i]))
                for k, (receiver, binned) in enumerate(
                    zip(one.receivers, histograms, strict=True)
                ):
                    found = reweighted_arrivals(room, one.source, one.exact[k], one.known[k])
                    measured = _measured(found, binned, receiver, self.bands, spread)
                    for j, name in enumerate(DECAYS):
                        value_s[i, i_pair + k, j] = measured[0][name]
                        error_s[i, i_pair + k, j] = measured[1][name]
            i_pair += len(one.receivers)
        return value_s, error_s


def _measured(
    found: Arrivals, binned: EnergyHistogram, receiver: Receiver, bands: Bands, spread: bool
) -> tuple[dict[str, Float], dict[str, Float]]:
    """Give decay times and errors of what a microphone takes."""
    gain = arrival_gain(found.direction, receiver.aim, receiver.pattern)
    taken = replace(found, energy=found.energy * gain[:, None] ** 2)
    energy = binned.energy if spread else binned.energy.mean(axis=0, keepdims=True)
    none = np.zeros((len(MOMENTS), *energy.shape[1:]))
    got = measure_pair(taken, EnergyHistogram(binned.bin_s, energy, none), bands, _TAKEN)
    return {n: getattr(got, n) for n in DECAYS}, {n: got.error[n] for n in DECAYS}


def record_room(
    prepared: Prepared,
    materials: Sequence[str],
    least: Float,
    longest_s: float,
    n_ray: int,
    seed: int,
    tell: Tell = say_nothing,
) -> ReplayedRoom:
    """Record a layout.

    Parameters
    ----------
    prepared : Prepared
    materials : sequence of str
        Those in question.
    least : (n_material, n_band) float64
        Their least absorption.
    longest_s : float
        Longest decay time that was measured.
    n_ray : int
        Per source.
    seed : int
    tell : callable, optional
        Called with the share done.
    """
    room, scene = prepared.room, prepared.scene
    place = {name: i for i, name in enumerate(materials)}
    column = np.array([place.get(name, -1) for name in room.sides.materials])
    alpha = room.sides.alpha.copy()
    alpha[column >= 0] = least[column[column >= 0]]
    bare = replace(room, sides=replace(room.sides, alpha=alpha))
    likely_s = decay_time_s(
        eyring_area_m2(room.sides.area_m2, room.sides.alpha),
        prepared.mesh.air_volume_m3, room.speed_m_s, room.air_per_m,
    )  # fmt: skip
    duration_s = _LASTS * max(longest_s, float(likely_s.max()))
    settings = scene.settings
    chain = pair_order(bare, duration_s)
    heard = []
    for i, source in enumerate(scene.sources):
        tell(i / len(scene.sources), f"{prepared.name}: recording {source.name}")
        receivers = prepared.receivers_of(source)
        exact = arrivals(
            bare, source, receivers, settings.image_order, chain, duration_s * room.speed_m_s
        )
        recording = record(
            bare, source, receivers, seed=seed, n_ray=n_ray, duration_s=duration_s,
            bin_s=settings.bin_s, image_order=settings.image_order, pair_order=chain,
        )  # fmt: skip
        known: tuple[Reflected, ...] = tuple({} for _ in receivers)
        heard.append(_Heard(source, tuple(receivers), recording, tuple(exact), known))
    return ReplayedRoom(prepared.name, room, scene.bands, column, tuple(heard))
