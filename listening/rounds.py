"""What a listener's round demands: which form comes next, what is still to be rated, when the next
round is due. Terminal, page and packet all go through here."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from pathlib import Path

from render.errors import ListenError, RenderError
from render.renders.manifest import Manifest, RenderedForm
from sessions.clock import utc_time
from sessions.log import SITTING_PAUSE
from sessions.plan import next_order
from sessions.records import ListenRecord, LogContents, RoundRecord
from sessions.study import Study

LOST = "the sound it was to play is lost"
REPLACED = "its forms have been replaced"


@dataclass(frozen=True)
class Demand:
    """One listen that a round asks for: a form of the log at its place in the order."""

    form_id: int
    position: int
    render: RenderedForm
    path: Path
    sample_rate: int


@dataclass(frozen=True)
class Listen:
    """A listen that has begun: only its code is for the listener's eyes."""

    id: int
    code: int
    demand: Demand


@dataclass(frozen=True)
class Standing:
    """Where a listener stands. `due` is the first day of the next round, `not_before` its first moment."""

    listener: str
    rounds_done: int
    rounds_planned: int
    open_round: RoundRecord | None
    heard_in_round: int
    asked_in_round: int
    due: date | None
    not_before: datetime | None

    @property
    def finished(self) -> bool:
        return self.open_round is None and self.rounds_done >= self.rounds_planned


def standing(
    study: Study, contents: LogContents, listener: str, current_ids: set[int] | None = None
) -> Standing:
    """Where a listener stands by the log. `current_ids` are the forms song.toml still has."""
    rounds = contents.rounds_of(listener)
    done = [r for r in rounds if r.complete]
    open_round = open_round_of(contents, listener)
    asked = [i for i in open_round.order if current_ids is None or i in current_ids] if open_round else []
    rated = rated_forms(contents, open_round) if open_round else {}
    outline = study.outline
    planned = outline.rounds
    due, not_before = None, None
    if open_round is None and len(done) < planned:
        due, not_before = _next_due(study.clock(), done, planned, outline.days)
    return Standing(
        listener,
        len(done),
        planned,
        open_round,
        len([i for i in asked if i in rated]),
        len(asked),
        due,
        not_before,
    )


def rated_forms(contents: LogContents, round_: RoundRecord) -> Mapping[int, ListenRecord]:
    """form id -> the counted and rated listen of a round."""
    return {
        x.form_id: x
        for x in contents.listens_of(round_.listener)
        if x.round_id == round_.id and x.heard_to_the_end and x.rating is not None
    }


def unrated_listen(contents: LogContents, round_: RoundRecord) -> ListenRecord | None:
    """A listen of a round that was heard to its end but not rated yet (the program was ended in between)."""
    rated = rated_forms(contents, round_)
    for listen in reversed(contents.listens_of(round_.listener)):
        heard = listen.round_id == round_.id and listen.heard_to_the_end
        if heard and listen.rating is None and listen.form_id not in rated:
            return listen
    return None


def _next_due(
    now: datetime, done: list[RoundRecord], planned: int, days: int
) -> tuple[date, datetime | None]:
    """The plan spreads rounds evenly over its days; one round a sitting, so an hour lies between two.

    A round that ended in the future was heard by a clock that has been set back since: nobody waits for it.
    """
    if not done or done[-1].ended_utc is None or utc_time(done[-1].ended_utc) - now > SITTING_PAUSE:
        return now.date(), None
    last_date = date.fromisoformat(done[-1].local_date)
    a_day = math.ceil(planned / days)
    on_that_day = sum(r.local_date == done[-1].local_date for r in done)
    due = last_date + timedelta(days=1) if on_that_day >= a_day else last_date
    return due, utc_time(done[-1].ended_utc) + SITTING_PAUSE


def open_round_of(contents: LogContents, listener: str) -> RoundRecord | None:
    """The round that a listener has begun and not ended."""
    return next((r for r in contents.rounds_of(listener) if r.complete is None), None)


def require_round(study: Study, listener: str, *, any_day: bool = False) -> None:
    """Refuse a listener who has no open round and may not begin the next one now; begins nothing.

    Raises:
        ListenError: all rounds are done, or the next one is not due (`any_day` lifts the day, never
            the hour between two rounds).
    """
    study.require_fresh_renders()
    name = study.listener(listener).name
    open_round = open_round_of(study.log.contents(name), name)
    if open_round is None or end_if_stuck(study, open_round):
        _require_due(study, standing(study, study.log.contents(name), name), any_day)


def enter_round(study: Study, listener: str, *, any_day: bool = False) -> Round:
    """The listener's open round, or the next one if it may begin now.

    Raises:
        ListenError: as for `require_round`.
    """
    require_round(study, listener, any_day=any_day)
    manifest = study.manifest
    name = study.listener(listener).name
    forms = study.register(manifest)
    contents = study.log.contents(name)
    if open_round_of(contents, name) is None:
        hashes = {form.content_hash: form.id for form in forms}
        by_id = {form.id: form.content_hash for form in contents.forms}
        history = [[by_id[i] for i in r.order] for r in contents.rounds_of(name)]
        order = next_order(study.log.secret("plan_seed"), name, list(hashes), history)
        study.log.start_round(name, len(history) + 1, [hashes[h] for h in order], manifest.set_id)
    return Round(study, name)


def is_lost(study: Study, round_: RoundRecord) -> bool:
    """Whether what an open round plays is not there any more."""
    try:
        forms = study.manifest_of(round_.render_set).forms
    except RenderError:
        return True
    return not all((study.folder / form.wav).is_file() for form in forms)


def why_stuck(study: Study, round_: RoundRecord) -> str | None:
    """Why an open round cannot go on at the loudness and with the forms it began with: LOST, REPLACED or
    None. One that needs no more sound is not stuck: what was heard is still rated, and what was rated counts.

    Raises:
        RenderError: the current renders are not in order, so that it may not be stuck at all.
    """
    contents = study.log.contents(round_.listener)
    rated = rated_forms(contents, round_)
    left = [i for i in round_.order if i not in rated]
    if not left or unrated_listen(contents, round_) is not None:
        return None
    current = {form.content_hash for form in study.manifest.forms}
    still = [i for i in round_.order if contents.form(i).content_hash in current]
    if still and not set(still) & set(left):
        return None
    if is_lost(study, round_):
        return LOST
    return None if still else REPLACED


def end_if_stuck(study: Study, round_: RoundRecord) -> bool:
    """End an open round that cannot go on: its ratings stay as they are, and another takes its place.

    Raises:
        RenderError, StudyError: the current renders are not in order, so that it may not be stuck at all.
    """
    why = why_stuck(study, round_)
    if why is None:
        return False
    study.require_fresh_renders()
    study.log.end_round(round_.id, complete=False)
    study.log.add_event("round abandoned", {"listener": round_.listener, "why": why})
    return True


def abandoned_round(contents: LogContents, listener: str) -> RoundRecord | None:
    """A round of the listener that could not go on and whose place no other has taken to its end yet."""
    ended = [r for r in contents.rounds_of(listener) if r.complete is not None]
    return ended[-1] if ended and not ended[-1].complete else None


def why_abandoned(contents: LogContents, listener: str) -> str:
    """Why the listener's last abandoned round could not go on."""
    found = [e.detail for e in contents.events if e.kind == "round abandoned"]
    return next((str(d["why"]) for d in reversed(found) if d["listener"] == listener), LOST)


def abandoned_text(contents: LogContents, listener: str) -> str:
    """What a listener is told of such a round until they have rated a form of the next one, or ""."""
    if abandoned_round(contents, listener) is None:
        return ""
    open_round = open_round_of(contents, listener)
    if open_round is not None and rated_forms(contents, open_round):
        return ""
    return (
        f"Your last round could not go on, because {why_abandoned(contents, listener)}; what you rated is "
        "kept, and a new round takes its place."
    )


def _require_due(study: Study, stands: Standing, any_day: bool) -> None:
    now = study.clock()
    if stands.finished:
        raise ListenError(
            f"{stands.listener} has done all {stands.rounds_planned} planned rounds; see "
            "`fairhearing report` (to go on, raise plan.rounds in song.toml)"
        )
    if stands.not_before and timedelta(0) < stands.not_before - now <= SITTING_PAUSE:
        at = stands.not_before.astimezone(now.tzinfo)
        raise ListenError(
            "one round a sitting: ears tire and moods carry over; "
            f"{stands.listener}'s next round can begin at {at:%H:%M}"
        )
    if stands.due and stands.due > now.date() and not any_day:
        raise ListenError(
            f"{stands.listener}'s next round is due on {stands.due.isoformat()}: the plan spreads its rounds "
            "over days, because one evening's mood must not decide (--any-day begins it now)"
        )


class Round:
    """A listener's open round, as the log has it at this moment. `contents` holds this listener's part.

    `manifest` stands for that of the round where it is lost, for what needs no sound.
    """

    def __init__(self, study: Study, listener: str, manifest: Manifest | None = None) -> None:
        self.study = study
        self.listener = listener
        self._instead = manifest
        self.refresh()

    def refresh(self) -> None:
        """Read the log again."""
        contents = self.study.log.contents(self.listener)
        found = open_round_of(contents, self.listener)
        if found is None:
            raise ListenError(
                f"{self.listener} has no open round; `fairhearing status` says when the next one is"
            )
        self.record = found
        self.contents = contents
        self.manifest: Manifest = self._instead or self._own_manifest()
        self.rated = rated_forms(contents, found)

    def _own_manifest(self) -> Manifest:
        try:
            return self.study.manifest_of(self.record.render_set)
        except RenderError:
            if why_stuck(self.study, self.record) is not None:
                raise
            return self.study.manifest  # no sound is needed from it

    @property
    def number(self) -> int:
        """Which of the planned rounds this is: abandoned ones do not count."""
        return 1 + sum(bool(r.complete) for r in self.contents.rounds_of(self.listener))

    @property
    def demands(self) -> list[Demand]:
        """What the round asks for: its forms, in order, without those that song.toml no longer has."""
        current = {form.content_hash for form in self.study.manifest.forms}
        found = []
        for position, form_id in enumerate(self.record.order, start=1):
            content_hash = self.contents.form(form_id).content_hash
            render = self.manifest.by_hash(content_hash)
            if render is not None and content_hash in current:
                path = self.study.folder / render.wav
                found.append(Demand(form_id, position, render, path, self.manifest.sample_rate))
        return found

    @property
    def unrated(self) -> ListenRecord | None:
        """What was heard to its end but not rated yet."""
        return unrated_listen(self.contents, self.record)

    @property
    def next_demand(self) -> Demand | None:
        return next((d for d in self.demands if d.form_id not in self.rated), None)

    def begin(self, demand: Demand, sitting_id: int) -> Listen:
        """Record that a listen begins, under a fresh code. Its render is checked to be whole first."""
        require_whole(demand, self.manifest)
        code = self.study.log.reserve_code(self.record.id, demand.form_id)
        listen_id = self.study.log.start_listen(
            self.record.id, sitting_id, demand.form_id, demand.position, code, demand.render.frames
        )
        return Listen(listen_id, code, demand)

    def form_time_s(self, file_time_s: float) -> float:
        """Seconds into a render's file as seconds after the form's first bar line."""
        return file_time_s - self.manifest.lead_s

    def finish(self) -> bool:
        """End the round if all it demands is rated; opens the study when it was the plan's last.

        Returns whether the study was opened by it.
        """
        self.refresh()
        if self.next_demand is not None or end_if_stuck(self.study, self.record):
            return False
        self.study.log.end_round(self.record.id, complete=True)
        return open_if_all_done(self.study)


def open_if_all_done(study: Study) -> bool:
    """Open the study when every listener has done every planned round."""
    contents = study.log.contents(listens=False)
    stands = [standing(study, contents, listener.name) for listener in study.song.listeners]
    if contents.opened is None and stands and all(s.finished for s in stands):
        study.log.add_event("opened", {"why": "all planned rounds are done"})
        return True
    return False


def require_whole(demand: Demand, manifest: Manifest) -> None:
    """Refuse a render that is missing, cut short or altered."""
    from render.audio.containers import wav_audio_sha256  # here: `status` asks for no audio and must not wait

    path = demand.path
    if not path.is_file():
        raise ListenError(
            f"the render {path} is missing; run `fairhearing render`, then go on with the round"
        )
    size = path.stat().st_size
    if size != manifest.file_bytes or wav_audio_sha256(path) != demand.render.sha256:
        raise ListenError(
            f"the render {path} is not what was measured (cut short or altered); delete it, run "
            "`fairhearing render`, then go on with the round"
        )
