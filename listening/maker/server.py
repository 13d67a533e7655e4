"""The maker's page: its server on this machine. Sheets as fragments, actions as JSON, sound as samples."""

from __future__ import annotations

import json
import logging
from collections.abc import Mapping
from typing import Any

from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.middleware import Middleware
from starlette.middleware.trustedhost import TrustedHostMiddleware
from starlette.requests import Request
from starlette.responses import FileResponse, JSONResponse, Response
from starlette.routing import Route

from listening.maker import downloads, sounds, uploads
from listening.maker.access import HEADERS, AccessKeys, OwnOrigin
from listening.maker.actions import ACTIONS
from listening.maker.html import sheet_html, shell, words_of_sheets
from listening.maker.sheets import bundles
from listening.maker.workspace import Workspace
from listening.page.access import Carried
from listening.page.answers import Handler, guarded, json_body, not_found, static_routes
from listening.page.host import HERE
from render.errors import FairhearingError, PageError
from render.style import tokens_css

STATIC = (
    "maker.css", "maker.js", "player.js", "renew.js", "song.js", "report.js", "lines.js", "icon.svg",
)  # fmt: skip

logger = logging.getLogger("fairhearing.maker")


def create_app(work: Workspace, keys: AccessKeys) -> Starlette:
    """The maker's page of a study's folder; every answer but the shell needs a token of `keys`."""
    page = _Page(work, keys)
    files = {"/": shell().encode(), "/static/tokens.css": tokens_css().encode()}
    routes = [
        *static_routes("listening.maker", STATIC, files),
        Route("/api/enter", page.guarded(page.enter, needs_token=False), methods=["POST"]),
        Route("/api/key", page.guarded(page.key), methods=["POST"]),
        Route("/api/sheet/{name}", page.guarded(page.sheet), methods=["GET"]),
        Route("/api/pulse", page.guarded(page.pulse), methods=["GET"]),
        Route("/api/do/{action}", page.guarded(page.do), methods=["POST"]),
        Route("/api/upload/{kind}", page.guarded(page.upload), methods=["PUT"]),
        Route("/api/sound/{kind}", page.guarded(page.sound), methods=["GET"]),
        Route("/api/ticket/{what}", page.guarded(page.ticket), methods=["POST"]),
        Route("/file/{ticket}", page.guarded(page.file, needs_token=False), methods=["GET"]),
        Route("/report/{ticket}/{path:path}", page.guarded(page.report, needs_token=False), methods=["GET"]),
    ]
    app = Starlette(
        routes=routes,
        middleware=[
            Middleware(Carried, headers=HEADERS, without=("server",)),
            Middleware(OwnOrigin),
            Middleware(TrustedHostMiddleware, allowed_hosts=[HERE, "localhost"], www_redirect=False),
        ],
        exception_handlers={HTTPException: not_found},
    )
    app.router.redirect_slashes = False
    app.state.work, app.state.keys = work, keys
    return app


class _Page:
    """The page's answers."""

    def __init__(self, work: Workspace, keys: AccessKeys) -> None:
        self.work = work
        self.keys = keys

    def guarded(self, answer: Handler, *, needs_token: bool = True) -> Handler:
        """`answer` behind a token, with every error as a sentence for the place where it arose."""

        async def behind_token(request: Request) -> Response:
            if needs_token:
                self.keys.require(request.headers.get("authorization", ""))
            return await answer(request)

        return guarded(behind_token, _explained)

    async def enter(self, request: Request) -> Response:
        return JSONResponse({"token": self.keys.exchange(str((await _json(request)).get("key", "")))})

    async def key(self, _request: Request) -> Response:
        return JSONResponse({"key": self.keys.mint()})

    async def sheet(self, request: Request) -> Response:
        name, shown = request.path_params["name"], dict(request.query_params)
        return await run_in_threadpool(self._sheet, name, shown)

    def _sheet(
        self, name: str, shown: dict[str, str], notice: str = "", show: Mapping[str, str] | None = None
    ) -> Response:
        pulse = self.work.pulse()
        stands = words_of_sheets(self.work)
        if name == "song" and (arrived := bundles.arrived(self.work)):  # a study that came as a whole
            name, notice = "first", arrived
        if name == "first":
            name = first_sheet(stands)
        if name not in stands:
            raise PageError(404, "nothing", "There is no such sheet.")
        html = sheet_html(self.work, name, shown)
        return JSONResponse({
            "sheet": name, "html": html, "stands": stands, "version": self.work.version(), "pulse": pulse,
            "undo": self.work.undoable, "notice": notice, "show": dict(show or {}),
            "own": self.work.is_own(self.work.version()),
        })  # fmt: skip

    async def pulse(self, _request: Request) -> Response:
        return await run_in_threadpool(self._pulse)

    def _pulse(self) -> Response:
        jobs = {
            job.kind: {"words": job.progress, "done": job.done, "of": job.of, "state": job.state}
            for job in self.work.jobs.all()
        }
        return JSONResponse({"pulse": self.work.pulse(), "jobs": jobs})

    async def do(self, request: Request) -> Response:
        body = await _json(request)
        args, shown = body.get("args", {}), body.get("shown", {})
        if not isinstance(args, dict) or not isinstance(shown, dict):
            raise PageError(422, "shape", "This is not understood here.")
        name = str(body.get("sheet", "song"))
        return await run_in_threadpool(
            self._do, request.path_params["action"], args, str(body.get("version", "")), name,
            {str(k): str(v) for k, v in shown.items()},
        )  # fmt: skip

    def _do(
        self, action: str, args: dict[str, Any], version: str, name: str, shown: dict[str, str]
    ) -> Response:
        act = ACTIONS.get(action)
        if act is None:
            raise PageError(404, "nothing", "There is no such thing to do.")
        done = act(self.work, args, version)
        return self._sheet(name, {**shown, **done.show}, done.notice, done.show)

    async def upload(self, request: Request) -> Response:
        name = await uploads.take(
            self.work, request.path_params["kind"], request.query_params.get("name", ""),
            request.headers.get("content-length"), request.stream(),
        )  # fmt: skip
        return JSONResponse({"name": name})

    async def sound(self, request: Request) -> Response:
        kind, asked = request.path_params["kind"], dict(request.query_params)
        sound = await run_in_threadpool(sounds.sound, self.work, kind, asked)
        return Response(
            sound.samples, media_type="application/octet-stream",
            headers={"Fair-Rate": str(sound.rate), "Fair-Channels": str(sound.channels)},
        )  # fmt: skip

    async def ticket(self, request: Request) -> Response:
        what = request.path_params["what"]
        body = await _json(request)
        name = str(body.get("name", ""))
        await run_in_threadpool(downloads.require, self.work, what, name)
        return JSONResponse({"ticket": self.keys.ticket(f"{what}\n{name}")})

    async def file(self, request: Request) -> Response:
        what, _, name = (self.keys.ticketed(request.path_params["ticket"]) or "").partition("\n")
        if not what or what == "report":
            raise HTTPException(404)
        path = await run_in_threadpool(downloads.path_of, self.work, what, name)
        return FileResponse(path, filename=path.name)

    async def report(self, request: Request) -> Response:
        what = (self.keys.ticketed(request.path_params["ticket"]) or "").partition("\n")[0]
        if what != "report":
            raise HTTPException(404)
        return await run_in_threadpool(downloads.report_file, self.work, request.path_params["path"])


def first_sheet(stands: Mapping[str, str]) -> str:
    """Where who comes back lands: the first sheet that asks something, else the last that is in order."""
    asking = next((name for name, word in stands.items() if word == "asks something"), None)
    return asking or next((name for name, word in reversed([*stands.items()]) if word == "in order"), "song")


async def _json(request: Request) -> dict[str, Any]:
    sent = await json_body(request)
    try:
        body = json.loads(sent)
    except ValueError:
        body = None
    if not isinstance(body, dict):
        raise PageError(422, "shape", "This is not understood here.")
    return body


def _explained(request: Request, error: Exception) -> PageError:
    """An error as a sentence on the sheet."""
    if isinstance(error, FairhearingError):
        text = str(error)
        names_a_file = "." in text.split(" ", 1)[0].rstrip(".")
        return PageError(422, "order", text if names_a_file else text[:1].upper() + text[1:])
    logger.error("%s %s failed: %r", request.method, request.url.path, error)
    return PageError(500, "trouble", f"Something went wrong here ({type(error).__name__}: {error}).")
