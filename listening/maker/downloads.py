"""Files to take away from the page (packets, the way back, the bundle), and the report for its frame."""

from __future__ import annotations

import time
import zipfile
from pathlib import Path

from starlette.exceptions import HTTPException
from starlette.responses import FileResponse, Response

from listening.maker.workspace import Workspace
from render.errors import BundleError, PageError
from render.files import replacing
from render.steps import Step

REPORT = "report"
DOWNLOADS = ".downloads"  # made anew whenever they are asked for
BUNDLING, BUNDLING_WORDS = "bundling", "writing the bundle"  # the job, as it is told
SEALED_TOO = "sealed too"  # the name that a bundle is asked for by the second time
REPORT_POLICY = (
    "sandbox allow-scripts; default-src 'none'; script-src 'unsafe-inline'; style-src 'unsafe-inline'; "
    "img-src data:; media-src 'self' data: blob:; base-uri 'none'; form-action 'none'; frame-ancestors 'self'"
)


def require(work: Workspace, what: str, name: str) -> None:
    """Refuse a download that cannot be.

    Raises:
        PageError: 404; 409 for the bundle of a study that is sealed, until it is asked for as `SEALED_TOO`.
    """
    if what == "report":
        if not (work.folder / REPORT / "report.html").is_file():
            raise PageError(404, "nothing", "There is no report yet.")
        return
    if what == "bundle":
        from sessions.bundle.writing import caution

        if name != SEALED_TOO and (said := caution(work.study())):
            raise PageError(409, "sealed", said)
        _write_bundle(work, sealed_too=name == SEALED_TOO)
        return
    path_of(work, what, name)


def path_of(work: Workspace, what: str, name: str) -> Path:
    """The file that a ticket stands for; a ZIP of the way back is written now.

    Raises:
        PageError: 404, there is nothing of this kind.
    """
    if what == "packet":
        from listening.maker.sheets.rounds import packets

        if path := packets(work.folder).get(name):
            return path
    if what == "way-back":
        from listening.maker.sheets.verdict import decision_folder

        folder: Path = decision_folder(work)
        return _zipped(folder, work.folder / DOWNLOADS / f"{folder.name}.zip")
    if what == "bundle" and (bundle := _bundle_path(work)).is_file():
        return bundle
    raise PageError(404, "nothing", "There is nothing of this kind to take away.")


def _bundle_path(work: Workspace) -> Path:
    from sessions.bundle.writing import bundle_name

    return work.folder / DOWNLOADS / bundle_name(work.study())


def _write_bundle(work: Workspace, *, sealed_too: bool) -> None:
    """The whole study as one file, as it is now; its progress stands on the page meanwhile.

    Raises:
        PageError: 409, it was cancelled; FairhearingError: it could not be written.
    """
    from sessions.bundle.writing import write_bundle

    path = _bundle_path(work)

    def write(step: Step) -> None:
        path.parent.mkdir(exist_ok=True)
        path.unlink(missing_ok=True)
        write_bundle(
            work.study(), path, lambda _name, done, of: step(BUNDLING_WORDS, done, of), sealed_too=sealed_too
        )

    work.jobs.start(BUNDLING, BUNDLING_WORDS, write)
    while (job := work.jobs.last(BUNDLING)) is not None and job.state == "runs":
        time.sleep(0.05)
    work.jobs.forget(BUNDLING)
    if job is None or job.state == "cancelled":
        raise PageError(409, "cancelled", "Cancelled; nothing was half-written.")
    if job.state == "failed":
        raise BundleError(job.error)


def _zipped(folder: Path, path: Path) -> Path:
    """A plain ZIP of a folder with its files; sound is stored as it is."""
    path.parent.mkdir(exist_ok=True)
    with replacing(path, lasting=False) as half, zipfile.ZipFile(half, "w", zipfile.ZIP_STORED) as out:
        for file in sorted(folder.rglob("*")):
            if file.is_file() and not file.is_symlink():
                out.write(file, file.relative_to(folder.parent).as_posix())
    return path


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
