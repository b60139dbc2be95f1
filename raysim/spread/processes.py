"""Units on several processes of this machine; the caller's process alone takes results.

Each process computes one unit at a time on its share of the threads. One that ends by
itself is replaced, and its unit is done again. All end with the caller, however that ends.
"""

import contextlib
import os
import signal
import sys
import threading
import traceback
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from multiprocessing import connection, get_context, parent_process
from multiprocessing.context import SpawnProcess
from typing import Any

from raysim.errors import Complaint, RaysimError, SpreadError
from raysim.spread.progress import Overall
from raysim.spread.units import Result, Unit, compute, pack, unpack

#: Processes that may end over one unit before the run gives up.
_MOST_TRIES = 3


def run_on_processes(
    units: Sequence[Unit],
    n_worker: int,
    n_thread: int,
    done: Callable[[Unit, Result], None],
    overall: Overall,
    note: Callable[[str], None],
) -> None:
    """Compute units on processes of this machine.

    Parameters
    ----------
    units : sequence of Unit
        In the order in which they are begun.
    n_worker : int
        Processes, at least 1.
    n_thread : int
        Threads of all of them together.
    done : callable
        Called in this process with each unit and its result, as they come: at most one
        result is held here, and one in each process.
    overall : Overall
        Told how far units are.
    note : callable
        Called with a sentence for the user when a process ended by itself.

    Raises
    ------
    SpreadError
        RS-D11: processes ended again and again over one unit.
    """
    todo = deque(units)
    tries: dict[int, int] = {}
    n_worker = min(n_worker, len(units))
    threads = max(1, n_thread // n_worker)
    workers: list[_Worker] = []
    try:
        while todo or any(w.unit is not None for w in workers):
            while todo and len(workers) < n_worker:
                workers.append(_Worker(threads))
            for worker in workers:
                if todo and worker.unit is None:
                    worker.give(todo.popleft())
            ready = connection.wait([w.pipe for w in workers])
            for worker in [w for w in workers if w.pipe in ready]:
                unit = worker.unit
                try:
                    kind, *what = worker.receive()
                except (EOFError, OSError):
                    workers.remove(worker)
                    how = worker.end(1.0)
                    if unit is not None:
                        overall.begin_again(unit)
                        todo.appendleft(unit)
                        tries[id(unit)] = tries.get(id(unit), 0) + 1
                        if tries[id(unit)] >= _MOST_TRIES:
                            raise _hopeless(unit, how) from None
                        note(f"A process ended by itself ({how}); {unit.label} was done again.")
                    continue
                assert unit is not None
                if kind == "tell":
                    overall.step(unit, *what)
                elif kind == "failed":
                    raise what[0]
                else:
                    worker.unit = None
                    overall.complete(unit)
                    if todo:  # its process goes on while the result is taken
                        worker.give(todo.popleft())
                    done(unit, what[0])
    finally:
        for worker in workers:
            worker.end()


def _hopeless(unit: Unit, how: str) -> SpreadError:
    return SpreadError(
        Complaint(
            "--workers",
            f"{_MOST_TRIES} processes ended by themselves over {unit.label} (the last: {how}).",
            "Use fewer, or --workers 1: most often there was too little memory.",
            "RS-D11",
        )
    )


class _Worker:
    """One process and what it is busy with."""

    def __init__(self, n_thread: int) -> None:
        context = get_context("spawn")  # threads of kernels do not survive a fork
        self.unit: Unit | None = None
        self.pipe, theirs = context.Pipe()
        self._process: SpawnProcess = context.Process(
            target=_serve, args=(theirs, n_thread), daemon=True
        )
        with _deaf_children():
            self._process.start()
        theirs.close()

    def give(self, unit: Unit) -> None:
        """Hand over a unit; a process that has ended is noticed on receiving."""
        self.unit = unit
        with contextlib.suppress(OSError):
            self.pipe.send_bytes(pack(unit))

    def receive(self) -> Any:  # noqa: ANN401  see `_serve`
        """Give what the process sent."""
        return unpack(self.pipe.recv_bytes())

    def end(self, patience_s: float = 0.0) -> str:
        """End the process unless it does so itself in a while, and say how it ended."""
        self._process.join(patience_s)
        self._process.kill()
        self._process.join()
        self.pipe.close()
        code = self._process.exitcode or 0
        return f"signal {-code}" if code < 0 else f"exit code {code}"


@contextlib.contextmanager
def _deaf_children() -> Iterator[None]:
    """Start processes that leave Ctrl-C to their parent, from their first moment."""
    if sys.platform == "win32":
        yield
        return
    before = signal.pthread_sigmask(signal.SIG_BLOCK, [signal.SIGINT])
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


def _serve(pipe: "connection.Connection[bytes, bytes]", n_thread: int) -> None:
    """Compute units until the other end of the pipe closes; runs in a process of its own."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    threading.Thread(target=_end_with_parent, daemon=True).start()
    import numba

    numba.set_num_threads(min(n_thread, numba.get_num_threads()))

    def send(*what: object) -> None:
        pipe.send_bytes(pack(what))

    while True:
        try:
            unit = unpack(pipe.recv_bytes())
        except (EOFError, OSError):
            return
        try:
            send("done", compute(unit, lambda share, known: send("tell", share, known)))
        except OSError:  # nobody listens any more
            return
        except Exception as error:
            if not isinstance(error, RaysimError):  # a fault of ours: say where
                error.add_note(traceback.format_exc())
            send("failed", error)


def _end_with_parent() -> None:
    """End this process at once when its parent does, even by a signal that none can hear."""
    parent = parent_process()
    if parent is not None:
        connection.wait([parent.sentinel])
        os._exit(1)
