"""Whether this machine stood still: a watch of its own notes when it was woken late.

A listen is rightly void when the machine could not play on. A test that is about something else then hears
the form again, as its listener would; a void for which the machine gives no reason is a fault.
"""

from __future__ import annotations

import atexit
import subprocess
import sys
import threading
import time
from collections.abc import Sequence
from functools import cache

from listening.counts import REASONS
from sessions.clock import utc_time
from sessions.records import ListenRecord

LATE_S = 0.03  # what a browser holds ready lasts longer than that
WATCH = """
import select, sys, time
last = time.time()
while not select.select([sys.stdin], [], [], 0.01)[0]:
    now = time.time()
    if now - last > float(sys.argv[1]):
        print(last, now, flush=True)
    last = now
"""


class Watch:
    """A process that does nothing but look at the clock, every 10 ms; it ends with this one."""

    def __init__(self) -> None:
        self._stalls: list[tuple[float, float]] = []
        self._process = subprocess.Popen(
            [sys.executable, "-c", WATCH, str(LATE_S)], stdin=subprocess.PIPE, stdout=subprocess.PIPE,
            text=True,
        )  # fmt: skip
        atexit.register(self._process.communicate)
        threading.Thread(target=self._read, daemon=True).start()

    def _read(self) -> None:
        assert self._process.stdout is not None
        for line in self._process.stdout:
            began, ended = map(float, line.split())
            self._stalls.append((began, ended))

    def stood_still(self, since: float, until: float) -> bool:
        """Whether the machine stood still at any time between two times of `time.time`."""
        time.sleep(0.2)  # what is going on now is told when it is over
        return any(began < until and ended > since for began, ended in self._stalls)


@cache
def machine() -> Watch:
    """The one watch of this process, from the first time it is asked for."""
    return Watch()


def says_stalled(words: str | None) -> bool:
    """Whether the page or the log calls a listen void because the sound did not come through."""
    return any(REASONS[reason] in (words or "") for reason in ("paused", "broke"))


def not_stalled(listens: Sequence[ListenRecord]) -> list[ListenRecord]:
    """Listens without those that are void because this machine stood still, and did."""
    return [x for x in listens if not (says_stalled(x.void_reason) and fell_into_a_stall(x))]


def fell_into_a_stall(listen: ListenRecord) -> bool:
    """Whether the machine stood still at any time in a listen."""
    began, ended = (utc_time(x).timestamp() for x in (listen.started_utc, listen.ended_utc or ""))
    return machine().stood_still(began, ended)
