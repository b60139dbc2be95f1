"""The ``raysim`` command: words in, words out; no physics.

Exit codes: 0 done; 1 done, but a stated check failed; 2 input that cannot be used;
130 interrupted. Modules are loaded only when a command needs them, so that help is
quick.
"""

import argparse
import io
import os
import sys
from collections.abc import Sequence
from pathlib import Path

import raysim
from raysim.errors import Complaint, RaysimError, SettingsError, Stopped

DONE, CHECK_FAILED, UNUSABLE, INTERRUPTED = 0, 1, 2, 130

_ABOUT = """\
Room acoustics of small rooms: what is wrong with this room.

  raysim check scenes/weir-bulletin        read a scene, say what to expect
  raysim simulate scenes/weir-bulletin     trace it: result file, sound, page
  raysim measure response.wav              decay and clarity of a recording
"""


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="raysim", description=_ABOUT, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--version", action="version", version=f"raysim {raysim.__version__}")
    commands = parser.add_subparsers(dest="command", metavar="COMMAND", required=True)

    check = commands.add_parser(
        "check", help="read a scene and its mesh, report every mistake, say what to expect"
    )
    check.add_argument("scene", type=Path, help="scene file, or the folder with scene.toml")

    simulate = commands.add_parser(
        "simulate", help="trace a scene and write result file, responses, tables and page"
    )
    simulate.add_argument("scene", type=Path, help="scene file, or the folder with scene.toml")
    simulate.add_argument(
        "--into", type=Path, metavar="FOLDER", help="where to write (default: SCENE-results)"
    )
    simulate.add_argument(
        "--rays", type=int, metavar="N", help="rays per source in the first round"
    )
    simulate.add_argument(
        "--until-t30", type=float, metavar="PCT",
        help="go on until T30 is this certain, in per cent; 0: a single round",
    )  # fmt: skip
    simulate.add_argument("--seed", type=int, metavar="N", help="seed of all chance")
    simulate.add_argument(
        "--threads", type=int, metavar="N", help="processor cores to use (default: all)"
    )

    page = commands.add_parser(
        "page", help="make responses, tables and page again from a result file alone"
    )
    page.add_argument("results", type=Path, help="result file (.h5)")
    page.add_argument("--into", type=Path, metavar="FOLDER", help="default: beside the file")

    measure = commands.add_parser(
        "measure", help="decay, clarity and speech measures of recorded impulse responses"
    )
    measure.add_argument("recording", type=Path, nargs="+", help="WAV or FLAC file")
    measure.add_argument("--channel", type=int, metavar="N", help="which channel, from 1")
    measure.add_argument("--thirds", action="store_true", help="one-third octaves")

    commands.add_parser("materials", help="list the ready materials with their sources")

    message = commands.add_parser("message", help="say what the code of a message means")
    message.add_argument("code", help='such as "RS-S04", or "s04" for short')
    return parser


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command and give its exit code."""
    if isinstance(sys.stdout, io.TextIOWrapper):  # an old terminal may lack signs such as α
        sys.stdout.reconfigure(errors="replace")
    try:
        try:
            arguments = _parser().parse_args(argv)
            return int(_COMMANDS[arguments.command](arguments))
        finally:
            sys.stdout.flush()  # so that a reader who has left is noticed here
    except RaysimError as error:
        _complain(error)
        return error.exit_code
    except KeyboardInterrupt as stopped:
        known = isinstance(stopped, Stopped)
        print(stopped if known else "stopped; nothing was complete yet", file=sys.stderr)  # noqa: T201
        return INTERRUPTED
    except BrokenPipeError:  # the reader of our output has left
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return DONE


def _complain(error: RaysimError) -> None:
    for complaint in error.complaints:
        print(complaint, file=sys.stderr)  # noqa: T201
    if len(error.complaints) > 1:
        print(f"{len(error.complaints)} mistakes; nothing was written", file=sys.stderr)  # noqa: T201


def _say(*what: object) -> None:
    """Print to standard output with rich, which is loaded here."""
    from rich.console import Console

    class Terminal(Console):
        def on_broken_pipe(self) -> None:  # `main` says what that means, not the library
            raise BrokenPipeError

    # files and pipes have no width of their own
    width = None if sys.stdout.isatty() else 110
    # Names may hold brackets and colons: they are no markup. Paths stay on one line.
    console = Terminal(highlight=False, markup=False, emoji=False, width=width)
    for one in what:
        console.print(one, soft_wrap=isinstance(one, str))


def _check(arguments: argparse.Namespace) -> int:
    from raysim.check import expect
    from raysim.checklist import checklist
    from raysim.study import prepare

    prepared = prepare(arguments.scene)
    _announce_compilation()
    expected = expect(prepared)
    _say(checklist(prepared, expected))
    return CHECK_FAILED if expected.n_lost > 1e-4 * expected.n_segment else DONE


def _simulate(arguments: argparse.Namespace) -> int:
    from rich.text import Text

    from raysim.check import warnings
    from raysim.folders import PAGE_NAME, RESPONSES_NAME
    from raysim.progress import Progress
    from raysim.report.summary import summary_table
    from raysim.store.file import open_results
    from raysim.study import folder_for, prepare, run, too_uncertain, with_settings

    _use_threads(arguments.threads)
    prepared = with_settings(
        prepare(arguments.scene),
        n_ray=arguments.rays,
        until_t30_pct=arguments.until_t30,
        seed=arguments.seed,
    )
    # Who only simulates never sees what `raysim check` would have said.
    _say(*(Text(f"Note: {note}") for note in prepared.notes))
    _say(*(Text(f"Warning: {warning}") for warning in warnings(prepared)))
    _announce_compilation()
    with Progress("rays") as progress:
        outcome = run(prepared, folder_for(prepared.scene, arguments.into), progress.step)
    with open_results(outcome.results) as results:
        _say(summary_table(results, outcome.facts))
    _say(
        "",
        f"Look at    {outcome.folder / PAGE_NAME}",
        f"Listen to  {outcome.folder / RESPONSES_NAME}",
        f"All data   {outcome.results}",
    )
    if outcome.reused:
        many = "source was" if outcome.reused == 1 else "sources were"
        _say(f"{outcome.reused} {many} complete from an earlier run and not traced again.")
    failed = DONE
    if outcome.lost_per_million > 100.0:
        _say(f"Check failed: {outcome.lost_per_million:.0f} of a million ray legs were lost.")
        failed = CHECK_FAILED
    for source, error_pct in outcome.uncertain.items():
        _say(f"Check failed: {too_uncertain(source, error_pct, prepared.scene.settings)}")
        failed = CHECK_FAILED
    return failed


def _page(arguments: argparse.Namespace) -> int:
    from raysim.folders import PAGE_NAME, refuse_foreign
    from raysim.progress import Progress
    from raysim.store.file import open_results
    from raysim.study import derive

    folder = arguments.into if arguments.into is not None else arguments.results.parent
    open_results(arguments.results).close()  # what is wrong with the file comes first
    refuse_foreign(folder)
    with Progress("page") as progress:
        derive(arguments.results, folder, progress.step)
    _say(f"Look at    {folder / PAGE_NAME}")
    return DONE


def _measure(arguments: argparse.Namespace) -> int:
    from raysim.measures.recorded import measure_recorded
    from raysim.report.recorded import recorded_table
    from raysim.response.wav import read_wav
    from raysim.scene.model import Bands

    if arguments.channel is not None and arguments.channel < 1:
        raise SettingsError(
            Complaint("--channel", f"{arguments.channel} is not a channel.",
                      "Channels count from 1.", "RS-P01")
        )  # fmt: skip
    bands = Bands(3 if arguments.thirds else 1)
    complaints: list[Complaint] = []
    for path in arguments.recording:
        try:
            recording = read_wav(path, arguments.channel)
            measured = measure_recorded(recording.samples, recording.sample_rate_hz, bands)
        except RaysimError as error:
            complaints.extend(
                c if str(path) in c.where else Complaint(str(path), c.wrong, c.fix, c.code)
                for c in error.complaints
            )
            continue
        _say(recorded_table(str(path), recording, measured, bands))
    if complaints:
        raise RaysimError(complaints)
    return DONE


def _materials(_arguments: argparse.Namespace) -> int:
    from raysim.checklist import material_table
    from raysim.scene.materials import catalogue
    from raysim.scene.model import Bands

    bands = Bands()
    _say(material_table(catalogue(bands).values(), bands))
    return DONE


def _message(arguments: argparse.Namespace) -> int:
    from rich.text import Text

    from raysim.errors import meaning

    _say(Text(meaning(arguments.code)))
    return DONE


def _use_threads(n_thread: int | None) -> None:
    if n_thread is None:
        return
    import numba

    most = int(numba.config.NUMBA_NUM_THREADS)  # type: ignore[attr-defined]
    if not 1 <= n_thread <= most:
        raise SettingsError(
            Complaint("--threads", f"{n_thread} is not possible.",
                      f"This machine has {most}: give 1 to {most}.", "RS-P01")
        )  # fmt: skip
    numba.set_num_threads(n_thread)


def _announce_compilation() -> None:
    from raysim.core.compile import compiled_before

    if not compiled_before():
        print("Compiling the kernels for this machine, once: about 20 s.", file=sys.stderr)  # noqa: T201


_COMMANDS = {
    "check": _check,
    "simulate": _simulate,
    "page": _page,
    "measure": _measure,
    "materials": _materials,
    "message": _message,
}
