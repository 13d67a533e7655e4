"""Import of a packet's answers into the log: once, with every refusal said."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path

from listening.counts import REASONS, TOO_EARLY, hearing, is_too_early
from listening.packet.answers import Answers, GivenListen, Ticket, in_window, read_answers
from listening.page.messages import Questions, comments_in_form, stumbles_in_form
from listening.round_state import rated_forms, round_state
from listening.rounds import Round, answers_of, renders_of
from render.errors import AnswersError, LogError
from render.figures import counted
from render.renders.manifest import Manifest
from sessions.log import Log
from sessions.records import OVERALL, LogContents, RoundRecord
from sessions.study import Study
from sessions.taken import TakenListen, TakenRating, take_in


@dataclass(frozen=True)
class Collected:
    """The result of an import, in plain lines; `taken` counts listens that told something new, those
    that were broken off among them."""

    taken: int
    refused: int
    round_complete: bool
    opened: bool
    lines: tuple[str, ...]


def collect(study: Study, path: Path) -> Collected:
    """Take the answers of `path` into the log; what was taken in before stays as it is.

    Raises:
        AnswersError: the file is damaged, or answers no packet of this study.
    """
    ticket, answers = read_answers(study, path)
    return _Collecting(study, ticket).run(answers)


class _Collecting:
    def __init__(self, study: Study, ticket: Ticket) -> None:
        self.study = study
        self.ticket = ticket
        self.now = study.clock()
        self.rated = self.corrected = self.unrated = self.void = self.refused = 0
        self.lines: list[str] = []
        self.contents: LogContents = study.log.contents(ticket.listener)
        self.round: RoundRecord = self._find_round()
        self.manifest: Manifest = renders_of(study, self.round)
        if self.manifest.set_id != self.round.render_set:  # what was rated far away shall not be lost with it
            self.lines.append("what the packet was made from is lost: lengths are those of the renders now")
        self.codes = {code: place for place, codes in enumerate(ticket.codes) for code in codes}
        self.form_of = study.log.codes_of(self.round.id)

    def run(self, answers: Answers) -> Collected:
        for given in sorted(answers.listens, key=lambda listen: listen.began):
            refusal = self._take(given)
            if refusal:
                self.refused += 1
                self.lines.append(f"{given.code} not taken in: {refusal}")
        self._answer_questions(answers.questions)
        complete, opened = self._finish()
        self.lines.insert(0, self._summary())
        taken = self.rated + self.corrected + self.unrated + self.void
        if taken:
            detail = {"listener": self.ticket.listener, "round": self.ticket.round, "listens": taken}
            self.study.log.add_event("collected", detail)
        return Collected(taken, self.refused, complete, opened, tuple(self.lines))

    def _summary(self) -> str:
        """What is new to the log, as the listener would count it."""
        counts = [f"{counted(self.rated, 'form')} rated"]
        if self.corrected:
            counts.append(f"{counted(self.corrected, 'rating')} corrected")
        if self.unrated:
            counts.append(f"{self.unrated} heard and not rated")
        if self.void:
            counts.append(f"{counted(self.void, 'listen')} broken off")
        if self.refused:
            counts.append(f"{self.refused} not taken in")
        earlier = [r for r in self.contents.rounds_of(self.ticket.listener) if r.number < self.round.number]
        number = 1 + sum(bool(r.complete) for r in earlier)
        return f"{self.ticket.listener}, round {number}: {', '.join(counts)}"

    def _find_round(self) -> RoundRecord:
        for record in self.contents.rounds_of(self.ticket.listener):
            if record.number == self.ticket.round:
                return record
        raise AnswersError(
            f"the log knows no round {self.ticket.round} of {self.ticket.listener}; was it restored from an "
            "older copy? Make a new packet"
        )

    def _take(self, given: GivenListen) -> str | None:
        """Take one listen in, or say why not."""
        form_id = self.form_of.get(given.code)
        if given.code not in self.codes or form_id is None:
            return "this packet has no such code"
        form = self.manifest.by_hash(self.contents.form(form_id).content_hash)
        if form is None:
            return "its render is gone"
        if self.study.log.was_submitted(self.ticket.listener, _submission(given)):
            return self._rate_later(given, form.seconds)
        if self.round.complete is not None:
            return "its round is over" if self.round.complete else "another round took the place of its own"
        rated = rated_forms(self.study.log.contents(self.ticket.listener), self.round)
        if given.ratings and form_id in rated:
            return f"this form was rated meanwhile (as {rated[form_id].code}); that rating stands"
        why = REASONS[given.reason] if given.reason else self._judge(given, form.seconds)
        if why == TOO_EARLY:
            self.lines.append(f"{given.code} does not count: {why}")
        heard = "void" if why is not None or given.could_judge is False else hearing(given.late_s)
        rateable = heard == "counts" or (heard == "ask" and given.could_judge is True)
        began, ended = self._times(given)
        heard_on = given.heard_on.strip() or "unknown"
        sitting = Log(self.study.log.store, lambda: began).sit_down(self.ticket.listener, heard_on, "packet")
        passed_s = (given.ended - given.began).total_seconds()
        frames = round(min(given.heard_s, passed_s) * self.manifest.sample_rate)
        comments = comments_in_form(given.comments, self.manifest.lead_s, form.seconds)
        stumbles = stumbles_in_form(given.stumbles, self.manifest.lead_s, form.seconds)
        listen = TakenListen(
            self.round.id, sitting, form_id, self.round.order.index(form_id) + 1, given.code, form.frames,
            form.frames if why is None else max(min(frames, form.frames), 0), why, began, ended,
            self._ratings(given, ended) if rateable else (), comments, given.late_s, stumbles,
            given.could_judge,
        )  # fmt: skip
        if take_in(self.study.log, self.ticket.listener, _submission(given), listen):
            if heard == "void":
                self.void += 1
            elif rateable and any(rating.aspect == OVERALL for rating in given.ratings):
                self.rated += 1
            else:
                self.unrated += 1
            return None
        return "it was taken in before"

    def _rate_later(self, given: GivenListen, seconds: float) -> str | None:
        """Rate a listen that came in before it was rated, or was corrected since; or say why not."""
        listens = self.study.log.contents(self.ticket.listener).listens_of(self.ticket.listener)
        same = [x for x in listens if x.round_id == self.round.id and x.code == given.code]
        unjudged = next((x for x in same if x.awaits_judgement), None)
        if unjudged is not None and given.could_judge is not None and self.round.complete is None:
            self.study.log.judge(unjudged.id, given.could_judge)
            if not given.could_judge:
                self.void += 1
                return None
            return self._rate_later(given, seconds)
        listen = next((x for x in same if x.heard_to_the_end), None)
        values = _newer(given, listen.ratings) if listen is not None else {}
        if listen is None or not values or self.round.complete is not None:
            return "it was taken in before"
        _began, ended = self._times(given)
        comments = (
            comments_in_form(given.comments, self.manifest.lead_s, seconds) if listen.rating is None else []
        )  # they come with it
        key = f"{_submission(given)} {len(given.ratings)} ratings"
        log = Log(self.study.log.store, lambda: ended)
        try:
            if not log.submit(self.ticket.listener, key, listen.id, values, comments):
                return "it was taken in before"
        except LogError as error:
            return str(error)
        if listen.rating is None:
            self.rated += 1
        else:
            self.corrected += 1
        return None

    def _judge(self, given: GivenListen, seconds: float) -> str | None:
        """A listen that ended too early by its own times, or was broken up, does not count."""
        passed_s = (given.ended - given.began).total_seconds()
        if is_too_early(seconds, given.heard_s, passed_s):
            return TOO_EARLY
        return REASONS["broke"] if hearing(given.late_s) == "void" else None

    def _times(self, given: GivenListen) -> tuple[datetime, datetime]:
        """When it was heard, in the listener's own zone; now, if their device's clock cannot be right."""
        zone = timezone(timedelta(minutes=given.minutes_east))
        if in_window(given.began, self.ticket, self.now) and in_window(given.ended, self.ticket, self.now):
            return given.began.astimezone(zone), given.ended.astimezone(zone)
        self.lines.append(
            f"{given.code}: the device's clock was wrong ({given.began:%Y-%m-%d}); entered with today's date"
        )
        return self.now.astimezone(zone), self.now.astimezone(zone)

    def _ratings(self, given: GivenListen, ended: datetime) -> list[TakenRating]:
        sane = in_window(given.began, self.ticket, self.now)
        return [
            TakenRating(r.aspect, r.value, r.at.astimezone(ended.tzinfo) if sane else ended)
            for r in given.ratings
        ]

    def _answer_questions(self, questions: Questions | None) -> None:
        """Keep what was answered at the round's end, where the listens that it names were taken in."""
        if questions is None or self.round.complete is not None:
            return
        contents = self.study.log.contents(self.ticket.listener)
        round_ = next(r for r in contents.rounds if r.id == self.round.id)
        answers = answers_of(
            questions.cuts, questions.keep, {x.code: x.id for x in rated_forms(contents, round_).values()}
        )
        if answers is None:
            self.lines.append("what was answered at the round's end names codes that are not rated in it")
        elif answers != round_.answers:
            self.study.log.answer_round(round_.id, answers)

    def _finish(self) -> tuple[bool, bool]:
        """Close the round when nothing in it is left to hear: (closed, the study was opened by it)."""
        if self.round.complete is not None:
            return self.round.complete, False
        listener = self.ticket.listener
        contents = self.study.log.contents(listener)
        state = round_state(self.study, contents, listener)
        if state.open_round is None:
            return True, False
        left = len(state.left)
        if left:
            are = "form of this round is" if left == 1 else "forms of this round are"
            self.lines.append(f"{left} {are} still to be heard; it stays open")
            return False, False
        if state.stuck is not None:  # not ended here: more answers may be under way
            self.lines.append(
                "the forms of this round that are not rated have been replaced; a new round takes its place "
                f"when {listener} goes on"
            )
            return False, False
        opened = Round(self.study, listener, contents).finish()
        last = "; it was the plan's last: the study is open" if opened else ""
        self.lines.append(f"the round is complete{last}")
        return True, opened


def _newer(given: GivenListen, known: Mapping[str, float]) -> dict[str, float]:
    """The ratings that a listen has now and the log has not: a value that was corrected on the way here gives
    way to the last one, a value that was corrected in the study itself stands."""
    newer = {}
    for aspect in dict.fromkeys(rating.aspect for rating in given.ratings):
        *earlier, last = [rating.value for rating in given.ratings if rating.aspect == aspect]
        if aspect not in known or (known[aspect] != last and known[aspect] in earlier):
            newer[str(aspect)] = last
    return newer


def _submission(given: GivenListen) -> str:
    """What a listen is known by, so that it is taken in once (a reused code begins at another time)."""
    return f"packet {given.code} {given.began.astimezone(UTC):%Y%m%dT%H%M%S}"
