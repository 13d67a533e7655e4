"""Authentication by private links, limits on requests, and the headers of every answer."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from starlette.datastructures import Headers, MutableHeaders
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from render.errors import PageError
from sessions.links import listener_of
from sessions.log import Log

MOST_BODY_BYTES = 1 << 20  # 200 comments of 4000 characters, four bytes each: 3 MB; nobody writes so

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
TELLING = ("etag", "last-modified", "content-disposition", "server")  # could tell one file from another


def listener_by_link(log: Log, authorization: str) -> str:
    """The listener whose bearer token (RFC 6750) a private link carries.

    Raises:
        PageError: 401 for an unknown token.
    """
    scheme, _, token = authorization.partition(" ")
    token = token.strip() if scheme.lower() == "bearer" else ""
    listener = listener_of(log, token) if token else None
    if listener is None:
        raise PageError(401, "link", "This link does not work (any more); ask whoever sent it for a new one.")
    return listener


class Carried:
    """Middleware: every answer carries `headers`, where it has none of its own, and none of `without`."""

    def __init__(self, app: ASGIApp, headers: Mapping[str, str], without: Sequence[str]) -> None:
        self.app, self.headers, self.without = app, headers, without

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return

        async def send_carrying(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                for name in self.without:
                    del headers[name]
                for name, value in self.headers.items():
                    headers.setdefault(name, value)
            await send(message)

        await self.app(scope, receive, send_carrying)


class TooMuch(Exception):
    """A body passed the limit while it was read."""


class Limited:
    """Middleware: a body over MOST_BODY_BYTES is refused (413, RFC 9110 section 15.5.14).

    Paths that begin with `but` have a limit of their own.
    """

    def __init__(self, app: ASGIApp, but: str | None = None) -> None:
        self.app, self.but = app, but

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http" or (self.but and scope["path"].startswith(self.but)):
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
