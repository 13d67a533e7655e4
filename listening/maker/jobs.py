"""Long work beside the page: one job at a time, with progress, to be cancelled between its steps."""

from __future__ import annotations

import threading
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any

from render.errors import FairhearingError, StudyError
from render.steps import Step


class Cancelled(Exception):
    """The maker has cancelled the job; raised inside it at its next step."""


@dataclass(frozen=True)
class Job:
    """A job as the page shows it; `state` is "runs", "done", "failed" or "cancelled"."""

    number: int
    kind: str
    words: str
    done: int = 0
    of: int = 0
    state: str = "runs"
    error: str = ""
    result: Any = None

    @property
    def progress(self) -> str:
        """What it does, and how far it is."""
        if self.of >= 100:
            return f"{self.words}, {100 * self.done // self.of} %"
        return f"{self.words} ({self.done} of {self.of})" if self.of else self.words


class Jobs:
    """Runs jobs in threads of their own, one of a kind at a time; keeps the last of each kind."""

    def __init__(self, changed: Callable[[], None]) -> None:
        self._changed = changed
        self._lock = threading.Lock()
        self._jobs: dict[str, Job] = {}
        self._stop: dict[str, threading.Event] = {}
        self._number = 0

    def start(self, kind: str, words: str, work: Callable[[Step], Any]) -> Job:
        """Begin `work(step)` in a thread; its errors stand in the job.

        Raises:
            StudyError: a job of this kind runs already.
        """
        with self._lock:
            running = self._jobs.get(kind)
            if running is not None and running.state == "runs":
                raise StudyError(
                    f"this is under way already: {running.words}; wait for it, or cancel it first"
                )
            self._number += 1
            job = Job(self._number, kind, words)
            self._jobs[kind] = job
            stop = self._stop[kind] = threading.Event()
        threading.Thread(target=self._run, args=(job, stop, work), daemon=True).start()
        self._changed()
        return job

    def cancel(self, kind: str) -> None:
        """Ask a job to stop at its next step."""
        with self._lock:
            if kind in self._stop:
                self._stop[kind].set()

    def cancel_all(self) -> None:
        """Ask every job to stop: the server ends."""
        for kind in [*self._stop]:
            self.cancel(kind)

    def last(self, kind: str) -> Job | None:
        """The job of this kind that runs or ran last."""
        with self._lock:
            return self._jobs.get(kind)

    def forget(self, kind: str) -> None:
        """Drop what a finished job left: its words, error and result are not shown any more."""
        with self._lock:
            job = self._jobs.get(kind)
            if job is not None and job.state != "runs":
                del self._jobs[kind]
        self._changed()

    def all(self) -> list[Job]:
        """Every job that is kept."""
        with self._lock:
            return [*self._jobs.values()]

    def _run(self, job: Job, stop: threading.Event, work: Callable[[Step], Any]) -> None:
        def step(words: str, done: int, of: int) -> None:
            if stop.is_set():
                raise Cancelled
            self._update(job, words=words, done=done, of=of)

        try:
            result = work(step)
        except Cancelled:
            self._update(job, state="cancelled")
        except FairhearingError as error:
            self._update(job, state="failed", error=str(error))
        except Exception as error:  # never a silent end: what is wrong stands on the sheet
            self._update(
                job, state="failed",
                error=f"something went wrong that should not have ({type(error).__name__}: {error}); what "
                "was "
                "kept before is whole",
            )  # fmt: skip
        else:
            self._update(job, state="done", result=result)
        self._changed()

    def _update(self, job: Job, **changes: Any) -> None:
        with self._lock:
            current = self._jobs.get(job.kind)
            if current is not None and current.number == job.number:
                self._jobs[job.kind] = replace(current, **changes)
