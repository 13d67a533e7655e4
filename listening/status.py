"""Progress of all listeners, and their next rounds, without a form's name, a code or a rating."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass

from listening.round_state import RoundState, abandoned_round, state_among, why_abandoned
from render.errors import RenderError
from render.renders.manifest import RENDERS
from sessions.records import LogContents
from sessions.resting import may_stop, resting_hashes
from sessions.study import Study

BY_COMMAND = " (`fairhearing report --open`)"  # what the maker's page has a button for
NOT_RENDERED = "Nothing is rendered yet. Next: `fairhearing check`, then `fairhearing render`."


@dataclass(frozen=True)
class ListenerStatus:
    name: str
    simulated: bool
    rounds_done: int
    rounds_planned: int
    heard_in_open_round: int | None
    asked_in_open_round: int | None
    days: int
    voids: int
    next_text: str

    @property
    def shown_name(self) -> str:
        return f"{self.name} (simulated)" if self.simulated else self.name

    @property
    def open_text(self) -> str:
        if self.heard_in_open_round is None:
            return "–"
        return f"{self.heard_in_open_round} of {self.asked_in_open_round}"


@dataclass(frozen=True)
class StudyStatus:
    title: str
    opened: bool
    listeners: tuple[ListenerStatus, ...]
    seed_sha256: str | None
    lines: tuple[str, ...]

    @property
    def state(self) -> str:
        if self.opened:
            return "opened; the report tells which form won"
        return "sealed; nobody is told which form is which until the rounds are done"


def study_status(study: Study) -> StudyStatus:
    """Progress of a study, from song.toml and the log."""
    song = study.outline
    if not study.has_log:
        return StudyStatus(song.title, False, (), None, (NOT_RENDERED,))
    contents = study.log.contents()
    current = rendered_forms(study)
    states = [state_among(study, contents, listener.name, current) for listener in song.listeners]
    rows = tuple(_row(contents, state) for state in states)
    lines = []
    if contents.seed_sha256:
        lines.append(f"The plan's seed is drawn and sealed; its SHA-256 is {contents.seed_sha256}.")
    lines += _abandoned_lines(contents, [listener.name for listener in song.listeners])
    listed = {listener.name for listener in song.listeners}
    gone = [name for name in contents.listeners if name not in listed]
    if gone:
        lines.append(f"No longer in song.toml, their ratings are kept: {', '.join(gone)}.")
    lines += _reading_lines(contents)
    lines.append(_next_step(study, states, contents, current is not None))
    return StudyStatus(song.title, contents.opened is not None, rows, contents.seed_sha256, tuple(lines))


def _reading_lines(contents: LogContents) -> list[str]:
    """Whether listening may stop, and how many forms rest, without a name."""
    if contents.opened is not None:
        return []
    lines = []
    if may_stop(contents.events):
        lines.append(
            "Listening may stop: what is rated is enough to choose by. A round in progress may be finished "
            f"first; opening the study is regular then, not early{BY_COMMAND}."
        )
    resting = len(resting_hashes(contents.events))
    if resting:
        lines.append(
            f"{resting} {'form rests' if resting == 1 else 'forms rest'}: hardly the best any more, left "
            "out of later rounds. Nobody is told which."
        )
    return lines


def rendered_forms(study: Study) -> set[str] | None:
    """Content hashes of the forms that are rendered; None if none are, or it cannot be read which."""
    try:
        return {form.content_hash for form in study.manifest.forms}
    except RenderError:
        return None


def _row(contents: LogContents, state: RoundState) -> ListenerStatus:
    listens = contents.listens_of(state.listener)
    rated = [x for x in listens if x.rating is not None]
    in_round = state.open_round is not None and bool(state.asked)
    return ListenerStatus(
        name=state.listener,
        simulated=contents.listeners.get(state.listener, False),
        rounds_done=state.rounds_done,
        rounds_planned=state.rounds_planned,
        heard_in_open_round=state.heard if in_round else None,
        asked_in_open_round=len(state.asked) if in_round else None,
        days=len({x.local_date for x in rated}),
        voids=sum(x.void_reason is not None for x in listens),
        next_text=_next_text(state),
    )


def _abandoned_lines(contents: LogContents, names: list[str]) -> list[str]:
    return [
        f"{name}'s round of {round_.local_date} could not go on, because {why_abandoned(contents, name)}; "
        "what was rated in it is kept, and a new round takes its place."
        for name in names
        if (round_ := abandoned_round(contents, name)) is not None
    ]


def _next_text(state: RoundState) -> str:
    number = f"round {state.number}"
    if state.open_round is not None:
        if not state.asked:  # all of its forms were replaced
            return f"{number} begins anew, with the forms as they are now"
        return f"{number} goes on at any time"
    if state.due is None:
        return "all rounds done"
    wait = state.due.waits_for()
    if wait == "day":
        return f"{number} on {state.due.day.isoformat()}"
    return f"{number} from {state.due.not_before:%H:%M}" if wait else f"{number} now"


def _next_step(study: Study, states: list[RoundState], contents: LogContents, rendered: bool) -> str:
    if contents.opened is not None:
        if any(event.kind == "decided" for event in contents.events):
            return "It is decided; `fairhearing report` tells why, and its folder holds the way back."
        return "Next: `fairhearing report`, then `fairhearing decide FORM --because TEXT`."
    if not rendered:
        return _why_not_rendered(study)
    waiting = [state for state in states if not state.finished]
    if not states:
        return "Next: list who listens under [listeners] in song.toml."
    if not waiting:
        return (
            "All planned rounds are done: raise `rounds` under [plan] in song.toml for more, or "
            "`fairhearing decide FORM --because TEXT`."
        )
    now = study.clock()
    moments = {state.listener: now if state.due is None else state.due.moment for state in waiting}
    first = min(waiting, key=lambda state: moments[state.listener])
    if moments[first.listener] > now:
        return f"Nobody's round is due before {moments[first.listener]:%Y-%m-%d %H:%M}."
    return f"Next: `{listen_command(first.listener)}`."


def listen_command(listener: str) -> str:
    """What a listener types to hear the next round."""
    name = f'"{listener}"' if " " in listener else listener
    return f"fairhearing listen --listener {name}"


def _why_not_rendered(study: Study) -> str:
    """Never rendered, or the manifest is lost or damaged."""
    if (study.folder / RENDERS).exists():
        try:
            _ = study.manifest
        except RenderError as error:
            return f"{str(error)[:1].upper()}{str(error)[1:]}."
    return NOT_RENDERED


def rated_forms_of(study: Study) -> dict[str, int]:
    """content hash -> number of ratings, of the forms that are rendered now and were rated."""
    return _rated(study.log.contents(), rendered_forms(study) or ()) if study.has_log else {}


def _rated(contents: LogContents, hashes: Collection[str]) -> dict[str, int]:
    counts = {f.content_hash: sum(x.rating is not None for x in contents.listens if x.form_id == f.id)
              for f in contents.forms if f.content_hash in hashes}  # fmt: skip
    return {content_hash: count for content_hash, count in counts.items() if count}


def retired_lines(study: Study, before: Collection[str]) -> list[str]:
    """What a render has done to forms that were rated before it (`before`: what was rendered then)."""
    gone = set(before) - {form.content_hash for form in study.manifest.forms}
    if not gone:
        return []  # without a look at the log: most renders retire nothing
    contents = study.log.contents()
    names = {form.content_hash: form.name for form in contents.forms}
    heirs = {form.replaces.casefold(): form.name for form in study.manifest.forms if form.replaces}
    lines = [
        f'"{names[content_hash]}" has changed or was taken out: its {_ratings(count)} with it as it was, '
        f"and it is retired. {_instead(heirs.get(names[content_hash].casefold()))}"
        for content_hash, count in _rated(contents, gone).items()
    ]
    going_on = [r.listener for r in contents.rounds if r.complete is None]
    if lines and going_on:
        lines.append(
            f"Rounds in progress ({', '.join(going_on)}) keep the forms they began with; what is new joins "
            "the next round."
        )
    return lines


def _instead(heir: str | None) -> str:
    if heir is None:
        return "A changed form starts anew, as a form that nobody has rated."
    return f'"{heir}" takes over how familiar it had become, and has no ratings of its own yet.'


def _ratings(count: int) -> str:
    return "one rating stays" if count == 1 else f"{count} ratings stay"
