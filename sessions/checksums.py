"""CRC-32 of each row of the log, written with it and compared as it is read: damaged ratings are never used.

Neither SQLite nor its integrity check sees a bit that flips inside a value (measured: nine tenths of the
flips that changed what was read). CRC-32 finds every change of up to 32 neighbouring bits.
"""

from __future__ import annotations

import json
import zlib
from collections.abc import Callable, Mapping, Sequence
from functools import lru_cache
from typing import Any

from sqlalchemy import Connection, Float, Integer, Row, Select, Table, select

from render.errors import LogError
from sessions.clock import Moment

SUM = "row_sum"
RESTORE = (
    "keep the file as it is and put a copy in its place (a backup, the history of a synchronised folder); "
    "the renders and song.toml are not affected"
)
Rows = Mapping[Table, Sequence[Row[Any]]]
_text = json.JSONEncoder(default=str).encode  # bytes where a number was: damage too


def add_row(connection: Connection, table: Table, at: Moment, **values: Any) -> Sequence[Any]:
    """Write a row with its moment and its sum; returns its key."""
    row = values | {"at_utc": at.utc, "local_date": at.local_date}
    done = connection.execute(table.insert(), row | {SUM: row_sum(table, row)})
    return done.inserted_primary_key or ()


def whole_rows(connection: Connection, query: Select[Any], table: Table) -> Sequence[Row[Any]]:
    """What `query` finds in `table`, of which it selects all columns.

    Raises:
        LogError: some rows are not as they were written.
    """
    rows = connection.execute(query).all()
    require_whole({table: rows})
    return rows


def require_whole(rows: Rows) -> None:
    """Refuse rows that are not as they were written.

    Raises:
        LogError: it names them.
    """
    damaged = [f"{table.name} {row[0]}" for table in rows for row in rows[table] if not is_whole(table, row)]
    if damaged:
        named = ", ".join(damaged[:5]) + (" and more" if len(damaged) > 5 else "")
        raise LogError(
            f"{len(damaged)} of the log's entries changed on the disk since they were written ({named}). The "
            f"others are whole, but the log is not read, so that no wrong rating is ever used: {RESTORE}"
        )


def row_sum(table: Table, values: Mapping[str, Any]) -> int:
    """The sum of a row that is about to be written into `table`; what it does not name is null."""
    return _sum(table, [convert(values.get(name)) for name, convert in _summed(table).items()])


def is_whole(table: Table, row: Row[Any]) -> bool:
    """Whether a row of `table`, read with all its columns in their order, is as it was written."""
    kept: int | None = row[-1]
    return kept == _sum(table, row[-1 - len(_summed(table)) : -1])


def fill_sums(connection: Connection, table: Table) -> None:
    """Give a sum to rows from before there were sums, as they are now."""
    keys = list(table.primary_key)
    for row in connection.execute(select(table).where(table.c[SUM].is_(None))).mappings().all():
        this = [key == row[key.name] for key in keys]
        connection.execute(table.update().where(*this).values({SUM: row_sum(table, row)}))  # type: ignore[arg-type]


def _sum(table: Table, values: Sequence[Any]) -> int:
    return zlib.crc32(_text([table.name, *values]).encode("ascii"))


@lru_cache(maxsize=64)
def _summed(table: Table) -> Mapping[str, Callable[[Any], Any]]:
    """name -> how the database gives a value back: all columns but the row's own number and the sum."""
    return {c.name: _converter(c.type) for c in table.columns if c.name not in ("id", SUM)}


def _converter(kind: object) -> Callable[[Any], Any]:
    convert = float if isinstance(kind, Float) else int if isinstance(kind, Integer) else str
    return lambda value: None if value is None else convert(value)
