"""Single keys from a terminal while something plays, on POSIX and on Windows."""

from __future__ import annotations

import os
import select
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager

ESCAPE = "\x1b"
INTERRUPT = "\x03"


Pressed = Callable[[], str]  # the keys pressed since the last look


@contextmanager
def single_keys() -> Iterator[Pressed]:
    """Keys one by one, without Enter and without echo, until the block ends; none without a terminal."""
    if not sys.stdin.isatty():
        yield lambda: ""
    elif sys.platform == "win32":
        yield _windows_keys
    else:
        import termios
        import tty

        fd = sys.stdin.fileno()
        before = termios.tcgetattr(fd)
        tty.setcbreak(fd)
        try:
            yield lambda: _posix_keys(fd)
        finally:
            termios.tcsetattr(fd, termios.TCSADRAIN, before)
            termios.tcflush(fd, termios.TCIFLUSH)  # a key pressed too late must not answer a question


def _posix_keys(fd: int) -> str:
    typed = ""
    while select.select([fd], [], [], 0)[0]:
        read = os.read(fd, 64)
        if not read:
            break
        typed += read.decode(errors="ignore")
    return typed


def _windows_keys() -> str:
    import msvcrt

    typed = ""
    while msvcrt.kbhit():  # type: ignore[attr-defined,unused-ignore]
        typed += msvcrt.getwch()  # type: ignore[attr-defined,unused-ignore]
    return typed
