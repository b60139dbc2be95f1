"""A room with spots cut into it, recorded once, in which any choice of pieces is tried.

The rays of each source are recorded in the bare room, with chance of their own: a
confirmation with the scene's seed then owes nothing to the luck of a search. Each layout
is replayed as each microphone takes it (R12), its image paths are weighed anew (R13), and
it is judged by `raysim.planning.objective`.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from raysim.geometry.build import build_room
from raysim.measures.decay import DecayTimes, decay_curve_db, decay_times
from raysim.measures.echogram import Echogram
from raysim.measures.pair import measure_pair, room_decay, spread, start_of, without_direct
from raysim.planning.objective import (
    Judge,
    Parts,
    early_levels_db,
    octaves_of,
    pairs_mean,
)
from raysim.planning.spots import Option, Spot
from raysim.propagation.images import arrivals, pair_order
from raysim.propagation.rays import expected_duration_s
from raysim.propagation.replay import (
    Recording,
    Reflected,
    record,
    replay_all,
    reweighted_arrivals,
    with_materials,
)
from raysim.propagation.room import AcousticRoom, acoustic_room
from raysim.records import Arrivals, EnergyHistogram
from raysim.report.pairs import within
from raysim.response.microphone import arrival_gain
from raysim.scene.directivity import gain as source_gain
from raysim.scene.model import Receiver, Scene, Source
from raysim.units import Float, to_level_db

#: Rays that are recorded, of all sources together.
N_RAY: Final = 12_288
#: The search's chance is not that of a run with the scene's seed.
_OTHER_SEED: Final = 7919
#: Coins of recorded walks lie between, so that no piece can need what was not recorded.
_COIN: Final = (0.02, 0.98)
_MOST_ALPHA: Final = 0.95
#: Straight up: what was taken by a microphone already is measured as it is.
_TAKEN: Final = np.array([0.0, 0.0, 1.0])


@dataclass(frozen=True, slots=True, eq=False)
class Heard:
    """One source of a trial: its walks, and the paths to each receiver."""

    source: Source
    receivers: tuple[Receiver, ...]
    recording: Recording
    paths: tuple[Arrivals, ...]
    known: tuple[Reflected, ...]
    sent_db: tuple[float, ...]


@dataclass(frozen=True, slots=True, eq=False)
class Trial:
    """A room ready to try layouts in."""

    scene: Scene  # with the spots as patches
    room: AcousticRoom
    spots: tuple[Spot, ...]
    options: tuple[tuple[int, Option], ...]  # each with the number of its spot
    heard: tuple[Heard, ...]
    judge: Judge

    def materials(self, choice: frozenset[int]) -> list[str]:
        """Give the material of each side with some options put up."""
        names = list(self.room.sides.materials)
        place = {name: i for i, name in enumerate(self.room.sides.names)}
        for number in choice:
            spot, option = self.options[number]
            for part, material in zip(self.spots[spot].parts, option.materials, strict=True):
                names[place[part.name]] = material.name
        return names

    def judged(self, choices: Sequence[frozenset[int]]) -> list[Parts]:
        """Judge layouts, given by the numbers of their options."""
        return [parts for parts, _ in self._judged(choices, False)]

    def judged_with_errors(
        self, choices: Sequence[frozenset[int]]
    ) -> list[tuple[Parts, Float]]:
        """Judge layouts, and give the error of T30 per octave that rays leave, (8,)."""
        return self._judged(choices, True)

    def _judged(
        self, choices: Sequence[frozenset[int]], errors: bool
    ) -> list[tuple[Parts, Float]]:
        if not choices:
            return []
        rooms = [with_materials(self.room, self.scene, self.materials(c)) for c in choices]
        alpha = np.stack([r.sides.alpha for r in rooms])
        scattering = np.stack([r.sides.scattering for r in rooms])
        bands = self.scene.bands
        t30: list[list[Float]] = [[] for _ in choices]
        edt: list[list[float]] = [[] for _ in choices]
        early: list[list[Float]] = [[] for _ in choices]
        without: list[list[Float]] = [[] for _ in choices]
        for one in self.heard:
            late = replay_all(one.recording, alpha, scattering, "heard")
            for i, histograms in enumerate(late):
                for k, receiver in enumerate(one.receivers):
                    path = reweighted_arrivals(rooms[i], one.source, one.paths[k], one.known[k])
                    levels = early_levels_db(path, receiver, bands, one.sent_db[k])
                    if levels is not None:
                        early[i].append(levels)
                    gain = arrival_gain(path.direction, receiver.aim, receiver.pattern)
                    taken = replace(path, energy=path.energy * gain[:, None] ** 2)
                    if not errors:
                        t30_s, edt_s = _decay_s(taken, histograms[k])
                        t30[i].append(octaves_of(t30_s, bands))
                        edt[i].append(float(edt_s[bands.middle].mean()))
                        continue
                    measured = measure_pair(taken, histograms[k], bands, _TAKEN)
                    decay = room_decay(measured, taken, histograms[k], bands, _TAKEN)
                    t30[i].append(octaves_of(decay.t30_s, bands))
                    edt[i].append(float(measured.edt_s[bands.middle].mean()))
                    if decay.without_s is not None:
                        without[i].append(octaves_of(decay.without_s, bands))
        found = []
        for i in range(len(choices)):
            parts = self.judge.parts(
                pairs_mean(np.stack(t30[i])), float(pairs_mean(np.array(edt[i]))), early[i]
            )
            error = (
                spread(pairs_mean(np.stack(without[i]))) if without[i] else np.full(8, np.nan)
            )
            found.append((parts, error))
        return found


def _decay_s(taken: Arrivals, histogram: EnergyHistogram) -> tuple[Float, Float]:
    """Give T30 and EDT per band as `measure_pair` does, read once a bin and without errors.

    Where close direct sound hides the decay, T30 is that of the rest.
    """
    start_s, _ = start_of(taken, histogram)
    bin_s = histogram.bin_s
    edge_s = np.maximum(np.arange(histogram.energy.shape[2] + 1) * bin_s - start_s, 0.0)
    binned = histogram.energy.mean(axis=0)
    # histograms are long enough by far: what is missing after their end is no matter
    deepest_db = np.full(len(binned), -np.inf)

    def times(paths: Arrivals) -> DecayTimes:
        order = np.argsort(paths.delay_s, kind="stable")
        arrival_s = np.maximum(paths.delay_s[order] - start_s, 0.0)
        heard = Echogram(arrival_s, paths.energy[order].T, edge_s, binned)
        return decay_times(*decay_curve_db(heard, bin_s), deepest_db)

    found = times(taken)
    lacks = np.isnan(found.t30_s)
    if not lacks.any() or not np.any(taken.order == 0):
        return found.t30_s, found.edt_s
    return np.where(lacks, times(without_direct(taken)).t30_s, found.t30_s), found.edt_s


def make_trial(scene: Scene, spots: Sequence[Spot], judge: Judge, n_ray: int = N_RAY) -> Trial:
    """Cut spots into a room, record its rays and find its image paths.

    Parameters
    ----------
    scene : Scene
        As described.
    spots : sequence of Spot
    judge : Judge
    n_ray : int
        Of all sources together.

    Returns
    -------
    Trial
    """
    patches = tuple(part for spot in spots for part in spot.parts)
    options = tuple((i, o) for i, spot in enumerate(spots) for o in spot.options)
    materials = {m.name: m for _, o in options for m in o.materials}
    cut = replace(
        scene, patches=scene.patches + patches, materials={**scene.materials, **materials}
    )
    mesh = build_room(cut)
    room = acoustic_room(cut, mesh)
    duration_s = expected_duration_s(room)
    chain = pair_order(room, duration_s)
    heard = [
        _heard(cut, room, _recordable(room), source, duration_s, chain, n_ray)
        for source in cut.sources
    ]
    return Trial(cut, room, tuple(spots), options, tuple(heard), judge)


def _recordable(room: AcousticRoom) -> AcousticRoom:
    """Give a room whose walks can carry any piece."""
    sides = replace(
        room.sides,
        alpha=np.minimum(room.sides.alpha, _MOST_ALPHA),
        scattering=np.clip(room.sides.scattering, *_COIN),
    )
    return replace(room, sides=sides)


def _heard(
    scene: Scene,
    room: AcousticRoom,
    recordable: AcousticRoom,
    source: Source,
    duration_s: float,
    chain: int,
    n_ray: int,
) -> Heard:
    names = source.receivers
    receivers = [r for r in scene.receivers if names is None or r.name in names]
    settings = scene.settings
    order = settings.image_order
    recording = record(
        recordable, source, receivers, seed=settings.seed + _OTHER_SEED,
        n_ray=max(n_ray // len(scene.sources), 512), duration_s=duration_s,
        bin_s=settings.bin_s, image_order=order, pair_order=chain,
    )  # fmt: skip
    paths = arrivals(
        room, source, receivers, order, chain, farthest_m=duration_s * room.speed_m_s
    )
    sent_db = tuple(_sent_db(scene, source, p) for p in paths)
    return Heard(
        source, tuple(receivers), recording, tuple(paths), tuple({} for _ in paths), sent_db
    )


def _sent_db(scene: Scene, source: Source, path: Arrivals) -> float:
    """Give what the source sends as direct sound re its axis, 1 to 8 kHz."""
    if not len(path.delay_s) or path.order[0] != 0:
        return float("nan")
    cosine = np.clip(path.departure[0] @ source.aim, -1.0, 1.0)
    sent = source_gain(source.directivity, np.degrees(np.arccos([cosine])))[:, 0]
    return float(to_level_db(sent[within(scene.bands, 1000.0, 8000.0)].mean()))
