"""What is heard of a source at a receiver: one or more channels at absolute scale.

Pressure is re the same source in free field at 1 m on its axis, sample 0 is the emission,
for every ear alike, so that responses of a set stay in time and in level with each other.
"""

import math
from dataclasses import dataclass, replace

import numpy as np

from raysim.errors import Complaint, SettingsError
from raysim.records import PairResult
from raysim.response.channels import early_and_late_channels
from raysim.response.ears import (
    NEAREST,
    Ambisonic,
    Ear,
    Hearing,
    MeasuredHead,
    Microphone,
    SphereHead,
    axes_of,
)
from raysim.response.impulse import early_and_late
from raysim.response.join import ear_of, ear_spectra, join, join_channels
from raysim.response.walls import PathWalls
from raysim.scene.air import gas
from raysim.scene.directivity import FIRST_ORDER
from raysim.scene.model import Receiver, Source
from raysim.store.file import Results
from raysim.units import Float

#: All that can listen.
Listener = Microphone | SphereHead | MeasuredHead | Ambisonic


@dataclass(frozen=True, slots=True, eq=False)
class HeardResponse:
    """The response of a room from a source to a microphone, a head, or an array.

    ``channels`` names the channels: "mono"; "left", "right"; or of ambisonics "W", "Y", "Z",
    "X" and on, by their number. ``what`` says in words what heard it.
    """

    samples: Float  # (n_channel, n_sample); 1.0 is the peak of the direct sound at 1 m
    sample_rate_hz: int
    channels: tuple[str, ...]
    layout: str
    source: str
    receiver: str
    what: str
    first_s: float = math.nan  # when the first exact path is at the receiver's place
    crossover_hz: float | None = None  # below it the wave solver's part; None: no such part
    mismatch_db: float = math.nan  # the two parts' disagreement where they meet


def hear(
    results: Results,
    layout: str,
    source: str,
    receiver: str,
    ear: Listener,
    sample_rate_hz: int = 48_000,
) -> HeardResponse:
    """Give what an ear at a receiver's place hears of an impulse from a source.

    Parameters
    ----------
    results : Results
        Open result file.
    layout, source, receiver : str
        As the file calls them.
    ear : Microphone, SphereHead, MeasuredHead or Ambisonic
        Heads and ambisonic axes look along the receiver's aim.
    sample_rate_hz : int

    Returns
    -------
    HeardResponse

    Raises
    ------
    StoreError
        RS-H08: the file does not hold the pair.
    SettingsError
        RS-W10: the sample rate is too low. RS-L01: a source is inside the head.
    """
    pair = results.pair(layout, source, receiver)
    names = [one.name for one in results.sources], [one.name for one in results.receivers]
    at = names[0].index(source), names[1].index(receiver)
    sender, place = results.sources[at[0]], results.receivers[at[1]]
    walls = PathWalls(results.sides(layout), results.materials(layout), gas(results.air))
    key = (results.settings.seed, *at)
    wave = results.bass_response(layout, source, receiver)
    if isinstance(ear, Microphone):
        place = replace(
            place,
            aim=place.aim if ear.aim is None else ear.aim,
            pattern=place.pattern if ear.pattern is None else ear.pattern,
        )
    of = ear_of(pair, sender, place, results.bands, results.air)
    first = pair.arrivals.delay_s
    heard = HeardResponse(
        np.zeros((0, 0)), sample_rate_hz, ("mono",), layout, source, receiver,
        _pattern(place.pattern),
        float(first.min()) if first.size else math.nan,
        None if wave is None else wave.crossover_hz,
    )  # fmt: skip
    if isinstance(ear, Microphone):
        early, late = early_and_late(
            pair.arrivals, pair.histogram, results.bands, sample_rate_hz, place.aim,
            place.pattern, *key, walls,
        )  # fmt: skip
        if wave is None:
            return replace(heard, samples=_sum(early[None], late[None]))
        joined = join(wave, of, early, late, sample_rate_hz)
        samples, mismatch_db = joined.impulse[None], joined.mismatch_db
        return replace(heard, samples=samples, mismatch_db=mismatch_db)
    _check_outside(ear, sender, place, pair)
    hearing = Hearing(axes_of(place.aim), of.speed_m_s, results.bands, sample_rate_hz)
    heard = replace(heard, channels=ear.channels, what=ear.what)
    directed: Ear = ear
    parts = early_and_late_channels(pair.arrivals, pair.histogram, ear, hearing, key, walls)
    if wave is None:
        return replace(heard, samples=_sum(*parts))
    samples, mismatch_db = join_channels(
        wave,
        lambda freq_hz, n: ear_spectra(wave, directed, hearing, of, freq_hz, n),
        *parts,
        sample_rate_hz,
    )
    return replace(heard, samples=samples, mismatch_db=mismatch_db)


def _pattern(p: float) -> str:
    """Say in words which microphone listens.

    Examples
    --------
    >>> _pattern(0.5), _pattern(0.6)
    ('a cardioid microphone', 'a microphone of pattern 0.6 + 0.4 cos')
    """
    names = {share: name for name, share in FIRST_ORDER.items()}
    name = names.get(p)
    return (
        f"a microphone of pattern {p:g} + {1.0 - p:g} cos"
        if name is None
        else (f"{'an' if name[0] in 'aeiou' else 'a'} {name} microphone")
    )


def _sum(early: Float, late: Float) -> Float:
    total = np.zeros((len(early), max(early.shape[1], late.shape[1])))
    total[:, : early.shape[1]] += early
    total[:, : late.shape[1]] += late
    return total


def _check_outside(ear: Listener, source: Source, place: Receiver, pair: PairResult) -> None:
    """Complain of a source that would be inside the head."""
    sphere = ear.sphere if isinstance(ear, MeasuredHead) else ear
    if not isinstance(sphere, SphereHead) or not pair.arrivals.distance_m.size:
        return
    nearest_m = float(pair.arrivals.distance_m.min())
    if nearest_m < NEAREST * sphere.radius_m:
        raise SettingsError(
            Complaint(
                where=f'"{source.name}" to "{place.name}"',
                wrong=f"the source is {100.0 * nearest_m:.1f} cm from the middle of a head of "
                f"{100.0 * sphere.radius_m:.1f} cm radius.",
                fix="Listen with a microphone there, or choose another pair.",
                code="RS-L01",
            )
        )
