"""A listener's progress in the shape the page shows."""

from __future__ import annotations

from collections.abc import Sequence

from listening.counts import longest_stumble
from listening.page.messages import Comment, ListenerState, ReviewedListen, StumbleInListen
from listening.round_state import (
    DONE,
    OPENED,
    RoundState,
    may_stop_text,
    next_round_text,
    set_aside_text,
)
from listening.rounds import Round
from render.renders.manifest import RenderedForm
from sessions.records import ASPECTS, ListenRecord, LogContents
from sessions.resting import resting_hashes
from sessions.study import Study


def state_of(
    study: Study, state: RoundState, contents: LogContents, drawer: str, *, any_day: bool = False
) -> ListenerState:
    """A listener's state in the page's shape."""
    stage = state.stage(any_day=any_day)
    opened = OPENED if contents.opened is not None else may_stop_text(contents)
    aside = set_aside_text(state, contents)
    common = ListenerState(
        listener=state.listener, title=study.song.title, drawer=drawer, rounds_done=state.rounds_done,
        rounds_planned=state.rounds_planned, stage=stage, text=" ".join(filter(None, (aside, opened))),
    )  # fmt: skip
    if state.goes_on:
        return _in_round(Round(study, state.listener, contents), common)
    if stage == "done":
        return common.model_copy(update={"text": DONE})
    resting = set(resting_hashes(contents.events))  # by the last reading: it may be another by then
    forms = [form for form in study.manifest.forms if form.content_hash not in resting]
    to_come = {"round": state.number, "forms_asked": len(forms), "minutes": sound_minutes(forms)}
    if stage == "rest":
        texts = (aside, next_round_text(state, any_day=any_day), may_stop_text(contents))
        return common.model_copy(update=to_come | {"text": " ".join(filter(None, texts))})
    return common.model_copy(update=to_come)


def _in_round(round_: Round, common: ListenerState) -> ListenerState:
    update: dict[str, object] = {
        "round": round_.state.number,
        "forms_asked": len(round_.demands),
        "forms_rated": round_.state.heard,
        "minutes": sound_minutes([demand.render for demand in round_.demands]),
    }
    if (waiting := round_.state.waiting) is not None:
        update["code"] = waiting.code
        if waiting.awaits_judgement:
            update["ask"] = asked_about(waiting, round_.manifest.lead_s)
    elif common.stage == "review":
        in_order = sorted(round_.state.rated.values(), key=lambda listen: listen.id)
        update["ratings"] = tuple(_reviewed(listen, round_.manifest.lead_s) for listen in in_order)
        update["questions_answered"] = round_.record.answers is not None
    return common.model_copy(update=update)


def sound_minutes(forms: Sequence[RenderedForm]) -> int | None:
    """About how long the sound of a round is; None for one form, whose length it would tell."""
    if len(forms) < 2:
        return None
    return max(round(sum(form.seconds for form in forms) / 60), 1)


def asked_about(listen: ListenRecord, lead_s: float) -> StumbleInListen:
    """The stumble that a listener is asked about, at its place in the listen."""
    longest = longest_stumble(listen.late_s, listen.stumbles)
    return StumbleInListen(at_s=max(longest.at_s + lead_s, 0), length_s=longest.length_s)


def _reviewed(listen: ListenRecord, lead_s: float) -> ReviewedListen:
    assert listen.rating is not None
    aspects = {aspect: listen.ratings.get(aspect) for aspect in ASPECTS}
    comments = tuple(
        Comment(text=text, time_s=None if time_s is None else max(time_s + lead_s, 0))
        for time_s, text in listen.comments
    )
    return ReviewedListen(code=listen.code, overall=listen.rating, comments=comments, **aspects)
