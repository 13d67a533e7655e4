"""Values read from files, kept until one of the files changes (size, inode, times of content and of
status)."""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from pathlib import Path
from threading import Lock
from typing import Any, TypeVar

T = TypeVar("T")
Signs = tuple[tuple[int, ...] | None, ...]

# A file system that tells times to two seconds (FAT, some network shares) may not show that a file was
# written once more within them; so what was written just now is read again.
COARSEST_TIMES_NS = 2_000_000_000


class Unchanged:
    """Keeps one value for each key; may be used by several threads."""

    def __init__(self) -> None:
        self._kept: dict[object, tuple[tuple[Path, ...], Signs, Any]] = {}
        self._lock = Lock()

    def get(self, key: object, read: Callable[[], T], files: Callable[[T], Sequence[Path]]) -> T:
        """The value of `key`: what `read` gives, or gave while all `files` of that value were as they are
        now.

        Raises:
            what `read` raises; then nothing is kept.
        """
        with self._lock:
            known = self._kept.get(key)
        if known is not None and known[1] == _signs(known[0]):
            value: T = known[2]
            return value
        before = time.time_ns()
        value = read()
        paths = tuple(files(value))
        signs = _signs(paths)
        settled = all(sign is not None and max(sign[2:]) < before - COARSEST_TIMES_NS for sign in signs)
        with self._lock:
            self._kept.pop(key, None)
            if settled:
                self._kept[key] = (paths, signs, value)
        return value


def _signs(paths: Sequence[Path]) -> Signs:
    return tuple(map(_sign, paths))


def _sign(path: Path) -> tuple[int, ...] | None:
    try:
        stat = path.stat()
    except OSError:
        return None
    return stat.st_ino, stat.st_size, stat.st_mtime_ns, stat.st_ctime_ns
