"""Where the units of a run are computed: here, on processes of this machine, on a cluster."""

import os
import time
from collections.abc import Callable, Sequence
from pathlib import Path

from raysim.errors import Complaint, SettingsError
from raysim.spread.progress import Overall
from raysim.spread.units import Result, Unit, compute
from raysim.tracing import Tell

#: Processes are worth their start if one alone would still need so long, in seconds.
_PAYS_S = 30.0
#: Share of the free memory that processes may be planned for.
_MEMORY = 0.7


def compute_all(
    units: Sequence[Unit],
    done: Callable[[Unit, Result], None],
    tell: Tell,
    *,
    workers: int | None = 1,
    cluster: str | None = None,
    several: bool = False,
    note: Callable[[str], None],
) -> None:
    """Compute all units, and hand on each result as soon as it is there.

    Parameters
    ----------
    units : sequence of Unit
    done : callable
        Called in this process with each unit and its result.
    tell : callable
        Called with the share of all units that is done, and what is known.
    workers : int, optional
        Processes: 1 is this one. None: this one, and as many as processors and memory
        allow once it is seen that the rest would take long.
    cluster : str, optional
        Address of a Dask scheduler, whose workers compute instead.
    several : bool
        There are several layouts, which are then named in what is told.
    note : callable
        Called with sentences for the user, of what went wrong and was made good.

    Raises
    ------
    RaysimError
        As for `compute`, `run_on_processes` and `run_on_cluster`.
    """
    overall = Overall(units, tell, several)
    if not units:
        return
    if cluster is not None:
        from raysim.spread.cluster import run_on_cluster

        run_on_cluster(units, cluster, done, overall, note)
        return
    left = list(units)
    if workers is None or workers == 1:
        start_s = time.monotonic()
        while left:
            unit = left[0]
            result = compute(unit, lambda share, known, u=unit: overall.step(u, share, known))  # type: ignore[misc]
            done(unit, result)
            overall.complete(unit)
            del left[0], result
            spent_s = time.monotonic() - start_s
            weight = sum(u.weight for u in units) - overall.left
            if workers is None and spent_s * overall.left / weight > _PAYS_S:
                n_worker = affordable(left)
                if n_worker > 1:
                    break
    else:
        n_worker = workers
    if left:
        from raysim.spread.processes import run_on_processes

        run_on_processes(left, n_worker, _n_thread(), done, overall, note)


def affordable(units: Sequence[Unit]) -> int:
    """Give how many processes units can be spread over: by units, threads and memory."""
    most = min(len(units), _n_thread())
    free = free_bytes()
    if most < 2 or free is None:
        return 1
    return max(1, min(most, int(_MEMORY * free / max(unit.need_bytes for unit in units))))


def free_bytes() -> int | None:
    """Give how much memory programs can still have; None where the system does not say."""
    try:
        lines = Path("/proc/meminfo").read_text(encoding="ascii").splitlines()
    except OSError:
        return None
    found = {name: text.split() for name, _, text in (line.partition(":") for line in lines)}
    if "MemAvailable" not in found:
        return None
    return 1024 * int(found["MemAvailable"][0])


def _n_thread() -> int:
    """Give how many threads kernels may use, as `--threads` has set it."""
    import numba

    return int(numba.get_num_threads())


def n_processor() -> int:
    """Give how many processors this process may use."""
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


def check_workers(workers: int | None, cluster: str | None) -> None:
    """Refuse numbers of processes that no run can have.

    Raises
    ------
    SettingsError
        RS-D10: too few, too many, or a cluster besides.
    """
    if workers is None:
        return
    most = max(2, n_processor())
    if not 1 <= workers <= most:
        wrong = f"{workers} is not possible."
        fix = f"Give 1 to {most}, or leave it out."
    elif cluster is not None and workers > 1:
        wrong, fix = "a cluster has workers of its own.", "Give --workers or --cluster."
    else:
        return
    raise SettingsError(Complaint("--workers", wrong, fix, "RS-D10"))
