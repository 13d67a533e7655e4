"""What the log holds, as records: read in one go, in the order it was written."""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any

from sqlalchemy import ColumnElement, Connection, Select, Table, select, true

from sessions import tables as t
from sessions.plan import seed_sha256

OVERALL = "overall"
ASPECTS = ("opening", "flow", "build", "ending")


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
    """A listener's round; `complete` is None while it is open."""

    id: int
    listener: str
    number: int
    order: tuple[int, ...]
    render_set: str
    started_utc: str
    local_date: str
    ended_utc: str | None
    complete: bool | None


@dataclass(frozen=True)
class ListenRecord:
    """One listen: counted when it ended without a void reason. `ratings` holds the last of each aspect."""

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

    @property
    def heard_to_the_end(self) -> bool:
        return self.ended_utc is not None and self.void_reason is None

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
        return [r for r in self.rounds if r.listener == listener]

    def listens_of(self, listener: str) -> list[ListenRecord]:
        return [x for x in self.listens if x.listener == listener]

    @property
    def opened(self) -> EventRecord | None:
        """The event that opened the study, unless it was reopened for more rounds since."""
        return opened_event(self.events)


def read_contents(connection: Connection, listener: str | None = None) -> LogContents:
    """The whole log in one consistent state, or (with `listener`) one listener's rounds and listens."""
    seed = connection.execute(select(t.secrets.c.value).where(t.secrets.c.name == "plan_seed")).scalar()
    listeners = connection.execute(select(t.listeners).order_by(t.listeners.c.id)).all()
    names = {row.id: row.name for row in listeners}
    return LogContents(
        forms=tuple(_forms(connection)),
        listeners={row.name: bool(row.simulated) for row in listeners},
        rounds=tuple(_rounds(connection, names, listener)),
        listens=tuple(_listens(connection, names, listener)),
        events=read_events(connection),
        seed_sha256=seed_sha256(seed) if seed else None,
    )


def read_events(connection: Connection) -> tuple[EventRecord, ...]:
    """The study's events, oldest first."""
    return tuple(
        EventRecord(row.kind, json.loads(row.detail), row.at_utc, row.local_date)
        for row in connection.execute(select(t.events).order_by(t.events.c.id))
    )


def opened_event(events: Iterable[EventRecord]) -> EventRecord | None:
    """The event that opened the study, unless it was reopened for more rounds since."""
    found = None
    for event in events:
        if event.kind in ("opened", "decided") and found is None:
            found = event
        elif event.kind == "reopened":
            found = None
    return found


def _forms(connection: Connection) -> list[FormRecord]:
    return [
        FormRecord(row.id, row.content_hash, row.name, row.replaces, json.loads(row.description))
        for row in connection.execute(select(t.forms).order_by(t.forms.c.id))
    ]


def _rounds(connection: Connection, names: Mapping[int, str], listener: str | None) -> list[RoundRecord]:
    r, e = t.rounds.c, t.round_ends.c
    query = (
        select(t.rounds, e.at_utc.label("ended_utc"), e.complete)
        .join_from(t.rounds, t.round_ends, isouter=True)
        .where(_of(names, listener))
        .order_by(r.id)
    )
    return [
        RoundRecord(
            row.id, names[row.listener_id], row.number, tuple(json.loads(row.order_json)), row.render_set,
            row.at_utc, row.local_date, row.ended_utc, None if row.complete is None else bool(row.complete),
        )
        for row in connection.execute(query)
    ]  # fmt: skip


def _of(names: Mapping[int, str], listener: str | None) -> ColumnElement[bool]:
    """The condition that a row of rounds is one listener's, or anybody's."""
    wanted = [key for key, name in names.items() if listener in (None, name)]
    return true() if listener is None else t.rounds.c.listener_id.in_(wanted)


def _with_listens(table: Table) -> Select[Any]:
    """Rows of ratings or comments, in the order they were written, beside their listens and rounds."""
    joined = table.join(t.listens, t.listens.c.id == table.c.listen_id).join(t.rounds)
    return select(table).select_from(joined).order_by(table.c.id)


def _listens(connection: Connection, names: Mapping[int, str], listener: str | None) -> list[ListenRecord]:
    whose = _of(names, listener)
    ratings: dict[int, dict[str, float]] = {}
    for row in connection.execute(_with_listens(t.ratings).where(whose)):
        ratings.setdefault(row.listen_id, {})[row.aspect] = row.value
    comments: dict[int, list[tuple[float | None, str]]] = {}
    for row in connection.execute(_with_listens(t.comments).where(whose)):
        comments.setdefault(row.listen_id, []).append((row.time_s, row.text))
    end, sitting, round_ = t.listen_ends.c, t.sittings.c, t.rounds.c
    query = (
        select(
            t.listens, end.at_utc.label("ended_utc"), end.frames_delivered, end.void_reason,
            sitting.heard_on, sitting.means, round_.number, round_.listener_id,
        )
        .join_from(t.listens, t.listen_ends, isouter=True)
        .join(t.sittings, sitting.id == t.listens.c.sitting_id)
        .join(t.rounds, round_.id == t.listens.c.round_id)
        .where(whose)
        .order_by(t.listens.c.id)
    )  # fmt: skip
    return [
        ListenRecord(
            id=row.id, listener=names[row.listener_id], round_id=row.round_id, round_number=row.number,
            sitting_id=row.sitting_id, heard_on=row.heard_on, means=row.means, form_id=row.form_id,
            position=row.position, code=row.code, frames=row.frames, started_utc=row.at_utc,
            local_date=row.local_date, after_opening=bool(row.after_opening), ended_utc=row.ended_utc,
            frames_delivered=row.frames_delivered or 0, void_reason=row.void_reason,
            ratings=ratings.get(row.id, {}), comments=tuple(comments.get(row.id, ())),
        )
        for row in connection.execute(query)
    ]  # fmt: skip
