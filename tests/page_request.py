"""One request to the listening page's sessions, without its server."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC
from typing import TypeVar, cast

from listening.page.session import PageSessions

T = TypeVar("T")


def ask(does: Callable[..., T], *given: object, listener: str = "ana") -> T:
    """The answer of an endpoint (`sessions.state`, ...) to a listener whose dates are those of UTC."""
    sessions = cast(PageSessions, does.__self__)  # type: ignore[attr-defined]
    with sessions.request(listener, UTC) as request:
        return does(request, *given)
