"""Work in a process of its own that is killed as a power cut would end it: SIGKILL, at any moment.

    told = kill(work, after_s=0.2)   # what work(say) had said by then, line by line

The process is a fork: it begins at once, so that hundreds of kills cost little.
"""

from __future__ import annotations

import os
import re
import select
import signal
import time
import traceback
from collections.abc import Callable
from dataclasses import dataclass

Say = Callable[[str], None]
LONGEST_S = 120.0

# How often each kind of work is killed: a few times always, hundreds of times in the campaign.
KILLS = int(os.environ.get("FAIRHEARING_CAMPAIGN") or 8)


@dataclass(frozen=True)
class Told:
    """What a process had said when it ended, and whether it had come to its own end."""

    lines: tuple[str, ...]
    finished: bool


class Worker:
    """A process that does `work`; what it says is durable from its own point of view."""

    def __init__(self, work: Callable[[Say], None]) -> None:
        self._said = b""
        self._read, write = os.pipe()
        self.pid = os.fork()
        if self.pid:
            os.close(write)
            return
        code = 1
        try:
            os.write(write, b"\n")  # it has begun
            work(lambda line: _write(write, line))
            code = 0
        except BaseException:
            traceback.print_exc()
        finally:
            os._exit(code)

    def kill(self, after_s: float, after_lines: int = 0) -> Told:
        """Kill it so many seconds after it began, or after a line it said, unless it has ended by then."""
        while self._said.count(b"\n") <= after_lines and self._listen(LONGEST_S):
            pass
        time.sleep(after_s)
        os.kill(self.pid, signal.SIGKILL)
        return self._end()

    def told(self, pattern: str) -> str:
        """Wait until it has said something like `pattern`; the match's first group."""
        while (match := re.search(pattern, self._said.decode())) is None:
            assert self._listen(LONGEST_S), f"the process ended; it had said {self._said!r}"
        return match[1]

    def finish(self) -> Told:
        """Let it come to its end."""
        return self._end()

    def _end(self) -> Told:
        while self._listen(LONGEST_S):
            pass
        os.close(self._read)
        status = os.waitstatus_to_exitcode(os.waitpid(self.pid, 0)[1])
        assert status in (0, -signal.SIGKILL), "the process failed; its traceback is above"
        return Told(tuple(self._said.decode().split("\n")[1:-1]), status == 0)

    def _listen(self, most_s: float) -> bool:
        """Take up what it says next; False when it has ended."""
        if not select.select([self._read], [], [], most_s)[0]:
            os.kill(self.pid, signal.SIGKILL)
            raise AssertionError(f"the process hung; it had said {self._said!r}")
        block = os.read(self._read, 1 << 16)
        self._said += block
        return bool(block)


def kill(work: Callable[[Say], None], after_s: float, after_lines: int = 0) -> Told:
    return Worker(work).kill(after_s, after_lines)


def finish(work: Callable[[Say], None]) -> Told:
    return Worker(work).finish()


def _write(handle: int, line: str) -> None:
    os.write(handle, f"{line}\n".encode())  # shorter than PIPE_BUF: whole or not at all
