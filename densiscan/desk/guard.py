"""Who may speak to the desk: this machine's own browser, on the desk's own page, and nobody else.

The address that is printed holds a key that works once; it is exchanged for a cookie that scripts cannot read and that
no other site, port or name is sent. Every request must name exactly the desk's own host; every write must come from
the desk's own page and carry the token that stands in it.
"""

from __future__ import annotations

import secrets
from collections.abc import Awaitable, Callable, MutableMapping
from http.cookies import CookieError, SimpleCookie
from typing import Any, Final
from urllib.parse import parse_qs

Scope = MutableMapping[str, Any]
Receive = Callable[[], Awaitable[MutableMapping[str, Any]]]
Send = Callable[[MutableMapping[str, Any]], Awaitable[None]]
App = Callable[[Scope, Receive, Send], Awaitable[None]]

_READS: Final = frozenset({"GET", "HEAD"})
TOKEN_HEADER: Final = "x-desk-token"  # noqa: S105 - the name of a header

_POLICY: Final = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; connect-src 'self'; "
    "form-action 'none'; base-uri 'none'; frame-ancestors 'none'"
)
_HEADERS: Final = (
    (b"content-security-policy", _POLICY.encode()),
    (b"referrer-policy", b"no-referrer"),
    (b"x-content-type-options", b"nosniff"),
    (b"cache-control", b"no-store"),
    (b"cross-origin-opener-policy", b"same-origin"),
    (b"cross-origin-resource-policy", b"same-origin"),
)


class Guard:
    """An application that lets through what comes from the desk's own page, and answers 403 to everything else."""

    def __init__(self, app: App, *, port: int) -> None:
        self._app = app
        self._host = f"127.0.0.1:{port}"
        self._origin = "http:" + f"//{self._host}"
        self._cookie = f"desk-{port}"
        self._key: str | None = secrets.token_urlsafe(24)
        self._secret = secrets.token_urlsafe(32)
        self.token = secrets.token_urlsafe(24)

    @property
    def address(self) -> str:
        """The address to open, with the key that works once."""
        return f"{self._origin}/?key={self._key}"

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer one request, or hand it on."""
        if scope["type"] == "lifespan":
            await self._app(scope, receive, send)
            return
        if scope["type"] != "http":
            await send({"type": "websocket.close", "code": 1008})
            return
        headers = {name.decode("latin-1"): value.decode("latin-1") for name, value in scope["headers"]}
        if headers.get("host") != self._host:
            await _answer(send, 403, b"This is not the desk's address.")
        elif self._takes_key(scope):
            await self._exchange(send)
        elif not self._has_cookie(headers):
            await _answer(send, 403, b"Open the desk by the address that densiscan desk printed.")
        elif scope["path"] == "/" and "key" in parse_qs(scope["query_string"].decode("latin-1")):
            await _answer(send, 303, b"", (b"location", b"/"))
        elif self._comes_from_elsewhere(scope["method"], headers):
            await _answer(send, 403, b"This did not come from the desk's own page; load it again.")
        else:
            await self._app(scope, receive, _with_headers(send))

    def _takes_key(self, scope: Scope) -> bool:
        key = parse_qs(scope["query_string"].decode("latin-1")).get("key", [""])[0]
        known = scope["path"] == "/" and scope["method"] == "GET" and self._key is not None
        return known and secrets.compare_digest(key.encode(), (self._key or "").encode())

    async def _exchange(self, send: Send) -> None:
        self._key = None
        cookie = f"{self._cookie}={self._secret}; HttpOnly; SameSite=Strict; Path=/"
        await _answer(send, 303, b"", (b"location", b"/"), (b"set-cookie", cookie.encode()))

    def _has_cookie(self, headers: dict[str, str]) -> bool:
        try:
            kept = SimpleCookie(headers.get("cookie", "")).get(self._cookie)
        except CookieError:
            return False
        return kept is not None and secrets.compare_digest(kept.value.encode(), self._secret.encode())

    def _comes_from_elsewhere(self, method: str, headers: dict[str, str]) -> bool:
        site = headers.get("sec-fetch-site")
        if method in _READS:
            return site not in {None, "same-origin", "none"} or headers.get("origin", self._origin) != self._origin
        if headers.get("origin") != self._origin or site not in {None, "same-origin"}:
            return True
        return not secrets.compare_digest(headers.get(TOKEN_HEADER, "").encode(), self.token.encode())


async def _answer(send: Send, status: int, body: bytes, *headers: tuple[bytes, bytes]) -> None:
    about = (*_HEADERS, *headers, (b"content-type", b"text/plain; charset=utf-8"), _length(body))
    await send({"type": "http.response.start", "status": status, "headers": list(about)})
    await send({"type": "http.response.body", "body": body})


def _length(body: bytes) -> tuple[bytes, bytes]:
    return b"content-length", str(len(body)).encode()


def _with_headers(send: Send) -> Send:
    async def sent(message: MutableMapping[str, Any]) -> None:
        if message["type"] == "http.response.start":
            named = {name for name, _ in _HEADERS}
            kept = [(name, value) for name, value in message.get("headers", []) if name not in named]
            message["headers"] = [*kept, *_HEADERS]
        await send(message)

    return sent
