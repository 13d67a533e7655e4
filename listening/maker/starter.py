"""A small file for a double click that opens the maker's page of one folder, without a terminal."""

from __future__ import annotations

import shlex
import sys
from pathlib import Path

from render.errors import StudyError
from render.files import replacing

OFFER = (
    "To open it by a double click from now on: `fairhearing open FOLDER --starter PLACE` puts a small file\n"
    "into a folder of your choice."
)


def write_starter(folder: Path, place: Path, platform: str = sys.platform) -> Path:
    """Write the starter file of the study in `folder` into the folder `place`; returns its path.

    It is a shell script on macOS (.command), a batch file on Windows, a desktop entry (freedesktop.org's
    Desktop Entry Specification) elsewhere, for its owner alone.

    Raises:
        StudyError: there is no such place, or a file of that name; WriteError: it cannot be written.
    """
    if not place.is_dir():
        raise StudyError(f"there is no folder {place} to put the starter file into")
    name = folder.resolve().name or "song"
    command = [sys.executable, "-m", "listening.cli", "open", str(folder.resolve())]
    shell = " ".join(map(shlex.quote, command))
    if platform == "darwin":
        path, text = place / f"{name}.command", f"#!/bin/sh\nexec {shell}\n"
    elif platform == "win32":
        path, text = place / f"{name}.bat", "@" + " ".join(f'"{part}"' for part in command) + "\r\n"
    else:
        path = place / f"{name}.desktop"
        escaped = shell.replace("\\", "\\\\").replace("%", "%%")
        text = f"[Desktop Entry]\nType=Application\nName={name}: which form?\nTerminal=true\nExec={escaped}\n"
    if path.exists():
        raise StudyError(f"{path} is there already; move it away, or name another place")
    with replacing(path) as half:
        half.write_text(text, encoding="utf-8", newline="")
        half.chmod(0o700)
    return path
