"""Files dropped onto the maker's page: streamed into the study's folder, checked to be what they say.

Nothing gets its name before it is whole and checked; a name never leaves the folder.
"""

from __future__ import annotations

import re
import zipfile
from collections.abc import AsyncIterator
from pathlib import Path

import soundfile
from starlette.concurrency import run_in_threadpool

from listening.maker.workspace import Workspace
from render.errors import FairhearingError, PageError
from render.figures import size_text
from render.files import replacing
from render.song.audio_header import audio_info

MOST_BYTES = 2 << 30  # a 10-minute stereo bounce at 96 kHz in 32 bit has 0.46 GB
MOST_MAP_BYTES = 16 << 20
MOST_ANSWER_BYTES = 64 << 20
MOST_BUNDLE_BYTES = 16 << 30  # bounce, stems and the renders of some months
BUNDLES_FOLDER = ".bundles"
OCCUPIED = "This folder holds a study already; a bundle is opened in a folder of its own."
SOUND_ENDINGS = tuple(f".{kind.lower()}" for kind in ("WAV", "FLAC", "AIFF", "AIF", "OGG", "MP3"))
KINDS = {
    "bounce": (SOUND_ENDINGS, MOST_BYTES, ""),
    "stem": (SOUND_ENDINGS, MOST_BYTES, "stems"),
    "map": ((".mid", ".midi"), MOST_MAP_BYTES, ""),
    "answers": ((".json",), MOST_ANSWER_BYTES, ".answers"),
    "bundle": ((".zip",), MOST_BUNDLE_BYTES, BUNDLES_FOLDER),
}  # kind of file -> its endings, its limit, the folder within the study
LONGEST_NAME = 120


async def take(
    work: Workspace, kind: str, name: str, promised: str | None, stream: AsyncIterator[bytes]
) -> str:
    """Keep an uploaded file in the study's folder; returns its name there (relative to the folder).

    Raises:
        PageError: the kind, name or size is refused, or the file is not what its name says.
    """
    if kind not in KINDS:
        raise PageError(404, "nothing", "There is no such kind of file here.")
    if kind == "bundle" and work.begun:
        raise PageError(422, "kind", OCCUPIED)
    endings, most_bytes, within = KINDS[kind]
    safe = _safe_name(name, endings)
    if promised is not None and (not promised.isdecimal() or int(promised) > most_bytes):
        raise PageError(413, "large", f"{name} is too large: at most {size_text(most_bytes)} can be taken.")
    folder = work.folder / within if within else work.folder
    await run_in_threadpool(folder.mkdir, exist_ok=True)
    path = _free(folder, safe) if kind not in ("answers", "bundle") else folder / safe
    try:
        with replacing(path, lasting=False) as half:
            await _received(stream, half, most_bytes, name)
            await run_in_threadpool(_require_kind, kind, half, name)
    finally:
        if within and not any(folder.iterdir()):
            folder.rmdir()
    work.touch()
    return path.relative_to(work.folder).as_posix()


async def _received(stream: AsyncIterator[bytes], half: Path, most_bytes: int, name: str) -> None:
    received = 0
    with half.open("wb") as file:
        async for piece in stream:
            received += len(piece)
            if received > most_bytes:
                raise PageError(
                    413, "large", f"{name} is too large: at most {size_text(most_bytes)} can be taken."
                )
            await run_in_threadpool(file.write, piece)
    if not received:
        raise PageError(422, "kind", f"{name} is empty; nothing was kept.")


def _safe_name(name: str, endings: tuple[str, ...]) -> str:
    """The name, refused if it has a path in it, hides, or ends otherwise than its kind.

    Raises:
        PageError: it cannot be a file's name here.
    """
    plain = name.strip()
    if (
        not plain
        or len(plain) > LONGEST_NAME
        or re.search(r'[/\\:*?"<>|\x00-\x1f]', plain)
        or plain[0] == "."
    ):
        raise PageError(
            422, "name", "This file's name cannot be used here (a path, a sign that file systems refuse, or "
            "too "
            "long); rename it and drop it again."
        )  # fmt: skip
    if not plain.lower().endswith(endings):
        raise PageError(
            422, "kind", f"{plain} is of another kind; here go files that end in {', '.join(endings)}."
        )
    return plain


def _free(folder: Path, name: str) -> Path:
    """A name that is free: nothing that lies in the folder is ever replaced by an upload."""
    path, stem, suffix = folder / name, Path(name).stem, Path(name).suffix
    number = 2
    while path.exists():
        path = folder / f"{stem} {number}{suffix}"
        number += 1
    return path


def _require_kind(kind: str, half: Path, name: str) -> None:
    if kind == "map" and half.open("rb").read(4) != b"MThd":
        raise PageError(422, "kind", f"{name} is no Standard MIDI File; nothing was kept.")
    if kind == "bundle" and not zipfile.is_zipfile(half):
        raise PageError(422, "kind", f"{name} is no bundle, or was cut short; nothing was kept.")
    if kind not in ("bounce", "stem"):
        return
    try:
        audio_info(half)
        sounds = soundfile.info(str(half)).frames > 0
    except (soundfile.LibsndfileError, FairhearingError):
        raise PageError(
            422, "kind", f"{name} cannot be read as sound (WAV, FLAC, AIFF, OGG or MP3); nothing was kept."
        ) from None
    if not sounds:
        raise PageError(422, "kind", f"{name} holds no sound; nothing was kept.")
