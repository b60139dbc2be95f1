"""``raysim kit``: make a blind listening test of layouts, and count its answers."""

import argparse
from pathlib import Path
from typing import TYPE_CHECKING

from raysim.commands.words import DONE, Commands, other_pairs, say
from raysim.errors import Complaint, RaysimError, SettingsError

if TYPE_CHECKING:
    from rich.table import Table

    from raysim.listening.dry import DrySound
    from raysim.listening.tally import PairSitting, PreferenceSitting, RatingSitting


def add(commands: Commands) -> None:
    """Say what the command takes."""
    parser = commands.add_parser(
        "kit", help="make a blind listening test of two or more layouts; count its answers"
    )
    parser.add_argument("results", type=Path, nargs="?", help="result file (.h5)")
    parser.add_argument(
        "--layout", action="append", default=[], metavar="NAME",
        help="two to tell apart, three to eight to rate (default: all)",
    )  # fmt: skip
    parser.add_argument(
        "--dry", type=Path, action="append", default=[], metavar="FILE",
        help="dry recording, WAV or FLAC (default: a sound of our own)",
    )  # fmt: skip
    parser.add_argument("--channel", type=int, metavar="N",
                        help="which channel of the dry recordings, from 1")  # fmt: skip
    parser.add_argument("--begin", type=float, default=0.0, metavar="S",
                        help="where in the recording to begin; 8 s are played")  # fmt: skip
    parser.add_argument("--source", metavar="NAME", help="where it sounds (default: the first)")
    parser.add_argument("--receiver", metavar="NAME", help="where it is heard")
    parser.add_argument(
        "--as", dest="ear", metavar="EAR",
        help="microphone or head (default: head if the room is for listening)",
    )  # fmt: skip
    parser.add_argument("--trials", type=int, metavar="N",
                        help="16 (the default) or 24, with two layouts")  # fmt: skip
    parser.add_argument("--reference", metavar="LAYOUT",
                        help="what ratings refer to (default: the dry sound)")  # fmt: skip
    parser.add_argument(
        "--prefer", action="store_true",
        help="ask instead which of each two layouts one would rather work with",
    )  # fmt: skip
    parser.add_argument("--into", type=Path, metavar="FOLDER",
                        help="default: kit, beside the file")  # fmt: skip
    parser.add_argument(
        "--answers", type=Path, nargs="+", default=[], metavar="FILE",
        help="instead of making one: check and count answers saved by pages",
    )  # fmt: skip
    parser.set_defaults(run=run_kit)


def run_kit(arguments: argparse.Namespace) -> int:
    """Make a listening test, or count answers."""
    if arguments.answers:
        return _count(arguments.answers)
    from raysim.compare.comparison import use_of
    from raysim.listening.listen import HEARING, LIMIT, MICROPHONE
    from raysim.listening.make_kit import KEY_NAME, LOG_NAME, PAGE_NAME, SHEET_NAME, make_kit
    from raysim.progress import Progress
    from raysim.response.ears import SphereHead
    from raysim.store.file import open_results

    if arguments.results is None:
        raise SettingsError(
            Complaint("raysim kit", "there is neither a result file nor answers.",
                      "Name a result file, or answers with --answers.", "RS-L53")
        )  # fmt: skip
    if arguments.ear not in (None, "microphone", "head"):
        raise SettingsError(
            Complaint("--as", f'"{arguments.ear}" does not listen.',
                      "Choose microphone or head.", "RS-L32")
        )  # fmt: skip
    folder = arguments.into or arguments.results.parent / "kit"
    with open_results(arguments.results) as results:
        sounds = _recordings(arguments.dry, arguments.channel)
        is_head = arguments.ear == "head" or (
            arguments.ear is None and use_of(results) == "listening"
        )
        with Progress("kit") as progress:
            kit = make_kit(
                results, folder, arguments.layout, dry=sounds, begin_s=arguments.begin,
                source=arguments.source, receiver=arguments.receiver,
                ear=SphereHead() if is_head else MICROPHONE, n_trial=arguments.trials,
                reference=arguments.reference, prefer=arguments.prefer, tell=progress.step,
            )  # fmt: skip
        pairs = results.pair_names(kit.page.layouts[0])
    if kit.kind == "preference":
        say(f"Which would one rather work with? {len(kit.page.layouts)} layouts, "
            f"{kit.page.n_trial} comparisons.")  # fmt: skip
    elif kit.kind == "pair":
        say(f"Can “{kit.page.layouts[0]}” and “{kit.page.layouts[1]}” be told apart? "
            f"{kit.page.n_trial} trials.")  # fmt: skip
    else:
        say(f"How good do {len(kit.page.layouts)} layouts sound? {kit.page.n_trial} screens.")
    say(
        f"{kit.source} to {kit.receiver}, heard by {kit.what}.", "", HEARING, LIMIT, "",
        f"Test   {folder / PAGE_NAME}  ({kit.page.size_mb:.1f} MB, works offline)",
        f"Paper  {folder / SHEET_NAME}",
        f"Key    {folder / KEY_NAME}  (sealed: who listens must not open it)",
        f"Log    {folder / LOG_NAME}",
    )  # fmt: skip
    if kit.kept is not None:
        say(f"Kept   {kit.kept}  (key of the kit that was here, for sheets already printed)")
    if arguments.source is None and arguments.receiver is None:
        say(*other_pairs(pairs, (kit.source, kit.receiver)))
    say("Then   open the test in a browser; count what it saves with "
        "`raysim kit --answers FILE ...`")  # fmt: skip
    return DONE


def _recordings(paths: list[Path], channel: int | None) -> "list[DrySound]":
    from raysim.listening.dry import dry_recording

    sounds: list[DrySound] = []
    complaints: list[Complaint] = []
    for path in paths:
        try:
            sounds.append(dry_recording(path, channel))
        except RaysimError as error:
            complaints += error.complaints
    if complaints:
        raise RaysimError(complaints)
    for sound in sounds:
        say(*(f"Caution: {caution}" for caution in sound.cautions))
    return sounds


def _count(paths: list[Path]) -> int:
    from raysim.listening.kit_page import FEW
    from raysim.listening.tally import (
        PairSitting,
        PreferenceSitting,
        RatingSitting,
        cautions,
        read_sittings,
    )

    sittings = read_sittings(paths)
    pairs = [s for s in sittings if isinstance(s, PairSitting)]
    ratings = [s for s in sittings if isinstance(s, RatingSitting)]
    say("All orders follow from their secrets, and all secrets fit their hashes.", "")
    if pairs:
        _say_pairs(pairs)
    for kit in dict.fromkeys(s.kit for s in ratings):
        _say_ratings(kit, [s for s in ratings if s.kit == kit])
    preferences = [s for s in sittings if isinstance(s, PreferenceSitting)]
    if preferences:
        _say_preferences(preferences)
    say(*(f"Caution: {one}" for one in cautions(sittings)), FEW)
    return DONE


def _table(title: str, *heads: str) -> "Table":
    from rich.table import Table

    table = Table(title=title, title_justify="left")
    for i, head in enumerate(heads):
        table.add_column(head, justify="right" if i else "left")
    return table


def _p(p: float) -> str:
    return f"{p:.3f}" if p >= 0.001 else "< 0.001"


def _say_pairs(sittings: "list[PairSitting]") -> None:
    from raysim.listening.chance import LEVEL, percent
    from raysim.listening.tally import tally_pairs

    one_by_one = _table("Sittings", "file", "listener", "right", "p by guessing")
    for one in sittings:
        one_by_one.add_row(
            one.file, one.listener or "–", f"{one.n_hit} of {one.n_trial}", _p(one.p)
        )
    together = _table(
        "Told apart?", "layouts", "right", "share, 95 % interval", "p", "p, raised", "",
    )  # fmt: skip
    for t in tally_pairs(sittings):
        together.add_row(
            " / ".join(t.layouts), f"{t.n_hit} of {t.n_trial}",
            f"{percent(t.low)} to {percent(t.high)}", _p(t.p), _p(t.p_raised),
            "heard" if t.p_raised <= LEVEL else "not shown",
        )  # fmt: skip
    say(one_by_one, together)
    say("p raised: for the number of pairs tested (Holm). Not shown is not proof of equality.")


def _say_ratings(kit: str, sittings: "list[RatingSitting]") -> None:
    from raysim.listening.tally import tally_ratings

    n_in = sum(s.has_found for s in sittings)
    table = _table(
        f"Kit {kit}: ratings, {n_in} of {len(sittings)} sittings count",
        "sound", "median", "95 % interval", "listeners",
    )  # fmt: skip
    for t in tally_ratings(sittings):
        span = f"{t.interval[0]:.0f} to {t.interval[1]:.0f}" if t.interval else "too few"
        table.add_row(t.name, f"{t.median:g}", span, str(t.n_listener))
    say(table)


def _say_preferences(sittings: "list[PreferenceSitting]") -> None:
    from raysim.listening.tally import tally_preferences

    table = _table(
        "Preferences, one vote a listener", "rather", "than", "votes", "even", "p", "p, raised"
    )
    for t in tally_preferences(sittings):
        table.add_row(
            *t.layouts, f"{t.votes[0]} to {t.votes[1]}", str(t.n_even), _p(t.p), _p(t.p_raised)
        )
    say(table, *(f"“{words}”" for s in sittings for words in s.words))
