"""A whole study that somebody sent, opened in a folder that holds none yet."""

from __future__ import annotations

from collections.abc import Mapping
from contextlib import suppress
from pathlib import Path
from typing import Any

from listening.maker.action import Action, Done, text
from listening.maker.uploads import BUNDLES_FOLDER, OCCUPIED
from listening.maker.workspace import Workspace
from render.errors import PageError
from render.steps import Step
from sessions.bundle.opening import HALF_OPENED, finish_opening, open_bundle_here

JOB = "bundle"
ARRIVED = "bundle arrived"  # what to say on the sheet where the study stands, once


def context(work: Workspace) -> dict[str, Any]:
    """What the first sheet shows of bundles: those that lie here, one that is half opened, the job."""
    return {
        "bundles": [] if work.begun else [*bundles(work.folder)],
        "half_opened": not work.begun and (work.folder / HALF_OPENED).is_dir(),
        "opening_bundle": work.jobs.last(JOB),
    }


def arrived(work: Workspace) -> str:
    """What to say of a study that has just been opened from a bundle; "" the second time."""
    return str(work.cache.pop(ARRIVED, ""))


def bundles(folder: Path) -> Mapping[str, Path]:
    """Files of the folder, or dropped onto the page, that may be bundles: name -> path."""
    bundles = {path.name: path for path in sorted(folder.glob("*.zip")) if _is_own(path, folder)}
    return bundles | {path.name: path for path in sorted((folder / BUNDLES_FOLDER).glob("[!.]*.zip"))}


def _is_own(path: Path, folder: Path) -> bool:
    return path.name[0] != "." and path.is_file() and path.resolve().is_relative_to(folder.resolve())


def _open(work: Workspace, args: Mapping[str, Any], _version: str) -> Done:
    """Check a bundle and make it the study of this folder; one that was dropped is gone afterwards."""
    path = bundles(work.folder).get(text(args, "bundle"))
    if work.begun:
        raise PageError(409, "order", OCCUPIED)
    if path is None:
        raise PageError(422, "order", "There is no such file in the folder.")
    dropped = path.parent.name == BUNDLES_FOLDER

    def opened(step: Step) -> str:
        step("checking every file of it, and unpacking", 0, 0)
        try:
            words = open_bundle_here(path, work.folder).lines[0].replace(f"{path}", path.name)
            work.cache[ARRIVED] = f"Opened from a bundle: {words}"
            return words
        finally:
            if dropped:
                path.unlink(missing_ok=True)
                with suppress(OSError):
                    path.parent.rmdir()

    work.jobs.start(JOB, "opening the bundle", opened)
    return Done()


def _finish(work: Workspace, _args: Mapping[str, Any], _version: str) -> Done:
    """Go on with a bundle whose opening broke off when everything was checked and unpacked."""
    if work.begun or not (work.folder / HALF_OPENED).is_dir():
        raise PageError(409, "gone", "There is nothing half opened here.")
    finish_opening(work.folder)
    work.cache[ARRIVED] = "It is open."
    work.touch()
    return Done()


ACTIONS: Mapping[str, Action] = {"open_bundle": _open, "finish_bundle": _finish}
