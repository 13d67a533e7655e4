"""Who has heard what, and when the next round is due: progress without a name, a code or a rating."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass
from datetime import datetime, time
from typing import Any

from listening.rounds import Standing, abandoned_round, standing, why_abandoned
from render.errors import RenderError
from render.renders.manifest import RENDERS
from sessions.records import LogContents
from sessions.study import Study

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

    def as_json(self) -> dict[str, Any]:
        return asdict(self)


def study_status(study: Study) -> StudyStatus:
    """Progress of a study, from song.toml and the log."""
    song = study.outline
    if not study.has_log:
        return StudyStatus(song.title, False, (), None, (NOT_RENDERED,))
    contents = study.log.contents()
    current = _current_ids(study, contents)
    stands = [standing(study, contents, listener.name, current) for listener in song.listeners]
    rows = tuple(_row(study, contents, s) for s in stands)
    lines = []
    if contents.seed_sha256:
        lines.append(f"The plan's seed is drawn and sealed; its SHA-256 is {contents.seed_sha256}.")
    lines += _abandoned_lines(contents, [listener.name for listener in song.listeners])
    listed = {listener.name for listener in song.listeners}
    gone = [name for name in contents.listeners if name not in listed]
    if gone:
        lines.append(f"No longer in song.toml, their ratings are kept: {', '.join(gone)}.")
    lines.append(_next_step(study, stands, contents, current is not None))
    return StudyStatus(song.title, contents.opened is not None, rows, contents.seed_sha256, tuple(lines))


def _current_ids(study: Study, contents: LogContents) -> set[int] | None:
    try:
        hashes = {form.content_hash for form in study.manifest.forms}
    except RenderError:
        return None
    return {form.id for form in contents.forms if form.content_hash in hashes}


def _row(study: Study, contents: LogContents, stands: Standing) -> ListenerStatus:
    listens = contents.listens_of(stands.listener)
    rated = [x for x in listens if x.rating is not None]
    in_round = stands.open_round is not None and stands.asked_in_round > 0
    return ListenerStatus(
        name=stands.listener,
        simulated=contents.listeners.get(stands.listener, False),
        rounds_done=stands.rounds_done,
        rounds_planned=stands.rounds_planned,
        heard_in_open_round=stands.heard_in_round if in_round else None,
        asked_in_open_round=stands.asked_in_round if in_round else None,
        days=len({x.local_date for x in rated}),
        voids=sum(x.void_reason is not None for x in listens),
        next_text=_next_text(study, stands),
    )


def _abandoned_lines(contents: LogContents, names: list[str]) -> list[str]:
    found = [(name, abandoned_round(contents, name)) for name in names]
    return [
        f"{name}'s round of {round_.local_date} could not go on, because {why_abandoned(contents, name)}; "
        "what was rated in it is kept, and a new round takes its place."
        for name, round_ in found
        if round_ is not None
    ]


def _next_text(study: Study, stands: Standing) -> str:
    if stands.finished:
        return "all rounds done"
    number = f"round {stands.rounds_done + 1}"
    if stands.open_round is not None:
        anew = not stands.asked_in_round  # all of its forms were replaced
        return (
            f"{number} begins anew, with the forms as they are now"
            if anew
            else f"{number} goes on at any time"
        )
    now = study.clock()
    if stands.due is not None and stands.due > now.date():
        return f"{number} on {stands.due.isoformat()}"
    if stands.not_before is not None and stands.not_before > now:
        return f"{number} from {stands.not_before.astimezone(now.tzinfo):%H:%M}"
    return f"{number} now"


def _next_step(study: Study, stands: list[Standing], contents: LogContents, rendered: bool) -> str:
    if contents.opened is not None:
        if any(event.kind == "decided" for event in contents.events):
            return "It is decided; `fairhearing report` tells why, and its folder holds the way back."
        return "Next: `fairhearing report`, then `fairhearing decide FORM --because TEXT`."
    if not rendered:
        return _why_not_rendered(study)
    waiting = [s for s in stands if not s.finished]
    if not stands:
        return "Next: list who listens under [listeners] in song.toml."
    if not waiting:
        return (
            "All planned rounds are done: raise `rounds` under [plan] in song.toml for more, or "
            "`fairhearing decide FORM --because TEXT`."
        )
    first = min(waiting, key=lambda s: _waits_until(study, s))
    wait = _waits_until(study, first)
    if wait > study.clock():
        return f"Nobody's round is due before {wait:%Y-%m-%d %H:%M}."
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


def _waits_until(study: Study, stands: Standing) -> datetime:
    """The first moment at which a listener can go on."""
    now = study.clock()
    day = datetime.combine(stands.due, time(), now.tzinfo) if stands.due else now
    hour = stands.not_before.astimezone(now.tzinfo) if stands.not_before else now
    return max(now, day, hour)


def rated_forms_of(study: Study) -> dict[str, int]:
    """content hash -> number of ratings, of the forms that are rendered now and were rated."""
    if not study.has_log:
        return {}
    contents = study.log.contents()
    current = _current_ids(study, contents) or set()
    counts = {f.content_hash: sum(x.rating is not None for x in contents.listens if x.form_id == f.id)
              for f in contents.forms if f.id in current}  # fmt: skip
    return {content_hash: count for content_hash, count in counts.items() if count}


def retired_lines(study: Study, before: Mapping[str, int]) -> list[str]:
    """What a render has done to forms that were rated before it (`before`: as `rated_forms_of` gives it)."""
    contents = study.log.contents()
    rendered = {form.content_hash for form in study.manifest.forms}
    names = {form.content_hash: form.name for form in contents.forms}
    heirs = {form.replaces.casefold(): form.name for form in study.manifest.forms if form.replaces}
    lines = [
        f'"{names[gone]}" has changed or was taken out: its {_ratings(count)} with it as it was, '
        f"and it is retired. {_instead(heirs.get(names[gone].casefold()))}"
        for gone, count in before.items()
        if gone not in rendered
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
