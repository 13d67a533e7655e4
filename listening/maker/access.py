"""Access control of the maker's page: a key that works once, a token a tab, this machine's own origin only.

The key stands in a page's address once and is exchanged for a token that only the tab's memory and its
session storage hold: no cookie (cookies ignore ports), no process list, no log.
"""

from __future__ import annotations

import hmac
import secrets

from starlette.datastructures import Headers
from starlette.types import ASGIApp, Receive, Scope, Send

from listening.page import access as page
from listening.page.answers import refusal
from render.errors import PageError

POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; connect-src 'self'; "
    "frame-src 'self'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'; "
    "require-trusted-types-for 'script'; trusted-types sheets"
)
HEADERS = page.HEADERS | {"Content-Security-Policy": POLICY}
TICKETED = "/report/"


class AccessKeys:
    """Keys that work once, the tabs' tokens, and tickets for what a browser fetches without a token.

    Each is drawn from 256 bits of the system's entropy: nobody can try them.
    """

    def __init__(self) -> None:
        self._once: set[str] = set()
        self._tokens: set[str] = set()
        self._tickets: dict[str, str] = {}

    def mint(self) -> str:
        """A key for one tab."""
        key = secrets.token_urlsafe(32)
        self._once.add(key)
        return key

    def exchange(self, key: str) -> str:
        """The tab's token for a key, which ends with it.

        Raises:
            PageError: 401, the key is unknown or was used.
        """
        try:
            self._once.remove(key)
        except KeyError:
            raise PageError(
                401, "link", "This link was used, or is not whole. Open the page again from its other "
                "tab (“open a second tab”), or with `fairhearing open`."
            ) from None  # fmt: skip
        token = secrets.token_urlsafe(32)
        self._tokens.add(token)
        return token

    def require(self, authorization: str) -> None:
        """Refuse a request whose bearer token (RFC 6750) is none of a tab of this page.

        Raises:
            PageError: 401.
        """
        given = page.bearer_token(authorization).encode()
        if not any(hmac.compare_digest(given, token.encode()) for token in [*self._tokens]):
            raise PageError(
                401, "link", "This page's access has ended; open it again with `fairhearing open`."
            )

    def ticket(self, what: str) -> str:
        """An address's secret part for `what`, good until the server stops."""
        ticket = secrets.token_urlsafe(32)
        self._tickets[ticket] = what
        return ticket

    def ticketed(self, ticket: str) -> str | None:
        """What a ticket stands for."""
        return self._tickets.get(ticket)


class OwnOrigin:
    """Middleware: a request from another origin is refused."""

    def __init__(self, app: ASGIApp) -> None:
        self.app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        answer = self.app
        if scope["type"] == "http" and _is_foreign(Headers(scope=scope), scope["path"]):
            answer = refusal(PageError(403, "origin", "Only this page itself may ask here."))
        await answer(scope, receive, send)


def _is_foreign(headers: Headers, path: str) -> bool:
    """Whether another page asks; the report's sandboxed frame has no origin, and a ticket instead."""
    origin = headers.get("origin")
    elsewhere = origin is not None and origin != f"http://{headers.get('host', '')}"
    if headers.get("sec-fetch-site", "same-origin") not in ("same-origin", "none"):
        elsewhere = True
    return elsewhere and not path.startswith(TICKETED)
