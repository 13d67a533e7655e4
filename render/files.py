"""Files that are written whole or not at all, and by one process at a time."""

from __future__ import annotations

import os
import sys
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import BinaryIO

from render.errors import RenderError


@contextmanager
def replacing(path: Path) -> Iterator[Path]:
    """A temporary name in the same folder that becomes `path` when the block succeeds, else vanishes.

    Raises:
        RenderError: the disk is full, or the folder cannot be written.
    """
    half = path.with_name(f".{path.name}.{os.getpid()}.part")
    try:
        yield half
        half.replace(path)
    except OSError as error:
        raise RenderError(
            f"{path} could not be written: {error.strerror or error}; make room or check the "
            "folder's rights, then run the command again (nothing was left half-written)"
        ) from None
    finally:
        half.unlink(missing_ok=True)


@contextmanager
def one_at_a_time(path: Path) -> Iterator[None]:
    """Wait for other processes that do this with the same file, then keep them waiting.

    The lock is the operating system's own, so it ends with the process however that ends, and nothing is
    left behind. `path` is read by others as before; where it is missing, nobody waits.
    """
    if not path.is_file():
        yield
        return
    with path.open("rb") as file:
        _lock(file)
        try:
            yield
        finally:
            _unlock(file)


if sys.platform == "win32":
    import msvcrt

    _FAR = 1 << 30  # a byte beyond the file's end: a lock on Windows keeps others from reading what it covers

    def _lock(file: BinaryIO) -> None:
        while True:
            file.seek(_FAR)
            with suppress(OSError):  # it gives up after ten seconds
                msvcrt.locking(file.fileno(), msvcrt.LK_LOCK, 1)
                return

    def _unlock(file: BinaryIO) -> None:
        file.seek(_FAR)
        msvcrt.locking(file.fileno(), msvcrt.LK_UNLCK, 1)

else:
    import fcntl

    def _lock(file: BinaryIO) -> None:
        with suppress(OSError):  # a file system without locks: then nobody waits
            fcntl.flock(file, fcntl.LOCK_EX)

    def _unlock(file: BinaryIO) -> None:
        with suppress(OSError):
            fcntl.flock(file, fcntl.LOCK_UN)
