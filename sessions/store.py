"""The log's database (SQLite or a server); a commit is durable when it is acknowledged.

SQLite by default: one file with journal_mode=DELETE, so that a copied or synchronised folder stays whole.
Any other SQLAlchemy URL serves panels that outgrow one machine.
"""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path
from typing import Any

from sqlalchemy import URL, Connection, Engine, create_engine, event, func, make_url, select
from sqlalchemy.exc import ArgumentError, DatabaseError, IntegrityError, NoSuchModuleError
from sqlalchemy.pool import NullPool

from render.errors import LogError
from sessions import tables
from sessions.checksums import RESTORE
from sessions.clock import Clock, moment

BUSY_S = 20.0
PRAGMAS = (
    "journal_mode=DELETE",
    # FULL does not wait until the disk knows that the journal is gone: a power cut right after a commit could
    # bring it back, and take back a rating that was acknowledged (https://sqlite.org/pragma.html)
    "synchronous=EXTRA",
    "fullfsync=ON",  # macOS: also empty the disk's own cache; elsewhere it means nothing
    "foreign_keys=ON",
)
ONE_WRITER = 7306  # the advisory lock by which a server has one writer at a time, as SQLite does


class Store:
    """One database with the log's tables, migrated to what this code knows."""

    def __init__(self, where: Path | str, clock: Clock) -> None:
        self.clock = clock
        self.engine = _sqlite(where) if isinstance(where, Path) else _server(where)
        self._one: Connection | None = None  # that of `at_once`
        self.name = str(where) if isinstance(where, Path) else self.engine.url.render_as_string()
        self.look_through()

    def look_through(self) -> None:
        """Refuse a database that is damaged or of a later version; bring an older one up to this one."""
        with self._explained():
            if self.engine.dialect.name == "sqlite":
                self._require_whole()
            self._migrate()

    @contextmanager
    def reading(self) -> Iterator[Connection]:
        """A transaction that only reads: one consistent state of the log."""
        if self._one is not None:
            yield self._one
            return
        with self._explained(), self._connect(writes=False) as connection, connection.begin():
            yield connection

    @contextmanager
    def writing(self) -> Iterator[Connection]:
        """A transaction that is durable when the block ends, or leaves no trace."""
        if self._one is not None:
            yield self._one
            return
        with self._explained(), self._connect(writes=True) as connection, connection.begin():
            if self.engine.dialect.name == "postgresql":
                connection.execute(select(func.pg_advisory_xact_lock(ONE_WRITER)))
            yield connection

    @contextmanager
    def at_once(self) -> Iterator[None]:
        """All that this thread, the only one, reads and writes in the block is one transaction: hundreds of
        scripted entries wait for the disk once, and are there all or not at all."""
        with self.writing() as self._one:
            try:
                yield
            finally:
                self._one = None

    def _connect(self, *, writes: bool) -> Connection:
        """A connection whose transaction sees one state when it reads, and the latest when it writes."""
        connection = self.engine.connect().execution_options(writes=writes)
        if self.engine.dialect.name == "postgresql":
            connection.execution_options(isolation_level="READ COMMITTED" if writes else "REPEATABLE READ")
        return connection

    def close(self) -> None:
        self.engine.dispose()

    def _require_whole(self) -> None:
        """Refuse a damaged file before anything of it is believed (0.4 ms; 60 ms with 1,000 listeners)."""
        with self.reading() as connection:
            integrity = connection.exec_driver_sql("PRAGMA integrity_check(1)").scalar()
            lost = connection.exec_driver_sql("PRAGMA foreign_key_check").first()
        if integrity != "ok" or lost is not None:
            why = (
                integrity
                if lost is None
                else f"{lost[0]} {lost[1]} belongs to a row of {lost[2]} that is gone"
            )
            raise LogError(f"the log {self.name} is damaged ({why}); {RESTORE}")

    def _migrate(self) -> None:
        with self.reading() as connection:
            version = tables.version(connection)
        tables.check_known(version)
        if version < tables.newest():
            now = moment(self.clock())
            with self.writing() as connection:  # looks at the version again: another process may be quicker
                tables.migrate(connection, now.utc, now.local_date)

    @contextmanager
    def _explained(self) -> Iterator[None]:
        """Database errors as one clear message."""
        try:
            yield
        except (DatabaseError, UnicodeDecodeError) as error:
            raise LogError(f"the log {self.name} cannot be used: {_reason(error)}") from None


def _sqlite(path: Path) -> Engine:
    try:
        _begin_file(path)
    except OSError as error:
        raise LogError(f"the log {path} cannot be written: {error.strerror}") from None
    if path.stat().st_size == 0:
        raise LogError(f"the log {path} is empty, so what was in it is lost; {RESTORE}")
    engine = create_engine(
        URL.create("sqlite", database=str(path)), poolclass=NullPool, connect_args={"timeout": BUSY_S}
    )

    @event.listens_for(engine, "connect")
    def set_up(connection: Any, _record: Any) -> None:
        connection.isolation_level = None  # transactions begin where we say so, also around DDL
        for pragma in PRAGMAS:
            connection.execute(f"PRAGMA {pragma}")

    @event.listens_for(engine, "begin")
    def begin(connection: Connection) -> None:
        writes = connection.get_execution_options().get("writes", False)
        connection.exec_driver_sql("BEGIN IMMEDIATE" if writes else "BEGIN")

    return engine


def _begin_file(path: Path) -> None:
    """Make a new log, its owner's alone, unless there is one. It appears with a header in it, so that an
    empty file is known as damaged."""
    if path.exists():
        return
    with closing(sqlite3.connect(":memory:")) as blank:
        blank.execute("PRAGMA user_version = 1")
        header = blank.serialize()
    half = path.with_name(f".{path.name}.{os.getpid()}.part")
    try:
        with os.fdopen(os.open(half, os.O_CREAT | os.O_RDWR, 0o600), "wb") as file:
            file.write(header)
            file.flush()
            os.fsync(file.fileno())  # it must not be found empty after a power cut
        try:
            os.link(half, path)
        except FileExistsError:  # another process was quicker
            pass
        except OSError:  # a file system without hard links
            if not path.exists():
                half.rename(path)
    finally:
        half.unlink(missing_ok=True)


def _server(url: str) -> Engine:
    try:
        engine = create_engine(make_url(url), pool_pre_ping=True)
    except (ArgumentError, NoSuchModuleError, ImportError) as error:
        raise LogError(
            f"the store cannot be opened ({error}); write it as postgresql+psycopg://USER@HOST/DATABASE "
            "and install psycopg"
        ) from None

    @event.listens_for(engine, "connect")
    def set_up(connection: Any, _record: Any) -> None:
        """A commit waits for the disk, also where the server does not ask for it by itself."""
        if engine.dialect.name == "postgresql":
            with connection.cursor() as cursor:
                cursor.execute("SHOW synchronous_commit")
                if cursor.fetchone() == ("off",):
                    cursor.execute("SET synchronous_commit = on")
            connection.commit()

    return engine


def _reason(error: Exception) -> str:
    cause = getattr(error, "orig", None) or error
    text = (str(cause).strip().splitlines() or [type(cause).__name__])[0]
    if "locked" in text:
        return f"another process has held it for {BUSY_S:.0f} s; close the other fairhearing and try again"
    if "readonly" in text or "read-only" in text:
        return "it is read-only; give yourself the right to write to the study's folder"
    if "full" in text or "disk I/O error" in text:
        return f"the disk is full or failed ({text}); nothing was recorded, make room and try again"
    if isinstance(error, IntegrityError):
        return f"it refused the entry ({text}); nothing was recorded, run the command again"
    if any(sign in text for sign in ("not a database", "malformed", "decode", "no such")):
        return f"it is damaged ({text}); {RESTORE}"
    return text
