"""How contenders are timed against each other, and under what conditions.

All contenders run in turn in every round, in alternating order, so that what the machine
does beside falls on all of them; the best round counts. A ratio of two best times is the
result; the least and greatest ratio within one round say how far to trust it. What runs on
one thread is timed by the processor time it uses, which other work on the machine disturbs
least; what runs on several by the clock on the wall.
"""

import os
import platform
import time
from collections.abc import Callable
from datetime import date
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path

Times = dict[str, list[float]]


def take_turns(
    contenders: dict[str, Callable[[], object]],
    n_round: int,
    clock: Callable[[], float] = time.process_time,
) -> Times:
    """Run every contender once per round; give seconds by name, one per round."""
    spent_s: Times = {name: [] for name in contenders}
    for i_round in range(n_round):
        order = list(contenders) if i_round % 2 == 0 else list(contenders)[::-1]
        for name in order:
            start = clock()
            contenders[name]()
            spent_s[name].append(clock() - start)
    return spent_s


def ratio_text(spent_s: Times, name: str, over: str) -> str:
    """Say how many times as fast ``name`` is as ``over``: of the best, and the range."""
    best = min(spent_s[over]) / min(spent_s[name])
    each = [b / a for a, b in zip(spent_s[name], spent_s[over], strict=True)]
    return f"{best:.2f} ({min(each):.2f}..{max(each):.2f})"


def conditions(seed: int | None, *packages: str) -> str:
    """Give one line on machine, versions, date and seed."""
    parts = [f"{_processor()}, {os.cpu_count()} cores", f"Python {platform.python_version()}"]
    for name in packages:
        try:
            parts.append(f"{name} {version(name)}")
        except PackageNotFoundError:
            parts.append(f"no {name}")
    if hasattr(os, "getloadavg"):
        parts.append(f"load before {os.getloadavg()[0]:.1f}")
    parts.append(date.today().isoformat())
    if seed is not None:
        parts.append(f"seed {seed}")
    return "Conditions: " + "; ".join(parts) + "."


def _processor() -> str:
    """Give the processor's name; the system's own word for its kind where it has none."""
    try:
        for line in Path("/proc/cpuinfo").read_text().splitlines():
            if line.startswith("model name"):
                return line.split(":", 1)[1].strip()
    except OSError:
        pass
    return platform.processor() or platform.machine()
