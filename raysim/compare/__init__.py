"""Layouts beside each other: what differs for certain and to the ear, what it costs.

The package can be called: ``raysim.compare("results.h5")`` gives a
`raysim.compare.comparison.Comparison`, whose ``rows()`` and ``difference_rows()`` are lists of
flat dicts, ready for a data frame.
"""

import os
import sys
from types import ModuleType
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from raysim.compare.comparison import Comparison
    from raysim.store.file import Results


class _Callable(ModuleType):
    """A package whose name is also what it does: importing a part of it must not hide that."""

    def __call__(
        self,
        results: "Results | str | os.PathLike[str]",
        use: str | None = None,
        **more: Any,  # noqa: ANN401  see `compare`
    ) -> "Comparison":
        """Compare the layouts of a result file, open or by its path.

        Parameters are those of `raysim.compare.comparison.compare`.
        """
        from raysim.compare.comparison import compare
        from raysim.store.file import Results, open_results

        if isinstance(results, Results):
            return compare(results, use, **more)
        with open_results(results) as opened:
            return compare(opened, use, **more)


sys.modules[__name__].__class__ = _Callable
