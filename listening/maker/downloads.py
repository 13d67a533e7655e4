"""Files to take away from the page (packets, the way back, the bundle), and the report for its frame."""

from __future__ import annotations

from pathlib import Path

from starlette.exceptions import HTTPException
from starlette.responses import FileResponse, Response

from listening.maker.workspace import Workspace
from render.errors import PageError

REPORT = "report"
REPORT_POLICY = (
    "sandbox allow-scripts; default-src 'none'; script-src 'unsafe-inline'; style-src 'unsafe-inline'; "
    "img-src data:; media-src 'self' data: blob:; base-uri 'none'; form-action 'none'; frame-ancestors 'self'"
)


def require(work: Workspace, what: str, name: str) -> None:
    """Refuse a download that cannot be.

    Raises:
        PageError: 404.
    """
    if what == "report":
        if not (work.folder / REPORT / "report.html").is_file():
            raise PageError(404, "nothing", "There is no report yet.")
        return
    path_of(work, what, name)


def path_of(work: Workspace, what: str, name: str) -> Path:
    """The file that a ticket stands for."""
    del name
    raise PageError(404, "nothing", "There is nothing of this kind to take away.")


def report_file(work: Workspace, name: str) -> Response:
    """A file of the report, by a name that is looked up among those that are there.

    Raises:
        HTTPException: 404.
    """
    folder = work.folder / REPORT
    audio = folder / "audio"
    known = {"report.html": folder / "report.html"}
    if audio.is_dir():
        known |= {
            f"audio/{path.name}": path for path in audio.iterdir() if path.is_file() and not path.is_symlink()
        }
    path = known.get(name)
    if path is None or not path.is_file():
        raise HTTPException(404)
    headers = {
        "Content-Security-Policy": REPORT_POLICY, "Cross-Origin-Resource-Policy": "cross-origin",
    }  # fmt: skip
    return FileResponse(path, headers=headers)
