"""How is the page started and left? On the loopback address, under a key made for this time."""

from __future__ import annotations

import secrets
import socket
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from uvicorn import Server

    from durability.page.door import Door

ADDRESS = "127.0.0.1"


@dataclass(frozen=True, slots=True, kw_only=True)
class Served:
    """Where the page is.

    Parameters
    ----------
    address : with the key, to be opened in a browser of this machine.
    port : on which it is served.
    """

    address: str
    port: int


def serve(
    folder: str | Path, *, port: int = 0, started: Callable[[Served], None] | None = None
) -> None:
    """Serve the page of a folder until the person leaves it or interrupts.

    Parameters
    ----------
    folder : in which studies lie, or one study.
    port : 0 takes a free one.
    started : called with the address once it can be opened.

    Raises
    ------
    ValueError : no such folder, or the port is taken.
    """
    from durability.page.app import Page
    from durability.page.door import KEY, Door

    folder = Path(folder)
    if not folder.is_dir():
        raise ValueError(f"{folder.name or folder} is no folder; name the one with your studies")
    try:
        listening = socket.create_server((ADDRESS, port))
    except OSError as error:
        raise ValueError(f"port {port} cannot be used ({error.strerror}); name another") from error
    port = listening.getsockname()[1]
    key = secrets.token_urlsafe(32)
    page = Page(folder.resolve(), lambda: setattr(server, "should_exit", True))
    server = server_of(Door(page.application(), key=key, port=port))
    if started is not None:
        started(Served(address=f"http://{ADDRESS}:{port}/?{KEY}={key}", port=port))
    try:
        server.run(sockets=[listening])
    finally:
        page.runs.stop_all()
        listening.close()


def server_of(door: Door) -> Server:
    """The server of a page: it tells nothing of itself, opens no sockets and trusts no proxy."""
    from uvicorn import Config, Server

    return Server(
        Config(
            door, log_level="warning", access_log=False, server_header=False, date_header=False,
            ws="none", proxy_headers=False, lifespan="off", timeout_graceful_shutdown=2,
        )
    )  # fmt: skip
