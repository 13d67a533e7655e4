"""Disks that are small, full, or read-only."""

from __future__ import annotations

import os
import shutil
import subprocess
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path


@contextmanager
def small_disk(folder: Path, size: int) -> Iterator[Callable[[str], bool]]:
    """A file system of its own at `folder`, as root on Linux; yields what remounts it ("ro", "rw").

    Where none can be mounted, that returns False.
    """
    folder.mkdir(parents=True, exist_ok=True)

    def mount(options: str) -> bool:
        command = ["mount", "-t", "tmpfs", "-o", options, "tmpfs", str(folder)]
        return subprocess.run(command, capture_output=True, check=False).returncode == 0

    there = os.name == "posix" and shutil.which("mount") is not None and mount(f"size={size}")
    try:
        yield lambda how: there and mount(f"remount,{how},size={size}")
    finally:
        if there:
            subprocess.run(["umount", str(folder)], check=True)


def fill(path: Path) -> None:
    """Take up what room there is, to the last bytes."""
    with path.open("wb", buffering=0) as file:
        for size in (1 << 16, 1 << 12, 1 << 8, 1):
            try:
                while True:
                    file.write(bytes(size))
            except OSError:
                continue
