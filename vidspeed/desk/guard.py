"""The one gate of the desk: who may ask anything of it, by page or by socket.

The address that the command prints holds a random token. The first request takes it out of the
address and into a cookie that scripts cannot read and other sites do not send; everything after
that needs the cookie, and a Host and an Origin that are the desk's own. A browser names the Origin
of every socket and of every request that changes something: there, none is no good either.
"""

from __future__ import annotations

import hmac
from collections.abc import Awaitable, Callable, MutableMapping
from http.cookies import CookieError, SimpleCookie
from typing import Any
from urllib.parse import parse_qsl, quote, urlencode

Scope = MutableMapping[str, Any]
Receive = Callable[[], Awaitable[MutableMapping[str, Any]]]
Send = Callable[[MutableMapping[str, Any]], Awaitable[None]]
App = Callable[[Scope, Receive, Send], Awaitable[None]]

COOKIE = "vidspeed-desk"
READS = ("GET", "HEAD")
SAFE = (
    (b"x-content-type-options", b"nosniff"),
    (b"referrer-policy", b"no-referrer"),
    (b"cross-origin-opener-policy", b"same-origin"),
    (b"x-frame-options", b"DENY"),
    (
        b"content-security-policy",  # nothing from elsewhere, whatever gets into a page
        b"default-src 'self' 'unsafe-inline' 'unsafe-eval' data: blob:; object-src 'none'; "
        b"base-uri 'none'; form-action 'self'; frame-ancestors 'none'",
    ),
)


class Guard:
    """An ASGI application before another one that lets only the desk's own page through."""

    def __init__(self, app: App, *, token: str, port: int) -> None:
        self.app = app
        self.token = token
        self.cookie = cookie_name(port)
        self.hosts = {f"{name}:{port}" for name in ("127.0.0.1", "localhost")}

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass on what is allowed, refuse the rest."""
        if scope["type"] == "lifespan":
            await self.app(scope, receive, send)
            return
        headers = {
            key.decode("latin-1"): value.decode("latin-1") for key, value in scope["headers"]
        }
        if not self._at_home(scope, headers):
            await _refuse(scope, send, 403, "this desk answers to its own address only")
        elif scope["type"] == "http" and self._token_in_address(scope):
            await _welcome(scope, send, f"{self.cookie}={self.token}")
        elif not self._knows(headers):
            await _refuse(scope, send, 401, "open the address that `vidspeed desk` printed")
        else:
            await self.app(scope, receive, _with_headers(send))

    def _at_home(self, scope: Scope, headers: dict[str, str]) -> bool:
        """Tell whether Host and Origin are the desk's own."""
        own = {f"http://{host}" for host in self.hosts}
        origin = headers.get("origin")
        only_reads = scope["type"] == "http" and scope["method"] in READS
        known = only_reads if origin is None else origin in own
        return headers.get("host", "") in self.hosts and known

    def _token_in_address(self, scope: Scope) -> bool:
        given = dict(parse_qsl(scope.get("query_string", b"").decode("latin-1"))).get("token", "")
        return scope["method"] == "GET" and hmac.compare_digest(given.encode(), self.token.encode())

    def _knows(self, headers: dict[str, str]) -> bool:
        """Tell whether the cookie holds the token."""
        cookie = SimpleCookie()
        try:
            cookie.load(headers.get("cookie", ""))
        except CookieError:
            return False
        given = cookie[self.cookie].value if self.cookie in cookie else ""
        return hmac.compare_digest(given.encode(), self.token.encode())


def cookie_name(port: int) -> str:
    """Return what the cookie of a desk is called: browsers keep names apart, ports they do not."""
    return f"{COOKIE}-{port}"


async def _welcome(scope: Scope, send: Send, pair: str) -> None:
    """Put the token into a cookie and send the browser to the address without it."""
    rest = [
        (name, value)
        for name, value in parse_qsl(scope["query_string"].decode("latin-1"))
        if name != "token"
    ]
    where = quote("/" + scope["path"].lstrip("/")) + (f"?{urlencode(rest)}" if rest else "")
    cookie = f"{pair}; HttpOnly; SameSite=Strict; Path=/"
    headers = [(b"location", where.encode()), (b"set-cookie", cookie.encode()), *SAFE]
    await send({"type": "http.response.start", "status": 303, "headers": headers})
    await send({"type": "http.response.body", "body": b""})


async def _refuse(scope: Scope, send: Send, status: int, why: str) -> None:
    if scope["type"] == "websocket":
        await send({"type": "websocket.close", "code": 1008, "reason": why})
        return
    headers = [(b"content-type", b"text/plain; charset=utf-8"), *SAFE]
    await send({"type": "http.response.start", "status": status, "headers": headers})
    await send({"type": "http.response.body", "body": f"{why}\n".encode()})


def _with_headers(send: Send) -> Send:
    """Return a `send` that adds the safe headers to every answer."""

    async def sent(message: MutableMapping[str, Any]) -> None:
        if message["type"] == "http.response.start":
            message = {**message, "headers": [*message.get("headers", []), *SAFE]}
        await send(message)

    return sent
