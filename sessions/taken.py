"""Listens that come back from afar (a packet's answers), written with the times they happened at."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import select

from render.errors import LogError
from sessions import tables as t
from sessions.clock import moment
from sessions.log import LONGEST_COMMENT, Log, require_not_rated_elsewhere
from sessions.records import ASPECTS, OVERALL, opened_event, read_events
from sessions.rows import add_row


@dataclass(frozen=True)
class TakenRating:
    aspect: str
    value: float
    at: datetime


@dataclass(frozen=True)
class TakenListen:
    """A listen with all that belongs to it. `void_reason` is None if it was heard to its end."""

    round_id: int
    sitting_id: int
    form_id: int
    position: int
    code: int
    frames: int
    frames_delivered: int
    void_reason: str | None
    began: datetime
    ended: datetime
    ratings: Sequence[TakenRating]
    comments: Sequence[tuple[float | None, str]]


def take_in(log: Log, listener: str, submission: str, listen: TakenListen) -> bool:
    """Write a listen, its end, ratings and comments in one transaction; False if it was there before.

    Raises:
        LogError: the round is over, the form was rated meanwhile, or a rating is none.
    """
    ended = moment(listen.ended)
    with log.store.writing() as connection:
        whose = select(t.listeners.c.id).where(t.listeners.c.name == listener)
        listener_id = connection.execute(whose).scalar_one()
        s = t.submissions.c
        noted = select(s.submission).where(s.listener_id == listener_id, s.submission == submission)
        if connection.execute(noted).first() is not None:
            return False
        over = select(t.round_ends.c.round_id).where(t.round_ends.c.round_id == listen.round_id)
        if connection.execute(over).first() is not None:
            raise LogError("the round is over; its ratings stand as they are")
        add_row(
            connection, t.submissions, moment(log.clock()), listener_id=listener_id, submission=submission
        )
        opened = opened_event(read_events(connection)) is not None
        listen_id = add_row(
            connection, t.listens, moment(listen.began), round_id=listen.round_id,
            sitting_id=listen.sitting_id, form_id=listen.form_id, position=listen.position,
            code=listen.code, frames=listen.frames, after_opening=int(opened),
        )[0]  # fmt: skip
        add_row(
            connection, t.listen_ends, ended, listen_id=listen_id,
            frames_delivered=listen.frames_delivered, void_reason=listen.void_reason,
        )  # fmt: skip
        if listen.ratings:
            require_not_rated_elsewhere(connection, listen_id)
        for rating in listen.ratings:
            if rating.aspect not in (OVERALL, *ASPECTS) or not 0 <= rating.value <= 100:
                raise LogError(f"{rating.aspect} = {rating.value} is not a rating; ratings are 0 to 100")
            add_row(
                connection, t.ratings, moment(rating.at), listen_id=listen_id, aspect=rating.aspect,
                value=float(rating.value),
            )  # fmt: skip
        for time_s, text in listen.comments:
            if kept := text.strip()[:LONGEST_COMMENT]:
                add_row(connection, t.comments, ended, listen_id=listen_id, time_s=time_s, text=kept)
        return True
