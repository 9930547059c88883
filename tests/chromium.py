"""Chromium driven over a pipe, by the DevTools protocol: one page at a time, nothing installed.

The protocol: messages of JSON, each ended by a zero byte, on file descriptors 3 and 4
(`--remote-debugging-pipe`, Chromium's own documentation). What a test evaluates is not bound by the
page's Content-Security-Policy, so the page under test keeps all its defences.
"""

import base64
import json
import os
import shutil
import subprocess
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from select import select
from typing import Any

CHROMIUM = shutil.which("chromium")
FLAGS = ("--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
         "--disable-background-networking", "--disable-component-update", "--disable-sync",
         "--hide-scrollbars", "--remote-debugging-pipe")  # fmt: skip
PATIENCE_S = 30.0
Answer = dict[str, Any]


class Browser:
    """One page of a browser."""

    def __init__(self, to_browser: int, from_browser: int) -> None:
        self._write = to_browser
        self._read = from_browser
        self._left = b""
        self._n_sent = 0
        self._session: str | None = None
        target = self.ask("Target.createTarget", url="about:blank")["targetId"]
        attached = self.ask("Target.attachToTarget", targetId=target, flatten=True)
        self._session = attached["sessionId"]
        for domain in ("Page", "Runtime", "Network"):
            self.ask(f"{domain}.enable")

    def ask(self, method: str, **params: Any) -> Answer:
        """Send a command and wait for its answer."""
        self._n_sent += 1
        message: Answer = {"id": self._n_sent, "method": method, "params": params}
        if self._session is not None:
            message["sessionId"] = self._session
        os.write(self._write, json.dumps(message).encode() + b"\0")
        deadline_s = time.monotonic() + PATIENCE_S
        while time.monotonic() < deadline_s:
            found = self._next(deadline_s - time.monotonic())
            if found.get("id") == self._n_sent:
                assert "error" not in found, found["error"]
                result: Answer = found["result"]
                return result
        raise AssertionError(f"the browser did not answer {method}")

    def _next(self, within_s: float) -> Answer:
        while b"\0" not in self._left:
            assert select([self._read], [], [], within_s)[0], "the browser is silent"
            piece = os.read(self._read, 1 << 20)
            assert piece, "the browser is gone"
            self._left += piece
        message, _, self._left = self._left.partition(b"\0")
        found: Answer = json.loads(message)
        return found

    def run(self, script: str) -> Any:
        """The value of an expression on the page; promises are waited for."""
        answer = self.ask(
            "Runtime.evaluate", expression=script, awaitPromise=True, returnByValue=True
        )
        assert "exceptionDetails" not in answer, answer["exceptionDetails"]
        return answer["result"].get("value")

    def go(self, address: str) -> None:
        """Open a page and wait until it and its scripts are there."""
        self.run("window.isOldPage = true")
        self.ask("Page.navigate", url=address)
        self.until("!window.isOldPage && document.readyState === 'complete'")

    def until(self, condition: str, within_s: float = 10.0) -> float:
        """Wait until an expression is true; how long that took."""
        began_s = time.monotonic()
        while not self.run(f"Boolean({condition})"):
            assert time.monotonic() - began_s < within_s, f"not within {within_s} s: {condition}"
            time.sleep(0.05)
        return time.monotonic() - began_s

    def look(self, width: int, height: int, scheme: str) -> None:
        """The size of the window, and whether the user likes it dark or light."""
        self.ask(
            "Emulation.setDeviceMetricsOverride",
            width=width, height=height, deviceScaleFactor=1, mobile=width < 600,
        )  # fmt: skip
        feature = {"name": "prefers-color-scheme", "value": scheme}
        self.ask("Emulation.setEmulatedMedia", features=[feature])

    def press(self, key: str) -> None:
        """A key, down and up."""
        text = key if len(key) == 1 else ""
        for kind in ("keyDown", "keyUp"):
            self.ask("Input.dispatchKeyEvent", type=kind, key=key, text=text)

    def send_headers(self, **headers: str) -> None:
        """Headers that go with every request from now on."""
        self.ask("Network.setExtraHTTPHeaders", headers=headers)

    def picture(self, path: Path) -> None:
        """The whole page as a PNG, also into $HALFCYCLE_SHOTS when that is set."""
        answer = self.ask("Page.captureScreenshot", format="png", captureBeyondViewport=True)
        content = base64.b64decode(answer["data"])
        path.write_bytes(content)
        kept = os.environ.get("HALFCYCLE_SHOTS")
        if kept:
            Path(kept).mkdir(parents=True, exist_ok=True)
            (Path(kept) / path.name).write_bytes(content)


@contextmanager
def browser(profile: Path) -> Iterator[Browser]:
    """A browser with a profile of its own; ended whatever happens."""
    assert CHROMIUM is not None
    theirs_in, ours_out = os.pipe()
    ours_in, theirs_out = os.pipe()
    flags = " ".join([*FLAGS, f"--user-data-dir='{profile}'"])
    shell = f"exec {CHROMIUM} {flags} about:blank 3<&{theirs_in} 4>&{theirs_out} 2>/dev/null"
    process = subprocess.Popen(
        ["bash", "-c", shell], pass_fds=(theirs_in, theirs_out), stdin=subprocess.DEVNULL
    )
    os.close(theirs_in)
    os.close(theirs_out)
    try:
        yield Browser(ours_out, ours_in)
    finally:
        process.terminate()
        process.wait(10)
        os.close(ours_out)
        os.close(ours_in)
        shutil.rmtree(profile, ignore_errors=True)


def settled(condition: Callable[[], object], within_s: float = 10.0) -> None:
    """Wait for something outside the browser."""
    deadline_s = time.monotonic() + within_s
    while not condition():
        assert time.monotonic() < deadline_s, "it did not happen in time"
        time.sleep(0.05)
