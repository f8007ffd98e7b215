"""A headless Chromium, driven over a pipe by its own DevTools protocol: no port, no driver.

Messages are JSON, each ended by a NUL, on the browser's descriptors 3 and 4 (its option
`--remote-debugging-pipe`). Everything that a page asks for, logs or throws is kept.
"""

from __future__ import annotations

import base64
import json
import os
import select
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

__all__ = ["Browser", "Page", "opened_browser"]

_LIMIT_S = 120.0
_OPTIONS = (
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--disable-dev-shm-usage",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--hide-scrollbars",
    "--remote-debugging-pipe",
)
# The pipe's ends must be 3 and 4; what stands there first is moved out of the way.
_START = """
import fcntl, os, sys
ends = [fcntl.fcntl(int(end), fcntl.F_DUPFD, 10) for end in sys.argv[1:3]]
for end, number in zip(ends, (3, 4)):
    os.dup2(end, number)
os.execvp(sys.argv[3], sys.argv[3:])
"""


@dataclass
class Browser:
    """The running browser. Its pages are opened with `open`."""

    into: int
    out_of: int
    number: int = 0
    rest: bytes = b""
    pages: dict[str, Page] = field(default_factory=dict)

    def call(self, method: str, session: str | None = None, **told: Any) -> dict[str, Any]:
        """One command, and its answer; events that come in between go to their page."""
        self.number += 1
        message = {"id": self.number, "method": method, "params": told}
        if session is not None:
            message["sessionId"] = session
        os.write(self.into, json.dumps(message).encode() + b"\0")
        while True:
            got = self.message()
            if got.get("id") == self.number:
                if "error" in got:
                    raise RuntimeError(f"{method}: {got['error']}")
                result: dict[str, Any] = got["result"]
                return result

    def message(self) -> dict[str, Any]:
        """The next message; an event is kept with its page."""
        until = time.monotonic() + _LIMIT_S
        while b"\0" not in self.rest:
            ready, _, _ = select.select([self.out_of], [], [], max(0.0, until - time.monotonic()))
            if not ready:
                raise TimeoutError("the browser doesn't answer")
            more = os.read(self.out_of, 1 << 20)
            if not more:
                raise RuntimeError("the browser has gone")
            self.rest += more
        one, _, self.rest = self.rest.partition(b"\0")
        got: dict[str, Any] = json.loads(one)
        page = self.pages.get(got.get("sessionId", ""))
        if page is not None and "method" in got:
            page.events.append((got["method"], got["params"]))
        return got

    def open(
        self, place: Path, *, scripts: bool = True, dark: bool = False, watched: bool = True
    ) -> Page:
        """Open a page from disk, loaded to the end. Not `watched`, it isn't slowed down by telling
        of every request, and `requests` and `complaints` stay empty."""
        target = self.call("Target.createTarget", url="about:blank")["targetId"]
        session = self.call("Target.attachToTarget", targetId=target, flatten=True)["sessionId"]
        page = Page(self, session, target)
        self.pages[session] = page
        for domain in ("Page", "Runtime", "Log", "Network") if watched else ("Page",):
            page.call(f"{domain}.enable")
        if not scripts:
            page.call("Emulation.setScriptExecutionDisabled", value=True)
        scheme = {"name": "prefers-color-scheme", "value": "dark" if dark else "light"}
        page.call("Emulation.setEmulatedMedia", features=[scheme])
        page.call("Page.navigate", url=place.as_uri())
        while not any(name == "Page.loadEventFired" for name, _ in page.events):
            self.message()
        return page


@dataclass
class Page:
    """One page, and everything that it did since it was opened."""

    browser: Browser
    session: str
    target: str
    events: list[tuple[str, dict[str, Any]]] = field(default_factory=list)

    def call(self, method: str, **told: Any) -> dict[str, Any]:
        return self.browser.call(method, self.session, **told)

    def run(self, script: str) -> Any:
        """The value of an expression in the page; a promise is waited for."""
        got = self.call(
            "Runtime.evaluate", expression=script, awaitPromise=True, returnByValue=True
        )
        if "exceptionDetails" in got:
            raise RuntimeError(json.dumps(got["exceptionDetails"])[:2000])
        return got["result"].get("value")

    def press(self, key: str, code: int, text: str = "") -> None:
        """One key, down and up, as a person presses it."""
        told = {"key": key, "code": key, "windowsVirtualKeyCode": code}
        self.call("Input.dispatchKeyEvent", type="keyDown", text=text, **told)
        self.call("Input.dispatchKeyEvent", type="keyUp", **told)

    def requests(self) -> list[str]:
        """Every address that was asked for."""
        return [
            told["request"]["url"]
            for name, told in self.events
            if name == "Network.requestWillBeSent"
        ]

    def complaints(self) -> list[str]:
        """What the console and the page's own errors say."""
        names = ("Runtime.consoleAPICalled", "Runtime.exceptionThrown", "Log.entryAdded")
        return [json.dumps(told) for name, told in self.events if name in names]

    def picture(self, width: int, height: int, place: Path | None = None) -> bytes:
        """A PNG of the page at that size in CSS pixels."""
        self.size(width, height)
        data = base64.b64decode(self.call("Page.captureScreenshot", format="png")["data"])
        if place is not None:
            place.write_bytes(data)
        return data

    def size(self, width: int, height: int) -> None:
        self.call(
            "Emulation.setDeviceMetricsOverride",
            width=width,
            height=height,
            deviceScaleFactor=1,
            mobile=False,
        )

    def close(self) -> None:
        self.browser.call("Target.closeTarget", targetId=self.target)
        del self.browser.pages[self.session]


@contextmanager
def opened_browser(program: str, profile: Path) -> Iterator[Browser]:
    """The browser, with a profile of its own, gone again at the end."""
    theirs_in, ours_in = os.pipe()
    ours_out, theirs_out = os.pipe()
    words = [sys.executable, "-c", _START, str(theirs_in), str(theirs_out), program, *_OPTIONS]
    process = subprocess.Popen(
        [*words, f"--user-data-dir={profile}", "about:blank"],
        pass_fds=(theirs_in, theirs_out),
        stdin=subprocess.DEVNULL,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )
    os.close(theirs_in)
    os.close(theirs_out)
    browser = Browser(ours_in, ours_out)
    try:
        yield browser
        with suppress(RuntimeError, OSError, TimeoutError):
            browser.call("Browser.close")
    finally:
        os.close(ours_in)
        os.close(ours_out)
        try:
            process.wait(timeout=20)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait()
