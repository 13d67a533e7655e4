"""Private links as the log keeps them: only the SHA-256 of a token, so that a copied log opens nothing.

A token holds 160 bits of the system's entropy, so a plain hash is enough: nobody can try them all.
"""

from __future__ import annotations

import hashlib
import secrets
from dataclasses import dataclass

from sqlalchemy import select

from render.errors import LogError
from sessions import tables as t
from sessions.clock import moment
from sessions.log import Log

TOKEN_BYTES = 20


@dataclass(frozen=True)
class Link:
    """A link that was given out: to whom and when, and when it ended (None: it works)."""

    id: int
    listener: str
    made_utc: str
    made_on: str
    ended_utc: str | None


def new_link(log: Log, listener: str) -> tuple[Link, str]:
    """A new link for a listener, and its token, which cannot be found out later."""
    token = secrets.token_urlsafe(TOKEN_BYTES)
    now = moment(log.clock())
    with log.store.writing() as connection:
        listener_id = connection.execute(
            select(t.listeners.c.id).where(t.listeners.c.name == listener)
        ).scalar()
        if listener_id is None:
            raise LogError(f'the log knows no listener "{listener}"; add them under [listeners] in song.toml')
        row = t.links.insert().values(
            listener_id=listener_id, token_sha256=_digest(token), at_utc=now.utc, local_date=now.local_date
        )
        key = connection.execute(row).inserted_primary_key
    assert key is not None
    return Link(int(key[0]), listener, now.utc, now.local_date, None), token


def end_links(log: Log, link_ids: list[int]) -> None:
    """End links; nothing happens to those that had ended."""
    now = moment(log.clock())
    with log.store.writing() as connection:
        ended = set(connection.execute(select(t.link_ends.c.link_id)).scalars())
        for link_id in sorted(set(link_ids) - ended):
            connection.execute(
                t.link_ends.insert().values(link_id=link_id, at_utc=now.utc, local_date=now.local_date)
            )


def all_links(log: Log) -> list[Link]:
    """Every link ever given out, oldest first."""
    query = (
        select(t.links, t.listeners.c.name, t.link_ends.c.at_utc.label("ended_utc"))
        .join(t.listeners)
        .join(t.link_ends, isouter=True)
        .order_by(t.links.c.id)
    )
    with log.store.reading() as connection:
        return [Link(r.id, r.name, r.at_utc, r.local_date, r.ended_utc) for r in connection.execute(query)]


def listener_of(log: Log, token: str) -> str | None:
    """Whose link a token belongs to, if it works."""
    query = (
        select(t.listeners.c.name)
        .join_from(t.links, t.listeners)
        .join(t.link_ends, isouter=True)
        .where(t.links.c.token_sha256 == _digest(token), t.link_ends.c.link_id.is_(None))
    )
    with log.store.reading() as connection:
        return connection.execute(query).scalar()


def _digest(token: str) -> str:
    return hashlib.sha256(token.encode("utf-8", "replace")).hexdigest()
