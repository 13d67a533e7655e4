"""Private links as the log keeps them: only the SHA-256 of a token, so that a copied log opens nothing.

A token holds 160 bits of the system's entropy, so a plain hash is enough: nobody can try them all.
"""

from __future__ import annotations

import hashlib
import secrets
from dataclasses import dataclass

from sqlalchemy import select

from sessions import tables as t
from sessions.checksums import add_row, whole_rows
from sessions.clock import moment
from sessions.entries import known_listener
from sessions.log import Log

TOKEN_BYTES = 20


@dataclass(frozen=True)
class Link:
    """A link that was given out: to whom and when, and when it ended (None: it works)."""

    id: int
    listener: str
    made_on: str
    ended_utc: str | None


def new_link(log: Log, listener: str) -> tuple[Link, str]:
    """A new link for a listener, and its token, which cannot be found out later."""
    token = secrets.token_urlsafe(TOKEN_BYTES)
    now = moment(log.clock())
    with log.store.writing() as connection:
        listener_id = known_listener(connection, listener)
        key = add_row(connection, t.links, now, listener_id=listener_id, token_sha256=_digest(token))
    return Link(int(key[0]), listener, now.local_date, None), token


def end_links(log: Log, link_ids: list[int]) -> None:
    """End links; nothing happens to those that had ended."""
    now = moment(log.clock())
    with log.store.writing() as connection:
        ended = {row.link_id for row in whole_rows(connection, select(t.link_ends), t.link_ends)}
        for link_id in sorted(set(link_ids) - ended):
            add_row(connection, t.link_ends, now, link_id=link_id)


def all_links(log: Log) -> list[Link]:
    """Every link ever given out, oldest first.

    Raises:
        LogError: some entry changed on the disk, so that a link which has ended could work again.
    """
    with log.store.reading() as connection:
        names = {row.id: row.name for row in whole_rows(connection, select(t.listeners), t.listeners)}
        ends = {row.link_id: row.at_utc for row in whole_rows(connection, select(t.link_ends), t.link_ends)}
        return [
            Link(row.id, names[row.listener_id], row.local_date, ends.get(row.id))
            for row in whole_rows(connection, select(t.links).order_by(t.links.c.id), t.links)
        ]


def listener_of(log: Log, token: str) -> str | None:
    """Whose link a token belongs to, if it works."""
    with log.store.reading() as connection:
        by_token = select(t.links).where(t.links.c.token_sha256 == _digest(token))
        for link in whole_rows(connection, by_token, t.links):
            end = select(t.link_ends).where(t.link_ends.c.link_id == link.id)
            if not whole_rows(connection, end, t.link_ends):
                whose = select(t.listeners).where(t.listeners.c.id == link.listener_id)
                return str(whole_rows(connection, whose, t.listeners)[0].name)
    return None


def _digest(token: str) -> str:
    return hashlib.sha256(token.encode("utf-8", "replace")).hexdigest()
