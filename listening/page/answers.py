"""HTTP answers that listening page and maker's page share: bodies, files, errors as sentences."""

from __future__ import annotations

import mimetypes
from collections.abc import Awaitable, Callable, Iterable, Mapping
from importlib import resources

from starlette.exceptions import HTTPException
from starlette.requests import ClientDisconnect, Request
from starlette.responses import JSONResponse, Response
from starlette.routing import Route

from listening.page.messages import Trouble
from render.errors import PageError

Handler = Callable[[Request], Awaitable[Response]]
MOST_BODY_BYTES = 1 << 20  # 200 comments of 4000 characters, four bytes each: 3 MB; nobody writes so
# Python's own list: a system's may call a script text/plain, and browsers refuse that.
KINDS = mimetypes.MimeTypes()
HEADERS = {401: {"WWW-Authenticate": "Bearer"}, 503: {"Retry-After": "5"}}  # RFC 9110, 15.5.2 and 10.2.3


def guarded(answer: Handler, explained: Callable[[Request, Exception], PageError]) -> Handler:
    """`answer`, with every error as a word and a sentence; what is no PageError is `explained` as one."""

    async def guard(request: Request) -> Response:
        try:
            return await answer(request)
        except PageError as error:
            return refusal(error)
        except HTTPException:
            raise
        except ClientDisconnect:  # nobody is there to read it
            return Response(status_code=400)
        except Exception as error:
            return refusal(explained(request, error))

    return guard


def refusal(error: PageError) -> Response:
    """Why a request was not done."""
    trouble = Trouble(word=error.word, text=error.text)
    return JSONResponse(trouble.model_dump(), status_code=error.status, headers=HEADERS.get(error.status))


async def not_found(_request: Request, error: Exception) -> Response:
    """The answer to an address or a method that is none."""
    assert isinstance(error, HTTPException)
    trouble = Trouble(word="nothing", text="There is nothing here.")
    return JSONResponse(trouble.model_dump(), status_code=error.status_code, headers=error.headers)


async def json_body(request: Request) -> bytes:
    """A body that says to be JSON; a form of a foreign page can send none such.

    Raises:
        PageError: 415 for another kind, 413 (RFC 9110 section 15.5.14) for one over MOST_BODY_BYTES.
    """
    kind = request.headers.get("content-type", "").partition(";")[0].strip().lower()
    if kind != "application/json":
        raise PageError(415, "shape", "Only JSON is understood here.")
    body = b""
    async for piece in request.stream():
        body += piece
        if len(body) > MOST_BODY_BYTES:
            raise PageError(413, "large", "That is too much at once; shorten it.")
    return body


def static_routes(package: str, names: Iterable[str], more: Mapping[str, bytes]) -> list[Route]:
    """A package's static files by name (no folder is served), and what else there is by path."""
    folder = resources.files(package) / "static"
    files = {f"/static/{name}": (folder / name).read_bytes() for name in names} | dict(more)

    def giving(content: bytes, path: str) -> Handler:
        kind = KINDS.guess_type(path)[0] or "text/html; charset=utf-8"

        async def give(_request: Request) -> Response:
            return Response(content, media_type=kind)

        return give

    return [Route(path, giving(content, path), methods=["GET"]) for path, content in files.items()]
