"""A listening test out of a result file: page, answer sheet, sealed key and log.

Two layouts are asked to be told apart, three to eight to be rated; or which of two one would
rather work with, for each two. Each file is written
whole or not at all, the page last; files of these names that are not ours stay.
"""

import contextlib
import json
import os
import re
import secrets
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Final

import raysim
from raysim.errors import AudioError, Complaint, SettingsError
from raysim.folders import make_folder
from raysim.listening.dry import DrySound
from raysim.listening.key import seal_of
from raysim.listening.kit import MANY, PAIR, Clip, matched
from raysim.listening.kit_page import TRIALS, KitPage, pair_page
from raysim.listening.listen import MICROPHONE, common_pair
from raysim.listening.preference_page import check_comparisons, preference_page
from raysim.listening.rating_page import Screen, rating_page
from raysim.listening.room_sounds import RoomSounds, room_sounds
from raysim.listening.sheet import (
    key_text,
    pair_key,
    pair_sheet,
    preference_key,
    preference_sheet,
    rating_key,
    rating_sheet,
)
from raysim.listening.voices import demo_sound
from raysim.response.heard import HeardResponse, Listener, hear
from raysim.store.file import Results
from raysim.store.replace import replace_file, replacement_target

PAGE_NAME: Final = "kit.html"
SHEET_NAME: Final = "sheet.html"
KEY_NAME: Final = "key.json"
LOG_NAME: Final = "kit.json"
#: Played where the user gives nothing: one sound to tell two apart, two to rate many.
_DEMO: Final = ("voice", "string")
#: How each of our files says that it is ours.
_MARKS: Final = ('<meta name="generator" content="raysim kit">', '"raysim_version"')
_HEAD = 2000


@dataclass(frozen=True, slots=True)
class Kit:
    """A listening test that was written."""

    folder: Path
    page: KitPage
    seal: str  # of the key on paper
    source: str
    receiver: str
    what: str  # who hears it

    kind: str  # "pair", "rating" or "preference"
    kept: Path | None = None  # what the key of an earlier kit here is called by now


def make_kit(
    results: Results,
    folder: Path,
    layouts: Sequence[str] = (),
    *,
    dry: Sequence[DrySound] = (),
    begin_s: float = 0.0,
    source: str | None = None,
    receiver: str | None = None,
    ear: Listener = MICROPHONE,
    sample_rate_hz: int = 48_000,
    n_trial: int | None = None,
    reference: str | None = None,
    prefer: bool = False,
    seed: str | None = None,
    tell: Callable[[float, str], None] = lambda _share, _text: None,
) -> Kit:
    """Write a listening test.

    Parameters
    ----------
    results : Results
    folder : Path
        Is made.
    layouts : sequence of str, optional
        All of the file, if none is given.
    dry : sequence of DrySound, optional
        What is played, a demo sound if nothing is given; one for a pair, one screen each
        for a rating.
    begin_s : float
        Where in the dry sounds the part begins that is played.
    source, receiver : str, optional
        The first pair that all layouts have, if not given.
    ear : optional
        Who listens at the receiver.
    sample_rate_hz : int
    n_trial : int, optional
        Of a pair, and of nothing else: 16, as by default, or 24.
    reference : str, optional
        Layout that a rating takes as its reference; the dry sound, if not given.
    prefer : bool
        Ask which of each two layouts one would rather work with.
    seed : str, optional
        Secret of the key on paper; drawn, if not given.
    tell : callable, optional
        Called with the share done and what is being made.

    Returns
    -------
    Kit

    Raises
    ------
    AudioError, SettingsError
        RS-L40 to RS-L47: what cannot be compared fairly. RS-L52: several sounds for a
        pair, or a reference where there is none. RS-L54: too many comparisons.
    StoreError
        RS-H05, RS-H06: it cannot be written. RS-H08: no such layout or pair. RS-L50: the
        folder holds files of these names that are not ours.
    """
    chosen = list(layouts) or list(results.layout_names)
    kind = "preference" if prefer else "pair" if len(chosen) == PAIR else "rating"
    _check_asked(kind, chosen, dry, reference, n_trial)
    _refuse_foreign(folder)
    heard_in = list(dict.fromkeys([*chosen, *([reference] if reference else [])]))
    pair = common_pair(results, heard_in, source, receiver)
    heard = []
    for i, layout in enumerate(heard_in):
        tell(0.7 * i / len(heard_in), layout)
        heard.append(hear(results, layout, *pair, ear, sample_rate_hz))
    n_demo = 2 if kind == "rating" else 1
    sounds = list(dry) or [demo_sound(name, sample_rate_hz) for name in _DEMO[:n_demo]]
    played = [room_sounds(one, heard, begin_s) for one in sounds]
    tell(0.8, "page")
    names = ", ".join(one.name for one in played)
    about = f"Played: {names}; {pair[0]} to {pair[1]}, {heard[0].what}."
    secret = seed or secrets.token_hex(16)
    clips: list[tuple[Clip, ...]]
    if kind == "pair":
        clips = [matched(one.by_layout, sample_rate_hz) for one in played]
        page = pair_page(clips[0], n_trial or TRIALS[0], about)
        sheet, key = pair_sheet(page, secret), pair_key(page, secret)
    elif kind == "preference":
        clips = [matched(one.by_layout, sample_rate_hz) for one in played]
        named = [(one.name, of_sound) for one, of_sound in zip(played, clips, strict=True)]
        page = preference_page(named, about)
        sheet, key = preference_sheet(page, secret), preference_key(page, secret)
    else:
        screens = [_screen(one, heard, chosen, reference) for one in played]
        clips = [(one.reference, *one.layouts) for one in screens]
        page = rating_page(screens, about)
        sheet = rating_sheet(page, secret)
        key = rating_key(page, secret)
    kit = Kit(folder, page, seal_of(secret), *pair, heard[0].what, kind)
    log = _log(results, kit, played, clips)
    make_folder(folder)
    kept = _keep_key(folder, kit.seal)
    for name, text in (
        (KEY_NAME, key_text(key)),
        (SHEET_NAME, sheet),
        (LOG_NAME, json.dumps(log, indent=1, ensure_ascii=False) + "\n"),
        (PAGE_NAME, page.html),
    ):
        replace_file(replacement_target(folder / name), text.encode)
    return replace(kit, kept=kept)


def _keep_key(folder: Path, seal: str) -> Path | None:
    """Rename an earlier kit's key: sheets that were printed with it are counted by it alone."""
    path = folder / KEY_NAME
    with contextlib.suppress(OSError, ValueError, KeyError, TypeError):
        other = str(json.loads(path.read_text(encoding="utf-8"))["seal"])
        if other != seal and re.fullmatch("[0-9a-f]{64}", other):
            return path.rename(folder / f"key-{other[:8]}.json")
    return None


def _check_asked(
    kind: str,
    layouts: Sequence[str],
    dry: Sequence[DrySound],
    reference: str | None,
    n_trial: int | None,
) -> None:
    found = []
    if kind == "preference" and len(layouts) >= PAIR:
        check_comparisons(max(1, len(dry)), len(layouts))
    rated = [name for name in layouts if name != reference]
    for name in sorted({n for n in layouts if layouts.count(n) > 1}):
        found.append(
            Complaint(f'layout "{name}"', "is named twice.", "Name each once.", "RS-L46")
        )
    least = PAIR if kind == "preference" else MANY[0]
    if kind != "pair" and not least <= len(rated) <= MANY[1]:
        found.append(
            Complaint("--layout", f"{len(rated)} layouts to compare.",
                      "Name two to ask if they differ, three to eight to rate them; a layout "
                      "that is the reference does not count.", "RS-L40")
        )  # fmt: skip
    if kind == "pair" and len(dry) > 1:
        found.append(
            Complaint("--dry", f"{len(dry)} sounds for one sitting with two layouts.",
                      "Give one; another sound is another test.", "RS-L52")
        )  # fmt: skip
    if kind != "rating" and reference is not None:
        found.append(
            Complaint("--reference", "only ratings have a reference.",
                      "Leave it out, or name three layouts or more to rate.", "RS-L52")
        )  # fmt: skip
    if kind != "pair" and n_trial is not None:
        found.append(
            Complaint("--trials", "only two layouts to tell apart have trials.",
                      "Leave it out, or name two layouts, without --prefer.", "RS-L47")
        )  # fmt: skip
    elif n_trial not in (None, *TRIALS):
        found.append(
            Complaint("--trials", f"{n_trial} is not a number of trials offered.",
                      "Take 16 or 24, and decide before you listen.", "RS-L47")
        )  # fmt: skip
    if found:
        raise SettingsError(found)


def _refuse_foreign(folder: Path) -> None:
    found = []
    for name in (PAGE_NAME, SHEET_NAME, KEY_NAME, LOG_NAME):
        path = folder / name
        if not os.path.lexists(path):
            continue
        try:
            head = path.read_bytes()[:_HEAD].decode("utf-8", errors="replace")
        except OSError:
            head = ""
        if not any(mark in head for mark in _MARKS):
            found.append(name)
    if found:
        listed = ", ".join(f'"{name}"' for name in found)
        raise AudioError(
            Complaint(str(folder), f"it holds files that raysim did not write: {listed}.",
                      "Name another folder.", "RS-L50")
        )  # fmt: skip


def _screen(
    sounds: RoomSounds, heard: Sequence[HeardResponse], chosen: Sequence[str], ref: str | None
) -> Screen:
    n_channel = len(heard[0].channels)
    same = "the same in both ears" if n_channel > 1 else "as if there were no room"
    name = f"the dry sound, {same}" if ref is None else f"the layout “{ref}”"
    named = {name: sounds.dry if ref is None else sounds.by_layout[ref]}
    named |= {layout: sounds.by_layout[layout] for layout in chosen if layout != ref}
    clips: tuple[Clip, ...] = matched(named, sounds.sample_rate_hz)
    return Screen(f"What is played: {sounds.name}.", clips[0], clips[1:])


def _log(
    results: Results, kit: Kit, played: Sequence[RoomSounds], clips: Sequence[Sequence[Clip]]
) -> dict[str, Any]:
    page = kit.page
    return {
        "raysim_version": raysim.__version__,
        "title": results.title,
        "seed": results.settings.seed,
        "kit": page.name,
        "kind": kit.kind,
        "seal_of_paper_key": kit.seal,
        "source": kit.source,
        "receiver": kit.receiver,
        "heard_by": kit.what,
        "n_trial": page.n_trial,
        "page_byte": len(page.html.encode()),
        "sound_byte": page.n_sound_byte,
        "sounds": [
            {
                "dry": sounds.name,
                "about": sounds.about,
                "sample_rate_hz": sounds.sample_rate_hz,
                "clips": [
                    {
                        "name": clip.name,
                        "gain_db": clip.gain_db,
                        "loudness_lufs": clip.loudness_lufs,
                        "duration_s": clip.samples.shape[1] / clip.sample_rate_hz,
                    }
                    for clip in of_sound
                ],
            }
            for sounds, of_sound in zip(played, clips, strict=True)
        ],
    }
