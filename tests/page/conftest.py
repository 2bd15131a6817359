"""The page, served as a person has it, and what asks it questions."""

from __future__ import annotations

import http.client
import json
import sys
import threading
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any
from urllib.parse import urlencode

import pytest

FAKE = """
import json, os, sys, time
def tell(**r): print(json.dumps(r), flush=True)
tell(stage="sampling", share=0.25)
import threading
def listen():
    sys.stdin.readline()
    if not os.path.exists("deaf"):
        tell(end="stopped", words="")
        os._exit(0)
threading.Thread(target=listen, daemon=True).start()
folder = sys.argv[1]
half = os.path.join(folder, ".results-half")
os.makedirs(half, exist_ok=True)
name = os.path.basename(folder)
if name == "quick":
    tell(end="done", words="")
elif name == "faulty":
    print("Traceback: a fault", flush=True)
    os._exit(3)
else:
    time.sleep(60)
"""


@dataclass
class Answer:
    status: int
    headers: dict[str, str]
    body: bytes

    @property
    def text(self) -> str:
        return self.body.decode()

    def json(self) -> Any:
        return json.loads(self.body)


@dataclass
class Visitor:
    """Asks the page as a browser that holds the key does; each header may be changed."""

    port: int
    key: str
    folder: Path
    page: Any
    cookie: str = ""
    said: list[str] = field(default_factory=list)

    def ask(self, method: str, path: str, body: Any = None, **headers: str | None) -> Answer:
        sent: dict[str, str | None] = {
            "Host": f"127.0.0.1:{self.port}",
            "Cookie": self.cookie,
            "Origin": f"http://127.0.0.1:{self.port}" if method == "POST" else None,
        }
        sent.update({k.replace("_", "-"): v for k, v in headers.items()})
        connection = http.client.HTTPConnection("127.0.0.1", self.port, timeout=60)
        connection.putrequest(method, path, skip_host=True, skip_accept_encoding=True)
        data = body.encode() if isinstance(body, str) else body or b""
        for name, value in sent.items():
            if value is not None:
                connection.putheader(name, value)
        if method == "POST":
            connection.putheader("Content-Length", str(len(data)))
        connection.endheaders(data if method == "POST" else None)
        answer = connection.getresponse()
        found = Answer(answer.status, {k.lower(): v for k, v in answer.getheaders()}, answer.read())
        connection.close()
        return found

    def get(self, path: str, **headers: str | None) -> Answer:
        return self.ask("GET", path, **headers)

    def post(self, path: str, body: Any = b"", **headers: str | None) -> Answer:
        return self.ask("POST", path, body, **headers)

    def form(self, path: str, fields: dict[str, str]) -> Answer:
        return self.post(path, urlencode(fields))

    @property
    def address(self) -> str:
        return f"http://127.0.0.1:{self.port}/?key={self.key}"


@pytest.fixture
def start():
    """Serves the page of a folder; every page is left at the end."""
    from durability.page.app import Page
    from durability.page.door import Door
    from durability.page.running import WORKER, Runs
    from durability.page.serve import server_of

    served: list[tuple[Any, threading.Thread, Any]] = []

    def of(folder: Path, *, real: bool = False, key: str = "k" * 43) -> Visitor:
        import socket

        listening = socket.create_server(("127.0.0.1", 0))
        port = listening.getsockname()[1]
        page = Page(folder.resolve(), lambda: setattr(server, "should_exit", True))
        page.runs = Runs(WORKER if real else (sys.executable, "-c", FAKE))
        door = Door(page.application(), key=key, port=port)
        server = server_of(door)
        thread = threading.Thread(target=server.run, kwargs={"sockets": [listening]}, daemon=True)
        thread.start()
        served.append((server, thread, page))
        visitor = Visitor(port, key, folder, page)
        first = visitor.get(f"/?key={key}")
        assert first.status == 303
        visitor.cookie = first.headers["set-cookie"].split(";")[0]
        return visitor

    yield of
    for server, thread, page in served:
        page.runs.stop_all()
        server.should_exit = True
        thread.join(10)
        assert not thread.is_alive()


DESCRIPTION = """\
# a note of the laboratory
[study]
title = "Covers"
property = "strip tensile strength"
unit = "kN/m"
thresholds = [0.5]
invented = true

[data]
specimens = "specimens.csv"

[exposures.X1]  # chamber 2
lamp = "xenon-daylight"

[materials.A]
polymer = "polypropylene"
"""
TABLE = """\
# invented numbers
material,lot,direction,exposure,hours,specimen,peak_force [N],width [mm]
A,A1,machine,X1,0,1,906.3,50
A,A1,machine,X1,0,2,907.1,50
A,A1,mashine,X1,0,3,880.0,50
A,A1,machine,X1,500,1,6O7.1,50
A,A1,machine,X1,500,2,617.1,50
A,A1,machine,X1,500,3,590.8,50
"""


@pytest.fixture
def covers(tmp_path) -> Path:
    """A folder with one study, two of whose cells are wrong (rows 5 and 6)."""
    study = tmp_path / "shelf" / "covers"
    study.mkdir(parents=True)
    (study / "study.toml").write_text(DESCRIPTION)
    (study / "specimens.csv").write_text(TABLE)
    return study


@pytest.fixture
def visitor(start, covers) -> Visitor:
    return start(covers.parent)
