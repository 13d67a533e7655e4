"""Records of the log, read in one go, in the order they were written, each row checked."""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cache, cached_property
from typing import Any, Literal, TypeVar

from sqlalchemy import Connection, FromClause, Row, Select, Table, bindparam, select

from sessions import tables as t
from sessions.checksums import Rows, require_whole
from sessions.plan import seed_sha256

OVERALL = "overall"
ASPECTS = ("opening", "flow", "build", "ending")

# What may be late or missing in all of a listen: up to the first it counts, up to the second its listener is
# asked whether it could still be judged, beyond that it is void. Our own rule of thumb.
MOST_BLEMISH_S = 0.3
MOST_JUDGED_S = 2.0
NOT_JUDGED = "the sound stumbled, and the listener could not judge it"

K = TypeVar("K")
V = TypeVar("V")
Keep = Literal["form", "none", "no answer"]


@dataclass(frozen=True)
class Stumble:
    """Sound that was late or missing: its place, in seconds after the form's first bar line, and length."""

    at_s: float
    length_s: float


@dataclass(frozen=True)
class RoundAnswers:
    """What a listener said at a round's end, as ids of its listens.

    `cuts` are those in which a cut was heard; `kept` is the one whose form they would keep ("form"), and None
    where they would keep none of them ("none") or did not say ("no answer").
    """

    cuts: tuple[int, ...]
    keep: Keep
    kept: int | None = None


@dataclass(frozen=True)
class FormRecord:
    """A form as it was when somebody could hear it; `description` has parts, bars and seconds."""

    id: int
    content_hash: str
    name: str
    replaces: str | None
    description: Mapping[str, Any]


@dataclass(frozen=True)
class RoundRecord:
    """A listener's round; `complete` is None while it is open, `answers` until its last questions are
    answered."""

    id: int
    listener: str
    number: int
    order: tuple[int, ...]
    render_set: str
    started_utc: str
    local_date: str
    ended_utc: str | None
    complete: bool | None
    answers: RoundAnswers | None = None


@dataclass(frozen=True)
class ListenRecord:
    """One listen: counted when it ended without a void reason. `ratings` holds the last of each aspect.

    `late_s` is what was late or missing in all, `stumbles` where; `could_judge` is None unless the listener
    was asked whether that spoilt it, and has answered. `moments` are places marked while it played, in
    seconds after the first bar line, as comments have them.
    """

    id: int
    listener: str
    round_id: int
    round_number: int
    sitting_id: int
    heard_on: str
    means: str
    form_id: int
    position: int
    code: int
    frames: int
    started_utc: str
    local_date: str
    after_opening: bool
    ended_utc: str | None
    frames_delivered: int
    void_reason: str | None
    ratings: Mapping[str, float] = field(default_factory=dict)
    comments: tuple[tuple[float | None, str], ...] = ()
    late_s: float = 0.0
    stumbles: tuple[Stumble, ...] = ()
    could_judge: bool | None = None
    moments: tuple[float, ...] = ()

    @property
    def heard_to_the_end(self) -> bool:
        return self.ended_utc is not None and self.void_reason is None and not self.awaits_judgement

    @property
    def awaits_judgement(self) -> bool:
        """Whether it was heard, and its listener must still say whether it could be judged."""
        over = self.ended_utc is not None and self.void_reason is None
        return over and self.late_s > MOST_BLEMISH_S and self.could_judge is None

    @property
    def blemished(self) -> bool:
        """Whether it counts although something was late or missing in it."""
        return self.heard_to_the_end and self.late_s > 0

    @property
    def rating(self) -> float | None:
        return self.ratings.get(OVERALL)

    @property
    def fraction_heard(self) -> float:
        return 1.0 if self.heard_to_the_end else min(self.frames_delivered / max(self.frames, 1), 1.0)


@dataclass(frozen=True)
class EventRecord:
    kind: str
    detail: Mapping[str, Any]
    at_utc: str
    local_date: str


@dataclass(frozen=True)
class LogContents:
    """Everything in the log at one moment."""

    forms: tuple[FormRecord, ...]
    listeners: Mapping[str, bool]  # name -> simulated
    rounds: tuple[RoundRecord, ...]
    listens: tuple[ListenRecord, ...]
    events: tuple[EventRecord, ...]
    seed_sha256: str | None

    def form(self, form_id: int) -> FormRecord:
        return next(f for f in self.forms if f.id == form_id)

    def rounds_of(self, listener: str) -> list[RoundRecord]:
        return self._rounds_by_listener.get(listener, [])

    def listens_of(self, listener: str) -> list[ListenRecord]:
        return self._listens_by_listener.get(listener, [])

    @cached_property
    def _rounds_by_listener(self) -> Mapping[str, list[RoundRecord]]:
        return _grouped((round_.listener, round_) for round_ in self.rounds)

    @cached_property
    def _listens_by_listener(self) -> Mapping[str, list[ListenRecord]]:
        return _grouped((listen.listener, listen) for listen in self.listens)

    @property
    def opened(self) -> EventRecord | None:
        """The event that opened the study, unless it was reopened for more rounds since."""
        return opened_event(self.events)


EMPTY = LogContents((), {}, (), (), (), None)  # of a study that nobody has heard


def read_contents(
    connection: Connection, listener: str | None = None, *, listens: bool = True
) -> LogContents:
    """The whole log in one consistent state, or (with `listener`) one listener's rounds and listens.

    Without `listens` there are none: who has done which rounds needs none of them.

    Raises:
        LogError: some rows are not as they were written.
    """
    tables = _SMALL + _ROUNDS + (_LISTENS if listens else ())
    rows = _read(connection, tables, listener)
    names = {row.id: str(row.name) for row in rows[t.listeners]}
    seed = next((row.value for row in rows[t.secrets] if row.name == "plan_seed"), None)
    return LogContents(
        forms=tuple(
            FormRecord(row.id, row.content_hash, row.name, row.replaces, json.loads(row.description))
            for row in rows[t.forms]
        ),
        listeners={row.name: bool(row.simulated) for row in rows[t.listeners]},
        rounds=tuple(_rounds(rows, names)),
        listens=tuple(_listens(rows, names)) if listens else (),
        events=_events(rows),
        seed_sha256=seed_sha256(seed) if seed else None,
    )


def read_events(connection: Connection) -> tuple[EventRecord, ...]:
    """The study's events, oldest first."""
    return _events(_read(connection, (t.events,)))


def opened_event(events: Iterable[EventRecord]) -> EventRecord | None:
    """The event that opened the study, unless it was reopened for more rounds since."""
    opening = None
    for event in events:
        if event.kind in ("opened", "decided") and opening is None:
            opening = event
        elif event.kind == "reopened":
            opening = None
    return opening


_SMALL = (t.secrets, t.listeners, t.forms, t.events)
_ROUNDS = (t.rounds, t.round_ends, t.round_answers)
_LISTENS = (t.sittings, t.listens, t.listen_ends, t.blemishes, t.judgements, t.ratings, t.comments, t.moments)


def _read(connection: Connection, tables: Sequence[Table], listener: str | None = None) -> Rows:
    """The rows of `tables` in the order they were written, every one compared with its sum."""
    rows = {}
    for table in tables:
        if listener is None or table in _SMALL:
            rows[table] = connection.execute(_all_rows(table)).all()
        else:
            rows[table] = connection.execute(_rows_of_one(table), {"listener": listener}).all()
    require_whole(rows)
    return rows


# SQLAlchemy takes as long to put these statements together as SQLite to answer them: each is made once.


@cache
def _all_rows(table: Table) -> Select[Any]:
    return select(table).order_by(*table.primary_key)


@cache
def _rows_of_one(table: Table) -> Select[Any]:
    """One listener's rows: by their number in the row itself, or by way of the listen's round."""
    joined: FromClause = table
    if "listen_id" in table.c:
        joined = joined.join(t.listens, t.listens.c.id == table.c.listen_id)
    if "listener_id" not in table.c:
        own = table if "round_id" in table.c else t.listens
        joined = joined.join(t.rounds, t.rounds.c.id == own.c.round_id)
    whose = (table if "listener_id" in table.c else t.rounds).c.listener_id
    rows = _all_rows(table).select_from(joined.join(t.listeners, t.listeners.c.id == whose))
    return rows.where(t.listeners.c.name == bindparam("listener"))


def _events(rows: Rows) -> tuple[EventRecord, ...]:
    return tuple(
        EventRecord(row.kind, json.loads(row.detail), row.at_utc, row.local_date) for row in rows[t.events]
    )


def _rounds(rows: Rows, names: Mapping[int, str]) -> Iterator[RoundRecord]:
    ends = {row.round_id: row for row in rows[t.round_ends]}
    answers = {row.round_id: _answers(row) for row in rows[t.round_answers]}  # the last one counts
    for row in rows[t.rounds]:
        end = ends.get(row.id)
        yield RoundRecord(
            row.id, names[row.listener_id], row.number, tuple(json.loads(row.order_json)), row.render_set,
            row.at_utc, row.local_date, end.at_utc if end else None, bool(end.complete) if end else None,
            answers.get(row.id),
        )  # fmt: skip


def _answers(row: Row[Any]) -> RoundAnswers:
    return RoundAnswers(tuple(json.loads(row.cuts_json)), row.keep, row.kept_listen_id)


def _listens(rows: Rows, names: Mapping[int, str]) -> Iterator[ListenRecord]:
    ratings: dict[int, dict[str, float]] = {}
    for row in rows[t.ratings]:
        ratings.setdefault(row.listen_id, {})[row.aspect] = row.value
    comments = _grouped((row.listen_id, (row.time_s, row.text)) for row in rows[t.comments])
    moments = _grouped((row.listen_id, row.time_s) for row in rows[t.moments])
    rounds = {row.id: row for row in rows[t.rounds]}
    sittings = {row.id: row for row in rows[t.sittings]}
    ends = {row.listen_id: row for row in rows[t.listen_ends]}
    late_s = {row.listen_id: row.late_s for row in rows[t.blemishes]}
    stumbles = {row.listen_id: _stumbles(row.stumbles_json) for row in rows[t.blemishes]}
    judged = {row.listen_id: bool(row.could_judge) for row in rows[t.judgements]}
    for row in rows[t.listens]:
        round_, sitting, end = rounds[row.round_id], sittings[row.sitting_id], ends.get(row.id)
        yield ListenRecord(
            id=row.id, listener=names[round_.listener_id], round_id=row.round_id,
            round_number=round_.number, sitting_id=row.sitting_id, heard_on=sitting.heard_on,
            means=sitting.means, form_id=row.form_id, position=row.position, code=row.code,
            frames=row.frames, started_utc=row.at_utc, local_date=row.local_date,
            after_opening=bool(row.after_opening), ended_utc=end.at_utc if end else None,
            frames_delivered=end.frames_delivered if end else 0,
            void_reason=NOT_JUDGED if judged.get(row.id) is False else end.void_reason if end else None,
            ratings=ratings.get(row.id, {}), comments=tuple(comments.get(row.id, ())),
            late_s=late_s.get(row.id, 0.0), stumbles=stumbles.get(row.id, ()), could_judge=judged.get(row.id),
            moments=tuple(moments.get(row.id, ())),
        )  # fmt: skip


def _grouped(pairs: Iterable[tuple[K, V]]) -> dict[K, list[V]]:
    """Values by their keys, in their order."""
    groups: dict[K, list[V]] = {}
    for key, value in pairs:
        groups.setdefault(key, []).append(value)
    return groups


def _stumbles(text: str) -> tuple[Stumble, ...]:
    return tuple(Stumble(at_s, length_s) for at_s, length_s in json.loads(text))
