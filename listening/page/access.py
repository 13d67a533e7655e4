"""Authentication by private links, limits on requests, and the headers of every answer."""

from __future__ import annotations

import ipaddress
import time
from collections import OrderedDict, deque
from collections.abc import Callable
from typing import Any

from starlette.datastructures import Headers, MutableHeaders
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from render.errors import PageError
from sessions.links import all_links, listener_of
from sessions.log import Log

MOST_BODY_BYTES = (
    1 << 20
)  # 200 comments of 4000 characters in four bytes each would be 3 MB; nobody writes so
MOST_GUESSES = 10
GUESS_WINDOW_S = 60.0
MOST_ADDRESSES = 10_000

POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; connect-src 'self'; "
    "media-src blob:; base-uri 'none'; form-action 'none'; frame-ancestors 'none'; "
    "require-trusted-types-for 'script'; trusted-types 'none'"
)
HEADERS = {
    "Content-Security-Policy": POLICY,
    "Cache-Control": "no-store",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Permissions-Policy": "camera=(), geolocation=(), microphone=()",
    "Referrer-Policy": "no-referrer",
    "X-Content-Type-Options": "nosniff",
    "X-Robots-Tag": "noindex, nofollow",
}
TELLING = ("etag", "last-modified", "content-disposition", "server")


class LinkAuth:
    """Bearer tokens of private links (RFC 6750), with a limit on guesses from one address.

    Whoever has come in from an address before goes on coming in from there: a neighbour's wrong guesses
    behind the same router do not lock them out.
    """

    def __init__(self, log: Log, monotonic: Callable[[], float] = time.monotonic) -> None:
        all_links(log)  # all of them whole, or no access: an end that was lost would open a link again
        self._log = log
        self._monotonic = monotonic
        self._failures: OrderedDict[str, deque[float]] = OrderedDict()
        self._welcome: OrderedDict[tuple[str, str], None] = OrderedDict()

    def listener(self, authorization: str, address: str) -> str:
        """The listener whose token it is.

        Raises:
            PageError: 401 for an unknown token, 429 after too many of them.
        """
        scheme, _, token = authorization.partition(" ")
        token = token.strip() if scheme.lower() == "bearer" else ""
        where = _neighbourhood(address)
        known = (where, token) in self._welcome
        if not known and self._is_shut(where):
            raise PageError(429, "wait", "Too many wrong links from here; wait a minute, then try again.")
        listener = listener_of(self._log, token) if token else None
        if listener is None:
            self._welcome.pop((where, token), None)
            self._note_failure(where)
            raise PageError(
                401, "link", "This link does not work (any more); ask whoever sent it for a new one."
            )
        self._welcome[(where, token)] = None
        _shorten(self._welcome)
        return listener

    def _is_shut(self, where: str) -> bool:
        times = self._failures.get(where, deque())
        while times and self._monotonic() - times[0] > GUESS_WINDOW_S:
            times.popleft()
        return len(times) >= MOST_GUESSES

    def _note_failure(self, where: str) -> None:
        times = self._failures.setdefault(where, deque(maxlen=MOST_GUESSES))
        times.append(self._monotonic())
        self._failures.move_to_end(where)
        _shorten(self._failures)


def _shorten(kept: OrderedDict[Any, Any]) -> None:
    while len(kept) > MOST_ADDRESSES:
        kept.popitem(last=False)


def _neighbourhood(address: str) -> str:
    """An IPv4 address, or the /64 that an IPv6 address lies in (one household has all of it)."""
    try:
        ip = ipaddress.ip_address(address.partition("%")[0])
    except ValueError:
        return address
    if ip.version == 6:
        return str(ipaddress.ip_network((ip, 64), strict=False))
    return str(ip)


class Carried:
    """Middleware: every answer carries HEADERS and nothing that could tell one file from another."""

    def __init__(self, app: ASGIApp) -> None:
        self.app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return

        async def send_carrying(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                for name in TELLING:
                    del headers[name]
                headers.update(HEADERS)
            await send(message)

        await self.app(scope, receive, send_carrying)


class TooMuch(Exception):
    """A body passed the limit while it was read."""


class Limited:
    """Middleware: a body over MOST_BODY_BYTES is refused (413, RFC 9110 section 15.5.14)."""

    def __init__(self, app: ASGIApp) -> None:
        self.app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return
        promised = Headers(scope=scope).get("content-length", "0")
        if not promised.isdecimal() or int(promised) > MOST_BODY_BYTES:
            await _refuse(send)
            return
        received = 0

        async def receive_limited() -> Message:
            nonlocal received
            message = await receive()
            received += len(message.get("body", b""))
            if received > MOST_BODY_BYTES:
                raise TooMuch
            return message

        try:
            await self.app(scope, receive_limited, send)
        except TooMuch:
            await _refuse(send)


async def _refuse(send: Send) -> None:
    body = b'{"word":"large","text":"That is too much at once; shorten it."}'
    headers = [
        (b"content-type", b"application/json"),
        (b"content-length", str(len(body)).encode()),
        (b"connection", b"close"),
    ]
    await send({"type": "http.response.start", "status": 413, "headers": headers})
    await send({"type": "http.response.body", "body": body})
