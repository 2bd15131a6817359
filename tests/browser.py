"""A headless Chromium driven through its own debugging protocol over a pipe; no other library.

The protocol is that of https://chromedevtools.github.io/devtools-protocol/ (from memory). The
browser is started by the test and ended with it; where there is none, tests are skipped.
"""

from __future__ import annotations

import base64
import json
import os
import select
import shutil
import subprocess
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

NAMES = ("chromium", "chromium-browser")
FLAGS = (
    "--headless", "--no-sandbox", "--disable-gpu", "--no-first-run", "--disable-sync",
    "--disable-background-networking", "--disable-component-update", "--remote-debugging-pipe",
)  # fmt: skip
PATIENCE = 60.0


def browser_path() -> str:
    """The browser, or a skipped test that says what is missing."""
    for name in NAMES:
        found = shutil.which(name)
        if found:
            return found
    pytest.skip("no Chromium on this machine: the page was not tested in a browser")


class Browser:
    """One page of a browser.

    `messages` are its console messages and errors, `requests` every address that it asked for.
    """

    def __init__(self, process: subprocess.Popen, to: int, back: int) -> None:
        self.process, self._to, self._back = process, to, back
        self._buffer, self._last, self._session = b"", 0, None
        self.messages: list[str] = []
        self.requests: list[str] = []
        self._events: list[str] = []
        target = self.ask("Target.createTarget", url="about:blank")["targetId"]
        attached = self.ask("Target.attachToTarget", targetId=target, flatten=True)
        self._session = attached["sessionId"]
        for domain in ("Page", "Runtime", "Network", "Log"):
            self.ask(f"{domain}.enable")

    def ask(self, method: str, **parameters: Any) -> dict[str, Any]:
        """Send a command and wait for its answer."""
        self._last += 1
        sent = {"id": self._last, "method": method, "params": parameters}
        if self._session:
            sent["sessionId"] = self._session
        data = json.dumps(sent).encode() + b"\0"
        while data:
            data = data[os.write(self._to, data) :]
        while True:
            message = self._read()
            if message.get("id") == self._last:
                if "error" in message:
                    raise RuntimeError(f"{method}: {message['error']}")
                return message["result"]
            self._note(message)

    def _read(self) -> dict[str, Any]:
        end = time.monotonic() + PATIENCE
        while b"\0" not in self._buffer:
            if not select.select([self._back], [], [], max(0.0, end - time.monotonic()))[0]:
                raise TimeoutError("the browser does not answer")
            read = os.read(self._back, 1 << 20)
            if not read:
                raise RuntimeError("the browser has gone")
            self._buffer += read
        text, self._buffer = self._buffer.split(b"\0", 1)
        return json.loads(text)

    def _note(self, message: dict[str, Any]) -> None:
        method, said = message.get("method", ""), message.get("params", {})
        self._events.append(method)
        if method == "Network.requestWillBeSent":
            self.requests.append(said["request"]["url"])
        elif method == "Runtime.exceptionThrown":
            self.messages.append(json.dumps(said["exceptionDetails"]))
        elif method == "Runtime.consoleAPICalled":
            self.messages.append(json.dumps(said["args"]))
        elif method == "Log.entryAdded":
            self.messages.append(said["entry"]["text"])

    def open(self, address: str) -> None:
        """Go to an address and wait until the page is loaded."""
        self._events.clear()
        self.ask("Page.navigate", url=address)
        while "Page.loadEventFired" not in self._events:
            self._note(self._read())

    def value(self, expression: str) -> Any:
        """The value of an expression of JavaScript in the page."""
        made = self.ask("Runtime.evaluate", expression=expression, returnByValue=True,
                        awaitPromise=True)  # fmt: skip
        if "exceptionDetails" in made:
            raise RuntimeError(json.dumps(made["exceptionDetails"]))
        return made["result"].get("value")

    def size(self, width: int, height: int) -> None:
        """The size of the window, in CSS pixels."""
        self.ask("Emulation.setDeviceMetricsOverride", width=width, height=height,
                 deviceScaleFactor=1, mobile=False)  # fmt: skip

    def without_scripts(self) -> None:
        """From now on pages run no script of their own."""
        self.ask("Emulation.setScriptExecutionDisabled", value=True)

    def pdf(self) -> bytes:
        """The page as printed, with an outline of its headings."""
        printed = self.ask("Page.printToPDF", preferCSSPageSize=True, generateTaggedPDF=True,
                           generateDocumentOutline=True)  # fmt: skip
        return base64.b64decode(printed["data"])


@contextmanager
def started(profile: Path) -> Iterator[Browser]:
    """A browser with a profile of its own, ended at the end."""
    command = [browser_path(), *FLAGS, f"--user-data-dir={profile}"]
    theirs_in, to = os.pipe()
    back, theirs_out = os.pipe()

    def place() -> None:
        a, b = os.dup(theirs_in), os.dup(theirs_out)
        os.dup2(a, 3)
        os.dup2(b, 4)

    process = subprocess.Popen(
        command, preexec_fn=place, close_fds=False, stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )  # fmt: skip
    os.close(theirs_in)
    os.close(theirs_out)
    try:
        yield Browser(process, to, back)
    finally:
        os.close(to)
        try:
            process.wait(10)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait(10)
        os.close(back)
