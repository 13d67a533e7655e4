"""A listener's round: entered when it is due, heard form by form, ended when all of it is rated.

Terminal, page and packet write to the log through here; what they read is in round_state.py.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from listening.round_state import RoundState, is_done, open_round_of, round_state
from render.errors import FairhearingError, ListenError, RenderError
from render.renders.manifest import Manifest, RenderedForm
from sessions.plan import next_order
from sessions.records import LogContents, RoundAnswers, RoundRecord
from sessions.resting import KIND, forms_at_rest, resting_hashes
from sessions.study import Study

MOST_LISTENERS_READ = 200  # of a larger panel, only the report reads the ratings: it takes seconds


@dataclass(frozen=True)
class Demand:
    """One listen that a round asks for: a form of the log at its place in the order."""

    form_id: int
    position: int
    render: RenderedForm
    path: Path


@dataclass(frozen=True)
class Listen:
    """A listen that has begun: only its code is for the listener's eyes."""

    id: int
    code: int
    demand: Demand


def require_round(study: Study, listener: str, *, any_day: bool = False) -> RoundState:
    """Where a listener stands who has an open round, or may begin the next one now; writes nothing.

    Raises:
        ListenError: all rounds are done, or the next one is not due (`any_day` lifts the day, never
            the hour between two rounds).
    """
    study.require_fresh_renders()
    name = study.listener(listener).name
    state = round_state(study, study.log.contents(name), name)
    if not state.goes_on:
        _require_due(state, any_day)
    return state


def enter_round(study: Study, listener: str, *, any_day: bool = False) -> Round:
    """The listener's open round, or the next one if it may begin now.

    A round that cannot go on is ended first, also where the next one may not begin.

    Raises:
        ListenError: as for `require_round`.
    """
    name = study.listener(listener).name
    study.require_fresh_renders()
    end_if_stuck(study, round_state(study, study.log.contents(name), name))
    require_round(study, name, any_day=any_day)
    manifest = study.manifest
    ids = study.register(manifest)
    contents = study.log.contents(name)
    if open_round_of(contents, name) is None:  # if another host has begun it since, the log refuses this one
        by_id = {form.id: form.content_hash for form in contents.forms}
        history = [[by_id[i] for i in r.order] for r in contents.rounds_of(name)]
        reading = read_now(study, contents, rests=study.song.rests)
        resting = set(reading["resting"]) if reading else set()
        playing = [h for h in ids if h not in resting]
        order = next_order(study.log.secret("plan_seed"), name, playing, history)
        study.log.start_round(name, len(history) + 1, [ids[h] for h in order], manifest.set_id, reading)
    return Round(study, name)


def read_now(study: Study, contents: LogContents, *, rests: bool) -> dict[str, Any] | None:
    """What the ratings say now, as the log keeps it, with the forms that rest; None without a reader.

    With `rests`, forms are put to rest or play again by this reading; else all play.
    """
    reading, listeners = None, len(study.song.listeners)
    if study.reader is not None and listeners <= MOST_LISTENERS_READ:
        with suppress(FairhearingError):  # what is wrong is told where the report is asked for
            reading = study.reader(study)
    if reading is None:
        return None
    before = resting_hashes(contents.events)
    resting = forms_at_rest(before, reading, listeners) if rests else ()
    return reading.as_detail() | {
        "listeners": listeners, "rests": rests, "before": list(before), "resting": list(resting),
    }  # fmt: skip


def end_if_stuck(study: Study, state: RoundState) -> bool:
    """End an open round that cannot go on: its ratings stay as they are, and another takes its place."""
    if state.open_round is None or state.stuck is None:
        return False
    study.log.end_round(state.open_round.id, complete=False)
    study.log.add_event("round abandoned", {"listener": state.listener, "why": state.stuck})
    return True


def _require_due(state: RoundState, any_day: bool) -> None:
    name, due = state.listener, state.due
    if due is None:
        raise ListenError(
            f"{name} has done all {state.rounds_planned} planned rounds; see "
            "`fairhearing report` (to go on, raise plan.rounds in song.toml)"
        )
    wait = due.waits_for(any_day=any_day)
    if wait == "day":
        raise ListenError(
            f"{name}'s next round is due on {due.day.isoformat()}: the plan spreads its rounds "
            "over days, because one evening's mood must not decide (--any-day begins it now)"
        )
    if wait == "hour":
        raise ListenError(
            "one round a sitting: ears tire and moods carry over; "
            f"{name}'s next round can begin at {due.not_before:%H:%M}"
        )


class Round:
    """A listener's open round, as the log has it at this moment. `contents` holds this listener's part."""

    def __init__(self, study: Study, listener: str, contents: LogContents | None = None) -> None:
        self.study = study
        self.listener = listener
        self._read(contents or study.log.contents(listener))

    def refresh(self) -> None:
        """Read the log again."""
        self._read(self.study.log.contents(self.listener))

    def _read(self, contents: LogContents) -> None:
        self.state = round_state(self.study, contents, self.listener)
        if self.state.open_round is None or self.state.stuck is not None:
            raise ListenError(
                f"{self.listener} has no open round; `fairhearing status` says when the next one is"
            )
        self.contents = contents
        self.record = self.state.open_round
        self.manifest: Manifest = renders_of(self.study, self.record)

    @property
    def demands(self) -> list[Demand]:
        """What the round asks for: its forms, in order, without those that song.toml no longer has."""
        return [
            Demand(form_id, self.record.order.index(form_id) + 1, render, self.study.folder / render.wav)
            for form_id in self.state.asked
            if (render := self.manifest.by_hash(self.contents.form(form_id).content_hash)) is not None
        ]

    @property
    def unrated(self) -> list[Demand]:
        """Those of its demands that are not rated yet, in order."""
        return [demand for demand in self.demands if demand.form_id not in self.state.rated]

    @property
    def next_demand(self) -> Demand | None:
        return next(iter(self.unrated), None)

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
        contents = self.study.log.contents(self.listener)
        state = round_state(self.study, contents, self.listener)
        if end_if_stuck(self.study, state) or not state.goes_on or state.left:
            return False
        self.study.log.end_round(self.record.id, complete=True)
        return open_if_all_done(self.study)


def answers_of(
    cuts: Collection[int], keep: int | str | None, rated: Mapping[int, int]
) -> RoundAnswers | None:
    """What was answered at a round's end by codes, as listens; `rated` maps the round's codes to listen ids.

    None where a code is none of the round's.
    """
    kept = keep if isinstance(keep, int) else None
    if not {*cuts, *([] if kept is None else [kept])} <= rated.keys():
        return None
    listens = tuple(sorted({rated[code] for code in cuts}))
    if kept is not None:
        return RoundAnswers(listens, "form", rated[kept])
    return RoundAnswers(listens, "none" if keep == "none" else "no answer")


def renders_of(study: Study, round_: RoundRecord) -> Manifest:
    """The renders of a round; the current ones where those are lost, so that nothing heard is lost with them.

    Raises:
        RenderError: the current ones are not in order either.
    """
    try:
        return study.manifest_of(round_.render_set)
    except RenderError:
        return study.manifest


def open_if_all_done(study: Study) -> bool:
    """Note what the ratings say; open the study when every listener has done every planned round."""
    contents = study.log.contents(listens=False)
    listeners = study.song.listeners
    if contents.opened is None:
        reading = read_now(study, contents, rests=study.song.rests)
        if reading is not None:
            study.log.add_event(KIND, reading)
    all_done = all(is_done(contents, listener.name, study.song.rounds) for listener in listeners)
    if contents.opened is None and listeners and all_done:
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
