"""Values read from files, kept until one of the files changes (size, inode, times of content and of
status)."""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from pathlib import Path
from threading import Lock
from typing import Any, TypeVar

from render.files import COARSEST_TIMES_NS, Signs, signs

T = TypeVar("T")
AllSigns = tuple[Signs | None, ...]


class Unchanged:
    """Keeps one value for each key; may be used by several threads."""

    def __init__(self) -> None:
        self._kept: dict[object, tuple[tuple[Path, ...], AllSigns, Any]] = {}
        self._lock = Lock()

    def get(self, key: object, read: Callable[[], T], files: Callable[[T], Sequence[Path]]) -> T:
        """The value of `key`: what `read` gives, or gave while all `files` of that value were as they are
        now.

        Raises:
            what `read` raises; then nothing is kept.
        """
        with self._lock:
            known = self._kept.get(key)
        if known is not None and known[1] == tuple(map(signs, known[0])):
            value: T = known[2]
            return value
        before = time.time_ns()
        value = read()
        paths = tuple(files(value))
        now = tuple(map(signs, paths))
        settled = all(sign is not None and max(sign[2:]) < before - COARSEST_TIMES_NS for sign in now)
        with self._lock:
            self._kept.pop(key, None)
            if settled:
                self._kept[key] = (paths, now, value)
        return value
