"""Tell how long the command line takes to answer, and the first run to compile.

Every measurement is a fresh process, by the clock on the wall. Help is compared with a
Python that does nothing: medians of several rounds, in turns. The first run has an empty
folder for machine code, the second finds what the first compiled; both trace a few rays
and search images in a bare box. Exits with 1 if help fails, or if compiled and kept
machine code give different numbers.
"""

import os
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from contest import conditions, take_turns

N_ROUND, N_CACHED = 7, 3
HELP = [sys.executable, "-m", "raysim", "--help"]
NOTHING = [sys.executable, "-c", "pass"]
#: Prints the energy of a few rays and of the exact paths, to the last bit.
SMALL_RUN = """
from furnished import acoustic, bare, scene_of
from raysim.propagation.images import arrivals
from raysim.propagation.rays import RayRun

room, scene = acoustic(bare()), scene_of()
rays = RayRun(room, scene.sources[0], list(scene.receivers), seed=1, duration_s=0.1,
              bin_s=0.001, image_order=2, pair_order=0)
rays.follow(320)
exact = arrivals(room, scene.sources[0], list(scene.receivers), 2)[0]
print(rays.histograms()[0].energy.sum().hex(), exact.energy.sum().hex(), len(exact.order))
"""


def output(command: list[str], cache: Path | None = None) -> str:
    """Run a command in a fresh process and give what it prints."""
    environment = dict(os.environ)
    if cache is not None:
        environment["XDG_CACHE_HOME"] = str(cache)
    done = subprocess.run(
        command, capture_output=True, text=True, check=False,
        env=environment, cwd=Path(__file__).parent,
    )  # fmt: skip
    if done.returncode != 0:
        sys.exit(f"failed: {' '.join(command)[:60]}\n{done.stderr}")
    return done.stdout


def main() -> None:
    """Print a row each for help, the first run, and the next."""
    print(conditions(None, "numpy", "numba"))
    if "simulate" not in output(HELP):
        sys.exit("fast but wrong: help does not name the commands")
    spent_s = take_turns(
        {"help": lambda: output(HELP), "nothing": lambda: output(NOTHING)},
        N_ROUND, time.perf_counter,
    )  # fmt: skip
    idle_s, help_s = (statistics.median(spent_s[k]) for k in ("nothing", "help"))

    small = [sys.executable, "-c", SMALL_RUN]
    answers = []
    with tempfile.TemporaryDirectory() as folder:
        run_s = []
        for _ in range(1 + N_CACHED):
            begun = time.perf_counter()
            answers.append(output(small, Path(folder)))
            run_s.append(time.perf_counter() - begun)
    first_s, kept_s = run_s[0], min(run_s[1:])
    print(f"Help and Python alone: medians of {N_ROUND}; later runs: best of {N_CACHED}.\n")
    print("| process | s | over Python alone |\n|-|-|-|")
    for name, spent in (
        ("python -c pass", idle_s), ("raysim --help", help_s),
        ("first small run, compiles", first_s), ("the same run again", kept_s),
    ):  # fmt: skip
        print(f"| {name} | {spent:.2f} | {spent / idle_s:.1f} |")
    if len(set(answers)) != 1:
        sys.exit(f"fast but wrong: the runs gave {answers}")


if __name__ == "__main__":
    main()
