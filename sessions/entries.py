"""Validated inserts about listens, shared by live ones and those imported from packets."""

from __future__ import annotations

import json
from collections.abc import Sequence

from sqlalchemy import Connection, select

from render.errors import LogError
from sessions import tables as t
from sessions.checksums import add_row
from sessions.clock import Moment
from sessions.records import ASPECTS, MOST_BLEMISH_S, OVERALL, RoundAnswers, Stumble

LONGEST_COMMENT = 4000


def known_listener(connection: Connection, name: str) -> int:
    """The id of a listener.

    Raises:
        LogError: the log knows none of that name.
    """
    listener_id = connection.execute(select(t.listeners.c.id).where(t.listeners.c.name == name)).scalar()
    if listener_id is None:
        raise LogError(f'the log knows no listener "{name}"; add them under [listeners] in song.toml')
    return int(listener_id)


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


def require_rateable(connection: Connection, listen_id: int) -> None:
    """Refuse a rating of a listen that does not count, or whose round is over.

    A listen counts when it ended, is not void, and was not disturbed, or was judged all the same.
    """
    row = connection.execute(
        select(
            t.listens.c.round_id,
            t.listen_ends.c.void_reason,
            t.blemishes.c.late_s,
            t.judgements.c.could_judge,
        )
        .join_from(t.listens, t.listen_ends)
        .join(t.blemishes, t.blemishes.c.listen_id == t.listens.c.id, isouter=True)
        .join(t.judgements, t.judgements.c.listen_id == t.listens.c.id, isouter=True)
        .where(t.listens.c.id == listen_id)
    ).first()
    if row is None or row.void_reason is not None or row.could_judge == 0:
        raise LogError("only a listen that was heard to its end can be rated; hear it from the top")
    if (row.late_s or 0.0) > MOST_BLEMISH_S and row.could_judge is None:
        raise LogError("this listen stumbled; first say whether it could still be judged")
    require_round_open(connection, row.round_id)
    require_not_rated_elsewhere(connection, listen_id)


def add_blemish(
    connection: Connection, at: Moment, listen_id: int, late_s: float, stumbles: Sequence[Stumble]
) -> None:
    """Note what was late or missing in a listen; nothing if nothing was."""
    if late_s > 0:
        places = json.dumps([[round(x.at_s, 3), round(x.length_s, 3)] for x in stumbles])
        add_row(
            connection,
            t.blemishes,
            at,
            listen_id=listen_id,
            late_s=float(late_s),
            stumbles_json=places,
        )


def add_judgement(connection: Connection, at: Moment, listen_id: int, could_judge: bool) -> bool:
    """Note whether a listen that stumbled could be judged, once; what the first answer was."""
    known = select(t.judgements.c.could_judge).where(t.judgements.c.listen_id == listen_id)
    first = connection.execute(known).scalar()
    if first is None:
        add_row(connection, t.judgements, at, listen_id=listen_id, could_judge=int(could_judge))
        return could_judge
    return bool(first)


def add_round_answers(connection: Connection, at: Moment, round_id: int, answers: RoundAnswers) -> None:
    """Write what was answered at a round's end, while it is open.

    Raises:
        LogError: the round is over, or a listen named is none of its own.
    """
    require_round_open(connection, round_id)
    own = set(connection.execute(select(t.listens.c.id).where(t.listens.c.round_id == round_id)).scalars())
    named = {*answers.cuts, *([] if answers.kept is None else [answers.kept])}
    if not named <= own or (answers.keep == "form") != (answers.kept is not None):
        raise LogError("these answers are not about listens of this round")
    add_row(
        connection, t.round_answers, at, round_id=round_id, cuts_json=json.dumps(sorted(answers.cuts)),
        keep=answers.keep, kept_listen_id=answers.kept,
    )  # fmt: skip


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
