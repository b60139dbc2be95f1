"""The responses of a set of layouts to files: one gain for all, and a log of everything.

A set is written only when all of it is made; files of an earlier set in the same folder
that are not of this one go.
"""

import contextlib
import json
import math
import tempfile
from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any, Final

import numpy as np

from raysim import __version__
from raysim.errors import AudioError, Complaint
from raysim.response.head_file import write_sofa
from raysim.response.heard import HeardResponse, Listener, hear
from raysim.response.quality import Quality, quality
from raysim.response.wav import SCALE, is_wav_of_ours, wav_names, write_wav
from raysim.store.file import Results
from raysim.store.replace import replace_file, replacement_target
from raysim.units import to_energy, to_level_db

#: The log's name; how it says that it is ours.
LOG_NAME: Final = "heard.json"
_OURS: Final = "raysim_version"
#: Left above the greatest sample of a set, dB.
_HEADROOM_DB: Final = 1.0

#: Called with the share done and what is being done.
Tell = Callable[[float, str], None]


@dataclass(frozen=True, slots=True)
class HeardFile:
    """One response as written."""

    path: Path
    heard: HeardResponse  # without its samples
    n_sample: int
    peak_db: float  # before the gain, re the direct sound at 1 m
    quality: Quality


@dataclass(frozen=True, slots=True)
class HeardSet:
    """All that was written, and the one gain that all of it has."""

    files: tuple[HeardFile, ...]
    gain_db: float
    log: Path


def common_gain_db(peak: float) -> float:
    """Give the gain of a set by its greatest sample: none, or whole dB down.

    Examples
    --------
    >>> common_gain_db(0.5), common_gain_db(1.0), common_gain_db(5.0)
    (0.0, -1.0, -15.0)
    """
    if peak <= 0.0:
        return 0.0
    over_db = float(to_level_db(peak**2)) + _HEADROOM_DB
    return -float(math.ceil(over_db)) if over_db > 0.0 else 0.0


def write_heard(
    results: Results,
    listener: Listener,
    folder: Path,
    sample_rate_hz: int = 48_000,
    layouts: Sequence[str] = (),
    sofa: bool = False,
    tell: Tell | None = None,
) -> HeardSet:
    """Write what is heard of every pair in some layouts.

    Parameters
    ----------
    results : Results
        Open result file.
    listener : Microphone, SphereHead, MeasuredHead or Ambisonic
    folder : Path
        There already.
    sample_rate_hz : int
    layouts : sequence of str
        All of the file by default.
    sofa : bool
        Whether to write AES69 files too.
    tell : callable, optional

    Returns
    -------
    HeardSet

    Raises
    ------
    AudioError
        RS-L09: files that raysim did not write stand in the way. Others as `hear`,
        `write_wav` and `write_sofa`.
    """
    names = layouts or results.layout_names
    asked = [(one, *pair) for one in dict.fromkeys(names) for pair in results.pair_names(one)]
    paths = [folder / name for name in wav_names(asked)]
    earlier = _earlier(folder)
    _refuse_foreign(folder, paths, earlier, sofa)
    made: list[HeardFile] = []
    with tempfile.TemporaryDirectory() as spool:
        peak = 0.0
        for i, (one, path) in enumerate(zip(asked, paths, strict=True)):
            if tell is not None:
                tell(0.9 * i / len(asked), f"response {i + 1} of {len(asked)}")
            heard = hear(results, *one, listener, sample_rate_hz)
            own = float(np.abs(heard.samples).max(initial=0.0))
            peak = max(peak, own)
            np.save(Path(spool) / f"{i}.npy", heard.samples.astype(np.float32))
            bare = replace(heard, samples=np.zeros((len(heard.channels), 0)))
            n_sample = heard.samples.shape[1]
            level_db = float(to_level_db(own**2))
            made.append(HeardFile(path, bare, n_sample, level_db, quality(heard)))
        gain_db = common_gain_db(peak)
        gain = math.sqrt(float(to_energy(gain_db)))
        said = f" The whole set was then turned down by {-gain_db:g} dB." if gain_db else ""
        for i, one_file in enumerate(made):
            samples = gain * np.load(Path(spool) / f"{i}.npy").astype(np.float64)
            told = _comment(one_file.heard)
            write_wav(one_file.path, samples, sample_rate_hz, told, f"{SCALE}{said}")
            if sofa:
                full = replace(one_file.heard, samples=samples)
                title = f"{results.title}: {told}"
                write_sofa(one_file.path.with_suffix(".sofa"), full, title, f"{SCALE}{said}")
    done = HeardSet(tuple(made), gain_db, folder / LOG_NAME)
    text = _log(results, done, listener, sofa)
    replace_file(replacement_target(done.log), text.encode)
    written = {p.name for p in paths} | {p.with_suffix(".sofa").name for p in paths if sofa}
    for name in earlier - written:
        with contextlib.suppress(OSError):
            (folder / name).unlink()
    return done


def _comment(heard: HeardResponse) -> str:
    channels = ", ".join(heard.channels)
    return (
        f"{heard.source} to {heard.receiver}, layout {heard.layout}. Heard by {heard.what}. "
        f"Channels: {channels}."
    )


def _earlier(folder: Path) -> set[str]:
    """Give the files that the log of an earlier set names; none if it is not ours."""
    try:
        said = json.loads((folder / LOG_NAME).read_text(encoding="utf-8"))
        names = [one["file"] for one in said["files"]] if _OURS in said else []
        names += [n for one in said["files"] if (n := one.get("sofa"))] if names else []
    except (OSError, ValueError, KeyError, TypeError, AttributeError):
        return set()
    return {n for n in names if isinstance(n, str) and Path(n).name == n}


def _refuse_foreign(folder: Path, paths: Sequence[Path], earlier: set[str], sofa: bool) -> None:
    """Make sure that nothing would be lost that raysim did not write."""
    wanted = [*paths, *(p.with_suffix(".sofa") for p in paths if sofa), folder / LOG_NAME]
    foreign = [
        p.name
        for p in wanted
        if p.exists()
        and p.name not in earlier
        and not (p.suffix == ".wav" and is_wav_of_ours(p))
        and not (p.name == LOG_NAME and earlier)
    ]
    if foreign:
        listed = ", ".join(f'"{name}"' for name in foreign[:5])
        raise AudioError(
            Complaint(str(folder), f"it holds files that raysim did not write: {listed}.",
                      "Name another folder with --into.", "RS-L09")
        )  # fmt: skip


def _log(results: Results, done: HeardSet, listener: Listener, sofa: bool) -> str:
    """Give the log, as JSON: what is not a number is null."""
    aims = {r.name: r.aim.tolist() for r in results.receivers}
    first = done.files[0].heard if done.files else None
    content = {
        _OURS: __version__,
        "title": results.title,
        "scene_hash": results.provenance["scene_hash"],
        "seed": results.settings.seed,
        "heard_by": type(listener).__name__,
        "what": first.what if first else "",
        "channels": list(first.channels) if first else [],
        "sample_rate_hz": first.sample_rate_hz if first else None,
        "scale": SCALE,
        "gain_db": done.gain_db,
        "files": [
            {
                "file": one.path.name,
                "sofa": one.path.with_suffix(".sofa").name if sofa else None,
                "layout": one.heard.layout,
                "source": one.heard.source,
                "receiver": one.heard.receiver,
                "receiver_aim": aims[one.heard.receiver],
                "n_sample": one.n_sample,
                "peak_db": _number(one.peak_db),
                "first_arrival_s": _number(one.heard.first_s),
                "crossover_hz": one.heard.crossover_hz,
                "quality": {k: _number(v) for k, v in asdict(one.quality).items()},
                "faults": list(one.quality.faults),
            }
            for one in done.files
        ],
    }
    return json.dumps(content, indent=1, ensure_ascii=False, allow_nan=False) + "\n"


def _number(value: Any) -> float | None:  # noqa: ANN401
    return round(float(value), 6) if math.isfinite(value) else None
