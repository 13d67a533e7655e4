"""A real PostgreSQL server for tests: Debian's package, a cluster of its own in a temporary folder."""

from __future__ import annotations

import os
import shutil
import subprocess
import tempfile
import uuid
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import pytest

USER = "postgres"


@dataclass(frozen=True)
class Server:
    """A running server; `new_database` gives a URL for --store."""

    binaries: Path
    socket: Path

    def new_database(self) -> str:
        name = f"study_{uuid.uuid4().hex[:12]}"
        _as_postgres([str(self.binaries / "createdb"), "-h", str(self.socket), name])
        return f"postgresql+psycopg://{USER}@/{name}?host={self.socket}"


@contextmanager
def postgres() -> Iterator[Server]:
    """Start a server, and stop it when the block ends."""
    found = sorted(Path("/usr/lib/postgresql").glob("*/bin/pg_ctl"))
    if not found:
        pytest.skip("PostgreSQL is not installed")
    binaries = found[-1].parent
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


def _as_postgres(command: list[str]) -> None:
    """PostgreSQL refuses to run as root: become its own user where we are root."""
    if os.geteuid() == 0:
        command = ["setpriv", f"--reuid={USER}", f"--regid={USER}", "--init-groups", *command]
    done = subprocess.run(command, capture_output=True, text=True, check=False, cwd="/")
    assert done.returncode == 0, done.stdout + done.stderr
