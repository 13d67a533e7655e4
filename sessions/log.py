"""The append-only log of a study: listens, ratings, comments and decisions.

Every method that writes is one transaction; when it returns, the entry is on the disk.
"""

from __future__ import annotations

import json
import secrets as entropy
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import timedelta
from typing import Any, NamedTuple

from sqlalchemy import Connection, Row, Table, func, select

from render.errors import LogError
from sessions import entries
from sessions import tables as t
from sessions.checksums import add_row, whole_rows
from sessions.clock import Clock, Moment, moment, utc_time
from sessions.plan import draw_code, new_seed
from sessions.records import (
    OVERALL,
    LogContents,
    RoundAnswers,
    Stumble,
    opened_event,
    read_contents,
    read_events,
)
from sessions.resting import KIND
from sessions.store import Store

SITTING_PAUSE = timedelta(minutes=60)


@dataclass(frozen=True)
class NewForm:
    """A form to be known to the log."""

    content_hash: str
    name: str
    replaces: str | None
    description: Mapping[str, Any]


class Sitting(NamedTuple):
    """A listener's unbroken spell of listening: when it began (UTC), on what and by which means."""

    id: int
    began_utc: str
    heard_on: str
    means: str


class Log:
    """Every kind of entry of the log, as one method each."""

    def __init__(self, store: Store, clock: Clock) -> None:
        self.store = store
        self.clock = clock

    def contents(self, listener: str | None = None, *, listens: bool = True) -> LogContents:
        """Everything in the log (or all of one listener's), in one consistent state.

        The cost grows with what is read: ask for one listener's part, or for no `listens`, where that
        is enough.
        """
        with self.store.reading() as connection:
            return read_contents(connection, listener, listens=listens)

    def height(self) -> int:
        """The number of all rows, as a change counter: it grows with every write of any process."""
        counts = [
            select(func.count()).select_from(table).scalar_subquery() for table in t.metadata.sorted_tables
        ]
        with self.store.reading() as connection:
            return sum(connection.execute(select(*counts)).one())

    def has_ratings(self) -> bool:
        """Whether anything has been rated."""
        with self.store.reading() as connection:
            rated = select(t.ratings.c.id).where(t.ratings.c.aspect == OVERALL).limit(1)
            return connection.execute(rated).first() is not None

    def secret(self, name: str) -> str:
        """A secret (plan_seed, packet_key, page_key), drawn from the system's entropy when first asked."""
        with self.store.reading() as connection:
            known = self._secret(connection, name)
        if known:
            return known
        with self.store.writing() as connection:
            known = self._secret(connection, name)
            if known:
                return known
            drawn = new_seed() if name == "plan_seed" else entropy.token_hex(32)
            self._insert(connection, t.secrets, name=name, value=drawn)
            return drawn

    def add_event(self, kind: str, detail: Mapping[str, Any]) -> None:
        """An event of the study as a whole (opened, decided, collected, ...)."""
        with self.store.writing() as connection:
            self._add(connection, t.events, kind=kind, detail=_json(detail))

    def add_listener(self, name: str, *, simulated: bool = False) -> None:
        """Make a listener known; nothing happens to one who is."""
        with self.store.writing() as connection:
            named = select(t.listeners.c.id).where(t.listeners.c.name == name)
            if connection.execute(named).first() is None:
                self._add(connection, t.listeners, name=name, simulated=int(simulated))

    def add_forms(self, forms: Iterable[NewForm]) -> dict[str, int]:
        """Make forms known; returns content hash -> id. A form's first name and description stay."""
        with self.store.writing() as connection:
            known = {row.content_hash: row.id for row in connection.execute(select(t.forms))}
            for form in forms:
                if form.content_hash not in known:
                    known[form.content_hash] = self._add(
                        connection, t.forms, content_hash=form.content_hash, name=form.name,
                        replaces=form.replaces, description=_json(form.description),
                    )  # fmt: skip
            return known

    def start_round(
        self,
        listener: str,
        number: int,
        order: Sequence[int],
        render_set: str,
        reading: Mapping[str, Any] | None = None,
    ) -> int:
        """Begin round `number` of a listener with form ids in the order they will be heard.

        `reading` is what its forms were chosen by (see `resting`); it is written in the same transaction.
        """
        with self.store.writing() as connection:
            listener_id = entries.known_listener(connection, listener)
            last = connection.execute(
                select(func.max(t.rounds.c.number)).where(t.rounds.c.listener_id == listener_id)
            ).scalar()
            if number != (last or 0) + 1:
                raise LogError(f"{listener}'s next round is {(last or 0) + 1}, not {number}; start again")
            if reading is not None:
                self._add(connection, t.events, kind=KIND, detail=_json(reading))
            return self._add(
                connection, t.rounds, listener_id=listener_id, number=number,
                order_json=json.dumps(list(order)), render_set=render_set,
            )  # fmt: skip

    def end_round(self, round_id: int, *, complete: bool) -> None:
        """Close a round: nothing in it can be corrected from here on."""
        with self.store.writing() as connection:
            ended = connection.execute(
                select(t.round_ends).where(t.round_ends.c.round_id == round_id)
            ).first()
            if ended is None:
                self._insert(connection, t.round_ends, round_id=round_id, complete=int(complete))

    def sit_down(self, listener: str, heard_on: str, means: str) -> int:
        """The sitting this moment belongs to: the listener's last one, unless they paused for an hour
        or listen on something else."""
        with self.store.writing() as connection:
            listener_id = entries.known_listener(connection, listener)
            last = self._open_sitting(connection, listener_id)
            if last is not None and (last.heard_on, last.means) == (heard_on, means):
                return last.id
            return self._add(connection, t.sittings, listener_id=listener_id, heard_on=heard_on, means=means)

    def open_sitting(self, listener: str) -> Sitting | None:
        """The listener's last sitting, unless it has been paused for an hour."""
        with self.store.reading() as connection:
            return self._open_sitting(connection, entries.known_listener(connection, listener))

    def _open_sitting(self, connection: Connection, listener_id: int) -> Sitting | None:
        own = select(t.sittings).where(t.sittings.c.listener_id == listener_id)
        last = connection.execute(own.order_by(t.sittings.c.id.desc())).first()
        if last is None or not self._goes_on(connection, last.id, last.at_utc):
            return None
        return Sitting(int(last.id), str(last.at_utc), str(last.heard_on), str(last.means))

    def reserve_code(self, round_id: int, form_id: int) -> int:
        """A code that the round's listener has never met."""
        seed = self.secret("plan_seed")
        with self.store.writing() as connection:
            row = connection.execute(
                select(t.rounds.c.listener_id, t.listeners.c.name)
                .join(t.listeners)
                .where(t.rounds.c.id == round_id)
            ).one()
            used = connection.execute(select(t.codes.c.code).where(t.codes.c.listener_id == row.listener_id))
            code = draw_code(seed, row.name, set(used.scalars()))
            self._insert(
                connection,
                t.codes,
                listener_id=row.listener_id,
                code=code,
                round_id=round_id,
                form_id=form_id,
            )
            return code

    def codes_of(self, round_id: int) -> dict[int, int]:
        """The codes reserved in a round -> form ids. For no listener's eyes."""
        with self.store.reading() as connection:
            query = select(t.codes).where(t.codes.c.round_id == round_id)
            return {row.code: row.form_id for row in whole_rows(connection, query, t.codes)}

    def was_submitted(self, listener: str, submission: str) -> bool:
        """Whether a submission was taken in."""
        query = (
            select(t.submissions.c.submission)
            .join(t.listeners)
            .where(t.listeners.c.name == listener, t.submissions.c.submission == submission)
        )
        with self.store.reading() as connection:
            return connection.execute(query).first() is not None

    def start_listen(
        self, round_id: int, sitting_id: int, form_id: int, position: int, code: int, frames: int
    ) -> int:
        """A listen begins. One that the same listener left open elsewhere is voided."""
        with self.store.writing() as connection:
            if connection.execute(select(t.round_ends).where(t.round_ends.c.round_id == round_id)).first():
                raise LogError("this round is over; start the next one")
            self._void_open_listens(connection, round_id)
            opened = opened_event(read_events(connection)) is not None
            return self._add(
                connection, t.listens, round_id=round_id, sitting_id=sitting_id, form_id=form_id,
                position=position, code=code, frames=frames, after_opening=int(opened),
            )  # fmt: skip

    def end_listen(
        self,
        listen_id: int,
        frames_delivered: int,
        void_reason: str | None = None,
        *,
        late_s: float = 0.0,
        stumbles: Sequence[Stumble] = (),
    ) -> None:
        """A listen ends: heard to its end, or void with a reason. `late_s` seconds of it were late or
        missing, at `stumbles`.

        Raises:
            LogError: it had ended before, for instance because the listener began another one.
        """
        with self.store.writing() as connection:
            before = connection.execute(
                select(t.listen_ends).where(t.listen_ends.c.listen_id == listen_id)
            ).first()
            if before is not None:
                raise LogError(
                    "this listen had already ended"
                    + (f" ({before.void_reason})" if before.void_reason else "")
                    + "; hear the form again from the top"
                )
            self._insert(
                connection, t.listen_ends, listen_id=listen_id, frames_delivered=frames_delivered,
                void_reason=void_reason,
            )  # fmt: skip
            entries.add_blemish(connection, self._now, listen_id, late_s, stumbles)

    def end_of(self, listen_id: int) -> Row[Any] | None:
        """How a listen ended (`frames_delivered`, `void_reason`); None while it goes on."""
        query = select(t.listen_ends).where(t.listen_ends.c.listen_id == listen_id)
        with self.store.reading() as connection:
            return next(iter(whole_rows(connection, query, t.listen_ends)), None)

    def judge(self, listen_id: int, could_judge: bool) -> bool:
        """Whether a listen that stumbled could still be judged; the first answer stands, and is returned."""
        with self.store.writing() as connection:
            return entries.add_judgement(connection, self._now, listen_id, could_judge)

    def answer_round(self, round_id: int, answers: RoundAnswers) -> None:
        """What a listener says at a round's end; a later answer corrects, until the round ends."""
        with self.store.writing() as connection:
            entries.add_round_answers(connection, self._now, round_id, answers)

    def rate(self, listen_id: int, values: Mapping[str, float]) -> None:
        """Ratings of a counted listen, 0-100 by aspect; a later one corrects, until the round ends."""
        with self.store.writing() as connection:
            self._rate(connection, listen_id, values)

    def mark(self, listen_id: int, time_s: float) -> None:
        """A moment marked while a listen plays, to be asked about after it."""
        with self.store.writing() as connection:
            self._add(connection, t.moments, listen_id=listen_id, time_s=float(time_s))

    def comment(self, listen_id: int, text: str, time_s: float | None = None) -> None:
        """A comment on a listen, at a time in it or about the whole."""
        with self.store.writing() as connection:
            entries.add_comment(connection, self._now, listen_id, text, time_s)

    def submit(
        self,
        listener: str,
        submission: str,
        listen_id: int,
        values: Mapping[str, float],
        comments: Sequence[tuple[float | None, str]] = (),
    ) -> bool:
        """Ratings and comments of a listen together, once: False if this submission was taken in before."""
        with self.store.writing() as connection:
            if not entries.add_submission(connection, self._now, listener, submission):
                return False
            self._rate(connection, listen_id, values)
            for time_s, text in comments:
                entries.add_comment(connection, self._now, listen_id, text, time_s)
            return True

    def _rate(self, connection: Connection, listen_id: int, values: Mapping[str, float]) -> None:
        entries.require_rateable(connection, listen_id)
        for aspect, value in values.items():
            entries.add_rating(connection, self._now, listen_id, aspect, value)

    def _void_open_listens(self, connection: Connection, round_id: int) -> None:
        listener_id = connection.execute(
            select(t.rounds.c.listener_id).where(t.rounds.c.id == round_id)
        ).scalar_one()
        still_open = connection.execute(
            select(t.listens.c.id)
            .join(t.rounds)
            .join(t.listen_ends, isouter=True)
            .where(t.rounds.c.listener_id == listener_id, t.listen_ends.c.listen_id.is_(None))
        ).scalars()
        for listen_id in list(still_open):
            self._insert(
                connection, t.listen_ends, listen_id=listen_id, frames_delivered=0, void_reason="interrupted"
            )

    def _goes_on(self, connection: Connection, sitting_id: int, began_utc: str) -> bool:
        busy = self._last_activity(connection, sitting_id) or began_utc
        return timedelta(0) <= self.clock() - utc_time(busy) <= SITTING_PAUSE

    def _last_activity(self, connection: Connection, sitting_id: int) -> str | None:
        """The last moment anything happened in a sitting."""
        own = select(t.listens.c.id).where(t.listens.c.sitting_id == sitting_id)
        columns = (t.listens.c.id, t.listen_ends.c.listen_id, t.ratings.c.listen_id)
        last = [select(func.max(column.table.c.at_utc)).where(column.in_(own)) for column in columns]
        moments = [connection.execute(query).scalar() for query in last]
        return max((m for m in moments if m), default=None)

    def _secret(self, connection: Connection, name: str) -> str | None:
        rows = whole_rows(connection, select(t.secrets).where(t.secrets.c.name == name), t.secrets)
        return str(rows[0].value) if rows else None

    def _add(self, connection: Connection, table: Table, **values: Any) -> int:
        """Insert a row with its moment; returns its id."""
        return int(self._insert(connection, table, **values)[0])

    def _insert(self, connection: Connection, table: Table, **values: Any) -> Sequence[Any]:
        return add_row(connection, table, self._now, **values)

    @property
    def _now(self) -> Moment:
        return moment(self.clock())


def _json(detail: Mapping[str, Any]) -> str:
    return json.dumps(detail, ensure_ascii=False, sort_keys=True)
