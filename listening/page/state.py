"""Where a listener stands, in the page's words."""

from __future__ import annotations

from datetime import datetime, timedelta

from listening.page.messages import RatedCode, State
from listening.rounds import Round, Standing, abandoned_text, standing
from sessions.log import SITTING_PAUSE
from sessions.study import Study

OPENED = (
    "The study has been opened since: whoever runs it has the report. What you hear from now on is kept "
    "apart from the verdict."
)
DONE = "You have heard and rated everything this study planned for you. Thank you."


def state_of(study: Study, listener: str, drawer: str, *, any_day: bool = False) -> State:
    """The listener's state by the log as it is now."""
    contents = study.log.contents(listener)
    stands = standing(study, contents, listener)
    opened = OPENED if contents.opened is not None else ""
    told = " ".join(filter(None, (abandoned_text(contents, listener), opened)))
    common = State(
        listener=listener, title=study.song.title, drawer=drawer, rounds_done=stands.rounds_done,
        rounds_planned=stands.rounds_planned, stage="ready", text=told,
    )  # fmt: skip
    if stands.open_round is not None:
        return _in_round(Round(study, listener), common)
    wait = next_round_text(study, stands, any_day=any_day)
    if stands.finished:
        return common.model_copy(update={"stage": "done", "text": wait})
    if wait:
        text = f"{abandoned_text(contents, listener)} {wait}".strip()
        return common.model_copy(update={"stage": "rest", "text": text})
    return common.model_copy(update={"round": stands.rounds_done + 1})


def _in_round(round_: Round, common: State) -> State:
    asked = round_.demands
    update: dict[str, object] = {
        "round": round_.number,
        "forms_asked": len(asked),
        "forms_rated": len([d for d in asked if d.form_id in round_.rated]),
    }
    if round_.unrated is not None:
        update |= {"stage": "rate", "code": round_.unrated.code}
    elif round_.next_demand is not None:
        update |= {"stage": "listen"}
    else:
        in_order = sorted(round_.rated.values(), key=lambda listen: listen.id)
        ratings = [RatedCode(code=x.code, overall=x.rating) for x in in_order if x.rating is not None]
        update |= {"stage": "review", "ratings": tuple(ratings)}
    return common.model_copy(update=update)


def next_round_text(study: Study, stands: Standing, *, any_day: bool = False) -> str:
    """Why no round can begin now, or "" if one can."""
    now = study.clock()
    if stands.finished:
        return DONE
    if stands.due is not None and stands.due > now.date() and not any_day:
        return (
            f"Your next round is due on {stands.due:%A} {stands.due.day} {stands.due:%B}. The plan spreads "
            "rounds over days, because one evening's mood must not decide."
        )
    if stands.not_before is not None and timedelta(0) < stands.not_before - now <= SITTING_PAUSE:
        return (
            f"Your next round can begin at {_clock_time(stands.not_before, now)}. Ears tire and moods carry "
            "over, so an hour lies between two rounds."
        )
    return ""


def _clock_time(moment: datetime, now: datetime) -> str:
    return f"{moment.astimezone(now.tzinfo):%H:%M}"
