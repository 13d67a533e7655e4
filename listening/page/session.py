"""The rules of a listener's round over HTTP: what may be asked for and when; every listen is checked.

The log decides; what is kept here (a code that is due, when a listen began by a clock that nobody can set)
only sharpens it, and may be lost with the process: then the log's own times count. Only what is asked for
by POST writes.
"""

from __future__ import annotations

import secrets
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import timedelta, tzinfo

from listening.cautions import LONG_SITTING_S
from listening.counts import EARLY_S, REASONS, TOO_EARLY, advice_after, hearing, is_too_early
from listening.page import messages as s
from listening.page.copies import PageCopies, travelling_bytes
from listening.page.masked import MaskedCopy
from listening.page.request import ListenerRequest, SessionState
from listening.page.state import asked_about, state_of
from listening.rounds import Demand, Round, answers_of, enter_round
from listening.tickets import is_signed, sign
from render.errors import LogError, PageError
from sessions.clock import utc_time
from sessions.log import Sitting
from sessions.records import ASPECTS, OVERALL, ListenRecord
from sessions.study import Study

# How long the end of a listen may be on its way. A device that sleeps may stop the page's own clocks, and
# then only this tells: longer would let a short sleep pass, shorter voids whole listens on a bad connection.
LATE_S = 10.0
BEAT_S = 5.0  # how often the page says that a listen goes on
MOST_LEVEL_CHECKS = 8
SOUNDS = "/api/sounds/"


class PageSessions:
    """The page's side of a study: one method an endpoint, each for one request of a listener.

    Requests may come from several threads.
    """

    def __init__(
        self,
        study: Study,
        *,
        any_day: bool = False,
        small: bool = False,
        monotonic: Callable[[], float] = time.monotonic,
    ) -> None:
        self.study = study
        self.any_day = any_day
        self.monotonic = monotonic
        self.copies = PageCopies(study.folder, small=small)
        self._key = study.log.secret("page_key")
        self._sessions: dict[str, SessionState] = {}
        self._lock = threading.Lock()

    @contextmanager
    def request(self, listener: str, zone: tzinfo) -> Iterator[ListenerRequest]:
        """One request of a listener, in the time zone of their dates; they are answered one at a time."""
        with self._lock:
            session = self._sessions.setdefault(listener, SessionState())
        with session.lock:
            yield ListenerRequest(self.study.in_zone(zone), listener, session)

    def state(self, request: ListenerRequest) -> s.ListenerState:
        """Where the listener stands. Writes nothing."""
        self._require_listed(request)
        drawer = sign(self._key, "drawer", request.listener)[:16]
        study, state = request.study, request.state
        shown = state_of(study, state, request.contents, drawer, any_day=self.any_day)
        if shown.stage in ("done", "rest"):
            return shown
        copies = self.copies.ready(request.round.manifest if state.goes_on else study.manifest)
        if copies is None:
            return shown
        update: dict[str, object] = {"form_bytes": travelling_bytes(copies)}
        if state.goes_on and request.to_hear:
            update["next_sound"] = self._sound_path(request.round, request.to_hear[0])
        return shown.model_copy(update=update)

    def enter(self, request: ListenerRequest) -> s.ListenerState:
        """Begin the next round if it is due; nothing happens while one is open."""
        self._require_listed(request)
        if request.state.stage(any_day=self.any_day) == "ready":
            enter_round(request.study, request.listener, any_day=self.any_day)
            request.log_changed()
        return self.state(request)

    def level(self, request: ListenerRequest) -> s.Level:
        """Give out a level check."""
        manifest = request.round.manifest
        self.copies.level_check(manifest)
        ticket = secrets.token_urlsafe(16)
        levels = request.session.levels
        levels[ticket] = self.monotonic()
        while len(levels) > MOST_LEVEL_CHECKS:
            levels.popitem(last=False)
        return s.Level(ticket=ticket, rate=self.copies.of(manifest).sample_rate)

    def level_sound(self, request: ListenerRequest, ticket: str) -> bytes:
        """The level check's sound, for one that was given out."""
        if ticket not in request.session.levels:
            raise PageError(404, "gone", "This level check is over; load the page again.")
        return self.copies.level_check(request.round.manifest)[0]

    def sit(self, request: ListenerRequest, asked: s.SitDown) -> s.SittingTicket:
        """The level check was heard: a sitting begins, or goes on."""
        given = request.session.levels.get(asked.level)
        if given is None:
            raise PageError(409, "level", "Please hear the level check once more.")
        seconds = self.copies.level_check(request.round.manifest)[1]
        if self.monotonic() - given < seconds - EARLY_S:
            raise PageError(409, "level", "Please hear the level check to its end.")
        heard_on = asked.heard_on.strip()
        if not heard_on:
            raise PageError(422, "shape", "Please say what you listen on.")
        sitting = request.study.log.sit_down(request.listener, heard_on, "page")
        del request.session.levels[asked.level]
        return s.SittingTicket(sitting=sign(self._key, "sitting", str(sitting)))

    def due(self, request: ListenerRequest, asked: s.SittingTicket) -> s.DueListen:
        """The listen that is due, under a code that this listener has never met."""
        began = self._require_sitting(request, asked.sitting).began_utc
        round_ = request.round
        demand = _require_demand(round_)
        code = _reserved_code(round_, demand, request.session)
        copies = self.copies.of(round_.manifest)
        sat = (request.study.clock() - utc_time(began)).total_seconds()
        return s.DueListen(
            code=code, sound=self._sound_path(round_, demand), bytes=travelling_bytes(copies),
            mask=self._mask(round_, demand), rate=copies.sample_rate,
            place=len(round_.state.rated) + 1, of=len(round_.demands), long_sitting=sat > LONG_SITTING_S,
        )  # fmt: skip

    def sound(self, request: ListenerRequest, ticket: str) -> MaskedCopy:
        """The copy of a form that is heard next, or of the one after it while a rating is still due."""
        playing = any(listen.ended_utc is None for listen in request.contents.listens)
        for demand in request.to_hear[:1] if request.session.due or not playing else ():
            if self._sound_path(request.round, demand) == SOUNDS + ticket:
                copies = self.copies.of(request.round.manifest)
                path = copies.paths[demand.render.content_hash]
                return MaskedCopy(path, travelling_bytes(copies), int(self._mask(request.round, demand), 16))
        raise PageError(404, "gone", "This is not the listen that is due.")

    def begin(self, request: ListenerRequest, code: int, asked: s.Begin) -> s.Kept:
        """The listen that is due begins, and any other of this listener ends."""
        session = request.session
        if session.listen_id is not None and session.begin_key == asked.key:
            request.listen(code)  # the answer to the first request was lost on the way
            return s.Kept()
        sitting = self._require_sitting(request, asked.sitting).id
        round_ = request.round
        demand = _require_demand(round_)
        if session.due != (round_.record.id, demand.form_id, code):
            raise PageError(
                409,
                "used",
                "This code was used up meanwhile; here is a new one.",  # the page knows of other tabs
            )
        self._void_open(round_, session)
        session.listen_id = request.study.log.start_listen(
            round_.record.id, sitting, demand.form_id, demand.position, code, demand.render.frames
        )
        session.due, session.code, session.begin_key = None, code, asked.key
        session.began, session.heard_s = self.monotonic(), 0.0
        return s.Kept()

    def heard(self, request: ListenerRequest, code: int, asked: s.HeardSoFar) -> s.Kept:
        """A listen goes on; refused when it has ended meanwhile."""
        session = request.session
        known = session.listen_id is not None and session.code == code
        listen_id = session.listen_id if known else request.listen(code).id
        assert listen_id is not None
        end = request.study.log.end_of(listen_id)
        if end is not None:
            raise PageError(409, "over", end.void_reason or "This listen has ended.")
        if known:
            session.heard_s = max(session.heard_s, asked.heard_s)
        return s.Kept()

    def end(self, request: ListenerRequest, code: int, asked: s.End) -> s.Ended:
        """A listen has ended: counted if it was heard whole and in real time, and asked about if it
        stumbled."""
        listen = request.listen(code)
        if listen.ended_utc is None:
            manifest = request.manifest_of(listen)
            seconds = listen.frames / manifest.sample_rate
            elapsed_s = self._elapsed_s(request, listen)
            why = REASONS[asked.reason] if asked.reason else _judge(seconds, elapsed_s, asked)
            frames = listen.frames
            if why is not None:
                heard_s = min(asked.heard_s, elapsed_s)  # never more than time has passed
                frames = min(round(heard_s * manifest.sample_rate), listen.frames)
            stumbles = s.stumbles_in_form(asked.stumbles, manifest.lead_s, seconds)
            request.study.log.end_listen(listen.id, frames, why, late_s=asked.late_s, stumbles=stumbles)
            request.log_changed()
        return _ended(request, code)

    def judged(self, request: ListenerRequest, code: int, asked: s.Judged) -> s.Ended:
        """Whether a listen that stumbled could still be judged; the first answer stands."""
        listen = request.listen(code)
        if listen.awaits_judgement:
            request.study.log.judge(listen.id, asked.could_judge)
            request.log_changed()
        return _ended(request, code)

    def answer(self, request: ListenerRequest, code: int, asked: s.Answer) -> s.Kept:
        """A rating with its comments; on the disk, once, when this returns."""
        listen = request.listen(code)
        values = asked.model_dump(include={OVERALL, *ASPECTS}, exclude_none=True)
        manifest = request.manifest_of(listen)
        seconds = listen.frames / manifest.sample_rate
        comments = s.comments_in_form(asked.comments, manifest.lead_s, seconds)
        try:
            request.study.log.submit(request.listener, f"page {asked.key}", listen.id, values, comments)
        except LogError:
            raise PageError(
                409, "stale", "This listen cannot be rated: it was not heard whole, or its round is over."
            ) from None
        return s.Kept()

    def questions(self, request: ListenerRequest, asked: s.Questions) -> s.Kept:
        """The answers to what is asked once a round is rated; later ones correct them until it is closed."""
        if request.state.stage() != "review":
            raise PageError(409, "stale", "This is asked when all forms of the round are rated.")
        round_ = request.round
        rated = {listen.code: listen.id for listen in round_.state.rated.values()}
        answers = answers_of(asked.cuts, asked.keep, rated)
        if answers is None:
            raise PageError(422, "shape", "Please name codes of this round.")
        if round_.record.answers != answers:
            request.study.log.answer_round(round_.record.id, answers)
        return s.Kept()

    def close(self, request: ListenerRequest, asked: s.Close) -> s.ListenerState:
        """The round's ratings stand; nothing happens when they do already."""
        if request.state.goes_on and request.state.number == asked.round:
            if request.state.stage() != "review":
                raise PageError(409, "stale", "This round still asks for a listen or a rating.")
            request.round.finish()
            request.log_changed()
        return self.state(request)

    def _require_listed(self, request: ListenerRequest) -> None:
        if request.listener not in {listener.name for listener in request.study.song.listeners}:
            raise PageError(403, "link", "You are not among this study's listeners any more. Thank you.")

    def _sound_path(self, round_: Round, demand: Demand) -> str:
        """Where a form's copy lies in this round and in no other, so that no two rounds can be compared."""
        return SOUNDS + sign(self._key, "sound", str(round_.record.id), str(demand.form_id))[:32]

    def _mask(self, round_: Round, demand: Demand) -> str:
        return sign(self._key, "mask", str(round_.record.id), str(demand.form_id))[:8]

    def _require_sitting(self, request: ListenerRequest, ticket: str) -> Sitting:
        going_on = request.study.log.open_sitting(request.listener)
        if going_on is None or not is_signed(ticket, self._key, "sitting", str(going_on.id)):
            raise PageError(
                409,
                "sitting",
                "A new sitting begins (after a pause, or on another device): level check first.",
            )
        return going_on

    def _void_open(self, round_: Round, session: SessionState) -> None:
        """End what the listener left open, as if it had played on for one beat after its last sign."""
        for listen in round_.contents.listens:
            if listen.ended_utc is None:
                known = listen.id == session.listen_id
                heard_s = min(session.heard_s + BEAT_S, self.monotonic() - session.began) if known else 0.0
                frames = min(round(heard_s * round_.manifest.sample_rate), listen.frames)
                round_.study.log.end_listen(listen.id, frames, REASONS["elsewhere"])

    def _elapsed_s(self, request: ListenerRequest, listen: ListenRecord) -> float:
        """Wall time since a listen began: by a monotonic clock, or by the log's after a restart."""
        if request.session.listen_id == listen.id:
            return self.monotonic() - request.session.began
        return max((request.study.clock() - utc_time(listen.started_utc)) / timedelta(seconds=1), 0.0)


def _require_demand(round_: Round) -> Demand:
    if round_.state.waiting is not None:
        raise PageError(409, "stale", "You have heard a form that is not rated yet.")
    demand = round_.next_demand
    if demand is None:
        raise PageError(409, "stale", "All forms of this round are rated.")
    return demand


def _reserved_code(round_: Round, demand: Demand, session: SessionState) -> int:
    if session.due is None or session.due[:2] != (round_.record.id, demand.form_id):
        code = round_.study.log.reserve_code(round_.record.id, demand.form_id)
        session.due = (round_.record.id, demand.form_id, code)
    return session.due[2]


def _ended(request: ListenerRequest, code: int) -> s.Ended:
    """What the log says of a listen that has ended."""
    listen = request.listen(code)
    if listen.heard_to_the_end:
        return s.Ended(counted=True)
    if listen.awaits_judgement:
        return s.Ended(counted=False, ask=asked_about(listen, request.manifest_of(listen).lead_s))
    advice = advice_after(request.contents.listens)
    return s.Ended(counted=False, why=listen.void_reason or "", advice=advice)


def _judge(duration_s: float, elapsed_s: float, asked: s.End) -> str | None:
    """Why a listen that the page calls whole was not, or None."""
    if is_too_early(duration_s, asked.heard_s, elapsed_s):
        return TOO_EARLY
    if elapsed_s - asked.waited_s > duration_s + LATE_S:
        return REASONS["paused"]
    return REASONS["broke"] if hearing(asked.late_s) == "void" else None
