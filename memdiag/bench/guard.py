"""Stands before every page: who may ask, how much, and what a browser may do with the answer.

- The `Host` must be a name that this page is served under: a foreign name that was made to point
  here (rebinding) is refused before anything is read.
- `Origin`, and where browsers send it `Sec-Fetch-Site`, must be this page's own wherever something
  is changed or judged; forms carry a mark beside it (`visitors`).
- A body has a size and a time.
- No answer may run a script or use a style but those of `/static`, be framed, or be read elsewhere.
- What fails here is said in words; a traceback is shown only where MEMDIAG_DEBUG asks for it.
"""

from __future__ import annotations

import asyncio
import os
import time
from http.cookies import CookieError, SimpleCookie
from typing import TYPE_CHECKING

from starlette.datastructures import Headers, MutableHeaders

from memdiag.bench.answers import refused
from memdiag.bench.refusal import Refusal

if TYPE_CHECKING:
    from starlette.types import ASGIApp, Message, Receive, Scope, Send

    from memdiag.bench.config import Bench
    from memdiag.bench.visitors import Visitors

_SAFE = frozenset({"GET", "HEAD"})
_OPEN = ("/static/", "/enter")  # what a visitor without the token may see
_HEADERS = {
    "content-security-policy": (
        "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; "
        "connect-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
    ),
    "x-content-type-options": "nosniff",
    "referrer-policy": "same-origin",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
}


class Guard:
    """The outermost layer of the application (ASGI)."""

    def __init__(self, app: ASGIApp, bench: Bench, visitors: Visitors) -> None:
        self._app, self._bench, self._visitors = app, bench, visitors

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        cookies = _cookies(Headers(scope=scope).get("cookie", ""))
        known = self._visitors.known(cookies)
        scope["visitor"] = known or self._visitors.new()
        answer = _Answer(send, None if known else self._cookie(scope["visitor"]))
        try:
            self._check(scope, known, cookies)
            body = _Body(receive, self._bench.limits.body, self._bench.limits.arrival)
            await self._app(scope, body.receive, answer.send)
        except Refusal as wrong:
            await answer.instead(scope, receive, wrong)
        except Exception as bug:
            if os.environ.get("MEMDIAG_DEBUG"):
                raise
            reason = f"{type(bug).__name__}: {bug}"[:200]
            await answer.instead(scope, receive, Refusal.of(500, "bench-fault", reason=reason))

    def _check(self, scope: Scope, known: str | None, cookies: dict[str, str]) -> None:
        """Raises Refusal for a request that is not to be answered."""
        headers, bench = Headers(scope=scope), self._bench
        host = headers.get("host", "").lower()
        if host not in bench.hosts:
            raise Refusal.of(421, "bench-host", host=host[:80] or "(none)", served=bench.served)
        if scope["method"] not in _SAFE:
            origin = headers.get("origin")
            if origin is not None and origin != f"http://{host}":
                raise Refusal.of(403, "bench-origin", origin=origin[:80], served=bench.served)
            site = headers.get("sec-fetch-site", "none")
            if site not in ("same-origin", "none"):
                raise Refusal.of(403, "bench-origin", origin=site[:80], served=bench.served)
        if headers.get("content-length", "0").isdecimal() is False:
            raise Refusal.of(400, "bench-body", reason="its length is no number")
        if int(headers.get("content-length", "0")[:20]) > bench.limits.body:
            raise too_large(bench.limits.body)
        bearer = headers.get("authorization", "").removeprefix("Bearer ")
        if not scope["path"].startswith(_OPEN) and not self._visitors.may_enter(
            known, cookies, bearer
        ):
            raise Refusal.of(401, "bench-token")

    def _cookie(self, visitor: str) -> str:
        return f"{self._visitors.cookie}={visitor}; Path=/; HttpOnly; SameSite=Strict"


def too_large(most: int) -> Refusal:
    return Refusal.of(413, "bench-size", most=most >> 20)


class _Body:
    """A body that comes in time and within its size, whatever its head said of it."""

    def __init__(self, receive: Receive, most: int, seconds: float) -> None:
        self._receive, self._left, self._most = receive, most, most
        self._until, self._seconds = time.monotonic() + seconds, seconds
        self._whole = False

    async def receive(self) -> Message:
        if self._whole:  # what comes now is the end of the visit, which may take as long as it does
            return await self._receive()
        try:
            async with asyncio.timeout(max(0.0, self._until - time.monotonic())):
                message = await self._receive()
        except TimeoutError:
            raise Refusal.of(408, "bench-slow", seconds=self._seconds) from None
        self._left -= len(message.get("body", b""))
        if self._left < 0:
            raise too_large(self._most)
        self._whole = not message.get("more_body", False)
        return message


class _Answer:
    """What goes back, with the head lines that every answer has."""

    def __init__(self, send: Send, cookie: str | None) -> None:
        self._send, self._cookie, self._begun = send, cookie, False

    async def send(self, message: Message) -> None:
        if message["type"] == "http.response.start":
            self._begun = True
            headers = MutableHeaders(scope=message)
            for name, value in _HEADERS.items():
                headers.setdefault(name, value)
            headers.setdefault("cache-control", "no-store")
            if self._cookie is not None:
                headers.append("set-cookie", self._cookie)
        await self._send(message)

    async def instead(self, scope: Scope, receive: Receive, wrong: Refusal) -> None:
        """The refusal in the answer's place, where none has begun."""
        if not self._begun:
            await refused(scope, wrong)(scope, receive, self.send)


def _cookies(text: str) -> dict[str, str]:
    try:
        read: SimpleCookie = SimpleCookie(text)
    except CookieError:
        return {}
    return {name: str(each.value) for name, each in read.items()}
