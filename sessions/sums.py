"""A sum beside each row of the log, so that a rating which has changed on the disk is never taken for one.

Neither SQLite nor its integrity check sees a bit that flips inside a value (measured: nine tenths of the
flips that changed what was read). CRC-32 finds every change of up to 32 neighbouring bits.
"""

from __future__ import annotations

import json
import zlib
from collections.abc import Callable, Mapping, Sequence
from functools import lru_cache
from typing import Any

from sqlalchemy import Connection, Float, Integer, Row, Table, select

SUM = "row_sum"
RESTORE = (
    "keep the file as it is and put a copy in its place (a backup, the history of a synchronised folder); "
    "the renders and song.toml are not affected"
)
_text = json.JSONEncoder(default=str).encode  # bytes where a number was: damage too


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
