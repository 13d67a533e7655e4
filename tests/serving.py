"""The page of a study on a port of this machine, as `host` serves it, for tests."""

from __future__ import annotations

import socket
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import httpx
import pytest
import uvicorn
from starlette.applications import Starlette

from listening import links
from listening.page.host import listening_socket, page_server, prepare
from listening.page.server import create_app
from sessions.study import Study
from tests.page_study import copied


@dataclass
class Served:
    """A study's page on a port of this machine."""

    study: Study
    app: Starlette
    base: str
    server: uvicorn.Server

    def link(self, listener: str) -> str:
        """A private link for a listener."""
        return links.make(self.study, listener, self.base).address


@pytest.fixture
def page_of(rendered_short: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Served]:
    """The page of a test's own copy of a study (a test module imports `rendered_short` too)."""
    monkeypatch.setattr(
        "listening.local.level.LEVEL_CHECK_S", 0.6
    )  # its whole length is heard in test_page_round
    with served(copied(rendered_short, tmp_path / "study")) as page:
        yield page


@pytest.fixture
def long_page_of(rendered_long: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Served]:
    """The same with forms of some ten seconds (a test module imports `rendered_long` too)."""
    monkeypatch.setattr("listening.local.level.LEVEL_CHECK_S", 0.6)
    with served(copied(rendered_long, tmp_path / "study")) as page:
        yield page


@contextmanager
def running(server: uvicorn.Server, door: socket.socket) -> Iterator[str]:
    """A server that answers at `door` for as long as the block runs; its address."""
    thread = threading.Thread(target=server.run, kwargs={"sockets": [door]}, daemon=True)
    thread.start()
    until = time.monotonic() + 30
    while not server.started:
        assert time.monotonic() < until, "the server did not start"
        time.sleep(0.02)
    try:
        yield f"http://127.0.0.1:{door.getsockname()[1]}"
    finally:
        server.should_exit = True
        thread.join(timeout=10)


@contextmanager
def served(study: Study, port: int = 0, **options: object) -> Iterator[Served]:
    """The page of a study, served for as long as the block runs (options as for create_app)."""
    app = create_app(study, **options)  # type: ignore[arg-type]
    prepare(study, app, lambda _text: None)
    door = listening_socket("127.0.0.1", port, print)
    server = page_server(app)
    with running(server, door) as base:
        yield Served(study, app, base, server)


def plain_client(base: str, timeout_s: float = 30) -> httpx.Client:
    """A client of a page on this machine, which speaks plain HTTP: it reads no authority's certificate, what
    takes as long as some tests."""
    return httpx.Client(base_url=base, timeout=timeout_s, verify=False)


def free_port() -> int:
    """A port of this machine that nothing listens on."""
    with socket.create_server(("127.0.0.1", 0)) as probe:
        return int(probe.getsockname()[1])
