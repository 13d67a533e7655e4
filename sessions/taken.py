"""Listens imported from a packet's answers, written with the times they happened at."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from sessions import entries
from sessions import tables as t
from sessions.checksums import add_row
from sessions.clock import moment
from sessions.log import Log
from sessions.records import Stumble, opened_event, read_events


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
    late_s: float = 0.0
    stumbles: Sequence[Stumble] = ()
    could_judge: bool | None = None


def take_in(log: Log, listener: str, submission: str, listen: TakenListen) -> bool:
    """Write a listen, its end, ratings and comments in one transaction; False if it was there before.

    Raises:
        LogError: the round is over, the form was rated meanwhile, or a rating is none.
    """
    ended = moment(listen.ended)
    with log.store.writing() as connection:
        if not entries.add_submission(connection, moment(log.clock()), listener, submission):
            return False
        entries.require_round_open(connection, listen.round_id)
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
        entries.add_blemish(connection, ended, listen_id, listen.late_s, listen.stumbles)
        if listen.could_judge is not None:
            entries.add_judgement(connection, ended, listen_id, listen.could_judge)
        if listen.ratings:
            entries.require_rateable(connection, listen_id)
        for rating in listen.ratings:
            entries.add_rating(connection, moment(rating.at), listen_id, rating.aspect, rating.value)
        for time_s, text in listen.comments:
            entries.add_comment(connection, ended, listen_id, text, time_s)
        return True
