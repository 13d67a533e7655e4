"""Files written atomically, readable by their owner alone, by one process at a time."""

from __future__ import annotations

import hashlib
import os
import re
import sys
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import BinaryIO

from render.errors import WriteError

OWNERS_FILE, OWNERS_FOLDER = 0o600, 0o700  # rights on systems that have such; Windows has others


Signs = tuple[int, int, int, int]

# A file system that tells times to two seconds (FAT, some network shares) may not show that a file was
# written once more within them; so what is known of a file that was written just now is not kept.
COARSEST_TIMES_NS = 2_000_000_000


def signs(path: Path) -> Signs | None:
    """By what a file is known to be unchanged: inode, size, times of content and of status; None: no file."""
    try:
        stat = path.stat()
    except OSError:
        return None
    return stat.st_ino, stat.st_size, stat.st_mtime_ns, stat.st_ctime_ns


def file_sha256(path: Path) -> str:
    """The SHA-256 of a file's bytes, hexadecimal."""
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


@contextmanager
def replacing(path: Path, *, lasting: bool = True) -> Iterator[Path]:
    """A temporary name in the same folder that becomes `path` when the block succeeds, else vanishes.

    The file is its owner's alone, or keeps the rights of the one that it replaces. It is on the disk
    before it has its name, and has its name for good when this returns, so that a power cut leaves the old
    file or the new one, never an empty one. `lasting=False` spares the wait: for renders and copies,
    hundreds of megabytes that are compared with their sums before they are heard, and made again if lost.

    Raises:
        WriteError: the disk is full, or the folder cannot be written.
    """
    half = path.with_name(f".{path.name}.{os.getpid()}.part")
    try:
        half.unlink(missing_ok=True)  # of a process that was killed under the same number
        os.close(os.open(half, os.O_CREAT | os.O_EXCL | os.O_WRONLY, OWNERS_FILE))
        yield half
        with half.open("r+b") as file:
            with suppress(OSError):  # none there yet, or a file system without rights
                half.chmod(path.stat().st_mode)
            if lasting:
                _onto_disk(file.fileno())
        half.replace(path)
        if lasting:
            _names_onto_disk(path.parent)
    except OSError as error:
        raise _not_written(path, error) from None
    finally:
        half.unlink(missing_ok=True)


@contextmanager
def writing_into(folder: Path) -> Iterator[None]:
    """Makes `folder`, and says in one message why something in it could not be written.

    Raises:
        WriteError: the disk is full, or the folder cannot be written.
    """
    try:
        folder.mkdir(OWNERS_FOLDER, parents=True, exist_ok=True)
        yield
    except OSError as error:
        raise _not_written(folder, error) from None


def _not_written(path: Path, error: OSError) -> WriteError:
    return WriteError(
        f"{path} could not be written: {error.strerror or error}; make room or check the folder's rights, "
        "then run the command again (nothing was left half-written)"
    )


def write_beside(path: Path, data: bytes) -> None:
    """Write a file that can be made again, its folder, too; where that cannot be, go without."""
    with suppress(OSError, WriteError):
        path.parent.mkdir(exist_ok=True)
        with replacing(path, lasting=False) as half:
            half.write_bytes(data)


def sweep(folder: Path) -> None:
    """Take out what killed processes left under temporary names, in a folder and in those right inside it."""
    for half in [*folder.glob(".*.part"), *folder.glob("*/.*.part")]:
        match = re.fullmatch(r"\..+\.(\d+)\.part", half.name)
        if match and not _runs(int(match[1])):
            with suppress(OSError):  # on Windows, of a process that still has it open
                half.unlink()


def _runs(process: int) -> bool:
    """Whether there is a process of this number (on Windows nobody asks: open files cannot be taken out)."""
    if sys.platform == "win32":
        return False
    try:
        os.kill(process, 0)
    except ProcessLookupError:
        return False
    except (OSError, OverflowError):
        return True
    return True


def _onto_disk(descriptor: int) -> None:
    """Wait until the disk has what was written; on macOS only F_FULLFSYNC empties the disk's own cache."""
    if sys.platform == "darwin":
        with suppress(OSError):  # a file system that knows no such thing
            fcntl.fcntl(descriptor, fcntl.F_FULLFSYNC)
            return
    os.fsync(descriptor)


def _names_onto_disk(folder: Path) -> None:
    """Wait until the disk has a folder's names. Windows opens no folder so, and NTFS journals its names."""
    with suppress(OSError):
        descriptor = os.open(folder, os.O_RDONLY)
        try:
            _onto_disk(descriptor)
        finally:
            os.close(descriptor)


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
