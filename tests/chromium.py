"""A headless Chromium that tests can press keys in, over its debugging pipe.

Import it from any test file: ``from chromium import Tab, found_browser``. The pipe takes
and gives JSON texts, each ended by a zero byte (Chrome DevTools Protocol).
"""

import base64
import json
import os
import select
import shutil
import signal
import subprocess
import sys
import time

import pytest

_FLAGS = (
    "--headless", "--no-sandbox", "--disable-gpu", "--no-first-run", "--mute-audio",
    "--disable-background-networking", "--disable-component-update", "--disable-sync",
    "--remote-debugging-pipe", "--window-size=1200,900",
)  # fmt: skip

#: The browser reads from descriptor 3 and writes to 4.
_LAUNCH = """
import os, sys
read, write = os.dup(int(sys.argv[1])), os.dup(int(sys.argv[2]))
read, write = os.dup(read), os.dup(write)
spare = [os.dup(f) for f in (read, write)]
os.dup2(spare[0], 3), os.dup2(spare[1], 4)
os.execvp(sys.argv[3], sys.argv[3:])
"""

_KEYS = {
    "Enter": {"key": "Enter", "code": "Enter", "text": "\r", "windowsVirtualKeyCode": 13},
    " ": {"key": " ", "code": "Space", "text": " ", "windowsVirtualKeyCode": 32},
    "ArrowLeft": {"key": "ArrowLeft", "code": "ArrowLeft", "windowsVirtualKeyCode": 37},
    "ArrowRight": {"key": "ArrowRight", "code": "ArrowRight", "windowsVirtualKeyCode": 39},
}


def found_browser():
    """Give the browser's path; without it skip, or fail where CI=true is set."""
    found = shutil.which("chromium") or shutil.which("chromium-browser")
    if found is None:
        reason = "no Chromium here: what a browser makes of the page is not tested"
        if os.environ.get("CI") == "true":
            pytest.fail(reason)
        pytest.skip(reason)
    return found


class Tab:
    """One window; ``complaints`` collects what its console and its scripts complain of."""

    def __init__(self, browser, folder):
        there, mine = os.pipe(), os.pipe()
        self.to, self.back, self.buffer, self.n = there[1], mine[0], b"", 0
        self.complaints, self.requests = [], []
        self.process = subprocess.Popen(
            [sys.executable, "-c", _LAUNCH, str(there[0]), str(mine[1]), browser, *_FLAGS,
             f"--user-data-dir={folder / 'profile'}", "about:blank"],
            pass_fds=(there[0], mine[1]), stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
            start_new_session=True,
        )  # fmt: skip
        os.close(there[0])
        os.close(mine[1])
        self.session = None
        target = next(
            t for t in self.send("Target.getTargets")["targetInfos"] if t["type"] == "page"
        )
        self.session = self.send(
            "Target.attachToTarget", targetId=target["targetId"], flatten=True
        )["sessionId"]
        for domain in ("Page", "Runtime", "Log", "Network"):
            self.send(f"{domain}.enable")
        self.send("Browser.setDownloadBehavior", behavior="allow", downloadPath=str(folder))

    def send(self, method, **params):
        """Send a command and give its result."""
        self.n += 1
        text = {"id": self.n, "method": method, "params": params}
        if self.session and not method.startswith(("Browser.", "Target.")):
            text["sessionId"] = self.session
        os.write(self.to, json.dumps(text).encode() + b"\0")
        until_s = time.monotonic() + 60.0
        while True:
            message = self._receive(until_s)
            if message.get("id") == self.n:
                if "error" in message:
                    raise RuntimeError(f"{method}: {message['error']}")
                return message["result"]
            self._note(message)

    def _receive(self, until_s):
        while b"\0" not in self.buffer:
            if not select.select([self.back], [], [], max(0.0, until_s - time.monotonic()))[0]:
                raise TimeoutError("the browser does not answer")
            got = os.read(self.back, 1 << 16)
            if not got:
                raise EOFError("the browser has ended")
            self.buffer += got
        text, _, self.buffer = self.buffer.partition(b"\0")
        return json.loads(text)

    def _note(self, message):
        method, params = message.get("method"), message.get("params", {})
        if method == "Runtime.exceptionThrown":
            self.complaints.append(params["exceptionDetails"]["text"])
        elif method == "Runtime.consoleAPICalled" and params["type"] in ("error", "warning"):
            self.complaints.append(str(params["args"]))
        elif method == "Log.entryAdded" and params["entry"]["level"] in ("error", "warning"):
            self.complaints.append(params["entry"]["text"])
        elif method == "Network.requestWillBeSent":
            self.requests.append(params["request"]["url"])
        elif method == "Page.javascriptDialogOpening":
            self.n += 1
            accept = {"id": self.n, "method": "Page.handleJavaScriptDialog",
                      "params": {"accept": True}, "sessionId": self.session}  # fmt: skip
            os.write(self.to, json.dumps(accept).encode() + b"\0")

    def open(self, address):
        """Go to an address and wait until the page stands."""
        self.send("Page.navigate", url=address)
        here = json.dumps(address)
        self.wait(f"document.readyState === 'complete' && location.href === {here}")

    def reload(self):
        """Load the page again."""
        self.send("Page.reload")
        time.sleep(0.2)
        self.wait("document.readyState === 'complete'")

    def run(self, script):
        """Give what a script gives, waited for if it promises."""
        got = self.send(
            "Runtime.evaluate", expression=script, returnByValue=True, awaitPromise=True
        )
        if "exceptionDetails" in got:
            raise RuntimeError(str(got["exceptionDetails"]))
        return got["result"].get("value")

    def wait(self, condition, longest_s=20.0):
        """Wait until a script's value is true."""
        until_s = time.monotonic() + longest_s
        while not self.run(condition):
            assert time.monotonic() < until_s, f"never true: {condition}"
            time.sleep(0.03)

    def press(self, *keys):
        """Press keys, one after the other."""
        for key in keys:
            told = _KEYS.get(key) or {
                "key": key, "text": key, "code": f"Digit{key}",
                "windowsVirtualKeyCode": ord(key)
            }  # fmt: skip
            self.send("Input.dispatchKeyEvent", type="keyDown", **told)
            self.send("Input.dispatchKeyEvent", type="keyUp", **{**told, "text": ""})

    def click(self, ident):
        """Click the middle of an element with the mouse."""
        x, y = self.run(
            f"(function () {{ var e = document.getElementById('{ident}');"
            "e.scrollIntoView({block: 'center', behavior: 'instant'});"
            "var b = e.getBoundingClientRect();"
            "return [b.x + b.width / 2, b.y + b.height / 2]; })()"
        )
        for kind in ("mousePressed", "mouseReleased"):
            self.send(
                "Input.dispatchMouseEvent", type=kind, x=x, y=y, button="left", clickCount=1
            )

    def resize(self, width, height=900):
        """Show the page so wide, in CSS pixels, as a phone does below 600."""
        self.send(
            "Emulation.setDeviceMetricsOverride",
            width=width, height=height, deviceScaleFactor=1, mobile=width < 600,
        )  # fmt: skip

    def picture(self, path):
        """Write what the page looks like, in full length, as PNG."""
        got = self.send("Page.captureScreenshot", captureBeyondViewport=True)
        path.write_bytes(base64.b64decode(got["data"]))

    def pdf(self):
        """Give the page as printed."""
        return base64.b64decode(self.send("Page.printToPDF")["data"])

    def close(self):
        """End the browser this test has started, and what it has started."""
        try:
            self.session = None
            self.send("Browser.close")
            self.process.wait(10)
        except (OSError, EOFError, RuntimeError, TimeoutError, subprocess.TimeoutExpired):
            os.killpg(self.process.pid, signal.SIGKILL)
            self.process.wait()
        os.close(self.to)
        os.close(self.back)
