"""Single keys from a terminal while something plays, on POSIX and on Windows."""

from __future__ import annotations

import os
import select
import sys
from collections.abc import Iterator
from contextlib import contextmanager

ESCAPE = "\x1b"
INTERRUPT = "\x03"


class Keys:
    """Keys pressed since the last look; none where the input is no terminal."""

    def pressed(self) -> str:
        return ""


@contextmanager
def single_keys() -> Iterator[Keys]:
    """Keys one by one, without Enter and without echo, until the block ends."""
    if not sys.stdin.isatty():
        yield Keys()
    elif sys.platform == "win32":
        yield _WindowsKeys()
    else:
        import termios
        import tty

        fd = sys.stdin.fileno()
        before = termios.tcgetattr(fd)
        tty.setcbreak(fd)
        try:
            yield _PosixKeys(fd)
        finally:
            termios.tcsetattr(fd, termios.TCSADRAIN, before)
            termios.tcflush(fd, termios.TCIFLUSH)  # a key pressed too late must not answer a question


class _PosixKeys(Keys):
    def __init__(self, fd: int) -> None:
        self._fd = fd

    def pressed(self) -> str:
        typed = ""
        while select.select([self._fd], [], [], 0)[0]:
            read = os.read(self._fd, 64)
            if not read:
                break
            typed += read.decode(errors="ignore")
        return typed


class _WindowsKeys(Keys):
    def pressed(self) -> str:
        import msvcrt

        typed = ""
        while msvcrt.kbhit():  # type: ignore[attr-defined,unused-ignore]
            typed += msvcrt.getwch()  # type: ignore[attr-defined,unused-ignore]
        return typed
