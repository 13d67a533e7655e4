"""A copy over HTTP: whole or from a place on (RFC 9110 section 14), with nothing that tells which it is.

There is no validator (ETag, Last-Modified), so If-Range never matches and conditions are not evaluated
(RFC 9110 sections 13.1.5 and 13.2.1), and nothing may be stored (RFC 9111 section 5.2.2.5). Starlette's own
FileResponse serves files as they are; these are masked on their way.
"""

from __future__ import annotations

import re
from collections.abc import Iterator

from starlette.requests import Request
from starlette.responses import Response, StreamingResponse

from listening.page.masked import MaskedCopy

BLOCK_BYTES = 1 << 18
KIND = "application/octet-stream"
_FROM_ON = re.compile(r"bytes=(\d{1,18})-", re.ASCII | re.IGNORECASE)


def wanted_from(request: Request) -> int | None:
    """The byte from which on a listener's device still wants the copy; None for the whole.

    That is all our page asks for; other ranges are ignored, as RFC 9110 section 14.2 allows.
    """
    match = _FROM_ON.fullmatch(request.headers.get("range", "").strip())
    if match is None or "if-range" in request.headers or request.method != "GET":
        return None
    return int(match[1])


def sound_response(request: Request, copy: MaskedCopy) -> Response:
    """The copy's bytes, all or from a place on."""
    size, wanted = copy.size, wanted_from(request)
    start = wanted or 0
    if start >= size:
        return Response(status_code=416, headers={"Content-Range": f"bytes */{size}"})
    headers = {"Accept-Ranges": "bytes", "Content-Length": str(size - start)}
    if wanted is not None:
        headers["Content-Range"] = f"bytes {start}-{size - 1}/{size}"
    status = 200 if wanted is None else 206
    return StreamingResponse(_blocks(copy, start, size), status, headers, media_type=KIND)


def _blocks(copy: MaskedCopy, start: int, stop: int) -> Iterator[bytes]:
    for at in range(start, stop, BLOCK_BYTES):
        yield copy.read(at, min(at + BLOCK_BYTES, stop))
