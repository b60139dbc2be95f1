"""Sweeps and what is recorded of them, as files: what a room did to a sweep, or why not.

A sweep's file says in its comment how it was made, so nothing else need be kept with it.
What was recorded may begin at any time before the sweep and end any time after its tail.
"""

import dataclasses
import json
import math
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import numpy as np

from raysim.errors import AudioError, Complaint, SettingsError
from raysim.response.sweep import (
    Distortion,
    Sweep,
    average,
    deconvolve,
    drift_s,
    separate,
    sweep_signal,
)
from raysim.response.wav import Recording, read_wav, write_wav
from raysim.units import Float, to_level_db

_SWEEP: Final = "raysim sweep"
_RESPONSE: Final = "raysim response from a sweep"
_SWEEP_SCALE: Final = f"{_SWEEP}: 1.0 is full scale."
_RESPONSE_SCALE: Final = (
    f"{_RESPONSE}: 1.0 is what was played, so there is no absolute level in it. The strongest "
    "sound comes a little after sample 0."
)
#: The strongest lag stands so far above the mean of all, or it is no sweep. Of noise the
#: strongest of a million stands 14 dB above (2 ln of their number).
_LEAST_CREST_DB: Final = 25.0
#: Treble this much after or before bass is another sweep, if no clock is that wrong; rooms
#: and loudspeakers delay by less. A fifth of it deserves a caution.
_OTHER_S: Final = 0.02
_OTHER_PPM: Final = 20_000.0
_DISPERSED_S: Final = 0.004
#: Repetitions are looked for so near to where they should be, as a share of the time.
_NEAR: Final = 1e-3
#: Clocks that differ more deserve a word, parts per million.
_DRIFT_PPM: Final = 50.0
#: Less of a tail is not worth measuring.
_LEAST_TAIL_S: Final = 0.2
_FULL_SCALE: Final = 0.999

#: Least and most of what a sweep may be.
LIMITS: Final = {
    "seconds": (1.0, 60.0, "s"),
    "from_hz": (5.0, 2000.0, "Hz"),
    "to_hz": (200.0, 90_000.0, "Hz"),
    "sample_rate_hz": (8000, 192_000, "Hz"),
    "times": (1, 20, "times"),
    "silence_s": (0.5, 20.0, "s"),
    "level_db": (-60.0, -1.0, "dB re full scale"),
}


def check_sweep(sweep: Sweep) -> None:
    """Refuse what cannot be played or read back.

    Raises
    ------
    SettingsError
        RS-W20, once for each number.
    """
    complaints = []
    for name, (least, most, unit) in LIMITS.items():
        option = "--rate" if name == "sample_rate_hz" else f"--{name.replace('_', '-')}"
        value = getattr(sweep, name)
        if not least <= value <= most:
            wrong = f"{value:g} is not possible."
            fix = f"Give {least:g} to {most:g} {unit}."
            complaints.append(Complaint(option, wrong, fix, "RS-W20"))
    if not complaints and sweep.to_hz < 8.0 * sweep.from_hz:
        wrong = f"from {sweep.from_hz:g} to {sweep.to_hz:g} Hz is less than three octaves."
        complaints.append(Complaint("--to-hz", wrong, "Sweep further.", "RS-W20"))
    if not complaints and sweep.to_hz > 0.46 * sweep.sample_rate_hz:
        wrong = f"{sweep.to_hz:g} Hz is too high for {sweep.sample_rate_hz} samples a second."
        fix = f"Give at most {0.46 * sweep.sample_rate_hz:.0f} Hz, or a higher rate."
        complaints.append(Complaint("--to-hz", wrong, fix, "RS-W20"))
    if complaints:
        raise SettingsError(complaints)


def write_sweep(path: Path, sweep: Sweep) -> None:
    """Write the file to play.

    Raises
    ------
    AudioError
        RS-W29: something else of this name is there, or it is no name of a WAV file.
    """
    check_sweep(sweep)
    if path.suffix.lower() != ".wav":
        fix = f'Name it "{path.stem or path.name}.wav".'
        raise _refused(path, "a sweep is written as WAV, by whatever name.", fix, "RS-W29")
    _check_free(path, _SWEEP)
    told = json.dumps(dataclasses.asdict(sweep))
    write_wav(path, sweep_signal(sweep), sweep.sample_rate_hz, told, _SWEEP_SCALE)


def read_sweep(path: Path) -> Sweep:
    """Read how a sweep was made from its file.

    Raises
    ------
    AudioError
        RS-W21: it is not one that raysim made; and as `read_wav`.
    """
    found = read_wav(path)
    head, brace, told = found.comment.partition("{")
    try:
        if not head.startswith(_SWEEP_SCALE):
            raise ValueError
        sweep = Sweep(**json.loads(brace + told))
        check_sweep(sweep)
        same = sweep_signal(sweep)
    except (ValueError, TypeError, SettingsError) as error:
        raise _refused(
            path,
            "this is not a sweep that raysim made, or it lost its comment.",
            "Give the file that `raysim sweep make` wrote, as it was written.",
            "RS-W21",
        ) from error
    if found.samples.size != same.size or np.abs(found.samples - same).max() > 1e-4:
        raise _refused(
            path,
            "its samples are not those of the sweep that its comment tells of.",
            "Make the sweep anew; edit the recording if need be, not the sweep.",
            "RS-W21",
        )
    return sweep


@dataclass(frozen=True, slots=True)
class SweptResponse:
    """What a recording of a sweep holds."""

    response: Float  # (n_sample,)
    sample_rate_hz: int
    sweep: Sweep
    begins_s: float  # of the response, in the recording, counted from the sweep's start
    n_sweep: int  # that were averaged
    peak_db: float  # strongest sound re the mean of all lags
    drift_ppm: float | None  # of the clocks, from repetitions; None: there were none
    distortion: tuple[Distortion, ...]
    cautions: tuple[Complaint, ...]


def read_response(path: Path, sweep: Sweep, channel: int | None = None) -> SweptResponse:
    """Read the recording of a sweep.

    Raises
    ------
    AudioError
        RS-W22 another rate, RS-W23 shorter than the sweep, RS-W24 cut off, RS-W25 no such
        sweep in it, RS-W26 clipped; and as `read_wav`.
    """
    recording = read_wav(path, channel)
    return swept_response(recording, sweep, str(path))


def swept_response(recording: Recording, sweep: Sweep, where: str) -> SweptResponse:
    """Give the response in a recording; see `read_response`."""
    samples = recording.samples
    _check_recording(recording, sweep, where)
    lags = deconvolve(samples, sweep)
    strength = np.abs(lags)
    strongest = int(strength.argmax())
    crest_db = float(to_level_db(lags[strongest] ** 2 / float((lags**2).mean())))
    late_s, late_ppm = drift_s(lags, strongest, sweep)
    is_other = abs(late_s) > _OTHER_S and abs(late_ppm) > _OTHER_PPM
    if crest_db < _LEAST_CREST_DB or is_other:
        raise _refused(
            where,
            "the sweep cannot be found in it: it is noise, or of another sweep.",
            "Check that this is the recording of that sweep, as it was played.",
            "RS-W25",
        )
    peaks = _peaks(strength, strongest, sweep)
    rate = sweep.sample_rate_hz
    # a lag is complete only as long as the whole sweep was recorded after it
    most_tail = round(sweep.silence_s * rate)
    tails = [min(most_tail, samples.size - peak) for peak in peaks]
    whole = [p for p, n in zip(peaks, tails, strict=True) if n >= _LEAST_TAIL_S * rate]
    begun = [p for p in whole if p >= sweep.n_sweep]
    if not begun:
        end = "ends" if not whole else "begins"
        wrong = f"the recording {end} while the sweep is played"
        raise _refused(
            where,
            f"{wrong} or sooner than {_LEAST_TAIL_S:g} s after it." if not whole
            else f"{wrong}.",
            "Start recording before you play, and stop some seconds after the last sound.",
            "RS-W24",
        )  # fmt: skip
    n_tail = min(min(most_tail, samples.size - p) for p in begun)
    n_ahead = round((sweep.ahead_s(9.0)) * rate)
    mean = average(lags, begun, n_ahead, n_tail)
    parts = separate(mean, n_ahead, n_tail, sweep)
    drift = _drift_ppm(begun, sweep)
    cautions = list(recording.cautions)
    if len(begun) < sweep.times:
        wrong = f"{len(begun)} of {sweep.times} sweeps are whole in it."
        fix = "The others were left out; record all for less noise."
        cautions.append(Complaint(where, wrong, fix, "RS-W27"))
    cautions += _drift_cautions(where, drift, late_s, late_ppm)
    return SweptResponse(
        parts.response,
        rate,
        sweep,
        (begun[0] - sweep.n_sweep - parts.peak) / rate,
        len(begun),
        crest_db,
        drift,
        parts.distortion,
        tuple(cautions),
    )


def _check_recording(recording: Recording, sweep: Sweep, where: str) -> None:
    """Refuse what no response can be found in."""
    if recording.sample_rate_hz != sweep.sample_rate_hz:
        raise _refused(
            where,
            f"it has {recording.sample_rate_hz} samples a second, the sweep "
            f"{sweep.sample_rate_hz}.",
            "Record at the sweep's rate, or make a sweep with the recorder's (--rate).",
            "RS-W22",
        )
    if recording.samples.size < sweep.n_sweep:
        raise _refused(
            where,
            f"it lasts {recording.samples.size / sweep.sample_rate_hz:.1f} s, the sweep alone "
            f"{sweep.seconds:g} s.",
            "Start recording before you play, and stop some seconds after the last sound.",
            "RS-W23",
        )
    if recording.cautions and np.abs(recording.samples).max() >= _FULL_SCALE:
        raise _refused(
            where,
            "it is clipped: samples stand at full scale.",
            "Turn the microphone's gain down, or play more quietly, and record again.",
            "RS-W26",
        )


def _peaks(strength: Float, strongest: int, sweep: Sweep) -> list[int]:
    """Find where the strongest sound of each repetition is, the first first."""
    near = max(1, int(_NEAR * sweep.period))
    found = [strongest]
    for step in (-1, 1):
        at = strongest
        for _ in range(sweep.times - 1):
            at += step * sweep.period
            if at - near < 0 or at + near >= strength.size:
                break
            at = at - near + int(strength[at - near : at + near].argmax())
            if strength[at] < 0.5 * strength[strongest]:
                break
            found.append(at)
    return sorted(found)


def _drift_ppm(peaks: list[int], sweep: Sweep) -> float | None:
    """Tell by how much the clocks of player and recorder differ, from repetitions."""
    if len(peaks) < 2:
        return None
    n_period = round((peaks[-1] - peaks[0]) / sweep.period)
    return 1e6 * ((peaks[-1] - peaks[0]) / (n_period * sweep.period) - 1.0)


def _drift_cautions(
    where: str, drift_ppm: float | None, late_s: float, late_ppm: float
) -> list[Complaint]:
    """Say if clocks drift apart, or something looks like it."""
    fix = "Play and record with one device if fine detail in the treble matters."
    if drift_ppm is not None and abs(drift_ppm) > _DRIFT_PPM:
        wrong = (
            f"the clocks of player and recorder differ by {drift_ppm:.0f} parts per million."
        )
        return [Complaint(where, wrong, fix, "RS-W28")]
    if drift_ppm is None and abs(late_s) > _DISPERSED_S:
        when = "after" if late_s > 0.0 else "before"
        wrong = (
            f"treble comes {1000.0 * abs(late_s):.0f} ms {when} bass: clocks that differ by "
            f"{abs(late_ppm):.0f} parts per million, or a loudspeaker that delays one of them."
        )
        return [Complaint(where, wrong, fix, "RS-W28")]
    return []


def write_response(path: Path, found: SweptResponse, recording: Path) -> Path:
    """Write a response as WAV, and beside it what is known of it; give that file's name.

    Raises
    ------
    AudioError
        RS-W29: something else of this name is there.
    """
    _check_free(path, _RESPONSE)
    about = path.with_suffix(".json")
    if about.exists() and not _is_about(about):
        raise _taken(about)
    told = json.dumps({"begins_s": round(found.begins_s, 6), "averaged": found.n_sweep})
    write_wav(path, found.response, found.sample_rate_hz, told, _RESPONSE_SCALE)
    about.write_text(json.dumps(_about(found, recording), indent=1) + "\n", encoding="utf-8")
    return about


def _about(found: SweptResponse, recording: Path) -> dict[str, Any]:
    """Give all parameters of a response, ready for JSON."""
    return {
        "what": _RESPONSE,
        "recording": recording.name,
        "sweep": dataclasses.asdict(found.sweep),
        "sample_rate_hz": found.sample_rate_hz,
        "passband_hz": [round(f, 2) for f in found.sweep.passband_hz],
        "begins_s": round(found.begins_s, 6),
        "averaged": found.n_sweep,
        "strongest_re_mean_db": round(found.peak_db, 1),
        "drift_ppm": None if found.drift_ppm is None else round(found.drift_ppm, 1),
        "distortion": [
            {
                "order": one.order,
                "octave_hz": round(float(centre), 2),
                "level_db": round(float(to_level_db(share**2)), 2),
                "above_noise": clear,
            }
            for one in found.distortion
            for centre, share, clear in zip(one.centre_hz, one.share, one.clear, strict=True)
            if math.isfinite(share) and share > 0.0
        ],
        "cautions": [str(c) for c in found.cautions],
    }


def _is_about(path: Path) -> bool:
    try:
        return bool(json.loads(path.read_text(encoding="utf-8"))["what"] == _RESPONSE)
    except (OSError, ValueError, KeyError, TypeError):
        return False


def _check_free(path: Path, ours: str) -> None:
    """Refuse to replace a file that is not one of ours of the same kind."""
    if not path.exists():
        return
    try:
        with path.open("rb") as file:
            is_ours = ours.encode() + b":" in file.read(1024)
    except OSError:
        is_ours = False
    if not is_ours:
        raise _taken(path)


def _taken(path: Path) -> AudioError:
    return _refused(path, "there is another file of this name.", "Name another.", "RS-W29")


def _refused(where: Path | str, wrong: str, fix: str, code: str) -> AudioError:
    return AudioError(Complaint(str(where), wrong, fix, code))
