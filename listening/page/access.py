"""Authentication by private links, and the headers of every answer."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from starlette.datastructures import MutableHeaders
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from render.errors import PageError
from sessions.links import listener_of
from sessions.log import Log

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


def bearer_token(authorization: str) -> str:
    """The token of an Authorization header (RFC 6750); "" without one."""
    scheme, _, token = authorization.partition(" ")
    return token.strip() if scheme.lower() == "bearer" else ""


def listener_by_link(log: Log, authorization: str) -> str:
    """The listener whose bearer token (RFC 6750) a private link carries.

    Raises:
        PageError: 401 for an unknown token.
    """
    token = bearer_token(authorization)
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
