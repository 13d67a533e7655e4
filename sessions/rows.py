"""Rows of the log: each is written with its sum, and compared with it as it is read.

So what changed on the disk is never used.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from sqlalchemy import Connection, Row, Select, Table

from render.errors import LogError
from sessions.clock import Moment
from sessions.sums import RESTORE, is_whole, row_sum

Rows = Mapping[Table, Sequence[Row[Any]]]


def add_row(connection: Connection, table: Table, at: Moment, **values: Any) -> Sequence[Any]:
    """Write a row with its moment and its sum; returns its key."""
    row = values | {"at_utc": at.utc, "local_date": at.local_date}
    done = connection.execute(table.insert().values(**row, row_sum=row_sum(table, row)))
    return done.inserted_primary_key or ()


def whole_rows(connection: Connection, query: Select[Any], table: Table) -> Sequence[Row[Any]]:
    """What `query` finds in `table`, of which it selects all columns.

    Raises:
        LogError: some rows are not as they were written.
    """
    found = connection.execute(query).all()
    require_whole({table: found})
    return found


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
