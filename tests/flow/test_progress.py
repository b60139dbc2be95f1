"""Progress: seen on a terminal, silent elsewhere, and the cursor comes back."""

import io
import os
import pty
import select
import signal
import subprocess
import sys
import textwrap
import time

import pytest

from raysim.progress import Progress, share_text

#: ECMA-48 private modes: hide and show the cursor.
HIDE, SHOW = b"\x1b[?25l", b"\x1b[?25h"

_RUN = """
    import sys, time
    from raysim.progress import Progress
    with Progress("rays") as progress:
        progress.step(0.4, "T30(1 kHz) 0.82 s +- 0.03 [m]")
        if "wait" in sys.argv:
            time.sleep(30)
        progress.step(1.0, "done")
    print("rich" in sys.modules)
"""


def on_terminal(*args, interrupt=False):
    """Run with standard error on a terminal; give what it showed and the process."""
    ours, theirs = pty.openpty()
    process = subprocess.Popen(
        [sys.executable, "-W", "error", "-c", textwrap.dedent(_RUN), *args],
        stdout=subprocess.PIPE,
        stderr=theirs,
        env={**os.environ, "TERM": "xterm", "COLUMNS": "100"},
    )
    os.close(theirs)
    shown = b""
    until_s = time.monotonic() + 30.0
    while time.monotonic() < until_s:
        if not select.select([ours], [], [], 0.1)[0]:
            continue
        try:
            piece = os.read(ours, 4096)
        except OSError:  # the other end is closed
            break
        shown += piece
        if interrupt and b"0.82 s" in shown:
            process.send_signal(signal.SIGINT)
            interrupt = False
    out, _ = process.communicate(timeout=10)
    os.close(ours)
    return shown, out, process.returncode


def test_terminal_shows_share_and_knowledge():
    shown, out, status = on_terminal()
    assert status == 0
    assert b"rays" in shown
    assert b"40 %" in shown
    assert b"T30(1 kHz) 0.82 s +- 0.03 [m]" in shown
    assert b"100 %" in shown
    assert out == b"True\n"
    assert shown.rfind(SHOW) > shown.rfind(HIDE) >= 0


def test_interrupt_gives_the_cursor_back():
    shown, _, status = on_terminal("wait", interrupt=True)
    assert status != 0
    assert shown.rfind(SHOW) > shown.rfind(HIDE) >= 0


def test_cursor_check_can_fail():
    """Planted fault: what the same run had shown when it was still waiting."""
    shown, _, _ = on_terminal("wait", interrupt=True)
    begun = shown[: shown.index(b"0.82 s")]
    assert not begun.rfind(SHOW) > begun.rfind(HIDE)


def test_elsewhere_nothing_is_shown_or_loaded():
    ended = subprocess.run(
        [sys.executable, "-c", textwrap.dedent(_RUN)], capture_output=True, check=True
    )
    assert ended.stderr == b""
    assert ended.stdout == b"False\n"


def test_stream_that_is_no_terminal_stays_empty():
    stream = io.StringIO()
    with Progress("rays", stream) as progress:
        progress.step(0.5, "half")
    assert stream.getvalue() == ""


@pytest.mark.parametrize(
    ("fraction", "text"),
    [(0.0, "  0 %"), (1e-9, " <1 %"), (0.4, " 40 %"), (1 - 1e-9, ">99 %"), (1.0, "100 %")],
)
def test_share_says_none_or_all_only_if_it_is(fraction, text):
    assert share_text(fraction) == text
