"""The checks before every request.

The page is for one person on one machine, and other web pages in the same browser must not be able
to use it. So the Host header must be ours (against DNS rebinding), the Origin too, and requests
that compute something need a content type that no HTML form can send.

Starlette's TrustedHostMiddleware ignores the port, so it can't tell two servers on one host apart.
"""

from __future__ import annotations

import asyncio
import hmac
from collections.abc import Iterable
from dataclasses import dataclass
from http.cookies import CookieError, SimpleCookie
from typing import Any
from urllib.parse import parse_qs

from starlette.datastructures import Headers
from starlette.exceptions import HTTPException
from starlette.responses import PlainTextResponse, RedirectResponse
from starlette.types import ASGIApp, Message, Receive, Scope, Send

__all__ = ["COOKIE", "HEADERS", "Guard", "Refused", "Rights", "body_of"]

COOKIE = "sonify-studio"

POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data: blob:; "
    "font-src 'self'; connect-src 'self'; media-src 'self' blob:; manifest-src 'self'; "
    "base-uri 'none'; form-action 'none'; frame-ancestors 'none'; "
    "require-trusted-types-for 'script'"
)

HEADERS: dict[str, str] = {
    "cache-control": "no-cache",
    "content-security-policy": POLICY,
    "x-content-type-options": "nosniff",
    "x-frame-options": "DENY",
    "referrer-policy": "no-referrer",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "cross-origin-embedder-policy": "require-corp",
    "permissions-policy": "camera=(), microphone=(), geolocation=(), usb=(), payment=()",
}


class Refused(HTTPException):
    """A refused request, with its status and one line of text."""

    def __init__(self, status: int, what: str) -> None:
        super().__init__(status, what, {"connection": "close"})


@dataclass(frozen=True)
class Rights:
    """Which hosts are ours, and the token, if one is required."""

    hosts: frozenset[str]
    token: str | None = None
    any_host: bool = False

    @classmethod
    def of(cls, names: Iterable[str], port: int, token: str | None, any_host: bool) -> Rights:
        """The rights for host names (IPv6 addresses in brackets) and a port."""
        hosts = {f"{n.casefold()}:{port}" for n in names}
        if port == 80:
            hosts |= {n.casefold() for n in names}
        return cls(frozenset(hosts), token, any_host)

    def check(self, method: str, headers: Headers) -> None:
        """Refuse requests from elsewhere.

        Raises
        ------
        Refused
        """
        hosts = headers.getlist("host")
        if len(hosts) != 1 or not self._ours(hosts[0]):
            raise Refused(421, "this server answers only requests to its own address")
        origin = headers.get("origin")
        if origin is not None and origin != f"http://{hosts[0]}":
            raise Refused(403, "requests from other pages are refused")
        if headers.get("sec-fetch-site", "same-origin") == "cross-site" and (
            method != "GET" or headers.get("sec-fetch-mode") != "navigate"
        ):
            raise Refused(403, "requests from other pages are refused")
        if method not in ("GET", "HEAD", "DELETE"):
            kind = headers.get("content-type", "").partition(";")[0].strip().casefold()
            if kind not in ("application/json", "application/octet-stream"):
                raise Refused(415, "send application/json or application/octet-stream")

    def _ours(self, host: str) -> bool:
        host = host.casefold()
        if host in self.hosts:
            return True
        # with a token, any numeric address is accepted: only names can be rebound
        return self.any_host and all(c in "0123456789abcdef.:[]" for c in host)

    def knows(self, given: str | None) -> bool:
        """Whether the given token is right, or none is required."""
        if self.token is None:
            return True
        return given is not None and hmac.compare_digest(given.encode(), self.token.encode())


class Guard:
    """The checks, as ASGI middleware."""

    def __init__(self, app: ASGIApp, rights: Rights) -> None:
        self._app = app
        self._rights = rights

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Check a request and pass it on."""
        if scope["type"] == "lifespan":
            await self._app(scope, receive, send)
            return
        if scope["type"] != "http":
            return
        headers = Headers(scope=scope)

        async def with_headers(message: Message) -> None:
            if message["type"] == "http.response.start":
                have = {k.lower() for k, _ in message["headers"]}
                message["headers"] = list(message["headers"]) + [
                    (k.encode(), v.encode()) for k, v in HEADERS.items() if k.encode() not in have
                ]
            await send(message)

        try:
            self._rights.check(scope["method"], headers)
            entered = self._enter(scope, headers)
            if entered is not None:
                await entered(scope, receive, with_headers)
                return
        except Refused as e:
            answer = PlainTextResponse(f"{e.detail}\n", e.status_code, e.headers)
            await answer(scope, receive, with_headers)
            return
        await self._app(scope, receive, with_headers)

    def _enter(self, scope: Scope, headers: Headers) -> RedirectResponse | None:
        """Accept the token once in the address, then as a cookie."""
        rights = self._rights
        if rights.token is None:
            return None
        asked = parse_qs(scope.get("query_string", b"").decode("latin-1"))
        given = asked.get("token", [None])[0]
        if given is not None and rights.knows(given) and scope["path"] == "/":
            answer = RedirectResponse("/", 303)
            answer.set_cookie(COOKIE, given, httponly=True, samesite="strict", path="/")
            return answer
        try:
            cookie: Any = SimpleCookie(headers.get("cookie", "")).get(COOKIE)
        except CookieError:
            cookie = None
        if cookie is None or not rights.knows(cookie.value):
            raise Refused(401, "the token is missing or wrong; open the address that was printed")
        return None


async def body_of(receive: Receive, headers: Headers, most: int, seconds: float) -> bytes:
    """The body of a request, limited in size and time.

    Raises
    ------
    Refused
    """
    length = headers.get("content-length")
    if length is not None and (not length.isdigit() or int(length) > most):
        raise Refused(413, f"too large; at most {most:,} bytes are accepted")
    parts: list[bytes] = []
    size = 0

    async def collect() -> None:
        nonlocal size
        while True:
            message = await receive()
            if message["type"] == "http.disconnect":
                raise Refused(400, "the connection was lost")
            part = message.get("body", b"")
            size += len(part)
            if size > most:
                raise Refused(413, f"too large; at most {most:,} bytes are accepted")
            parts.append(part)
            if not message.get("more_body"):
                return

    try:
        await asyncio.wait_for(collect(), seconds)
    except TimeoutError:
        raise Refused(408, f"the request took longer than {seconds:.0f} s") from None
    return b"".join(parts)
