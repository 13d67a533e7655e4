"""The report in Markdown, for those who keep it beside the song's files or paste it into a message."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence

from render.figures import clock_text, counted
from reports.facts.comments import PlacedComment, grouped
from reports.facts.dissent import Dissent
from reports.facts.ratings import COLUMNS
from reports.facts.round_answers import AnswerCounts
from reports.facts.study_facts import Decision, Facts, FormFacts
from reports.files import message, plain
from reports.output.figures import clock, signed
from reports.verdict import phrases
from reports.way_back.package import WayBack, again_lines


def markdown(facts: Facts, sentence: str, case: Dissent | None, way: WayBack | None) -> str:
    """The whole report as Markdown; sealed, progress and the sealed state only."""
    lines = [f"# {plain(facts.song.title)}: which form?", "", f"Report of {facts.made_date}.", ""]
    lines += [f"**{message(sentence)}**", ""]
    if facts.sealed and facts.judgement is not None and facts.judgement.may_stop:
        lines += [
            "Opening the study now is regular, not early; a round in progress may be finished first.",
            "",
        ]
    if facts.simulated:
        lines += [f"Simulated listeners, not people: {plain(phrases.listed(facts.simulated))}.", ""]
    for warning in facts.warnings:
        lines += [f"Note: {message(warning)}", ""]
    if not facts.sealed and facts.ratings is not None:
        lines += _opened(facts, case, way)
    lines += _protocol(facts)
    return "\n".join(lines).rstrip() + "\n"


def _opened(facts: Facts, case: Dissent | None, way: WayBack | None) -> Iterator[str]:
    if facts.reopening is not None:
        yield from (reopened_words(facts), "")
    for decision in reversed(facts.decisions):
        yield from _decision(decision)
    if facts.judgement is not None:
        yield from _ratings(facts)
    if case is not None:
        yield from _against(facts, case)
    if way is not None:
        yield from _way_back(way)
    yield from ("## The forms", "")
    for form in facts.forms:
        yield from _form(facts, form)
    yield from _sound(facts)


def reopened_words(facts: Facts) -> str:
    """That the last decision no longer stands, and why."""
    assert facts.reopening is not None
    last, because = facts.decisions[-1], facts.reopening.detail.get("because", "")
    why = f": {plain(str(because))}" if because else ""
    return (
        f"The decision of {last.local_date} ({plain(last.form)}, by {plain(last.by)}) was reopened on "
        f"{facts.reopening.local_date}{why}. No decision stands now."
    )


def _decision(decision: Decision) -> Iterator[str]:
    against = ", against the verdict of the day" if decision.against else ""
    yield from (f"## Decision {decision.number}: {plain(decision.form)}", "")
    yield from (f"On {decision.local_date} by {plain(decision.by)}{against}.", "")
    if decision.because:
        yield from (f"Why: {plain(decision.because)}", "")
    if decision.verdict:
        yield from (f"The verdict that day: {plain(str(decision.verdict['sentence']))}", "")
    for check in decision.checks:
        yield f"- {check.what}: {message(check.text)}"
    yield ""


def _ratings(facts: Facts) -> Iterator[str]:
    judgement = facts.judgement
    assert judgement is not None
    apart = f"; {facts.kept_apart} since the opening are kept apart" if facts.kept_apart else ""
    by = phrases.counted(len(judgement.panel.listeners), "listener")
    over = phrases.counted(judgement.days, "day")
    yield from (f"Listens that count: {facts.counted}, by {by} over {over}{apart}.", "")
    yield from (plain(judgement.risk), "")
    for note in judgement.notes:
        yield f"- {plain(note)}"
    yield from ("", "## Settled ratings", "")
    rows = []
    for name in judgement.order:
        settled = judgement.settled[name]
        values = [
            f"{settled.mean:.0f}", f"{settled.low:.0f} to {settled.high:.0f}",
            phrases.chance(judgement.p_best[name]), f"{judgement.expected_loss[name]:.1f}",
        ]  # fmt: skip
        figures = ["–"] * len(values) if name in judgement.panel.unheard else values
        rows.append([name, *figures, str(judgement.listens[name])])
    yield from table(
        ["form", "settled", "90 % interval", "chance to be best", "loss if chosen", "listens"], rows
    )
    if len(judgement.beside.voters) > 1:
        yield from (plain(judgement.beside.vote.sentence), "")
    if facts.answers is not None:
        yield from (_kept(facts.answers), "")
    yield from ("## Each listener", "")
    for own in judgement.beside.listeners:
        heard = [name for name in own.order if name not in judgement.panel.unheard]
        order = " › ".join(f"{plain(name)} {signed(own.mean[name])}" for name in heard)
        yield f"- {plain(judgement.panel.shown(own.listener))}: {order}"
    yield ""


def _kept(answers: AnswerCounts) -> str:
    named = "; ".join(f"{plain(one.form)} {one.kept} of {one.listens}" for one in answers.forms)
    return (
        f"Would be kept, asked at the end of {phrases.counted(answers.rounds, 'round')} (no part of the "
        f"verdict): {named}; none: {answers.none}; no answer: {answers.silent}."
    )


def _against(facts: Facts, case: Dissent) -> Iterator[str]:
    yield from (f"## What speaks against {plain(case.form)}", "")
    if not case.speaks:
        yield "Nothing that was looked at."
    if case.rounds_below:
        rounds = f"{phrases.number(case.rounds_below)} of {phrases.counted(len(case.margins), 'round')}"
        yield f"- Rated below the average of the other forms in {rounds}."
    for other in case.others:
        chance = phrases.chance(other.chance)
        name = plain(facts.shown(other.listener))
        yield f"- {name} has another form first: {plain(other.form)} ({chance} sure)."
    for change in case.changes:
        yield f"- Judged {plain(change.change)}, {plain(change.best)} would come first."
    for system in case.systems_against:
        yield f"- Heard {plain(phrases.heard_on(system.heard_on))}, {plain(system.best)} was rated highest."
    for comment in (*case.comments, *case.praise):
        yield f"- Said of {plain(comment.form)}: {_said(facts, comment)}"
    yield ""


def _way_back(way: WayBack) -> Iterator[str]:
    yield from (f"## How to rebuild {plain(way.form)}", "")
    if not way.sheet.edits:
        yield "Nothing to do: this is the song as it stands."
    for step in way.sheet.steps:
        where = f" (in the bounce: {step.times})" if step.times else ""
        yield f"{step.number}. {plain(step.edit.text)} {plain(step.edit.effect)}{where}"
    yield from ("", f"## What to perform again for {plain(way.form)}", "")
    yield from again_lines(way, "###")
    yield ""


def _form(facts: Facts, form: FormFacts) -> Iterator[str]:
    retired = ", retired" if form.retired else ""
    yield from (f"### {plain(form.name)}", "")
    yield from (f"{counted(form.road_map.bars, 'bar')}, {clock_text(form.seconds)}{retired}.", "")
    for part in form.road_map.parts:
        yield f"{part.number}. {plain(part.text)} ({part.bars_text}, from {clock(part.start_s)})"
    yield ""
    for group in grouped(facts.comments, form.name):
        title = f"{group.part.text}, {group.part.bars_text}" if group.part else "the whole"
        yield from (f"Said about {plain(title)}:", "")
        for comment in group.comments:
            yield f"- {_said(facts, comment)}"
        yield ""


def _said(facts: Facts, comment: PlacedComment) -> str:
    where = f"bar {comment.bar} ({clock(comment.time_s)}), " if comment.time_s is not None else ""
    return f"{plain(comment.text)} ({where}{plain(comment.shown)}, {comment.listen_words})"


def _sound(facts: Facts) -> Iterator[str]:
    yield from ("## Joins and loudness", "")
    for form, join in facts.doubtful_joins:
        bar = form.road_map.bar_at(join.line_s)
        remedy = f"; {join.remedy}" if join.remedy else ""
        yield f"- {plain(form.name)}, bar {bar}: {plain(join.reason + remedy)}"
    if facts.doubtful_joins:
        yield ""
    if facts.answers is not None:
        heard = ", ".join(f"{plain(one.form)} {one.cuts} of {one.listens}" for one in facts.answers.forms)
        yield from (f"A cut was heard in: {heard} listens (as written has none: false alarms).", "")
    renders = [(form.name, form.render) for form in facts.forms if form.render]
    rows = [[n, f"{r.lufs:.2f}", f"{r.gain_db:z.2f}", f"{r.true_peak_dbtp:.2f}"] for n, r in renders]
    yield from table(["form", "LUFS", "gain, dB", "true peak, dBTP"], rows)


def _protocol(facts: Facts) -> Iterator[str]:
    yield from ("## Progress" if facts.sealed else "## How the test was run", "")
    rows = [
        [x.shown, f"{x.rounds_done} of {facts.song.rounds}", str(x.listens), str(x.days), str(x.voids)]
        for x in facts.listeners
    ]
    yield from table(["listener", "rounds done", "listens rated", "days", "broken off"], rows)
    for event in facts.reopened:
        yield from (
            f"Reopened for more rounds on {event.local_date}: {plain(event.detail.get('because', ''))}",
            "",
        )
    if facts.seed_sha256:
        yield from (f"SHA-256 of the plan's seed: {facts.seed_sha256}", "")
    if not facts.sealed:
        yield from ("Columns of ratings.csv:", "")
        for name, meaning in COLUMNS.items():
            yield f"- `{name}`: {meaning}"


def table(heads: Sequence[str], rows: Iterable[Sequence[str]]) -> Iterator[str]:
    """A table of Markdown, and an empty line after it."""
    yield "| " + " | ".join(heads) + " |"
    yield "|" + " --- |" * len(heads)
    for row in rows:
        yield "| " + " | ".join(plain(cell) for cell in row) + " |"
    yield ""
