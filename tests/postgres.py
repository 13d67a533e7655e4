"""A real PostgreSQL server for tests: Debian's package, a cluster of its own in a temporary folder."""

from __future__ import annotations

import os
import shutil
import subprocess
import tempfile
import uuid
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path

import psycopg
import pytest
from sqlalchemy import make_url

from sessions.clock import Clock, system_clock
from sessions.store import Store
from sessions.study import Reader, Study
from sessions.tables import metadata

USER = "postgres"


@dataclass(frozen=True)
class Server:
    """A running server; `new_database` gives a URL for --store."""

    binaries: Path
    socket: Path
    emptied: list[str] = field(default_factory=list)  # names of databases whose tables are there, and empty

    def new_database(self) -> str:
        name = f"study_{uuid.uuid4().hex[:12]}"
        _as_postgres([str(self.binaries / "createdb"), "-h", str(self.socket), name])
        return self._url(name)

    @contextmanager
    def lent(self) -> Iterator[Callable[[Path], str]]:
        """Gives each folder a database of its own: one that was emptied, since a new one takes longer."""
        lent: dict[Path, str] = {}

        def database_of(folder: Path) -> str:
            if folder not in lent:
                if not self.emptied:
                    url = self.new_database()
                    Store(url, system_clock).close()
                    self.emptied.append(make_url(url).database or "")
                lent[folder] = self.emptied.pop()
            return self._url(lent[folder])

        yield database_of
        for name in lent.values():
            self._empty(name)
            self.emptied.append(name)

    def _empty(self, name: str) -> None:
        tables = ", ".join(table for table in metadata.tables if table != "schema_versions")
        with psycopg.connect(f"host={self.socket} user={USER} dbname={name}", autocommit=True) as connection:
            others = "datname = current_database() AND pid <> pg_backend_pid()"
            connection.execute(f"SELECT pg_terminate_backend(pid) FROM pg_stat_activity WHERE {others}")
            connection.execute(f"TRUNCATE {tables} RESTART IDENTITY")

    def _url(self, name: str) -> str:
        return f"postgresql+psycopg://{USER}@/{name}?host={self.socket}"


@contextmanager
def postgres() -> Iterator[Server]:
    """Start a server, and stop it when the block ends."""
    servers = sorted(Path("/usr/lib/postgresql").glob("*/bin/pg_ctl"))
    if not servers:
        pytest.skip("PostgreSQL is not installed")
    binaries = servers[-1].parent
    with tempfile.TemporaryDirectory(prefix="fh-pg-", dir="/tmp") as place:
        folder = Path(place)
        data = folder / "data"
        shutil.chown(folder, USER) if os.geteuid() == 0 else None
        _as_postgres([str(binaries / "initdb"), "-D", str(data), "-A", "trust", "-U", USER, "-E", "UTF8",
                      "--no-sync"])  # fmt: skip
        options = f"-k {folder} -c listen_addresses= -c fsync=off"
        control = [str(binaries / "pg_ctl"), "-D", str(data), "-w", "-l", str(folder / "server.txt")]
        _as_postgres([*control, "-o", options, "start"])
        try:
            yield Server(binaries, folder)
        finally:
            _as_postgres([*control, "-m", "immediate", "stop"])


@pytest.fixture(scope="session")
def server() -> Iterator[Server]:
    """One server for the whole test run."""
    with postgres() as running:
        yield running


@pytest.fixture(params=["sqlite", "postgresql"])
def on_both_stores(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    """The test runs twice: its studies have logs in their folders, and each in its own database."""
    if request.param == "sqlite":
        yield
        return
    server: Server = request.getfixturevalue("server")
    with server.lent() as database_of:
        as_it_is = Study.__init__

        def on_the_server(
            study: Study,
            folder: Path,
            clock: Clock = system_clock,
            store: str | None = None,
            reader: Reader | None = None,
        ) -> None:
            as_it_is(study, folder, clock, store or database_of(folder.resolve()), reader)

        monkeypatch.setattr(Study, "__init__", on_the_server)
        yield


def _as_postgres(command: list[str]) -> None:
    """PostgreSQL refuses to run as root: become its own user where we are root."""
    if os.geteuid() == 0:
        command = ["setpriv", f"--reuid={USER}", f"--regid={USER}", "--init-groups", *command]
    done = subprocess.run(command, capture_output=True, text=True, check=False, cwd="/")
    assert done.returncode == 0, done.stdout + done.stderr
