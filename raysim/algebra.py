"""Linear algebra on one thread, whatever its library would take.

Our matrices have a few hundred rows. Threads of the library (BLAS) gain nothing there: they
wait for one another in a loop that keeps a processor busy, and take many times as
long, by the processor and by the clock (`benchmarks/bench_mode_threads.py`). With another
number of threads sums also have another order, hence other last digits.
"""

from collections.abc import Iterator
from contextlib import contextmanager

from threadpoolctl import threadpool_limits


@contextmanager
def one_blas_thread() -> Iterator[None]:
    """Keep linear algebra of this process on one thread while this is open.

    Also a decorator. Threads of our own kernels are not touched. It holds for the whole
    process, and is set from one thread at a time: see `raysim.spread.cluster`, which has
    its units wait for one another.
    """
    with threadpool_limits(limits=1, user_api="blas"):
        yield
