"""``raysim simulate``: trace a scene and write all that follows."""

import argparse
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from raysim.commands.words import (
    CHECK_FAILED,
    DONE,
    Commands,
    add_layouts,
    add_run_options,
    announce_compilation,
    say,
    use_threads,
)

if TYPE_CHECKING:
    from raysim.study import Prepared


def add(commands: Commands) -> None:
    """Say what the command takes."""
    parser = commands.add_parser(
        "simulate", help="trace a scene and write result file, responses, tables and page"
    )
    parser.add_argument("scene", type=Path, help="scene file, or the folder with scene.toml")
    add_layouts(parser)
    parser.add_argument(
        "--without-each", action="store_true",
        help="besides, each of the layouts without each of its items in turn: `raysim "
        "compare` then says what to drop first",
    )  # fmt: skip
    parser.add_argument(
        "--into", type=Path, metavar="FOLDER", help="where to write (default: SCENE-results)"
    )
    add_run_options(parser)
    parser.add_argument(
        "--workers", type=int, metavar="N",
        help="processes to share the cores (default: one, and more where that pays)",
    )  # fmt: skip
    parser.add_argument(
        "--cluster", metavar="ADDRESS",
        help="let the workers of this Dask scheduler compute: host:port",
    )  # fmt: skip
    parser.add_argument(
        "--on", choices=("cpu", "gpu"), default="cpu", metavar="WHERE",
        help="cpu, or gpu: an NVIDIA card, with the package numba-cuda (default cpu)",
    )  # fmt: skip
    parser.set_defaults(run=run_simulate)


def run_simulate(arguments: argparse.Namespace) -> int:
    """Trace a scene and write all that follows."""
    from rich.text import Text

    from raysim.folders import PAGE_NAME, RESPONSES_NAME
    from raysim.progress import Progress
    from raysim.report.summary import summary_table
    from raysim.store.file import open_results
    from raysim.study import folder_for, prepare_all, run, too_uncertain, with_settings

    use_threads(arguments.threads)
    prepared = [
        with_settings(
            one,
            n_ray=arguments.rays,
            until_t30_pct=arguments.until_t30,
            seed=arguments.seed,
            bass=False if arguments.no_bass else None,
            on_gpu=arguments.on == "gpu",
        )
        for one in prepare_all(
            arguments.scene,
            arguments.layout,
            arguments.state,
            without_each=arguments.without_each,
        )
    ]
    # Who only simulates never sees what `raysim check` would have said.
    say(*(Text(line) for line in _notes_and_warnings(prepared)))
    announce_compilation()
    described = prepared[0].described
    with Progress("rays") as progress:
        outcome = run(
            prepared,
            folder_for(described, arguments.into),
            progress.step,
            workers=1 if arguments.on == "gpu" else arguments.workers,  # one card, one queue
            cluster=arguments.cluster,
        )
    with open_results(outcome.results) as results:
        say(summary_table(results, outcome.facts))
    say(
        "",
        f"Look at    {outcome.folder / PAGE_NAME}",
        f"Listen to  {outcome.folder / RESPONSES_NAME}",
        f"All data   {outcome.results}",
    )
    if outcome.reused:
        many = "source was" if outcome.reused == 1 else "sources were"
        say(f"{outcome.reused} {many} complete from an earlier run and not traced again.")
    for names in outcome.alike:
        listed = ", ".join(f'"{name}"' for name in names)
        say(f"The same room, computed once: {listed}.")
    for remark in outcome.remarks:
        say(remark)
    if outcome.dropped:
        listed = ", ".join(f'"{name}"' for name in outcome.dropped)
        say(f"Dropped, since the scene no longer describes them so: {listed}.")
    failed = DONE
    if outcome.lost_per_million > 100.0:
        say(f"Check failed: {outcome.lost_per_million:.0f} of a million ray legs were lost.")
        failed = CHECK_FAILED
    for (layout, source), error_pct in outcome.uncertain.items():
        which = layout if len(prepared) > 1 else ""
        told = too_uncertain(source, error_pct, described.settings, which)
        say(f"Check failed: {told}")
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
