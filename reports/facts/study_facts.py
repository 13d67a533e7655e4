"""Everything that a report tells of a study, gathered once: song, forms, listeners, verdict, decisions."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any

import pandas as pd

from render.errors import FairhearingError, RenderError
from render.joins.finding import JoinFinding
from render.renders.manifest import Manifest, RenderedForm
from render.song.forms import Form
from render.song.song import Song
from reports.facts import seals
from reports.facts.comments import PlacedComment, all_comments
from reports.facts.protocol import ListenerProgress, Protocol, listener_progress, protocol
from reports.facts.ratings import StudyRatings, study_ratings
from reports.facts.road_map import RoadMap, RoadMapPart, road_map_of
from reports.facts.round_answers import AnswerCounts, round_answers
from reports.verdict.judge import Judgement, judge
from sessions.clock import moment
from sessions.records import EMPTY, EventRecord, FormRecord, LogContents
from sessions.study import Study


@dataclass(frozen=True)
class FormFacts:
    """A form with its road map, and its render where it has one (a retired form has none)."""

    name: str
    road_map: RoadMap
    seconds: float  # of the whole file, what lies before bar 1 and what rings on included
    ending: str
    replaces: str | None
    content_hash: str
    render: RenderedForm | None
    form: Form | None = None  # as song.toml has it, while its parts are those that were rendered

    def is_join(self, part: RoadMapPart) -> bool:
        """Whether a part follows another one that it did not follow in the song."""
        joins = self.render.joins if self.render else ()
        return part.number > 1 and any(abs(join.line_s - part.start_s) < 1e-3 for join in joins)

    @property
    def retired(self) -> bool:
        return self.render is None


@dataclass(frozen=True)
class Decision:
    """A decision of the log, in the order they were taken, and whether its grounds are unchanged."""

    number: int
    form: str
    by: str
    because: str
    against: bool
    at_utc: str
    local_date: str
    verdict: Mapping[str, Any]
    recorded: Mapping[str, Any]
    checks: tuple[seals.Check, ...]

    @property
    def content(self) -> str | None:
        """The content hash of the form that was chosen: a later form may bear its name."""
        hashes = self.recorded.get("renders", {}).get(self.form, {})
        content = hashes.get("content")
        return str(content) if content else None


@dataclass(frozen=True)
class Facts:
    """A study as its report sees it. Without renders there is neither manifest nor ratings nor verdict."""

    song: Song
    made_utc: str
    made_date: str
    sealed: bool
    opened: EventRecord | None
    contents: LogContents
    manifest: Manifest | None
    listeners: tuple[ListenerProgress, ...]
    decisions: tuple[Decision, ...]
    reopened: tuple[EventRecord, ...]
    protocol: Protocol | None
    warnings: tuple[str, ...]
    ratings: StudyRatings | None = None
    judgement: Judgement | None = None
    judgement_after: Judgement | None = None  # with the listens since the study was opened
    forms: tuple[FormFacts, ...] = ()
    comments: tuple[PlacedComment, ...] = ()
    answers: AnswerCounts | None = None

    @property
    def seed_sha256(self) -> str | None:
        return self.contents.seed_sha256

    @property
    def reopening(self) -> EventRecord | None:
        """The event that reopened the last decision, if one did."""
        turns = [event for event in self.contents.events if event.kind in ("decided", "reopened")]
        later = turns[-1] if turns and turns[-1].kind == "reopened" else None
        return later if self.decisions else None

    @property
    def decision(self) -> Decision | None:
        """The decision that stands: the last one, unless it was reopened since."""
        return self.decisions[-1] if self.decisions and self.reopening is None else None

    @property
    def counted(self) -> int:
        """The listens that count in the verdict."""
        return len(self.ratings.table) if self.ratings else 0

    @property
    def kept_apart(self) -> int:
        """The rated listens since the study was opened."""
        return len(self.ratings.after) if self.ratings else 0

    @property
    def decided_form(self) -> str | None:
        """The name that the form decided on has in this report, whatever it is called by now."""
        content = self.decision.content if self.decision is not None else None
        return next((form.name for form in self.forms if form.content_hash == content), None)

    @property
    def chosen(self) -> str | None:
        """The form that the report is about: the one decided on, else the best one."""
        return self.decided_form or (self.judgement.best if self.judgement else None)

    @property
    def doubtful_joins(self) -> tuple[tuple[FormFacts, JoinFinding], ...]:
        """The joins that measuring found doubtful, with their forms."""
        return tuple(
            (form, join) for form in self.forms if form.render for join in form.render.joins if join.doubtful
        )

    def form(self, name: str) -> FormFacts:
        return next(form for form in self.forms if form.name == name)

    def shown(self, name: str) -> str:
        """A listener's name as it always appears: scripted listeners are marked."""
        listener = self._by_name.get(name)
        return listener.shown if listener else name

    def prior_note(self, name: str) -> str:
        """What a listener knew before the study: " (listens before the study: as written, 60)"."""
        listener = self._by_name.get(name)
        declared = listener.prior_listens if listener else {}
        known = [f"{form}, {count:g}" for form, count in declared.items() if count]
        return f" (listens before the study: {'; '.join(known)})" if known else ""

    @cached_property
    def _by_name(self) -> Mapping[str, ListenerProgress]:
        return {listener.name: listener for listener in self.listeners}

    @property
    def weighted(self) -> bool:
        """Whether the listeners' ballots count differently."""
        return len({listener.weight for listener in self.listeners}) > 1

    @property
    def simulated(self) -> tuple[str, ...]:
        return tuple(listener.name for listener in self.listeners if listener.simulated)


def gather(study: Study, *, checked: bool = True) -> Facts:
    """Reads a study whole. Without a log or renders, what there is.

    `checked`: also compare what earlier decisions recorded with what is there now, for which all renders are
    read.

    Raises:
        SongError, AudioError, LogError: something of the study is not in order.
    """
    song = study.song
    contents = study.log.contents() if study.has_log else EMPTY
    manifest, warnings = _manifest(study)
    opened = contents.opened
    now = study.clock()
    base = Facts(
        song=song,
        made_utc=moment(now).utc,
        made_date=now.date().isoformat(),
        sealed=opened is None,
        opened=opened,
        contents=contents,
        manifest=manifest,
        listeners=listener_progress(song, contents),
        decisions=_decisions(study, contents, checked),
        reopened=tuple(event for event in contents.events if event.kind == "reopened"),
        protocol=protocol(contents) if contents.listens else None,
        warnings=warnings,
    )
    return base if manifest is None else _judged(base, manifest)


def _judged(base: Facts, manifest: Manifest) -> Facts:
    song, contents = base.song, base.contents
    ratings = study_ratings(song, manifest, contents)
    forms = _forms(song, manifest, contents, ratings.names)
    maps = {form.name: form.road_map for form in forms}
    late = len(ratings.after) > 0
    return replace(
        base,
        ratings=ratings,
        forms=forms,
        comments=all_comments(contents, ratings.names, maps, manifest.lead_s, base.shown),
        answers=round_answers(contents, ratings.names, ratings.forms),
        judgement=_judgement(ratings, ratings.table, base.shown),
        judgement_after=_judgement(ratings, ratings.both, base.shown) if late else None,
    )


def after_events(facts: Facts, study: Study) -> Facts:
    """The same facts with the log's events as they are now: a decision adds one and changes no rating."""
    contents = replace(facts.contents, events=study.log.contents(listens=False).events)
    return replace(
        facts,
        contents=contents,
        opened=contents.opened,
        sealed=contents.opened is None,
        decisions=_decisions(study, contents, True),
    )


def _judgement(ratings: StudyRatings, table: pd.DataFrame, shown: Callable[[str], str]) -> Judgement | None:
    """The verdict; None where no form as it is now is rated or there is nothing to compare."""
    if len(ratings.forms) < 2 or not table["form"].isin(ratings.forms).any():
        return None
    return judge(
        table,
        weights=ratings.weights,
        listeners=ratings.listeners,
        forms=ratings.forms,
        retired=ratings.retired,
        resting=ratings.resting,
        kept_apart={str(n): int(c) for n, c in ratings.after["listener"].value_counts().items()},
        shown=shown,
    )


def _manifest(study: Study) -> tuple[Manifest | None, tuple[str, ...]]:
    try:
        manifest = study.manifest
    except RenderError as error:
        return None, (str(error),)
    try:
        changed = study.changed_forms(manifest)
    except FairhearingError as error:
        return manifest, (f"song.toml cannot be rendered as it stands: {error}",)
    if not changed:
        return manifest, ()
    names = ", ".join(f'"{name}"' for name in changed)
    return manifest, (
        f"song.toml has changed since the last render ({names}); this report shows the forms as rendered.",
    )


def _forms(
    song: Song, manifest: Manifest, contents: LogContents, names: Mapping[int, str]
) -> tuple[FormFacts, ...]:
    """The forms as rendered, then the retired ones that somebody has heard."""
    forms = [_rendered(song, manifest, form) for form in manifest.forms]
    current = {form.content_hash for form in manifest.forms}
    for record in contents.forms:
        if record.content_hash not in current:
            forms.append(_retired(song, record, names[record.id], manifest.lead_s))
    return tuple(forms)


def _retired(song: Song, record: FormRecord, name: str, lead_s: float) -> FormFacts:
    """The log describes a form in seconds after its first bar line."""
    parts = [
        {**part, "start_s": part["start_s"] + lead_s, "stop_s": part["stop_s"] + lead_s}
        for part in record.description.get("parts", ())
    ]
    seconds = float(record.description.get("seconds", 0.0)) + lead_s
    road_map = road_map_of(song, parts, None, lead_s)
    return FormFacts(name, road_map, seconds, "", None, record.content_hash, None)


def _rendered(song: Song, manifest: Manifest, render: RenderedForm) -> FormFacts:
    form = _same_form(song, render)
    ending = str(form.ending) if form is not None and form.ending is not None else ""
    road_map = road_map_of(song, [part.model_dump() for part in render.parts], form, manifest.lead_s)
    return FormFacts(
        render.name, road_map, render.seconds, ending, render.replaces, render.content_hash, render,
        form,
    )  # fmt: skip


def _same_form(song: Song, render: RenderedForm) -> Form | None:
    """The form of song.toml that was rendered, unless its parts have changed since."""
    form = next((f for f in song.forms if f.name == render.name), None)
    if form is None or [p.text for p in form.parts] != [p.text for p in render.parts]:
        return None
    return form


def _decisions(study: Study, contents: LogContents, checked: bool) -> tuple[Decision, ...]:
    events = [event for event in contents.events if event.kind == "decided"]
    if not events:
        return ()
    now = seals.present(study) if checked else None
    return tuple(
        Decision(
            number=number,
            form=str(event.detail.get("form", "")),
            by=str(event.detail.get("by", "")),
            because=str(event.detail.get("because", "")),
            against=bool(event.detail.get("against", False)),
            at_utc=event.at_utc,
            local_date=event.local_date,
            verdict=event.detail.get("verdict") or {},
            recorded=event.detail.get("seals") or {},
            checks=tuple(seals.checks(study, event.detail["seals"], now))
            if now and event.detail.get("seals")
            else (),
        )
        for number, event in enumerate(events, 1)
    )
