"""The maker's page of a folder on a port of this machine, for tests; its API spoken without a browser."""

from __future__ import annotations

import re
import time
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import httpx
import pytest

from listening.maker.access import AccessKeys
from listening.maker.opening import take_up
from listening.maker.server import create_app
from listening.maker.sheets.rounds import hosts_of
from listening.maker.workspace import Workspace
from listening.page.host import HERE, listening_socket, page_server
from listening.rounds import Round, enter_round
from sessions.clock import Clock, system_clock
from sessions.study import Study
from tests.serving import plain_client, running

JOB_S = 120.0  # what a job may take on a slow machine


@dataclass
class MakerPage:
    """The page of a folder, and a client that has a tab's token."""

    work: Workspace
    keys: AccessKeys
    base: str
    client: httpx.Client
    token: str

    @property
    def folder(self) -> Path:
        return self.work.folder

    @property
    def study(self) -> Study:
        return Study(self.folder, self.work.clock, self.work.store)

    def link(self) -> str:
        """An address that works once."""
        return f"{self.base}/#{self.keys.mint()}"

    def ask(self, method: str, path: str, **options: Any) -> httpx.Response:
        headers = {"Authorization": f"Bearer {self.token}"} | options.pop("headers", {})
        return self.client.request(method, path, headers=headers, **options)

    def sheet(self, name: str, **shown: str) -> dict[str, Any]:
        answer = self.ask("GET", f"/api/sheet/{name}", params=shown)
        assert answer.status_code == 200, answer.text
        values: dict[str, Any] = answer.json()
        return values

    def try_(self, action: str, args: Mapping[str, Any] | None = None, sheet: str = "song") -> httpx.Response:
        """Do something on what the page shows now."""
        body = {"args": dict(args or {}), "version": self.work.version(), "sheet": sheet, "shown": {}}
        return self.ask("POST", f"/api/do/{action}", json=body)

    def do(self, action: str, args: Mapping[str, Any] | None = None, sheet: str = "song") -> dict[str, Any]:
        """Do something that must succeed; returns the sheet as it stands then."""
        answer = self.try_(action, args, sheet)
        assert answer.status_code == 200, answer.text
        values: dict[str, Any] = answer.json()
        return values

    def upload(self, kind: str, path: Path) -> str:
        """A file as a browser sends it."""
        answer = self.ask("PUT", f"/api/upload/{kind}", params={"name": path.name}, content=path.read_bytes())
        assert answer.status_code == 200, answer.text
        return str(answer.json()["name"])

    def wait(self, kind: str) -> Any:
        """Wait for a job to be done; returns its result."""
        until = time.monotonic() + JOB_S
        while time.monotonic() < until:
            job = self.work.jobs.last(kind)
            assert job is not None, f"no job {kind}"
            if job.state != "runs":
                assert job.state == "done", job.error or job.state
                return job.result
            time.sleep(0.02)
        raise AssertionError(f"{kind} did not end")


@contextmanager
def maker_page(folder: Path, store: str | None = None, clock: Clock = system_clock) -> Iterator[MakerPage]:
    """The page of a folder, served for as long as the block runs."""
    work, keys = take_up(folder, store, clock), AccessKeys()
    door, server = listening_socket(HERE, 0, print), page_server(create_app(work, keys))
    with running(server, door) as base, plain_client(base, 60) as client:
        try:
            yield MakerPage(work, keys, base, client, keys.exchange(keys.mint()))
        finally:
            work.jobs.cancel_all()
            hosts_of(work).stop()


def hear_one(study: Study, name: str, rating: float, text: str) -> tuple[Round, int]:
    """One form of the listener's round, heard whole, rated and commented; the round stays open."""
    round_ = enter_round(study, name, any_day=True)
    demand = round_.next_demand
    assert demand is not None
    sitting = study.log.sit_down(name, "headphones", "page")
    listen = round_.begin(demand, sitting)
    study.log.end_listen(listen.id, demand.render.frames)
    study.log.rate(listen.id, {"overall": rating})
    study.log.comment(listen.id, text, 1.0)
    round_.refresh()
    return round_, listen.code


@pytest.fixture
def rare_codes(monkeypatch: pytest.MonkeyPatch) -> None:
    """Codes that no page has for a number of its own: 879, 878, … for each listener."""
    monkeypatch.setattr(
        "sessions.log.draw_code", lambda _seed, _listener, used: max(set(range(700, 880)) - set(used))
    )


def without_outlook(text: str) -> str:
    """A sheet as it was sent, without what a plan can tell: figures of simulated studies, that are refined
    as time goes on."""
    return re.sub(r"<section aria-labelledby=\\?\"outlook-head.*?</section>", "", text, flags=re.S)


def snapshot(folder: Path) -> dict[str, bytes]:
    """Every file of a folder but the log, with its content."""
    return {
        path.relative_to(folder).as_posix(): path.read_bytes()
        for path in sorted(folder.rglob("*"))
        if path.is_file() and path.name != "log.sqlite"
    }
