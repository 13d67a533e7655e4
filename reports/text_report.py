"""The report in Markdown, for those who keep it beside the song's files or paste it into a message."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Sequence

from reports import words
from reports.comments import Comment, grouped
from reports.facts import Decision, Facts
from reports.page import clock
from reports.ratings import COLUMNS
from reports.strips import bars_words


def markdown(facts: Facts, sentence: str) -> str:
    """The whole report as Markdown; sealed, progress and the sealed state only."""
    return "\n".join(_lines(facts, sentence)).rstrip() + "\n"


def _lines(facts: Facts, sentence: str) -> Iterator[str]:
    yield f"# {plain(facts.song.title)}: which form?"
    yield ""
    yield f"Report of {facts.made_date}."
    yield ""
    yield f"**{plain(sentence)}**"
    yield ""
    if facts.simulated:
        yield f"Simulated listeners, not people: {plain(words.listed(facts.simulated))}."
        yield ""
    for warning in facts.warnings:
        yield f"Note: {plain(warning)}"
        yield ""
    if not facts.sealed and facts.ratings is not None:
        yield from _open(facts)
    yield from _conduct(facts)


def _open(facts: Facts) -> Iterator[str]:
    for decision in reversed(facts.decisions):
        yield from _decision(decision)
    judgement = facts.judgement
    if judgement is not None:
        yield plain(judgement.risk)
        yield ""
        for note in judgement.notes:
            yield f"- {plain(note)}"
        yield ""
        yield "## Settled ratings"
        yield ""
        yield from _settled(facts)
        yield plain(judgement.beside.vote.sentence)
        yield ""
    yield "## The forms"
    yield ""
    for form in facts.forms:
        yield f"### {plain(form.name)}"
        yield ""
        yield f"{bars_words(form.strip.bars)}, {clock(form.seconds)}."
        yield ""
        for part in form.strip.parts:
            yield f"{part.number}. {plain(part.text)} ({part.bars_text}, from {clock(part.start_s)})"
        yield ""
        for group in grouped(facts.comments, form.name):
            title = f"{group.part.text}, {group.part.bars_text}" if group.part else "on the whole"
            yield f"Said about {plain(title)}:"
            yield ""
            for comment in group.comments:
                yield f"- {_said(facts, comment)}"
            yield ""
    yield from _loudness(facts)


def _decision(decision: Decision) -> Iterator[str]:
    yield f"## Decision {decision.number}: {plain(decision.form)}"
    yield ""
    against = ", against the verdict of the day" if decision.against else ""
    yield f"On {decision.local_date} by {plain(decision.by)}{against}."
    yield ""
    if decision.because:
        yield f"Why: {plain(decision.because)}"
        yield ""
    for check in decision.checks:
        yield f"- {check.what}: {plain(check.text)}"
    yield ""


def _settled(facts: Facts) -> Iterator[str]:
    judgement = facts.judgement
    assert judgement is not None
    rows = []
    for name in judgement.order:
        settled = judgement.settled[name]
        rows.append(
            [
                name, f"{settled.mean:.0f}", f"{settled.low:.0f} to {settled.high:.0f}",
                words.chance(judgement.p_best[name]), f"{judgement.expected_loss[name]:.1f}",
                str(judgement.listens[name]),
            ]
        )  # fmt: skip
    heads = ["form", "settled", "90 % interval", "chance to be best", "loss if chosen", "listens"]
    yield from table(heads, rows)


def _said(facts: Facts, comment: Comment) -> str:
    where = f"bar {comment.bar} ({clock(comment.time_s)}), " if comment.time_s is not None else ""
    listen = f"listen {comment.listen}" if comment.listen else "a listen broken off"
    return f"{plain(comment.text)} ({where}{plain(facts.shown(comment.listener))}, {listen})"


def _loudness(facts: Facts) -> Iterator[str]:
    yield "## Loudness"
    yield ""
    rows = [
        [
            form.name,
            f"{form.render.lufs:.2f}",
            f"{form.render.gain_db:.2f}",
            f"{form.render.true_peak_dbtp:.2f}",
        ]
        for form in facts.forms
        if form.render
    ]
    yield from table(["form", "LUFS", "gain, dB", "true peak, dBTP"], rows)


def _conduct(facts: Facts) -> Iterator[str]:
    yield "## Progress" if facts.sealed else "## How the test was run"
    yield ""
    rows = [
        [
            who.shown,
            f"{who.rounds_done} of {facts.song.rounds}",
            str(who.listens),
            str(who.days),
            str(who.voids),
        ]
        for who in facts.who
    ]
    yield from table(["listener", "rounds done", "listens rated", "days", "broken off"], rows)
    if facts.seed_sha256:
        yield f"SHA-256 of the plan's seed: {facts.seed_sha256}"
        yield ""
    if not facts.sealed:
        yield "Columns of ratings.csv:"
        yield ""
        for name, meaning in COLUMNS.items():
            yield f"- `{name}`: {meaning}"


def table(heads: Sequence[str], rows: Iterable[Sequence[str]]) -> Iterator[str]:
    """A table of Markdown, and an empty line after it."""
    yield "| " + " | ".join(heads) + " |"
    yield "|" + " --- |" * len(heads)
    for row in rows:
        yield "| " + " | ".join(plain(cell) for cell in row) + " |"
    yield ""


def plain(text: str) -> str:
    """A text in which no character is taken for markup, on one line."""
    return re.sub(r"([\\`*_{}\[\]<>#|~&])", r"\\\1", " ".join(text.split()))
