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
from typing import TYPE_CHECKING

import raysim
from raysim.errors import Complaint, RaysimError, SettingsError, Stopped

if TYPE_CHECKING:
    from raysim.study import Prepared

DONE, CHECK_FAILED, UNUSABLE, INTERRUPTED = 0, 1, 2, 130

_ABOUT = """\
Room acoustics of small rooms: what is wrong with this room.

  raysim check scenes/weir-bulletin        read a scene, say what to expect
  raysim simulate scenes/weir-bulletin     trace it: result file, sound, page
  raysim simulate SCENE --layout all       the same with each of its layouts
  raysim plan scenes/weir-bulletin         price, check and draw its layouts
  raysim compare RESULTS.h5                which of its layouts differ, and how
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
    _add_layouts(check)

    simulate = commands.add_parser(
        "simulate", help="trace a scene and write result file, responses, tables and page"
    )
    simulate.add_argument("scene", type=Path, help="scene file, or the folder with scene.toml")
    _add_layouts(simulate)
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
    simulate.add_argument(
        "--no-bass", action="store_true",
        help="do not solve the bass; what the result file has of it already stays",
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

    stack = commands.add_parser("stack", help="what an absorber of layers does, and its worth")
    stack.add_argument(
        "what", nargs="+", metavar="WHAT",
        help='a material or treatment, or its layers from the room to the wall, each in '
        'quotes: "wool 100 mm 10000" "air 50 mm"',
    )  # fmt: skip
    stack.add_argument("--scene", type=Path, help="scene whose materials and prices count too")
    stack.add_argument(
        "--piece-mm", type=float, nargs=2, default=(1200.0, 600.0), metavar=("WIDTH", "HEIGHT"),
        help="of one piece (default 1200 600)",
    )  # fmt: skip
    stack.add_argument("--picture", type=Path, metavar="FILE", help="draw it: .svg or .html")

    noise = commands.add_parser("noise", help="will it stop the noise? the honest answer")
    noise.add_argument("--window-kg-m2", type=float, default=10.0, metavar="KG",
                       help="mass of the window or wall (default 10: 4 mm glass)")  # fmt: skip
    noise.add_argument("--blanket-kg-m2", type=float, default=2.0, metavar="KG",
                       help="mass of what goes before it (default 2)")  # fmt: skip
    noise.add_argument("--gap-mm", type=float, default=50.0, metavar="MM",
                       help="how far off it hangs (default 50; 0: lies on it)")  # fmt: skip
    noise.add_argument("--open-share-pct", type=float, default=10.0, metavar="PCT",
                       help="how much stays open round it (default 10)")  # fmt: skip

    doubts = commands.add_parser(
        "unknowns", help="which unknown inputs move the answer most, and how to check them"
    )
    doubts.add_argument("scene", type=Path, help="scene file, or the folder with scene.toml")
    _add_layouts(doubts)

    commands.add_parser("treatments", help="list what can be put up, with sizes and prices")

    plan = commands.add_parser(
        "plan", help="price, weigh, check and draw the layouts of a scene, without tracing"
    )
    plan.add_argument("scene", type=Path, help="scene file, or the folder with scene.toml")
    plan.add_argument(
        "--layout", action="append", default=[], metavar="NAME",
        help="only this one, with its shopping list; may be repeated (default: all)",
    )  # fmt: skip
    plan.add_argument("--prices", type=Path, metavar="FILE", help="your own price file")
    plan.add_argument("--into", type=Path, metavar="FILE.html",
                      help="the page to write (default: SCENE-plan.html)")  # fmt: skip

    compared = commands.add_parser(
        "compare", help="which layouts of a result file differ, and what that costs"
    )
    compared.add_argument("results", type=Path, help="result file (.h5) with several layouts")
    compared.add_argument(
        "--use", help="voice, listening or ensemble (default: as the scene says, else all)"
    )
    compared.add_argument("--scene", type=Path, help="where it came from, to price its layouts")
    compared.add_argument("--prices", type=Path, metavar="FILE", help="your own price file")
    compared.add_argument("--into", type=Path, metavar="FOLDER", help="default: beside it")

    message = commands.add_parser("message", help="say what the code of a message means")
    message.add_argument("code", help='such as "RS-S04", or "s04" for short')
    return parser


def _add_layouts(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--layout", action="append", default=[], metavar="NAME",
        help='layout of the scene, "as described" (the default) or "all"; may be repeated',
    )  # fmt: skip
    parser.add_argument(
        "--state", action="append", default=[], metavar="NAME",
        help='state of the scene, "as described" (the default) or "all"; may be repeated: '
        "every layout is taken in every state",
    )  # fmt: skip


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
    from raysim.study import prepare_all

    prepared = prepare_all(arguments.scene, arguments.layout, arguments.state)
    _announce_compilation()
    status = DONE
    for i, one in enumerate(prepared):
        expected = expect(one)
        # what holds for every layout is said once, at the end
        _say(checklist(one, expected, is_last=i == len(prepared) - 1))
        if expected.n_lost > 1e-4 * expected.n_segment:
            status = CHECK_FAILED
    return status


def _simulate(arguments: argparse.Namespace) -> int:
    from rich.text import Text

    from raysim.folders import PAGE_NAME, RESPONSES_NAME
    from raysim.progress import Progress
    from raysim.report.summary import summary_table
    from raysim.store.file import open_results
    from raysim.study import folder_for, prepare_all, run, too_uncertain, with_settings

    _use_threads(arguments.threads)
    prepared = [
        with_settings(
            one,
            n_ray=arguments.rays,
            until_t30_pct=arguments.until_t30,
            seed=arguments.seed,
            bass=False if arguments.no_bass else None,
        )
        for one in prepare_all(arguments.scene, arguments.layout, arguments.state)
    ]
    # Who only simulates never sees what `raysim check` would have said.
    _say(*(Text(line) for line in _notes_and_warnings(prepared)))
    _announce_compilation()
    described = prepared[0].described
    with Progress("rays") as progress:
        outcome = run(prepared, folder_for(described, arguments.into), progress.step)
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
    if outcome.dropped:
        listed = ", ".join(f'"{name}"' for name in outcome.dropped)
        _say(f"Dropped, since the scene no longer describes them so: {listed}.")
    failed = DONE
    if outcome.lost_per_million > 100.0:
        _say(f"Check failed: {outcome.lost_per_million:.0f} of a million ray legs were lost.")
        failed = CHECK_FAILED
    for (layout, source), error_pct in outcome.uncertain.items():
        which = layout if len(prepared) > 1 else ""
        told = too_uncertain(source, error_pct, described.settings, which)
        _say(f"Check failed: {told}")
        failed = CHECK_FAILED
    return failed


def _notes_and_warnings(prepared: "Sequence[Prepared]") -> list[str]:
    """Say once what holds for several layouts, and for which if not for all."""
    from raysim.check import warnings

    found: dict[tuple[str, str], list[str]] = {}
    for one in prepared:
        for kind, texts in (("Note", one.notes), ("Warning", warnings(one))):
            for text in texts:
                found.setdefault((kind, text), []).append(one.name)
    return [
        f"{kind}: {text}"
        if len(names) == len(prepared)
        else f"{kind}, {'; '.join(names)}: {text}"
        for (kind, text), names in sorted(found.items(), key=lambda item: item[0][0])
    ]


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


def _stack(arguments: argparse.Namespace) -> int:
    from raysim.planning.stack_facts import stack_facts
    from raysim.planning.stack_names import Shelf, asked_stack, piece_m
    from raysim.planning.stack_page import stack_page
    from raysim.planning.stack_picture import picture_target, write_picture

    size_m = piece_m(*arguments.piece_mm)
    target = None if arguments.picture is None else picture_target(arguments.picture)
    shelf = Shelf(arguments.scene)
    title, typed = asked_stack(shelf, arguments.what)
    facts = stack_facts(
        title, typed.stack, size_m=size_m, prices=shelf.prices, assumed=typed.assumed
    )
    _say(stack_page(facts))
    if target is not None:
        write_picture(facts, target)
        _say("", f"Look at    {arguments.picture}")
    return DONE


def _noise(arguments: argparse.Namespace) -> int:
    from raysim.planning.noise import LIMITS, blanket_before_window, check_options
    from raysim.planning.noise_page import noise_page

    options = {o: float(getattr(arguments, o[2:].replace("-", "_"))) for o in LIMITS}
    check_options(options)
    window, blanket, gap_mm, open_pct = options.values()
    _say(noise_page(blanket_before_window(window, blanket, gap_mm / 1e3, open_pct / 100.0)))
    return DONE


def _unknowns(arguments: argparse.Namespace) -> int:
    from raysim.planning.unknowns import unknowns
    from raysim.planning.unknowns_page import unknowns_page
    from raysim.study import prepare_all

    for one in prepare_all(arguments.scene, arguments.layout, arguments.state):
        _say("", f"{one.scene.title}: {one.name}", unknowns_page(unknowns(one)))
    return DONE


def _treatments(_arguments: argparse.Namespace) -> int:
    from dataclasses import replace

    from raysim.planning.bill import price_of_one
    from raysim.planning.book_table import treatment_table
    from raysim.scene.prices import stock_prices
    from raysim.scene.treatments import treatments_catalogue

    treatments = treatments_catalogue()
    prices = stock_prices()
    each = {
        name: price_of_one(replace(one, size_m=one.size_m or (1.0, 1.0)), prices)
        for name, one in treatments.items()
    }
    currency = next(iter(prices.goods.values())).currency
    known = {name: price for name, price in each.items() if price is not None}
    _say(treatment_table(treatments.values(), known, currency))
    return DONE


def _plan(arguments: argparse.Namespace) -> int:
    from raysim.planning.book import make_book
    from raysim.planning.book_page import check_page, write_book
    from raysim.planning.book_table import book_table
    from raysim.study import folder_for

    book = make_book(arguments.scene, arguments.layout, arguments.prices)
    out = arguments.into or Path(
        f"{folder_for(book.scene).name.removesuffix('-results')}-plan.html"
    )
    check_page(out)
    write_book(book, out)
    _say(book_table(book), f"Look at    {out}")
    return CHECK_FAILED if any(plan.is_forbidden for plan in book.plans) else DONE


def _compare(arguments: argparse.Namespace) -> int:
    from raysim.compare.comparison import check_use, compare
    from raysim.compare.rows import write_compared
    from raysim.compare.terminal import comparison_page
    from raysim.planning.layout_prices import layout_prices
    from raysim.store.file import open_results

    check_use(arguments.use)
    if arguments.prices is not None and arguments.scene is None:
        raise SettingsError(
            Complaint("--prices", "prices need the scene, which says what they are of.",
                      "Give it with --scene.", "RS-T52")
        )  # fmt: skip
    folder = arguments.into if arguments.into is not None else arguments.results.parent
    with open_results(arguments.results) as results:
        prices, currency = None, ""
        if arguments.scene is not None:
            prices, currency = layout_prices(results, arguments.scene, arguments.prices)
        found = compare(results, arguments.use, prices, currency)
    written = write_compared(found, folder)
    _say(comparison_page(found), "", *(f"All data   {path}" for path in written))
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
    "stack": _stack,
    "noise": _noise,
    "unknowns": _unknowns,
    "treatments": _treatments,
    "plan": _plan,
    "compare": _compare,
    "message": _message,
}
