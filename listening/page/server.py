"""The listening page's server: a shell that is the same for everybody, and a small API behind a token."""

from __future__ import annotations

import logging
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import UTC, timedelta, timezone, tzinfo
from typing import Any

from pydantic import BaseModel, ValidationError
from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.middleware import Middleware
from starlette.middleware.trustedhost import TrustedHostMiddleware
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from listening.page import messages as s
from listening.page.access import HEADERS, TELLING, Carried, listener_by_link
from listening.page.answers import Handler, guarded, json_body, not_found, static_routes
from listening.page.html import PAGE_SCRIPTS, page_html, style_css
from listening.page.session import SOUNDS, PageSessions
from listening.page.sound import KIND, sound_response
from render.errors import FairhearingError, PageError
from sessions.links import all_links
from sessions.study import Study

ZONE_HEADER = "Fair-Minutes-East"  # of UTC, by the listener's device: whose day it is
FARTHEST_EAST, FARTHEST_WEST = 14 * 60, -12 * 60
STATIC = (*PAGE_SCRIPTS, "icon.svg")
BUSY = "The study is being changed at this moment. Your page tries again by itself."

logger = logging.getLogger("fairhearing.page")


@dataclass(frozen=True)
class Endpoint:
    """One thing that can be asked: a body's shape (or None), what answers it, the shape of the answer."""

    method: str
    path: str
    asked: type[BaseModel] | None
    answer: type[BaseModel] | None  # None: sound
    does: Callable[..., Any]


def endpoints(sessions: PageSessions) -> list[Endpoint]:
    """The API. A listen is named by its code, which is fresh for every listen of a listener."""
    listen = "/api/listens/{code}"
    return [
        Endpoint("GET", "/api/state", None, s.ListenerState, sessions.state),
        Endpoint("POST", "/api/round", None, s.ListenerState, sessions.enter),
        Endpoint("POST", "/api/level", None, s.Level, sessions.level),
        Endpoint("GET", "/api/level/{ticket}", None, None, sessions.level_sound),
        Endpoint("POST", "/api/sitting", s.SitDown, s.SittingTicket, sessions.sit),
        Endpoint("POST", "/api/due", s.SittingTicket, s.DueListen, sessions.due),
        Endpoint("GET", SOUNDS + "{ticket}", None, None, sessions.sound),
        Endpoint("POST", listen + "/begin", s.Begin, s.Kept, sessions.begin),
        Endpoint("POST", listen + "/heard", s.HeardSoFar, s.Kept, sessions.heard),
        Endpoint("POST", listen + "/end", s.End, s.Ended, sessions.end),
        Endpoint("POST", listen + "/judged", s.Judged, s.Ended, sessions.judged),
        Endpoint("POST", listen + "/answer", s.Answer, s.Kept, sessions.answer),
        Endpoint("POST", "/api/round/questions", s.Questions, s.Kept, sessions.questions),
        Endpoint("POST", "/api/round/close", s.Close, s.ListenerState, sessions.close),
    ]


def create_app(
    study: Study,
    *,
    hosts: Sequence[str] = ("*",),
    any_day: bool = False,
    small: bool = False,
    monotonic: Callable[[], float] = time.monotonic,
) -> Starlette:
    """The page and its API for a study.

    `hosts` are the names under which the page may be reached (a request for another one is refused, so
    that no foreign name can be pointed at this machine); `any_day` lets rounds begin before their day;
    `small` plays Opus instead of FLAC.
    """
    sessions = PageSessions(study, any_day=any_day, small=small, monotonic=monotonic)
    all_links(study.log)  # all of them whole, or no access: an end that was lost would open a link again
    routes = [
        Route(e.path, _answering(e, sessions), methods=[e.method], name=f"{e.method} {e.path}")
        for e in endpoints(sessions)
    ]
    shell = {"/": page_html().encode(), "/static/style.css": style_css().encode()}
    app = Starlette(
        routes=[*routes, *static_routes("listening.page", STATIC, shell)],
        middleware=[
            Middleware(Carried, headers=HEADERS, without=TELLING),
            Middleware(TrustedHostMiddleware, allowed_hosts=list(hosts), www_redirect=False),
        ],
        exception_handlers={HTTPException: not_found},
    )
    app.router.redirect_slashes = False
    app.state.sessions = sessions
    return app


def _answering(endpoint: Endpoint, sessions: PageSessions) -> Handler:
    study = sessions.study

    async def answer(request: Request) -> Response:
        authorization = request.headers.get("authorization", "")
        listener = await run_in_threadpool(listener_by_link, study.log, authorization)
        zone = _zone(request.headers.get(ZONE_HEADER, ""), study)
        given: list[Any] = [_from_path(name, value) for name, value in request.path_params.items()]
        if endpoint.asked is not None:
            given.append(await _body(request, endpoint.asked))

        def do() -> Any:
            with sessions.request(listener, zone) as theirs:
                return endpoint.does(theirs, *given)

        done = await run_in_threadpool(do)
        if endpoint.answer is not None:
            return Response(done.model_dump_json(), media_type="application/json")
        return Response(done, media_type=KIND) if isinstance(done, bytes) else sound_response(request, done)

    return guarded(answer, _explained)


def _explained(request: Request, error: Exception) -> PageError:
    """An error in words that may name no form: its own text is for the host's terminal only."""
    if isinstance(error, FairhearingError):
        logger.warning("%s %s: %s", request.method, request.url.path, error)
        return PageError(503, "busy", BUSY)
    logger.error("%s %s failed: %r", request.method, request.url.path, error)
    return PageError(500, "trouble", "Something went wrong here. Your page tries again.")


def _zone(minutes_east: str, study: Study) -> tzinfo:
    """The listener's time zone by their device; only its offset is taken, never its time."""
    try:
        minutes = int(minutes_east[:6])
    except ValueError:
        return study.clock().tzinfo or UTC
    return timezone(timedelta(minutes=min(max(minutes, FARTHEST_WEST), FARTHEST_EAST)))


def _from_path(name: str, value: str) -> int | str:
    if name != "code":
        return value
    if not (value.isascii() and value.isdigit() and len(value) <= 9):
        raise PageError(404, "gone", "There is no such listen.")
    return int(value)


async def _body(request: Request, shape: type[BaseModel]) -> BaseModel:
    body = await json_body(request)
    try:
        return shape.model_validate_json(body)
    except ValidationError as error:
        first = error.errors(include_url=False, include_input=False, include_context=False)[0]
        where = ".".join(str(part) for part in first["loc"])
        raise PageError(422, "shape", f"{where or 'the request'}: {first['msg']}") from None
