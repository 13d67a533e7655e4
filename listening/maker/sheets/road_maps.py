"""Road maps: a form as musicians write it, a part a line, with its bars and the joins between its lines."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from fractions import Fraction

from listening.maker.workspace import Workspace
from render.audio.splice import Splicer
from render.audio.stems import Mixes, fit_stems_once
from render.audio.timeline import Timeline, content_hash, lay_out, longest_lead
from render.errors import FormError
from render.figures import figure
from render.joins import judging
from render.joins.finding import JoinFinding
from render.song.forms import AS_WRITTEN, Form, Piece
from render.song.song import Song
from render.steps import Step


@dataclass(frozen=True)
class JoinSign:
    """A join between two lines: its index in the form, and its judgement where that is known."""

    index: int
    finding: JoinFinding | None


@dataclass(frozen=True)
class Line:
    """One entry of a form: number (from 1), words, bars in all, and the joins before and inside it."""

    entry: int
    text: str
    bars: str
    times: int
    before: tuple[JoinSign, ...]
    inside: tuple[JoinSign, ...]


@dataclass(frozen=True)
class ShownRoadMap:
    """A form laid out, or what is wrong with it."""

    name: str
    fixed: bool
    lines: tuple[Line, ...]
    at_end: tuple[JoinSign, ...]
    bars: str
    seconds: float
    joins: int
    doubtful: int | None  # None: not judged yet
    ending: str
    problem: str = ""


def road_map(work: Workspace, song: Song, form: Form, lead_frames: int) -> ShownRoadMap:
    """The road map of one form of the song."""
    try:
        timeline = lay_out(song, form)
    except FormError as error:
        lines = tuple(Line(n, text, "", 1, (), ()) for n, text in enumerate(form.texts, start=1))
        return ShownRoadMap(form.name, False, lines, (), "", 0.0, 0, None, "", str(error))
    findings = work.cache.get(findings_key(song, timeline))
    signs = [JoinSign(i, findings[i] if findings else None) for i in range(len(timeline.joins))]
    doubtful = sum(f.doubtful for f in findings) if findings is not None else (0 if not signs else None)
    texts = form.texts or tuple(part.text for part in form.parts)
    lines = tuple(_line(timeline, form, number, text, signs) for number, text in enumerate(texts, start=1))
    at_end = tuple(s for s, join in zip(signs, timeline.joins, strict=True) if join.after is None)
    return ShownRoadMap(
        form.name, form.name == AS_WRITTEN, lines, at_end, figure(timeline.bars),
        (lead_frames + timeline.stop) / song.audio.sample_rate, len(signs), doubtful,
        "" if form.ending is None else str(form.ending),
    )  # fmt: skip


def _line(timeline: Timeline, form: Form, number: int, text: str, signs: list[JoinSign]) -> Line:
    own = [index for index in range(len(form.parts)) if form.entry(index) == number]
    bars = sum((timeline.parts[index].bars for index in own), Fraction(0))
    joins = [(sign, join) for sign, join in zip(signs, timeline.joins, strict=True) if join.after in own]
    before = tuple(sign for sign, join in joins if join.after == own[0])
    inside = tuple(sign for sign, join in joins if join.after != own[0])
    return Line(number, text, figure(bars), len(own), before, inside)


def findings_key(song: Song, timeline: Timeline) -> tuple[str, str]:
    """What a judgement of joins was about: the form as it sounds, on this song's grid."""
    treatments = {str(span.treatment): str(span.treatment) for span in timeline.spans}
    stat = song.audio.path.stat()
    about = (
        content_hash(timeline, f"{stat.st_mtime_ns}", treatments),
        repr(song.sections),
        timeline.form.name,
    )
    return "joins", hashlib.sha256(repr(about).encode()).hexdigest()


def unjudged(work: Workspace, song: Song) -> list[Timeline]:
    """Forms whose joins have not been judged as they are now."""
    timelines = []
    for form in song.forms:
        try:
            timeline = lay_out(song, form)
        except FormError:
            continue
        if timeline.joins and findings_key(song, timeline) not in work.cache:
            timelines.append(timeline)
    return timelines


def judge_joins(work: Workspace, step: Step) -> None:
    """Judge the joins of every form that has changed, one form after the other, until none is left."""
    while True:
        song = work.song()
        left = unjudged(work, song)
        if not left:
            return
        lead = longest_lead(song, [lay_out(song, form) for form in song.forms])
        with Mixes(song, None, fit_stems_once(song)) as mixes:
            for number, timeline in enumerate(left, start=1):
                step(f"judging the joins of “{timeline.form.name}”", number, len(left))
                findings = tuple(judging.examine(song, timeline, Splicer(timeline, mixes, lead)))
                work.cache[findings_key(song, timeline)] = findings


def completions(song: Song) -> list[str]:
    """Parts to choose from while one is typed."""
    names = [section.name for section in song.sections]
    without = [f"{name} without {stem}" for name in names for stem in song.stems]
    only = [f"{name} only {stem}" for name in names for stem in song.stems]
    return [*names, *(f"{name} x2" for name in names), "silence 1 bar", "silence 2 beats", *without, *only]


def plain_piece(form: Form, entry: int) -> Piece | None:
    """The piece of a form's entry; None for a silence."""
    index = next((i for i in range(len(form.parts)) if form.entry(i) == entry), None)
    part = form.parts[index] if index is not None else None
    return part if isinstance(part, Piece) else None
