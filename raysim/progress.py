"""Show on a terminal how far a run is and what it already knows.

On standard error, and only if that is a terminal: `rays 40 %  T30(1 kHz) 0.82 s`.
Otherwise nothing is written and the display library is not even loaded.
"""

import math
import sys
import time
from types import TracebackType
from typing import TYPE_CHECKING, Self, TextIO

if TYPE_CHECKING:
    from rich.progress import Progress as Display
    from rich.progress import TaskID

#: Shortest time between two redraws.
_REDRAW_S = 0.1


class Progress:
    """One line that follows a run; use it in a ``with`` statement.

    Leaving the statement clears the line and gives the cursor back, also after
    Ctrl-C. The line is drawn by `step` alone: a thread of its own would take time
    from the rays, and must not live when worker processes are started.

    Parameters
    ----------
    task : str
        What is being done: "rays".
    stream : text file, optional
        Instead of standard error.

    Examples
    --------
    >>> with Progress("rays") as progress:
    ...     progress.step(0.4, "T30(1 kHz) 0.82 s +- 0.03")
    """

    def __init__(self, task: str, stream: TextIO | None = None) -> None:
        self._task = task
        self._stream = sys.stderr if stream is None else stream
        self._display: Display | None = None
        self._line: TaskID | None = None
        self._drawn_s = -math.inf

    def __enter__(self) -> Self:
        if self._stream is None or not self._stream.isatty():
            return self
        from rich.console import Console
        from rich.progress import BarColumn, Progress, TextColumn, TimeRemainingColumn

        self._display = Progress(
            TextColumn("{task.description}", markup=False),
            TextColumn("{task.fields[share]}", markup=False),
            BarColumn(bar_width=20),
            TextColumn("{task.fields[known]}", markup=False),
            TimeRemainingColumn(compact=True),
            console=Console(file=self._stream),
            auto_refresh=False,
            transient=True,
        )
        self._display.start()
        self._line = self._display.add_task(
            self._task, total=1.0, share=share_text(0.0), known=""
        )
        return self

    def step(self, fraction: float, text: str = "") -> None:
        """Say how much is done, 0 to 1, and what is known by now.

        Cheap to call often: the line is redrawn ten times a second at most, and always
        when all is done.
        """
        if self._display is None or self._line is None:
            return
        now_s = time.monotonic()
        if now_s - self._drawn_s < _REDRAW_S and fraction < 1.0:
            return
        self._drawn_s = now_s
        self._display.update(
            self._line, completed=fraction, share=share_text(fraction), known=text
        )
        self._display.refresh()

    def __exit__(
        self,
        kind: type[BaseException] | None,
        value: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        if self._display is not None:
            self._display.stop()
            self._display = None


def share_text(fraction: float) -> str:
    """Give a share as whole per cent that says 0 or 100 only if it is.

    Examples
    --------
    >>> [share_text(f) for f in (0.0, 0.001, 0.4, 0.999, 1.0)]
    ['  0 %', ' <1 %', ' 40 %', '>99 %', '100 %']
    """
    if 0.0 < fraction < 0.01:
        return " <1 %"
    if 0.99 < fraction < 1.0:
        return ">99 %"
    return f"{100.0 * min(max(fraction, 0.0), 1.0):3.0f} %"
