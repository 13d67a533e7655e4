"""What the log asks of its database, and what it says of a file that is none."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

from render.errors import LogError
from sessions.log import Log
from sessions.store import Store
from tests.clocks import SetClock
from tests.postgres import Server


def open_log(folder: Path) -> Log:
    return Log(Store(folder / "log.sqlite", SetClock()), SetClock())


def test_sqlite_keeps_its_promises_about_disks(tmp_path: Path) -> None:
    """3 is EXTRA: by SQLite's documentation the one level that lasts through a power cut "if the commit is
    followed closely by a power loss", as the folder is synced after the journal is unlinked."""
    log = open_log(tmp_path)
    with log.store.reading() as connection:
        pragma = {name: connection.exec_driver_sql(f"PRAGMA {name}").scalar() for name in (
            "journal_mode", "synchronous", "foreign_keys")}  # fmt: skip
    assert pragma == {"journal_mode": "delete", "synchronous": 3, "foreign_keys": 1}


def test_a_server_that_does_not_wait_for_its_disk_is_told_to(server: Server) -> None:
    """synchronous_commit: PostgreSQL's documentation, "Write Ahead Log", "Settings"."""
    url = server.new_database()
    log = Log(Store(url, SetClock()), SetClock())
    with log.store.writing() as connection:
        name = connection.exec_driver_sql("SELECT current_database()").scalar()
        connection.exec_driver_sql(f"ALTER DATABASE {name} SET synchronous_commit = off")
    log.store.close()
    fresh = Log(Store(url, SetClock()), SetClock())
    with fresh.store.writing() as connection:
        reset = "SELECT setting, reset_val FROM pg_settings WHERE name = 'synchronous_commit'"
        assert tuple(connection.exec_driver_sql(reset).one()) == ("on", "off")
    fresh.store.close()


@pytest.mark.skipif(sys.platform == "win32", reason="Windows has other rights")
def test_the_log_is_its_owners_alone(tmp_path: Path) -> None:
    open_log(tmp_path)
    assert (tmp_path / "log.sqlite").stat().st_mode & 0o077 == 0


def test_a_damaged_log_is_named_with_what_to_do(tmp_path: Path) -> None:
    (tmp_path / "log.sqlite").write_bytes(b"this is no database at all, but long enough to be read" * 40)
    with pytest.raises(LogError, match="damaged"):
        open_log(tmp_path)
