"""A program in a real terminal (a pseudo-terminal), answered as a person would answer it."""

from __future__ import annotations

import os
import pty
import re
import select
import signal
import time
from pathlib import Path

from listening.local.keys import INTERRUPT


class Terminal:
    """Starts `command`; `expect` waits for words on the screen, `type` answers."""

    def __init__(self, command: list[str], env: dict[str, str], folder: Path) -> None:
        self.screen = ""
        self._read_to = 0
        self._status: int | None = None
        self._pid, self._fd = pty.fork()
        if self._pid == 0:  # the child: becomes the program
            signal.signal(signal.SIGINT, signal.SIG_DFL)  # which whoever started the tests may have ignored
            os.chdir(folder)
            os.execvpe(command[0], command, env | {"TERM": "dumb", "COLUMNS": "100"})

    def expect(self, words: str, within_s: float = 30.0) -> str:
        """Wait until `words` (a regular expression) appear behind what was expected before."""
        until = time.monotonic() + within_s
        while True:
            match = re.compile(words).search(self.screen, self._read_to)
            if match:
                self._read_to = match.end()
                return match.group(0)
            if time.monotonic() > until or not self._look(0.2):
                raise AssertionError(f"{words!r} did not appear; the screen:\n{self.screen}")

    def type(self, text: str) -> None:
        os.write(self._fd, text.encode())

    def interrupt(self) -> int:
        """Press Ctrl-C until the program has ended; its exit code. A program that is between printing a
        question and reading the answer does not see the first one before the next key (Python's readline)."""
        until = time.monotonic() + 60.0
        while not self._ended():
            self.type(INTERRUPT)
            pressed = time.monotonic()
            assert pressed < until, f"the program did not end; the screen:\n{self.screen}"
            while not self._ended() and time.monotonic() < pressed + 5.0:
                self._look(0.05)
        return self.wait()

    def kill(self) -> None:
        """End the program as a power cut would."""
        os.kill(self._pid, signal.SIGKILL)
        self.wait()

    def wait(self, within_s: float = 30.0) -> int:
        """The program's exit code, when it has ended."""
        until = time.monotonic() + within_s
        while not self._ended():
            self._look(0.05)
            assert time.monotonic() < until, f"the program did not end; the screen:\n{self.screen}"
        while self._look(0.0):
            pass
        assert self._status is not None
        return self._status

    def _ended(self) -> bool:
        if self._status is None:
            pid, status = os.waitpid(self._pid, os.WNOHANG)
            if pid:
                self._status = os.waitstatus_to_exitcode(status)
        return self._status is not None

    def _look(self, wait_s: float) -> bool:
        """Read what is new on the screen; False when the program has closed it."""
        if not select.select([self._fd], [], [], wait_s)[0]:
            return wait_s > 0
        try:
            data = os.read(self._fd, 65536)
        except OSError:  # Linux says so when the other end is closed
            return False
        self.screen += data.decode(errors="replace").replace("\r\n", "\n")
        return bool(data)

    def __enter__(self) -> Terminal:
        return self

    def __exit__(self, *_how: object) -> None:
        if self._status is None:
            self.kill()
        os.close(self._fd)
