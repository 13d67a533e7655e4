"""How the test was run: each listener's progress, and the figures of the whole log."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import timedelta

from render.song.song import Listener, Song
from sessions.clock import utc_time
from sessions.records import ListenRecord, LogContents

LONG_SITTING = timedelta(minutes=30)
MARK = " (simulated)"


@dataclass(frozen=True)
class ListenerProgress:
    """A listener of song.toml or of the log: weight, prior listens, rounds and listens done."""

    name: str
    simulated: bool
    weight: float
    prior_listens: Mapping[str, float]
    rounds_done: int
    round_open: bool
    listens: int
    voids: int
    days: int

    @property
    def shown(self) -> str:
        """The name as it always appears."""
        return self.name + MARK if self.simulated else self.name


@dataclass(frozen=True)
class Protocol:
    """The test in figures: listens, days, sittings, and what was heard on. Spans are in minutes."""

    listens: int
    voids: int
    stumbled: int  # rated although some of their sound was late or missing
    most_late_s: float
    days: int
    sittings: int
    longest_sitting_min: float
    long_sittings: int
    heard_on: tuple[str, ...]
    first_day: str
    last_day: str


def listener_progress(song: Song, contents: LogContents) -> tuple[ListenerProgress, ...]:
    """The listeners of song.toml, then those whom only the log still knows."""
    listed = {listener.name for listener in song.listeners}
    former = [Listener(x) for x in contents.listeners if x not in listed and contents.listens_of(x)]
    return tuple(_progress(listener, contents) for listener in (*song.listeners, *former))


def _progress(listener: Listener, contents: LogContents) -> ListenerProgress:
    rounds, listens = contents.rounds_of(listener.name), contents.listens_of(listener.name)
    rated = [x for x in listens if x.rating is not None]
    return ListenerProgress(
        name=listener.name,
        simulated=contents.listeners.get(listener.name, False),
        weight=listener.weight,
        prior_listens=listener.prior_listens,
        rounds_done=sum(bool(r.complete) for r in rounds),
        round_open=any(r.complete is None for r in rounds),
        listens=len(rated),
        voids=sum(x.void_reason is not None for x in listens),
        days=len({x.local_date for x in rated}),
    )


def protocol(contents: LogContents) -> Protocol:
    """The figures of a log in which somebody has listened."""
    listens = contents.listens
    sittings: dict[int, list[ListenRecord]] = {}
    for listen in listens:
        sittings.setdefault(listen.sitting_id, []).append(listen)
    spans = []
    for own in sittings.values():
        last = max(x.ended_utc or x.started_utc for x in own)  # all in UTC and of one length: sorted as text
        spans.append(utc_time(last) - utc_time(min(x.started_utc for x in own)))
    rated = [x for x in listens if x.rating is not None]
    days = sorted({x.local_date for x in rated or listens})
    return Protocol(
        listens=len(rated),
        voids=sum(x.void_reason is not None for x in listens),
        stumbled=sum(x.blemished for x in rated),
        most_late_s=max((x.late_s for x in rated), default=0.0),
        days=len(days),
        sittings=len(spans),
        longest_sitting_min=max(spans).total_seconds() / 60,
        long_sittings=sum(span > LONG_SITTING for span in spans),
        heard_on=tuple(sorted({x.heard_on for x in listens})),
        first_day=days[0],
        last_day=days[-1],
    )
