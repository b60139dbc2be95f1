"""Units on a Dask cluster that the user has started.

Dask moves the bytes, watches its workers, and does again what a lost one had; how work is
cut and what becomes of results is ours. It is loaded here alone, when asked for.
"""

import importlib
import threading
from collections.abc import Callable, Sequence
from typing import Any

from raysim.errors import Complaint, SpreadError
from raysim.spread.progress import Overall
from raysim.spread.units import Result, Unit, compute, fingerprint, pack, unpack
from raysim.tracing import say_nothing

#: How long to look for a scheduler.
_PATIENCE_S = 10.0
#: Kernels use threads of their own: one unit at a time in a process.
_ALONE = threading.Lock()


def run_on_cluster(
    units: Sequence[Unit],
    address: str,
    done: Callable[[Unit, Result], None],
    overall: Overall,
    note: Callable[[str], None],
) -> None:
    """Compute units on the workers of a Dask scheduler.

    Parameters
    ----------
    units : sequence of Unit
    address : str
        Of the scheduler: ``host:port``, ``tcp://host:port``.
    done, overall, note : callable
        As for `run_on_processes`. One unit more than there are workers is under way.

    Raises
    ------
    SpreadError
        RS-D12: Dask is not installed. RS-D13: no scheduler there, or one without workers.
        RS-D14: workers of another raysim. RS-D15: the cluster gave up.
    """
    try:
        distributed: Any = importlib.import_module("distributed")
    except ImportError:
        raise _wrong(
            address,
            "Dask is not installed here.",
            "Install it with: pip install 'raysim[cluster]', here and on every worker.",
            "RS-D12",
        ) from None
    try:
        client = distributed.Client(address, timeout=_PATIENCE_S, set_as_default=False)
    except (OSError, ValueError, TypeError) as error:
        raise _no_scheduler(address, error) from None
    try:
        _run(distributed, client, units, address, done, overall, note)
    finally:
        client.close(timeout=2.0)


def _run(
    distributed: Any,  # noqa: ANN401  Dask may not be there, nor its types
    client: Any,  # noqa: ANN401
    units: Sequence[Unit],
    address: str,
    done: Callable[[Unit, Result], None],
    overall: Overall,
    note: Callable[[str], None],
) -> None:
    ours = fingerprint()
    workers = _workers(client)
    if not workers:
        raise _wrong(
            address,
            "the scheduler has no workers.",
            "Start some: dask worker ADDRESS --nthreads 1.",
            "RS-D13",
        )
    _check_same(client, address, ours)
    todo = list(units)[::-1]
    running = distributed.as_completed(loop=client.loop)
    held: dict[str, Unit] = {}

    def submit() -> None:
        unit = todo.pop()
        # not pure: two units are never taken for one; from bytes, see `pack`
        future = client.submit(_serve, pack(unit), ours, pure=False)
        held[future.key] = unit
        running.add(future)

    for _ in range(min(len(todo), len(workers) + 1)):
        submit()
    for future in running:
        unit = held.pop(future.key)
        try:
            result = unpack(future.result())
        except (distributed.KilledWorker, distributed.CancelledError, OSError) as error:
            raise _wrong(
                address,
                f"the cluster gave up {unit.label}: {_first_line(error)}",
                "Look at the workers' own messages; the same command goes on.",
                "RS-D15",
            ) from None
        future.release()
        now = _workers(client)
        lost = len(workers - now)
        if lost:
            note(f"{lost} of the cluster's workers left; what they were doing was done again.")
        workers = now
        overall.step(unit, 1.0, f"{len(now)} workers")
        overall.complete(unit)
        if todo:
            submit()
        done(unit, result)


def _workers(client: Any) -> set[str]:  # noqa: ANN401
    """Give the addresses of all workers."""
    return set(client.scheduler_info(n_workers=-1)["workers"])


def _check_same(client: Any, address: str, ours: str) -> None:  # noqa: ANN401
    """Refuse workers that would give other results, or none."""
    try:
        theirs = client.run(_ask, on_error="return")
    except Exception as error:
        raise _other(address, _first_line(error)) from None
    for worker, said in theirs.items():
        if said != ours:
            text = said if isinstance(said, str) else _first_line(said)
            raise _other(address, f"{worker} says: {text}; here: {ours}")


def _ask() -> str:
    """Say what a worker has."""
    return fingerprint()


def _serve(packed: bytes, wanted: str) -> bytes:
    """Compute one unit on a worker."""
    if (ours := fingerprint()) != wanted:  # it has joined since all were asked
        raise _other("a worker", f"it has {ours}, not {wanted}")
    with _ALONE:
        return pack(compute(unpack(packed), say_nothing))


def _first_line(error: BaseException) -> str:
    text = str(error).strip() or type(error).__name__
    return text.splitlines()[0]


def _wrong(address: str, wrong: str, fix: str, code: str) -> SpreadError:
    return SpreadError(Complaint(f"--cluster {address}", wrong, fix, code))


def _no_scheduler(address: str, error: BaseException) -> SpreadError:
    return _wrong(
        address,
        f"no scheduler answers there within {_PATIENCE_S:g} s ({_first_line(error)}).",
        "Start one with: dask scheduler; it prints its address.",
        "RS-D13",
    )


def _other(address: str, what: str) -> SpreadError:
    return _wrong(
        address,
        f"its workers do not have the raysim that is here: {what}.",
        "Install the same raysim, numpy, numba and scipy on all of them and start them again.",
        "RS-D14",
    )
