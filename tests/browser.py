"""A headless Chromium spoken to over a pipe, with the network off: what a page shows, asks for and complains of.

The DevTools protocol as NUL-ended JSON on file descriptors 3 and 4 (`--remote-debugging-pipe`): no driver, no port.
"""

from __future__ import annotations

import base64
import json
import os
import selectors
import subprocess
import sys
import time
from pathlib import Path

from afterdip.report.pdf import find_browser, flags

MISSING = "NO BROWSER: Chromium was not found, so no page was opened in one. On Debian or Ubuntu: apt install chromium"
_PATIENCE = 60.0  # seconds; a busy machine starts a browser slowly
# Chromium reads from descriptor 3 and writes to 4. Ours may have any number, so they are moved above these two first.
_START = (
    "import os, sys; r, w = (os.dup(os.dup(os.dup(int(n)))) for n in sys.argv[1:3]); "
    "os.dup2(r, 3); os.dup2(w, 4); os.execvp(sys.argv[3], sys.argv[3:])"
)


class Browser:
    """One Chromium with one tab; use it in a `with` statement."""

    def __init__(self, profile: Path) -> None:
        """Start Chromium with a new profile in the folder `profile`."""
        theirs_in, self._to = os.pipe()
        self._from, theirs_out = os.pipe()
        options = [*flags(), "--host-resolver-rules=MAP * ~NOTFOUND", f"--user-data-dir={profile}"]
        command = [sys.executable, "-c", _START, str(theirs_in), str(theirs_out), str(find_browser())]
        self._process = subprocess.Popen(
            [*command, *options, "--remote-debugging-pipe", "about:blank"],
            pass_fds=(theirs_in, theirs_out),
            stdin=subprocess.DEVNULL,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        os.close(theirs_in)
        os.close(theirs_out)
        self._heard, self._number, self._session = b"", 0, None
        self.events: list[dict] = []
        target = self.call("Target.createTarget", url="about:blank")["targetId"]
        self._session = self.call("Target.attachToTarget", targetId=target, flatten=True)["sessionId"]
        for domain in ("Page", "Runtime", "Log", "Network"):
            self.call(f"{domain}.enable")
        self.call(
            "Network.emulateNetworkConditions", offline=True, latency=0, downloadThroughput=-1, uploadThroughput=-1
        )

    def __enter__(self) -> Browser:
        return self

    def __exit__(self, *_) -> None:
        os.close(self._to)  # Chromium ends when its pipe does
        os.close(self._from)
        try:
            self._process.wait(_PATIENCE)
        except subprocess.TimeoutExpired:
            self._process.kill()
            self._process.wait()

    def call(self, method: str, **params: object) -> dict:
        """Call a DevTools method; what happens meanwhile is kept in `events`."""
        self._number += 1
        message = {"id": self._number, "method": method, "params": params}
        if self._session:
            message["sessionId"] = self._session
        self._send(json.dumps(message).encode() + b"\0")
        while True:
            answer = self._next()
            if answer.get("id") == self._number:
                if "error" in answer:
                    raise RuntimeError(f"{method}: {answer['error']['message']}")
                return answer["result"]
            self.events.append(answer)

    def _send(self, data: bytes) -> None:
        while data:  # a pipe takes what it has room for
            data = data[os.write(self._to, data) :]

    def _next(self) -> dict:
        until = time.monotonic() + _PATIENCE
        with selectors.DefaultSelector() as ready:
            ready.register(self._from, selectors.EVENT_READ)
            while b"\0" not in self._heard:
                if not ready.select(max(0.0, until - time.monotonic())):
                    raise TimeoutError(f"Chromium was silent for {_PATIENCE:.0f} s")
                data = os.read(self._from, 1 << 20)
                if not data:
                    raise RuntimeError("Chromium ended")
                self._heard += data
        message, _, self._heard = self._heard.partition(b"\0")
        return json.loads(message)

    def open(self, page: Path, *, width: int, height: int = 900) -> None:
        """Open a file at a width in CSS pixels and wait until it is loaded; forgets earlier events."""
        self.size(width, height)
        self.events.clear()
        self.call("Page.navigate", url=page.resolve().as_uri())
        while not any(event.get("method") == "Page.loadEventFired" for event in self.events):
            self.events.append(self._next())

    def size(self, width: int, height: int = 900) -> None:
        """Give the window a size in CSS pixels; below 500 it is a phone's."""
        options = {"width": width, "height": height, "deviceScaleFactor": 1, "mobile": width < 500}
        self.call("Emulation.setDeviceMetricsOverride", **options)

    def ask(self, expression: str) -> object:
        """Return the value of a JavaScript expression (a promise is awaited)."""
        answer = self.call("Runtime.evaluate", expression=expression, returnByValue=True, awaitPromise=True)
        if "exceptionDetails" in answer:
            raise RuntimeError(answer["exceptionDetails"].get("exception", {}).get("description", "a script failed"))
        return answer["result"].get("value")

    def requests(self) -> list[str]:
        """Return the addresses asked for since the page was opened."""
        sent = [e["params"] for e in self.events if e.get("method") == "Network.requestWillBeSent"]
        return [params["request"]["url"] for params in sent]

    def complaints(self) -> list[str]:
        """Return what the console said, and exceptions, since the page was opened."""
        kinds = ("Runtime.consoleAPICalled", "Runtime.exceptionThrown", "Log.entryAdded")
        return [json.dumps(event["params"])[:500] for event in self.events if event.get("method") in kinds]

    def picture(self, *, clip: dict | None = None) -> bytes:
        """Return the page, or the part of it that `clip` gives (x, y, width, height, scale), as PNG."""
        area = {"clip": clip} if clip else {}
        return base64.b64decode(self.call("Page.captureScreenshot", captureBeyondViewport=True, **area)["data"])
