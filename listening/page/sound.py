"""A copy over HTTP: whole or one range of it (RFC 9110 section 14), with nothing that tells which it is.

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
_ONE_RANGE = re.compile(r"bytes=(\d{0,18})-(\d{0,18})", re.ASCII | re.IGNORECASE)


def wanted_range(request: Request, size: int) -> tuple[int, int] | None:
    """(first byte, one past the last) of a single satisfiable range; None for the whole.

    Malformed ranges and several at once are ignored, as section 14.2 allows.

    Raises:
        ValueError: the range lies outside the file (416).
    """
    match = _ONE_RANGE.fullmatch(request.headers.get("range", "").strip())
    if match is None or "if-range" in request.headers or request.method != "GET":
        return None
    first, last = match[1], match[2]
    if not first and not last:
        return None
    if not first:  # the last so many bytes
        start, stop = max(size - int(last), 0), size
    else:
        start, stop = int(first), min(int(last) + 1, size) if last else size
        if last and int(last) < start:
            return None  # invalid, section 14.1.1
    if start >= size or start >= stop:
        raise ValueError
    return start, stop


def sound_response(request: Request, copy: MaskedCopy) -> Response:
    """The copy's bytes, all or the range asked for."""
    size = copy.size
    try:
        span = wanted_range(request, size)
    except ValueError:
        return Response(status_code=416, headers={"Content-Range": f"bytes */{size}"})
    start, stop = span or (0, size)
    headers = {"Accept-Ranges": "bytes", "Content-Length": str(stop - start)}
    if span:
        headers["Content-Range"] = f"bytes {start}-{stop - 1}/{size}"
    status = 206 if span else 200
    if request.method == "HEAD":
        return Response(status_code=status, headers=headers, media_type=KIND)
    return StreamingResponse(_blocks(copy, start, stop), status, headers, media_type=KIND)


def _blocks(copy: MaskedCopy, start: int, stop: int) -> Iterator[bytes]:
    for at in range(start, stop, BLOCK_BYTES):
        yield copy.read(at, min(at + BLOCK_BYTES, stop))
