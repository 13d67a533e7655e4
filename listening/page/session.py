"""What the page may ask for and when: one listener's round, with every listen checked.

The log decides; what is kept here (a code that is due, when a listen began by a clock that nobody can
set) only sharpens it, and may be lost with the process: then the log's own times count.
"""

from __future__ import annotations

import secrets
import threading
import time
from collections import OrderedDict
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import timedelta, tzinfo
from pathlib import Path

from listening.cautions import LONG_SITTING_S
from listening.counts import EARLY_S, REASONS, TOO_EARLY, is_too_early
from listening.page import messages as s
from listening.page.copies import Shelf
from listening.page.state import next_round_text, state_of
from listening.rounds import Demand, Round, end_if_stuck, enter_round, standing
from listening.tickets import is_signed, sign
from render.errors import ListenError, LogError, PageError, RenderError
from render.renders.manifest import Manifest
from sessions.clock import utc_time
from sessions.records import ASPECTS, OVERALL, ListenRecord
from sessions.study import Study

# How long the end of a listen may be on its way. A device that sleeps may stop the page's own clocks, and
# then only this tells: longer would let a short sleep pass, shorter voids whole listens on a bad connection.
LATE_S = 10.0
BEAT_S = 5.0  # how often the page says that a listen goes on
MOST_LEVEL_CHECKS = 8


@dataclass(frozen=True)
class Visitor:
    """Who asks, and the time zone their dates are in."""

    listener: str
    zone: tzinfo


@dataclass
class Seat:
    """What is kept between two requests of one listener."""

    lock: threading.Lock = field(default_factory=threading.Lock)
    due: tuple[int, int, int] | None = None  # round, form and the code reserved for it
    levels: OrderedDict[str, float] = field(default_factory=OrderedDict)  # ticket -> when it was given out
    listen_id: int | None = None
    begin_key: str = ""
    began: float = 0.0
    heard_s: float = 0.0


class Desk:
    """The page's side of a study. Its methods may be called from several threads."""

    def __init__(
        self, study: Study, *, any_day: bool = False, monotonic: Callable[[], float] = time.monotonic
    ) -> None:
        self.study = study
        self.any_day = any_day
        self.monotonic = monotonic
        self.shelf = Shelf(study.folder)
        self._key = study.log.secret("page_key")
        self._seats: dict[str, Seat] = {}
        self._lock = threading.Lock()

    def state(self, who: Visitor, _nothing: None = None) -> s.State:
        """Where the listener stands."""
        with self._sit(who) as (study, _seat):
            return self._state(study, who)

    def enter(self, who: Visitor, _nothing: None = None) -> s.State:
        """Begin the next round if it is due; nothing happens while one is open."""
        with self._sit(who) as (study, _seat):
            if self._state(study, who).stage == "ready":
                enter_round(study, who.listener, any_day=self.any_day)
            return self._state(study, who)

    def level(self, who: Visitor, _nothing: None = None) -> s.Level:
        """Give out a level check."""
        with self._sit(who) as (study, seat):
            round_ = self._round(study, who)
            self.shelf.level_check(round_.manifest)
            ticket = secrets.token_urlsafe(16)
            seat.levels[ticket] = self.monotonic()
            while len(seat.levels) > MOST_LEVEL_CHECKS:
                seat.levels.popitem(last=False)
            return s.Level(ticket=ticket, rate=self.shelf.copies(round_.manifest).sample_rate)

    def level_sound(self, who: Visitor, ticket: str) -> bytes:
        """The level check's sound, for one that was given out."""
        with self._sit(who) as (study, seat):
            if ticket not in seat.levels:
                raise PageError(404, "gone", "This level check is over; load the page again.")
            return self.shelf.level_check(self._round(study, who).manifest)[0]

    def sit(self, who: Visitor, asked: s.SitDown) -> s.Sitting:
        """The level check was heard: a sitting begins, or goes on."""
        with self._sit(who) as (study, seat):
            given = seat.levels.get(asked.level)
            if given is None:
                raise PageError(409, "level", "Please hear the level check once more.")
            seconds = self.shelf.level_check(self._round(study, who).manifest)[1]
            if self.monotonic() - given < seconds - EARLY_S:
                raise PageError(409, "level", "Please hear the level check to its end.")
            heard_on = asked.heard_on.strip()
            if not heard_on:
                raise PageError(422, "shape", "Please say what you listen on.")
            sitting = study.log.sit_down(who.listener, heard_on, "page")
            del seat.levels[asked.level]
            return s.Sitting(sitting=self._ticket_of(sitting))

    def due(self, who: Visitor, asked: s.Sitting) -> s.Due:
        """The listen that is due, under a code that this listener has never met."""
        with self._sit(who) as (study, seat):
            began = self._require_sitting(study, who, asked.sitting)[1]
            round_ = self._round(study, who)
            demand = self._require_demand(round_)
            code = self._code(round_, demand, seat)
            sat = (study.clock() - utc_time(began)).total_seconds()
            return s.Due(
                code=code, rate=self.shelf.copies(round_.manifest).sample_rate,
                place=len(round_.rated) + 1, of=len(round_.demands), long_sitting=sat > LONG_SITTING_S,
            )  # fmt: skip

    def sound(self, who: Visitor, code: int) -> Path:
        """The copy to be heard under a code: that of the listen which is due, and of no other."""
        with self._sit(who) as (study, seat):
            round_ = self._round(study, who)
            demand = self._require_demand(round_)
            if seat.due != (round_.record.id, demand.form_id, code):
                raise PageError(404, "gone", "This is not the listen that is due.")
            return self.shelf.copies(round_.manifest).paths[demand.render.content_hash]

    def begin(self, who: Visitor, code: int, asked: s.Begin) -> s.Kept:
        """The listen that is due begins, and any other of this listener ends."""
        with self._sit(who) as (study, seat):
            if seat.listen_id is not None and seat.begin_key == asked.key:
                return s.Kept()  # the answer to the first request was lost on the way
            sitting = self._require_sitting(study, who, asked.sitting)[0]
            round_ = self._round(study, who)
            demand = self._require_demand(round_)
            if seat.due != (round_.record.id, demand.form_id, code):
                raise PageError(
                    409,
                    "stale",
                    "This code was used up in another tab or on another device; here is a new one.",
                )
            self._void_open(study, round_, seat)
            seat.listen_id = study.log.start_listen(
                round_.record.id, sitting, demand.form_id, demand.position, code, demand.render.frames
            )
            seat.due, seat.begin_key = None, asked.key
            seat.began, seat.heard_s = self.monotonic(), 0.0
            return s.Kept()

    def heard(self, who: Visitor, code: int, asked: s.Heard) -> s.Kept:
        """A listen goes on; refused when it has ended meanwhile."""
        with self._sit(who) as (study, seat):
            listen = self._listen(study, who, code)
            if listen.ended_utc is not None:
                raise PageError(409, "over", listen.void_reason or "This listen has ended.")
            if seat.listen_id == listen.id:
                seat.heard_s = max(seat.heard_s, asked.heard_s)
            return s.Kept()

    def end(self, who: Visitor, code: int, asked: s.End) -> s.Ended:
        """A listen has ended: counted if it was heard whole and in real time."""
        with self._sit(who) as (study, seat):
            listen = self._listen(study, who, code)
            if listen.ended_utc is None:
                rate = self._manifest_of(study, who, listen).sample_rate
                elapsed_s = self._elapsed_s(study, listen, seat)
                why = (
                    REASONS[asked.reason] if asked.reason else _judge(listen.frames / rate, elapsed_s, asked)
                )
                frames = listen.frames if why is None else _fraction(listen, rate, asked.heard_s, elapsed_s)
                study.log.end_listen(listen.id, frames, why)
                return s.Ended(counted=why is None, why=why or "")
            return s.Ended(counted=listen.heard_to_the_end, why=listen.void_reason or "")

    def answer(self, who: Visitor, code: int, asked: s.Answer) -> s.Kept:
        """A rating with its comments; on the disk, once, when this returns."""
        with self._sit(who) as (study, _seat):
            listen = self._listen(study, who, code)
            given = {OVERALL: asked.overall} | {a: getattr(asked, a) for a in ASPECTS}
            values = {aspect: value for aspect, value in given.items() if value is not None}
            manifest = self._manifest_of(study, who, listen)
            last_s = listen.frames / manifest.sample_rate
            comments = [
                (None if c.time_s is None else min(c.time_s, last_s) - manifest.lead_s, c.text)
                for c in asked.comments
            ]
            try:
                study.log.submit(who.listener, f"page {asked.key}", listen.id, values, comments)
            except LogError:
                raise PageError(
                    409, "stale", "This listen cannot be rated: it was not heard whole, or its round is over."
                ) from None
            return s.Kept()

    def close(self, who: Visitor, asked: s.Close) -> s.State:
        """The round's ratings stand; nothing happens when they do already."""
        with self._sit(who) as (study, _seat):
            state = self._state(study, who)
            if state.round == asked.round:
                if state.stage != "review":
                    raise PageError(409, "stale", "This round still asks for a listen or a rating.")
                Round(study, who.listener).finish()
            return self._state(study, who)

    @contextmanager
    def _sit(self, who: Visitor) -> Iterator[tuple[Study, Seat]]:
        """The study in the listener's time zone, and their seat, one request at a time."""
        with self._lock:
            seat = self._seats.setdefault(who.listener, Seat())
        with seat.lock:
            yield self.study.in_zone(who.zone), seat

    def _state(self, study: Study, who: Visitor) -> s.State:
        if who.listener not in {listener.name for listener in study.song.listeners}:
            raise PageError(403, "link", "You are not among this study's listeners any more. Thank you.")
        for round_ in study.log.contents(who.listener, listens=False).rounds:
            if round_.complete is None:
                end_if_stuck(study, round_)
        drawer = sign(self._key, "drawer", who.listener)[:16]
        return state_of(study, who.listener, drawer, any_day=self.any_day)

    def _round(self, study: Study, who: Visitor) -> Round:
        try:
            return Round(study, who.listener)
        except ListenError:
            contents = study.log.contents(who.listener)
            text = next_round_text(study, standing(study, contents, who.listener))
            raise PageError(409, "stale", text or "No round is open.") from None

    def _require_demand(self, round_: Round) -> Demand:
        if round_.unrated is not None:
            raise PageError(409, "stale", "You have heard a form that is not rated yet.")
        demand = round_.next_demand
        if demand is None:
            raise PageError(409, "stale", "All forms of this round are rated.")
        return demand

    def _code(self, round_: Round, demand: Demand, seat: Seat) -> int:
        if seat.due is None or seat.due[:2] != (round_.record.id, demand.form_id):
            code = round_.study.log.reserve_code(round_.record.id, demand.form_id)
            seat.due = (round_.record.id, demand.form_id, code)
        return seat.due[2]

    def _ticket_of(self, sitting_id: int) -> str:
        return sign(self._key, "sitting", str(sitting_id))

    def _require_sitting(self, study: Study, who: Visitor, ticket: str) -> tuple[int, str]:
        going_on = study.log.open_sitting(who.listener)
        if going_on is None or not is_signed(ticket, self._key, "sitting", str(going_on[0])):
            raise PageError(
                409,
                "sitting",
                "A new sitting begins (after a pause, or on another device): level check first.",
            )
        return going_on

    def _void_open(self, study: Study, round_: Round, seat: Seat) -> None:
        """End what the listener left open, as if it had played on for one beat after its last sign."""
        for listen in round_.contents.listens:
            if listen.ended_utc is None:
                known = listen.id == seat.listen_id
                heard_s = min(seat.heard_s + BEAT_S, self.monotonic() - seat.began) if known else 0.0
                frames = min(round(heard_s * round_.manifest.sample_rate), listen.frames)
                study.log.end_listen(listen.id, frames, REASONS["elsewhere"])

    def _listen(self, study: Study, who: Visitor, code: int) -> ListenRecord:
        for listen in study.log.contents(who.listener).listens:
            if listen.code == code and listen.means == "page":
                return listen
        raise PageError(404, "gone", "There is no such listen.")

    def _manifest_of(self, study: Study, who: Visitor, listen: ListenRecord) -> Manifest:
        """What a listen was played from or, where that is lost by now, the renders in its place: nothing that
        was heard shall be lost with it."""
        rounds = study.log.contents(who.listener, listens=False).rounds
        try:
            return study.manifest_of(next(r for r in rounds if r.id == listen.round_id).render_set)
        except RenderError:
            return study.manifest

    def _elapsed_s(self, study: Study, listen: ListenRecord, seat: Seat) -> float:
        """Wall time since a listen began: by a monotonic clock, or by the log's after a restart."""
        if seat.listen_id == listen.id:
            return self.monotonic() - seat.began
        return max((study.clock() - utc_time(listen.started_utc)) / timedelta(seconds=1), 0.0)


def _judge(duration_s: float, elapsed_s: float, asked: s.End) -> str | None:
    """Why a listen that the page calls whole was not, or None."""
    if is_too_early(duration_s, asked.heard_s, elapsed_s):
        return TOO_EARLY
    if elapsed_s - asked.waited_s > duration_s + LATE_S:
        return REASONS["paused"]
    return None


def _fraction(listen: ListenRecord, rate: int, heard_s: float, elapsed_s: float) -> int:
    """The frames of a void listen that were heard: never more than time has passed."""
    return min(round(min(heard_s, elapsed_s) * rate), listen.frames)
