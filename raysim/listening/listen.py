"""Dry sounds through all layouts of a result file: a folder of sound and a log of it.

The folder holds one folder for each kind of version and ``listen.json``, which says every
gain, loudness, peak and length. It appears complete or not at all, and replaces only a
folder that holds nothing but what its own log lists.
"""

import contextlib
import json
import os
import shutil
import tempfile
from collections.abc import Callable, Iterator, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any, Final

import numpy as np

import raysim
from raysim.errors import AudioError, Complaint, SettingsError
from raysim.folders import make_folder
from raysim.listening.dry import DrySound
from raysim.listening.render import (
    AIM_LUFS,
    CEILING_DBTP,
    KINDS,
    RenderedSet,
    render_set,
)
from raysim.listening.resample import n_resampled
from raysim.listening.voices import VOICES, demo_sound
from raysim.listening.wave_file import FORMATS, not_written, size_in_bytes
from raysim.response.ears import Microphone
from raysim.response.heard import HeardResponse, Listener, hear
from raysim.store.file import Results

LOG_NAME: Final = "listen.json"
RATES_HZ: Final = (44_100, 48_000, 96_000)
#: As the scene has it.
MICROPHONE: Final = Microphone()
#: Said wherever sound is made to be listened to.
HEARING: Final = (
    "Start quiet: turn the volume right down, play, then turn up. Loud sound through "
    "headphones harms hearing for good; take breaks, and stop if your ears ring or feel dull."
)
#: What the sound is not.
LIMIT: Final = (
    "An aid to comparing layouts, not a recreation of the room: ears are not yours, and the "
    "absolute sound hangs on what walls are assumed to take."
)


@dataclass(frozen=True, slots=True)
class Listening:
    """What was written, and where."""

    folder: Path
    sets: tuple[RenderedSet, ...]  # one per dry sound


def listen(
    results: Results,
    folder: Path,
    ear: Listener = MICROPHONE,
    *,
    dry: Sequence[DrySound] = (),
    source: str | None = None,
    receiver: str | None = None,
    layouts: Sequence[str] = (),
    sample_rate_hz: int = 48_000,
    form: str = "float",
    tell: Callable[[float, str], None] = lambda _share, _text: None,
) -> Listening:
    """Play dry sounds through the layouts of a result file and write what is heard.

    Parameters
    ----------
    results : Results
    folder : Path
        Is made; replaced if it is one of ours.
    ear : Listener, optional
        Who listens at the receiver; a microphone as the scene has it, if not given.
    dry : sequence of DrySound, optional
        The demo sounds, if none is given.
    source, receiver : str, optional
        The first pair that all layouts have, if not given.
    layouts : sequence of str, optional
        All of the file, if none is given.
    sample_rate_hz : int
        One of `RATES_HZ`.
    form : str
        "float" or "24".
    tell : callable, optional
        Called with the share done and what is being made.

    Returns
    -------
    Listening

    Raises
    ------
    StoreError
        RS-H08: no such layout, source or receiver. RS-F05: the folder cannot be made.
    SettingsError
        RS-L32: rate or form that there is not; no pair that all layouts have.
    AudioError
        RS-L28: not written, RS-L33: the folder holds what is not ours; as `render_set`.
    """
    _check_choice("sample rate", sample_rate_hz, RATES_HZ)
    _check_choice("format", form, FORMATS)
    chosen = list(dict.fromkeys(layouts)) or list(results.layout_names)
    pair = common_pair(results, chosen, source, receiver)
    target = Path(os.path.abspath(folder))
    _refuse_foreign(target)
    sounds = list(dry) or [demo_sound(name, sample_rate_hz) for name in VOICES]
    heard = []
    for i, layout in enumerate(chosen):
        tell(0.3 * i / len(chosen), layout)
        heard.append(hear(results, layout, *pair, ear, sample_rate_hz))
    with _whole(target) as part:
        _check_room(part, sounds, heard, form)
        sets: list[RenderedSet] = []
        for i, one in enumerate(sounds):

            def told(share: float, i: int = i, name: str = one.name) -> None:
                tell(0.3 + 0.7 * (i + share) / len(sounds), name)

            taken = [s.dry for s in sets]
            if one.name in taken:
                raise SettingsError(
                    Complaint(one.name, "two dry sounds have this name.",
                              "Rename one of the files.", "RS-L32")
                )  # fmt: skip
            sets.append(render_set(one, heard, part, form, told))
        made = Listening(target, tuple(sets))
        _write_log(part / LOG_NAME, results, made, form)
    return made


def _check_choice(what: str, value: object, known: Sequence[object]) -> None:
    if value not in known:
        listed = ", ".join(str(one) for one in known)
        raise SettingsError(
            Complaint(what, f"{value} is not offered.", f"Choose one of {listed}.", "RS-L32")
        )


def common_pair(
    results: Results, layouts: Sequence[str], source: str | None, receiver: str | None
) -> tuple[str, str]:
    """Give the pair asked for, or else the one farthest apart that every layout has.

    Close to a source the direct sound covers the room, and layouts hardly differ.
    """
    held = [results.pair_names(layout) for layout in layouts]
    if source is not None and receiver is not None:
        for layout in layouts:
            results.pair(layout, source, receiver)  # complains by name
        return source, receiver
    fits = [
        (s, r)
        for s, r in held[0]
        if source in (None, s) and receiver in (None, r) and all((s, r) in h for h in held)
    ]
    if fits:
        from_m = {one.name: one.position_m for one in results.sources}
        to_m = {one.name: one.position_m for one in results.receivers}
        return max(
            fits, key=lambda pair: float(np.linalg.norm(from_m[pair[0]] - to_m[pair[1]]))
        )
    pairs = "; ".join(f'"{s}" to "{r}"' for s, r in held[0])
    asked = " and ".join(f'"{one}"' for one in (source, receiver) if one is not None)
    raise SettingsError(
        Complaint(asked or "source and receiver", "no such pair is in all of the layouts.",
                  f"There are: {pairs}.", "RS-L32")
    )  # fmt: skip


def _refuse_foreign(folder: Path) -> None:
    """Make sure that what stands in the folder's place is what we wrote, and nothing else."""
    if not os.path.lexists(folder):
        return
    there, ours = {"?"}, set()
    with contextlib.suppress(OSError, ValueError, KeyError, TypeError):
        if any(folder.iterdir()):  # the log comes first: a foreign folder may be large
            ours = {LOG_NAME, *_logged(folder / LOG_NAME)}
        there = {
            path.relative_to(folder).as_posix()
            for path in folder.rglob("*")
            if not path.is_dir() or path.is_symlink()
        }
    if folder.is_symlink() or not there <= ours:
        raise AudioError(
            Complaint(str(folder), "holds files that are not of an earlier `raysim listen`.",
                      "Name another folder, or move them.", "RS-L33")
        )  # fmt: skip


def _logged(path: Path) -> Iterator[str]:
    content = json.loads(path.read_text(encoding="utf-8"))
    if "raysim_version" not in content:
        raise KeyError("raysim_version")
    for one in content["sets"]:
        for version in one["versions"]:
            yield version["file"]


@contextlib.contextmanager
def _whole(target: Path) -> Iterator[Path]:
    """Give a folder to write in, out of sight, that takes the target's place in the end."""
    make_folder(target.parent)
    try:
        part = Path(tempfile.mkdtemp(prefix=f".{target.name}-", dir=target.parent))
    except OSError as error:
        raise not_written(target, error) from error
    try:
        new, old = part / "new", part / "old"
        new.mkdir()
        old.mkdir()
        yield new
        if target.exists():  # it stays the same folder: someone may stand in it
            _move_all(target, old)
            try:
                _move_all(new, target)
            except BaseException:
                _move_all(old, target)
                raise
        else:
            os.replace(new, target)
    except OSError as error:
        raise not_written(target, error) from error
    finally:
        shutil.rmtree(part, ignore_errors=True)


def _move_all(source: Path, target: Path) -> None:
    """Move what a folder holds into another, all of it or nothing."""
    moved: list[Path] = []
    try:
        for path in sorted(source.iterdir()):
            os.replace(path, target / path.name)
            moved.append(path)
    except BaseException:
        for path in moved:
            os.replace(target / path.name, path)
        raise


def _check_room(
    folder: Path, sounds: Sequence[DrySound], heard: Sequence[HeardResponse], form: str
) -> None:
    """Complain before a long work that the disk has no room for it."""
    first = heard[0]
    tail = max(one.samples.shape[1] for one in heard)
    needed = sum(
        size_in_bytes(
            n_resampled(one.n_sample, one.sample_rate_hz, first.sample_rate_hz) + tail,
            len(first.channels),
            form,
        )
        for one in sounds
    )
    needed *= len(KINDS) * len(heard)
    free = shutil.disk_usage(folder).free
    if needed > free:
        raise AudioError(
            Complaint(str(folder.parent.parent),
                      f"has {free / 2**30:.1f} GiB free and {needed / 2**30:.1f} are needed.",
                      "Choose shorter sounds or fewer layouts.", "RS-L28")
        )  # fmt: skip


def _write_log(path: Path, results: Results, made: Listening, form: str) -> None:
    content: dict[str, Any] = {
        "raysim_version": raysim.__version__,
        "title": results.title,
        "seed": results.settings.seed,
        "hearing": HEARING,
        "limit": LIMIT,
        "format": "32-bit float" if form == "float" else "24-bit",
        "aim_lufs": AIM_LUFS,
        "ceiling_dbtp": CEILING_DBTP,
        "start": "sample 0 of every file is the first sample of the dry sound at the source",
        "sets": [
            asdict(one) | {"duration_s": one.duration_s, "free_field_lufs": one.free_field_lufs}
            for one in made.sets
        ],
    }
    text = json.dumps(content, indent=1, ensure_ascii=False, allow_nan=False)
    path.write_text(text + "\n", encoding="utf-8")
