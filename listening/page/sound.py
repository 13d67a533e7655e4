"""A copy over HTTP: whole or one range of it (RFC 9110 section 14), with nothing that tells which it is.

There is no validator (the server takes ETag and Last-Modified off), so If-Range never matches and conditions
are not evaluated (RFC 9110 sections 13.1.5 and 13.2.1), and nothing may be stored (RFC 9111 section 5.2.2.5).
"""

from __future__ import annotations

import re
from pathlib import Path

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import FileResponse, Response

BLOCK_BYTES = 1 << 18
KIND = "application/octet-stream"
_ONE_RANGE = re.compile(r"bytes=(\d{0,18})-(\d{0,18})", re.ASCII | re.IGNORECASE)


async def file_response(request: Request, path: Path) -> Response:
    """The file's bytes, all or the range asked for; 416 for a range outside the file.

    Malformed ranges and several at once are ignored, as section 14.2 allows.
    """
    response = FileResponse(path, stat_result=await run_in_threadpool(path.stat), media_type=KIND)
    response.chunk_size = BLOCK_BYTES
    if not _asks_for_one_range(request):
        request.scope["headers"] = [header for header in request.scope["headers"] if header[0] != b"range"]
    return response


def _asks_for_one_range(request: Request) -> bool:
    match = _ONE_RANGE.fullmatch(request.headers.get("range", "").strip())
    if match is None or "if-range" in request.headers or request.method != "GET":
        return False
    first, last = match[1], match[2]
    return bool(first or last) and not (first and last and int(last) < int(first))  # section 14.1.1
