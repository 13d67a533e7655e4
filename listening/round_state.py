"""A listener's progress in a study, from the log, the plan, the renders and the clock; writes nothing.

Terminal, page, packet and status all go by this one reading.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass
from typing import Literal

from listening.due import Due, next_due
from render.errors import RenderError
from sessions.records import ListenRecord, LogContents, RoundRecord
from sessions.resting import may_stop
from sessions.study import Study

LOST = "the sound it was to play is lost"
REPLACED = "its forms have been replaced"
MAY_STOP = (
    "What has been rated so far is enough to choose by, so listening may stop. A round in progress may be "
    "finished first. Which form it is stays sealed until whoever runs the study opens it."
)
OPENED = (
    "This study has been opened: what you hear from now on is kept apart from the verdict, and no longer "
    "counts in it."
)
DONE = "You have heard and rated everything this study planned for you. Thank you."
Stage = Literal["ready", "listen", "judge", "rate", "review", "rest", "done"]


@dataclass(frozen=True)
class RoundState:
    """A listener's open round, or when the next one is due.

    `asked` are the ids of the forms that the open round still asks for, in its order: those that song.toml
    has. `rated` are its rated listens by form id, `waiting` the one that was heard and is not rated yet.
    `stuck` says why an open round cannot go on at the loudness and with the forms it began with.
    """

    listener: str
    rounds_done: int
    rounds_planned: int
    open_round: RoundRecord | None
    stuck: str | None
    asked: tuple[int, ...]
    rated: Mapping[int, ListenRecord]
    waiting: ListenRecord | None
    due: Due | None

    @property
    def goes_on(self) -> bool:
        """Whether a round is open, and can be heard or rated to its end."""
        return self.open_round is not None and self.stuck is None

    @property
    def finished(self) -> bool:
        return not self.goes_on and self.rounds_done >= self.rounds_planned

    @property
    def number(self) -> int:
        """Which of the planned rounds is open or comes next: abandoned ones do not count."""
        return self.rounds_done + 1

    @property
    def heard(self) -> int:
        """How many of the forms asked for are rated."""
        return sum(form_id in self.rated for form_id in self.asked)

    @property
    def left(self) -> tuple[int, ...]:
        """Ids of the forms that are still to be rated, in their order."""
        return tuple(form_id for form_id in self.asked if form_id not in self.rated)

    def stage(self, *, any_day: bool = False) -> Stage:
        """What comes next (`any_day`: rounds may begin before their day)."""
        if self.goes_on:
            if self.waiting is not None:
                return "judge" if self.waiting.awaits_judgement else "rate"
            return "listen" if self.left else "review"
        if self.due is None:
            return "done"
        return "rest" if self.due.waits_for(any_day=any_day) else "ready"


def round_state(study: Study, contents: LogContents, listener: str) -> RoundState:
    """Where a listener stands by `contents`, which holds at least this listener's part of the log.

    Raises:
        RenderError: the current renders are not in order.
    """
    return state_among(study, contents, listener, {form.content_hash for form in study.manifest.forms})


def state_among(
    study: Study, contents: LogContents, listener: str, current: Collection[str] | None
) -> RoundState:
    """The same where the `current` forms' content hashes are known already; None if nothing is rendered."""
    done = [r for r in contents.rounds_of(listener) if r.complete]
    round_ = open_round_of(contents, listener)
    rated = rated_forms(contents, round_) if round_ else {}
    waiting = _waiting_listen(contents, round_, rated) if round_ else None
    asked = tuple(
        form_id for form_id in (round_.order if round_ else ())
        if current is None or contents.form(form_id).content_hash in current
    )  # fmt: skip
    stuck = None
    if round_ is not None and current is not None and waiting is None:
        stuck = _why_stuck(study, round_, asked, rated)
    due = None
    if round_ is None or stuck is not None:
        due = next_due(study.clock(), done, study.outline.rounds, study.outline.days)
    return RoundState(listener, len(done), study.outline.rounds, round_, stuck, asked, rated, waiting, due)


def open_round_of(contents: LogContents, listener: str) -> RoundRecord | None:
    """The round that a listener has begun and not ended."""
    return next((r for r in contents.rounds_of(listener) if r.complete is None), None)


def is_done(contents: LogContents, listener: str, planned: int) -> bool:
    """Whether a listener has done all rounds that are `planned`; no listens need to have been read for it."""
    done = sum(bool(r.complete) for r in contents.rounds_of(listener))
    return done >= planned and open_round_of(contents, listener) is None


def still_to_hear(study: Study) -> list[str]:
    """Listeners whose planned rounds are not done, and how far they are: "ana (2 of 6 done)"."""
    contents, planned = study.known, study.outline.rounds
    return [
        f"{x.name} ({sum(bool(r.complete) for r in contents.rounds_of(x.name))} of {planned} done)"
        for x in study.outline.listeners
        if not is_done(contents, x.name, planned)
    ]


def rated_forms(contents: LogContents, round_: RoundRecord) -> Mapping[int, ListenRecord]:
    """form id -> the counted and rated listen of a round."""
    return {
        x.form_id: x
        for x in contents.listens_of(round_.listener)
        if x.round_id == round_.id and x.heard_to_the_end and x.rating is not None
    }


def _waiting_listen(
    contents: LogContents, round_: RoundRecord, rated: Mapping[int, ListenRecord]
) -> ListenRecord | None:
    """A listen of a round that was heard, and waits for its rating or to be judged."""
    for listen in reversed(contents.listens_of(round_.listener)):
        heard = listen.round_id == round_.id and (listen.heard_to_the_end or listen.awaits_judgement)
        if heard and listen.rating is None and listen.form_id not in rated:
            return listen
    return None


def _why_stuck(
    study: Study, round_: RoundRecord, asked: Collection[int], rated: Mapping[int, ListenRecord]
) -> str | None:
    """Why an open round cannot go on, or None. One that needs no more sound is not stuck: what was rated
    counts."""
    left = [form_id for form_id in round_.order if form_id not in rated]
    if not left or (asked and not set(asked) & set(left)):
        return None
    if is_lost(study, round_):
        return LOST
    return None if asked else REPLACED


def is_lost(study: Study, round_: RoundRecord) -> bool:
    """Whether what an open round plays is not there any more."""
    try:
        forms = study.manifest_of(round_.render_set).forms
    except RenderError:
        return True
    return not all((study.folder / form.wav).is_file() for form in forms)


def set_aside_text(state: RoundState, contents: LogContents) -> str:
    """What a listener is told of a round that could not go on until they have rated a form of the next one,
    or ""."""
    why = state.stuck
    if why is None and abandoned_round(contents, state.listener) is not None and not state.rated:
        why = why_abandoned(contents, state.listener)
    if why is None:
        return ""
    return (
        f"Your last round could not go on, because {why}; what you rated is kept, and a new round takes its "
        "place."
    )


def may_stop_text(contents: LogContents) -> str:
    """What a listener is told, without a name, once what is rated is enough to choose by; or ""."""
    return MAY_STOP if contents.opened is None and may_stop(contents.events) else ""


def next_round_text(state: RoundState, *, any_day: bool = False) -> str:
    """Why no round can begin now, or "" if one can."""
    due = state.due
    if due is None:
        return "" if state.goes_on else DONE
    wait = due.waits_for(any_day=any_day)
    if wait == "day":
        return (
            f"Your next round is due on {due.day:%A} {due.day.day} {due.day:%B}. The plan spreads "
            "rounds over days, because one evening's mood must not decide."
        )
    if wait == "hour":
        return (
            f"Your next round can begin at {due.not_before:%H:%M}. Ears tire and moods carry "
            "over, so an hour lies between two rounds."
        )
    return ""


def abandoned_round(contents: LogContents, listener: str) -> RoundRecord | None:
    """A round of the listener that could not go on and whose place no other has taken to its end yet."""
    ended = [r for r in contents.rounds_of(listener) if r.complete is not None]
    return ended[-1] if ended and not ended[-1].complete else None


def why_abandoned(contents: LogContents, listener: str) -> str:
    """Why the listener's last abandoned round could not go on."""
    details = [e.detail for e in contents.events if e.kind == "round abandoned"]
    return next((str(d["why"]) for d in reversed(details) if d["listener"] == listener), LOST)
