"""`fairhearing open` in a process of its own that tests kill; its API spoken without a browser."""

from __future__ import annotations

import math
import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import httpx

from listening.maker.opening import open_page
from tests.killing import Say, Worker
from tests.maker import JOB_S
from tests.serving import plain_client


@dataclass
class Doomed:
    """The page of a folder in a process that will be killed, with a tab's token in its client."""

    worker: Worker
    client: httpx.Client

    def sheet(self, name: str) -> dict[str, Any]:
        answer = self.client.get(f"/api/sheet/{name}")
        assert answer.status_code == 200, answer.text
        sheet: dict[str, Any] = answer.json()
        return sheet

    def do(self, action: str, args: Mapping[str, Any] | None = None, sheet: str = "rounds") -> dict[str, Any]:
        """Do something on what the page shows now; when this returns, it is acknowledged."""
        version = self.sheet(sheet)["version"]
        body = {"args": dict(args or {}), "version": version, "sheet": sheet, "shown": {}}
        answer = self.client.post(f"/api/do/{action}", json=body)
        assert answer.status_code == 200, answer.text
        taken: dict[str, Any] = answer.json()
        return taken

    def upload(self, kind: str, path: Path) -> None:
        answer = self.client.put(f"/api/upload/{kind}", params={"name": path.name}, content=path.read_bytes())
        assert answer.status_code == 200, answer.text

    def job(self, kind: str) -> dict[str, Any]:
        """A job as the page tells it."""
        jobs: dict[str, dict[str, Any]] = self.client.get("/api/pulse").json()["jobs"]
        return jobs.get(kind, {"state": "none", "done": 0, "of": 0})

    def until(self, kind: str, share: float) -> None:
        """Until so much of a job is done, or it has ended."""
        end = time.monotonic() + JOB_S
        while (job := self.job(kind))["state"] == "runs" and (
            not job["of"] or job["done"] / job["of"] < share
        ):
            assert time.monotonic() < end, f"{kind} did not end"
            time.sleep(0.005)

    def wait(self, kind: str) -> None:
        """Until a job is done."""
        self.until(kind, math.inf)
        assert self.job(kind)["state"] == "done", f"{kind}: {self.job(kind)}"


@contextmanager
def doomed_page(folder: Path, after_s: Callable[[], float] = float) -> Iterator[Doomed]:
    """The page of a folder in a process of its own, killed `after_s()` seconds after the block is over."""

    def serve(say: Say) -> None:
        open_page(folder, browser=False, say=say)

    worker = Worker(serve)
    address = worker.told(r"(http://\S+/#\S+)")
    base, _, key = address.partition("/#")
    with plain_client(base, JOB_S) as client:
        until = time.monotonic() + 30
        while True:  # its socket listens before it answers
            try:
                token = client.post("/api/enter", json={"key": key}).json()["token"]
                break
            except httpx.TransportError:
                assert time.monotonic() < until
                time.sleep(0.02)
        client.headers["Authorization"] = f"Bearer {token}"
        try:
            yield Doomed(worker, client)
        finally:
            worker.kill(after_s())
