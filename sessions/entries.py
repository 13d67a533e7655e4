"""What may be written about a listen: the same rules whether it was heard here or far away."""

from __future__ import annotations

from sqlalchemy import Connection, select

from render.errors import LogError
from sessions import tables as t
from sessions.checksums import add_row
from sessions.clock import Moment
from sessions.records import ASPECTS, OVERALL

LONGEST_COMMENT = 4000


def known_listener(connection: Connection, name: str) -> int:
    """The id of a listener.

    Raises:
        LogError: the log knows none of that name.
    """
    found = connection.execute(select(t.listeners.c.id).where(t.listeners.c.name == name)).scalar()
    if found is None:
        raise LogError(f'the log knows no listener "{name}"; add them under [listeners] in song.toml')
    return int(found)


def add_submission(connection: Connection, at: Moment, listener: str, submission: str) -> bool:
    """Note a submission; False if it had been noted before."""
    listener_id = known_listener(connection, listener)
    s = t.submissions.c
    noted = select(s.submission).where(s.listener_id == listener_id, s.submission == submission)
    if connection.execute(noted).first() is not None:
        return False
    add_row(connection, t.submissions, at, listener_id=listener_id, submission=submission)
    return True


def require_round_open(connection: Connection, round_id: int) -> None:
    """Refuse what comes after a round's end."""
    over = select(t.round_ends.c.round_id).where(t.round_ends.c.round_id == round_id)
    if connection.execute(over).first() is not None:
        raise LogError("the round is over; its ratings stand as they are")


def require_not_rated_elsewhere(connection: Connection, listen_id: int) -> None:
    """Refuse a second rated listen of a form in one round (heard in two windows at the same time)."""
    this, other = t.listens.alias(), t.listens.alias()
    same = (other.c.round_id == this.c.round_id) & (other.c.form_id == this.c.form_id)
    rated_as = connection.execute(
        select(other.c.code)
        .select_from(this.join(other, same).join(t.ratings, t.ratings.c.listen_id == other.c.id))
        .where(this.c.id == listen_id, other.c.id != listen_id, t.ratings.c.aspect == OVERALL)
    ).scalar()
    if rated_as is not None:
        raise LogError(f"this form was rated meanwhile, as {rated_as}; that rating stands")


def add_rating(connection: Connection, at: Moment, listen_id: int, aspect: str, value: float) -> None:
    """Write one rating; refuses an unknown aspect, and what is not within 0 to 100."""
    if aspect not in (OVERALL, *ASPECTS) or not 0 <= value <= 100:
        raise LogError(f"{aspect} = {value} is not a rating; ratings are 0 to 100")
    add_row(connection, t.ratings, at, listen_id=listen_id, aspect=aspect, value=float(value))


def add_comment(connection: Connection, at: Moment, listen_id: int, text: str, time_s: float | None) -> None:
    """Write a comment, cut to LONGEST_COMMENT; nothing if it is empty."""
    if kept := text.strip()[:LONGEST_COMMENT]:
        add_row(connection, t.comments, at, listen_id=listen_id, time_s=time_s, text=kept)
