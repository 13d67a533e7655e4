"""The log's tables and their migrations. Rows are only ever added; a correction is a new row.

Each migration and the record of it commit in one transaction, so a killed process leaves the log
either before it or after it.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from sqlalchemy import (
    BigInteger,
    CheckConstraint,
    Column,
    Connection,
    Float,
    ForeignKey,
    Index,
    Integer,
    MetaData,
    String,
    Table,
    Text,
    UniqueConstraint,
    inspect,
    select,
)
from sqlalchemy.schema import SchemaItem

from render.errors import LogError
from sessions.checksums import RESTORE, SUM, fill_sums

metadata = MetaData()


def _stamp() -> list[Column[str]]:
    """When a row was written: UTC, and the writer's own date."""
    return [Column("at_utc", String(27), nullable=False), Column("local_date", String(10), nullable=False)]


def _table(name: str, *columns: SchemaItem) -> Table:
    """A table whose rows bear their stamp and their own sum (see checksums.py); numbered where they have no
    other key."""
    keyed = any(isinstance(column, Column) and column.primary_key for column in columns)
    number = [] if keyed else [Column("id", Integer, primary_key=True)]
    return Table(name, metadata, *number, *columns, *_stamp(), Column(SUM, BigInteger))


def _of(table: str, *, key: bool = False) -> Column[Any]:
    """A foreign key to another table's rows: "listen_id" for "listens"."""
    return Column(f"{table[:-1]}_id", ForeignKey(f"{table}.id"), primary_key=key, nullable=False)


# Without sums, as it must be read before it is known whether there are any. The versions are 1, 2, 3, ...
# without a gap, so a changed one is seen; when they were applied, nobody asks.
schema_versions = Table("schema_versions", metadata, Column("version", Integer, primary_key=True), *_stamp())

secrets = _table(
    "secrets",
    Column("name", String(40), primary_key=True),
    Column("value", Text, nullable=False),
)

events = _table(
    "events",
    Column("kind", String(40), nullable=False),
    Column("detail", Text, nullable=False),
)

listeners = _table(
    "listeners",
    Column("name", String(80), nullable=False, unique=True),
    Column("simulated", Integer, nullable=False),
)

forms = _table(
    "forms",
    Column("content_hash", String(64), nullable=False, unique=True),
    Column("name", Text, nullable=False),
    Column("replaces", Text),
    Column("description", Text, nullable=False),  # JSON: parts, bars, seconds; a retired form stays explained
)

rounds = _table(
    "rounds",
    _of("listeners"),
    Column("number", Integer, nullable=False),
    Column("order_json", Text, nullable=False),  # JSON: form ids in the order they are heard
    Column("render_set", String(64), nullable=False),
    UniqueConstraint("listener_id", "number"),
)

round_ends = _table(
    "round_ends",
    _of("rounds", key=True),
    Column("complete", Integer, nullable=False),
)

sittings = _table(
    "sittings",
    _of("listeners"),
    Column("heard_on", Text, nullable=False),
    Column("means", String(20), nullable=False),  # device, page, packet, simulated
)

codes = _table(
    "codes",
    _of("listeners", key=True),
    Column("code", Integer, primary_key=True),
    _of("rounds"),
    _of("forms"),
)

listens = _table(
    "listens",
    _of("rounds"),
    _of("sittings"),
    _of("forms"),
    Column("position", Integer, nullable=False),
    Column("code", Integer, nullable=False),
    Column("frames", Integer, nullable=False),
    Column("after_opening", Integer, nullable=False),
)

listen_ends = _table(
    "listen_ends",
    _of("listens", key=True),
    Column("frames_delivered", Integer, nullable=False),
    Column("void_reason", Text),  # null: heard to its end
)

ratings = _table(
    "ratings",
    _of("listens"),
    Column("aspect", String(20), nullable=False),
    Column("value", Float, nullable=False),
    CheckConstraint("value >= 0 AND value <= 100"),
)

comments = _table(
    "comments",
    _of("listens"),
    Column("time_s", Float),  # seconds after the form's first bar line; null: about the whole
    Column("text", Text, nullable=False),
)

links = _table(
    "links",
    _of("listeners"),
    Column("token_sha256", String(64), nullable=False, unique=True),  # the token itself is kept nowhere
)

link_ends = _table("link_ends", _of("links", key=True))

submissions = _table(
    "submissions",  # answers that were taken in, so that one sent twice is kept once
    _of("listeners", key=True),
    Column("submission", String(100), primary_key=True),
)

blemishes = _table(
    "blemishes",  # what was late or missing in a listen that was not spoilt by it (or was, where it is void)
    _of("listens", key=True),
    Column("late_s", Float, nullable=False),  # in all
    Column("stumbles_json", Text, nullable=False),  # JSON: [[seconds after the first bar line, seconds], ...]
)

judgements = _table(
    "judgements",  # whether the listener could still judge a listen that stumbled; asked before the rating
    _of("listens", key=True),
    Column("could_judge", Integer, nullable=False),
)

round_answers = _table(
    "round_answers",  # to the questions at a round's end; a correction is a new row
    _of("rounds"),
    Column("cuts_json", Text, nullable=False),  # JSON: the listens in which a cut was heard
    Column("keep", String(10), nullable=False),  # form, none, no answer
    Column("kept_listen_id", ForeignKey("listens.id")),
)

moments = _table(
    "moments",  # places in a listen that the listener marked while it played, to be asked about after it
    _of("listens"),
    Column("time_s", Float, nullable=False),  # seconds after the form's first bar line
)

_FIRST_TABLES = [  # of version 1
    secrets, events, listeners, forms, rounds, round_ends, sittings, codes, listens, listen_ends, ratings,
    comments,
]  # fmt: skip

_PAGE_TABLES = [links, link_ends, submissions]

_INDEXES = [
    Index(f"{column.table.name}_by_{column.name}", column)
    for column in (
        sittings.c.listener_id, listens.c.round_id, listens.c.sitting_id, ratings.c.listen_id,
        comments.c.listen_id,
    )
]  # fmt: skip

Migration = Callable[[Connection], None]


def _creating(*new: Table) -> Migration:
    """A migration that only adds tables."""
    return lambda connection: metadata.create_all(connection, tables=new)


def _add_sums_and_indexes(connection: Connection) -> None:
    """A sum for every row to come, and indexes, so that one listener's part is found without a full scan."""
    _add_sums(connection, *_FIRST_TABLES, submissions)
    for index in _INDEXES:
        index.create(connection, checkfirst=True)


def _sum_every_row(connection: Connection) -> None:
    """Sums for links too, and for all rows that have none yet: from here on none counts as whole without."""
    _add_sums(connection, links, link_ends)
    for table in (*_FIRST_TABLES, *_PAGE_TABLES):
        fill_sums(connection, table)


def _add_sums(connection: Connection, *to: Table) -> None:
    inspector = inspect(connection)
    for table in to:
        if SUM not in {column["name"] for column in inspector.get_columns(table.name)}:
            connection.exec_driver_sql(f"ALTER TABLE {table.name} ADD COLUMN {SUM} BIGINT")


MIGRATIONS: tuple[Migration, ...] = (  # from version 1 on, which had _FIRST_TABLES
    _creating(*_PAGE_TABLES),
    _add_sums_and_indexes,
    _sum_every_row,
    _creating(blemishes, judgements, round_answers),
    _creating(moments),
)


def newest() -> int:
    """The version this code writes."""
    return 1 + len(MIGRATIONS)


def version(connection: Connection) -> int:
    """The log's version: 0 for an empty store.

    Raises:
        LogError: the versions it went through are not 1, 2, 3, ...
    """
    if not inspect(connection).has_table("schema_versions"):
        return 0
    applied = sorted(connection.execute(select(schema_versions.c.version)).scalars())
    if applied != list(range(1, len(applied) + 1)):
        raise LogError(f"the log is damaged (it went through the versions {applied}); {RESTORE}")
    return len(applied)


def check_known(number: int) -> None:
    """Refuse a log that a later fairhearing has written."""
    if number > newest():
        raise LogError(
            f"the log has version {number}, and this fairhearing knows up to {newest()}; "
            "it was written by a later fairhearing: update this one"
        )


def migrate(connection: Connection, at_utc: str, local_date: str) -> None:
    """Bring the log to the newest version and record how, inside the caller's transaction."""
    before = version(connection)
    if before == 0:
        metadata.create_all(connection)
    for number in range(before + 1, newest() + 1):
        if before > 0:
            MIGRATIONS[number - 2](connection)
        connection.execute(
            schema_versions.insert().values(version=number, at_utc=at_utc, local_date=local_date)
        )
