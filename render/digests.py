"""SHA-256 sums of a study's files, read again only where a file's size, times or place on the disk changed.

The sums are kept in a file beside the renders. A file that was only touched keeps its sum; one written over
with the same size and its old time is seen by its time of status, where the system keeps one.
"""

from __future__ import annotations

import json
import time
from collections.abc import Sequence
from contextlib import suppress
from pathlib import Path
from threading import Lock

from render.files import COARSEST_TIMES_NS, file_sha256, signs, write_beside

SUMS_FILE = Path("renders") / "sums.json"

_one_thread = Lock()


def digests(files: Sequence[Path], folder: Path) -> dict[str, str | None]:
    """The SHA-256, hexadecimal, of each file by its name, which begins in the study's `folder` where the file
    does; None for one that cannot be read."""
    with _one_thread:
        return _digests(files, folder)


def _digests(files: Sequence[Path], folder: Path) -> dict[str, str | None]:
    known = _known(folder / SUMS_FILE)
    sums: dict[str, str | None] = {}
    kept = dict(known)
    for path in files:
        name = path.relative_to(folder).as_posix() if path.is_relative_to(folder) else str(path)
        before, now = signs(path), time.time_ns()
        if before is not None and list(before) == known.get(name, [])[:-1]:
            sums[name] = str(known[name][-1])
            continue
        sums[name] = None
        with suppress(OSError):
            sums[name] = file_sha256(path)
        kept.pop(name, None)
        if before is not None and before == signs(path) and max(before[2:]) < now - COARSEST_TIMES_NS:
            kept[name] = [*before, sums[name]]
    if kept != known:
        write_beside(folder / SUMS_FILE, json.dumps(kept).encode())
    return sums


def _known(path: Path) -> dict[str, list[object]]:
    """Signs and sum by path; what is damaged is left out. (A sum that is not its file's only costs time.)"""
    with suppress(OSError, ValueError, AttributeError, TypeError):
        there = json.loads(path.read_text(encoding="utf-8"))
        return {name: list(entry) for name, entry in there.items() if len(entry) == 5}
    return {}
