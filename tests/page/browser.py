"""A headless Chromium, driven by its DevTools protocol: enough to open, press, type and look."""

from __future__ import annotations

import base64
import json
import shutil
import subprocess
import tempfile
import time
import urllib.request
from contextlib import ExitStack
from pathlib import Path
from typing import Any

CHROMIUM = next(
    (p for n in ("chromium", "chromium-browser", "google-chrome") if (p := shutil.which(n))), None
)


class Browser:
    """One browser with one page."""

    def __init__(self) -> None:
        from websockets.sync.client import connect

        assert CHROMIUM is not None
        self._place = tempfile.TemporaryDirectory(ignore_cleanup_errors=True)
        self._process = subprocess.Popen(
            [CHROMIUM, "--headless=new", "--no-sandbox", "--disable-gpu", "--no-first-run",
             "--disable-dev-shm-usage", "--disable-background-networking", "--disable-extensions",
             "--remote-debugging-port=0", f"--user-data-dir={self._place.name}", "about:blank"],
            stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
        )  # fmt: skip
        self._open = ExitStack()
        try:
            self._start(connect)
        except BaseException:  # a browser that cannot be driven is not left behind
            self.close()
            raise

    def _start(self, connect: Any) -> None:
        port_file = Path(self._place.name) / "DevToolsActivePort"
        wait(lambda: port_file.is_file() and "\n" in port_file.read_text(), 60)
        self._port = int(port_file.read_text().split()[0])
        self._connect = connect
        self.console: list[str] = []
        self.requests: list[str] = []
        self.select(self.new_tab())

    def new_tab(self) -> Any:
        """A second window on the same cookies."""
        request = urllib.request.Request(
            f"http://127.0.0.1:{self._port}/json/new?about:blank", method="PUT"
        )
        with urllib.request.urlopen(request, timeout=20) as answer:
            address = json.load(answer)["webSocketDebuggerUrl"]
        tab = self._open.enter_context(self._connect(address, max_size=None, open_timeout=20))
        tab.number = 0
        self.select(tab)
        for domain in ("Page", "Runtime", "Network", "Log", "DOM"):
            self.send(f"{domain}.enable")
        return tab

    def select(self, tab: Any) -> None:
        self._tab = tab

    def send(self, method: str, **options: Any) -> dict[str, Any]:
        tab = self._tab
        tab.number += 1
        number = tab.number
        tab.send(json.dumps({"id": number, "method": method, "params": options}))
        while True:
            message = json.loads(tab.recv(timeout=60))
            if message.get("id") == number:
                assert "error" not in message, message
                return message["result"]
            self._note(message)

    def _note(self, message: dict[str, Any]) -> None:
        name, told = message.get("method"), message.get("params", {})
        if name == "Runtime.consoleAPICalled" and told["type"] in ("error", "warning"):
            self.console.append(str([a.get("value") for a in told["args"]]))
        elif name == "Runtime.exceptionThrown":
            self.console.append(str(told["exceptionDetails"]))
        elif name == "Log.entryAdded" and told["entry"]["level"] == "error":
            self.console.append(f"{told['entry']['text']} {told['entry'].get('url', '')}")
        elif name == "Network.requestWillBeSent":
            self.requests.append(told["request"]["url"])

    def run(self, script: str) -> Any:
        """The value of an expression in the page."""
        answer = self.send("Runtime.evaluate", expression=script, returnByValue=True,
                           awaitPromise=True)  # fmt: skip
        assert "exceptionDetails" not in answer, answer
        return answer["result"].get("value")

    def open(self, address: str) -> None:
        self.send("Page.navigate", url=address)
        self.until("location.href !== 'about:blank'")

    def until(self, script: str, seconds: float = 60) -> None:
        """Wait until an expression holds in the page, whatever page that is by then."""

        def holds() -> bool:
            try:
                return bool(self.run(f"document.readyState === 'complete' && !!({script})"))
            except AssertionError:  # the page is just being changed
                return False

        wait(holds, seconds, script)

    def text(self) -> str:
        return self.run("document.body.innerText")

    def press(self, words: str) -> None:
        """Press the button or link whose text begins with these words."""
        found = self.run(
            "(() => { const e = [...document.querySelectorAll('button, a, summary')].find(x =>"
            f" x.textContent.trim().startsWith({json.dumps(words)}) && !x.disabled);"
            " if (e) e.click(); return !!e; })()"
        )
        assert found, f"no button {words!r} in:\n{self.text()}"

    def choose_file(self, file: Path) -> None:
        """Choose a file in the first file field of the page."""
        root = self.send("DOM.getDocument")["root"]["nodeId"]
        field = self.send("DOM.querySelector", nodeId=root, selector="input[type=file]")["nodeId"]
        self.send("DOM.setFileInputFiles", files=[str(file)], nodeId=field)

    def type(self, words: str) -> None:
        self.send("Input.insertText", text=words)

    def key(self, name: str) -> None:
        code = {"Enter": 13, "Escape": 27, "Tab": 9}[name]
        told = {"key": name, "code": name, "windowsVirtualKeyCode": code}
        text = {"text": "\r"} if name == "Enter" else {}
        self.send("Input.dispatchKeyEvent", type="keyDown", **told, **text)
        self.send("Input.dispatchKeyEvent", type="keyUp", **told)

    def picture(self, file: Path, *, width: int, height: int = 900) -> None:
        """A picture of the whole page at a width."""
        self.send("Emulation.setDeviceMetricsOverride", width=width, height=height,
                  deviceScaleFactor=1, mobile=width < 600)  # fmt: skip
        data = self.send("Page.captureScreenshot", captureBeyondViewport=True)["data"]
        file.write_bytes(base64.b64decode(data))

    def close(self) -> None:
        self._open.close()
        self._process.terminate()
        try:
            self._process.wait(10)
        except subprocess.TimeoutExpired:
            self._process.kill()
            self._process.wait()
        self._place.cleanup()


def wait(holds: Any, seconds: float, what: str = "") -> None:
    """Ask again and again until it holds."""
    end = time.monotonic() + seconds
    while not holds():
        assert time.monotonic() < end, f"waited {seconds} s in vain: {what}"
        time.sleep(0.1)
