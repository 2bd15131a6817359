"""Who may come in? One browser of this machine that holds the key.

The page is served on the loopback address alone. Every request must name this address as its host
(a foreign name that was pointed here is turned away) and carry the key: once in the address that
was opened, then in a cookie that scripts and other sites never see. A request that changes
something must come from the page itself (its Origin). What is served forbids everything but its own
scripts and styles.
"""

from __future__ import annotations

import hmac
from http.cookies import CookieError, SimpleCookie
from urllib.parse import parse_qsl, urlencode

from starlette.datastructures import Headers, MutableHeaders
from starlette.responses import PlainTextResponse, RedirectResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

KEY = "key"
POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; connect-src"
    " 'self'; form-action 'self'; frame-ancestors 'none'; base-uri 'none'"
)
REPORT_POLICY = (
    "sandbox allow-scripts allow-modals allow-popups allow-downloads; default-src 'none'; style-src"
    " 'unsafe-inline'; script-src 'unsafe-inline'; img-src data:; font-src data:; frame-ancestors"
    " 'none'; base-uri 'none'; form-action 'none'"
)
"""For the report, which is one file with its own, stricter policy; it is kept apart from the page
(an origin of its own), so that nothing in it could act in the page's name."""

_HEADERS = {
    "x-content-type-options": "nosniff",
    "referrer-policy": "same-origin",
    "cache-control": "no-store",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "permissions-policy": "camera=(), microphone=(), geolocation=()",
}


class Door:
    """Lets a request through to the page, or turns it away.

    Parameters
    ----------
    app : the page.
    key : random, known to whoever started the page.
    port : on which it is served.
    """

    def __init__(self, app: ASGIApp, *, key: str, port: int) -> None:
        self.app = app
        self.key = key
        self.cookie = f"durability-{port}"
        self.hosts = {f"127.0.0.1:{port}", f"localhost:{port}"}

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] == "lifespan":
            await self.app(scope, receive, send)
            return
        if scope["type"] != "http":
            await send({"type": "websocket.close", "code": 1008})
            return
        refused = self._refusal(scope)
        answer: ASGIApp = refused if refused is not None else self.app
        await answer(scope, receive, _with_headers(send))

    def _refusal(self, scope: Scope) -> Response | None:
        headers = Headers(scope=scope)
        host = headers.get("host", "")
        if host.casefold() not in self.hosts:
            return _turn_away(421, "This address is not served here.")
        changes = scope["method"] not in ("GET", "HEAD")
        origin = headers.get("origin")
        if (changes or origin is not None) and origin != f"http://{host}":
            return _turn_away(403, "The request comes from another page.")
        if changes and headers.get("sec-fetch-site", "same-origin") != "same-origin":
            return _turn_away(403, "The request comes from another page.")
        query = parse_qsl(scope["query_string"].decode("latin-1"), keep_blank_values=True)
        shown = [v for k, v in query if k == KEY]
        if shown and not changes:
            if not self._is_key(shown[-1]):
                return _turn_away(403, "The key in the address is not the one that was given.")
            rest = urlencode([(k, v) for k, v in query if k != KEY])
            answer = RedirectResponse(scope["path"] + (f"?{rest}" if rest else ""), 303)
            answer.set_cookie(self.cookie, self.key, httponly=True, samesite="strict", path="/")
            return answer
        if not self._is_key(_cookie(headers.get("cookie", ""), self.cookie)):
            return _turn_away(
                403, "Open the whole address that stands in the window where the page was started."
            )
        return None

    def _is_key(self, text: str) -> bool:
        return hmac.compare_digest(text.encode(), self.key.encode())


def _cookie(header: str, name: str) -> str:
    jar: SimpleCookie = SimpleCookie()
    try:
        jar.load(header)
    except CookieError:
        return ""
    return jar[name].value if name in jar else ""


def _turn_away(status: int, words: str) -> Response:
    return PlainTextResponse(words + "\n", status)


def _with_headers(send: Send) -> Send:
    async def answer(message: Message) -> None:
        if message["type"] == "http.response.start":
            headers = MutableHeaders(scope=message)
            for name, value in _HEADERS.items():
                headers[name] = value
            headers.setdefault("content-security-policy", POLICY)
        await send(message)

    return answer
