"""A measured response as one of the responses that are listened to.

What a sweep gives has no absolute level and begins when the recorder did. Both are set from
the distance between loudspeaker and microphone: direct sound comes distance over speed of
sound after the emission, and its energy is that of free field. So loudness agrees with that of
simulated rooms as far as the loudspeaker was on its axis and like the simulated source.
"""

import math
from pathlib import Path
from typing import Final

import numpy as np

from raysim.errors import AudioError, Complaint
from raysim.measures.recorded import find_onset
from raysim.response.heard import HeardResponse
from raysim.response.wav import read_wav

#: Direct sound is what comes in this time: little is reflected so early in any room, and most
#: of a loudspeaker's own ringing above the bass is in it. Common practice, no source.
_DIRECT_S: Final = 0.002
_BEFORE_S: Final = 0.001
_DISTANCES_M: Final = (0.1, 50.0)


def measured_response(
    path: Path,
    source: str,
    receiver: str,
    distance_m: float,
    *,
    layout: str = "measured",
    channel: int | None = None,
    speed_m_s: float = 343.2,
) -> HeardResponse:
    """Read a measured response, ready to stand beside simulated ones.

    Parameters
    ----------
    path : Path
        A response, as of `raysim sweep read`; not the recording of the sweep.
    source, receiver : str
        As the scene calls the places.
    distance_m : float
        From loudspeaker to microphone, metres.
    layout : str
        What to call the real room.
    channel : int, optional
        Counted from 1.
    speed_m_s : float

    Raises
    ------
    AudioError
        RS-C11: no such distance; and as `read_wav`.
    """
    least, most = _DISTANCES_M
    if not least <= distance_m <= most:
        raise AudioError(
            Complaint(str(path), f"a distance of {distance_m:g} m is not possible.",
                      f"Give {least:g} to {most:g} m, loudspeaker to microphone.", "RS-C11")
        )  # fmt: skip
    recording = read_wav(path, channel)
    rate, samples = recording.sample_rate_hz, recording.samples
    onset = find_onset(samples)
    direct = samples[max(onset - round(_BEFORE_S * rate), 0) : onset + round(_DIRECT_S * rate)]
    strength = math.sqrt(float((direct**2).sum()))
    arrival = round(distance_m / speed_m_s * rate)
    if arrival >= onset:
        aligned = np.concatenate([np.zeros(arrival - onset), samples])
    else:  # what lies before the emission is noise
        aligned = samples[onset - arrival :]
    return HeardResponse(
        (aligned / (strength * distance_m))[None],
        rate,
        ("mono",),
        layout,
        source,
        receiver,
        f'measured, "{path.name}", level from a distance of {distance_m:g} m',
    )
