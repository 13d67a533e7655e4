"""Two studies side by side: two songs of an album, or two panels on the same song."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from render.files import writing_into
from reports.facts.study_facts import Facts, gather
from reports.files import REPORT, write_text
from reports.output.chart_kinds import settled
from reports.output.charts import Chart
from reports.output.html import shared, templates
from reports.output.markdown import filled_in
from reports.output.report import Written, as_json, summary, verdict_json
from reports.output.sound import Sound
from sessions.study import Study


@dataclass(frozen=True)
class Side:
    """One of the two studies, as the page shows it. Sealed, it has no chart."""

    facts: Facts
    sentence: str
    chart: Chart | None

    @property
    def folder(self) -> str:
        return self.facts.song.folder.name


@dataclass(frozen=True)
class SharedForm:
    """A form that both studies rated (the same to the sample), under its name in each."""

    names: tuple[str, str]
    settled: tuple[float, float]
    chances: tuple[float, float]


def write_comparison(study: Study, other: Study) -> Written:
    """Write comparison.html, .md and .json of two studies into the first one's report folder.

    A sealed study shows its progress and its state only.

    Raises:
        SongError, AudioError, LogError: a study is not in order; WriteError: a file could not be written.
    """
    sides = tuple(_side(gather(one), key) for one, key in ((study, "one"), (other, "two")))
    both = common(sides[0].facts, sides[1].facts)
    sentence = compared(sides[0], sides[1], both)
    values = {**shared(sides[0].facts, sentence, Sound()), "sides": sides, "both": both}
    folder = study.folder / REPORT
    texts = {
        "comparison.html": templates().get_template("comparison.html").render(values),
        "comparison.md": filled_in("comparison.md", sides=sides, both=both, sentence=sentence),
        "comparison.json": as_json(_json(sides, both, sentence)),
    }
    with writing_into(folder):
        for name, text in texts.items():
            write_text(folder / name, text)
    return Written(tuple(folder / name for name in texts), sentence, any(side.facts.sealed for side in sides))


def _side(facts: Facts, key: str) -> Side:
    judgement = facts.judgement
    if facts.sealed or judgement is None:
        return Side(facts, summary(facts), None)
    lead = facts.chosen if facts.chosen in judgement.order else judgement.best
    return Side(facts, summary(facts), settled(judgement, lead, key=f"settled-{key}"))


def common(one: Facts, two: Facts) -> tuple[SharedForm, ...]:
    """Forms that are the same audio in both studies, in the first one's order; none while one is sealed."""
    if one.sealed or two.sealed or one.judgement is None or two.judgement is None:
        return ()
    theirs = {form.render.content_hash: form.name for form in two.forms if form.render}
    pairs = {
        form.name: theirs[form.render.content_hash]
        for form in one.forms
        if form.render and form.render.content_hash in theirs
    }
    ours, others = one.judgement, two.judgement
    return tuple(
        SharedForm(
            (name, pairs[name]),
            (ours.settled[name].mean, others.settled[pairs[name]].mean),
            (ours.p_best[name], others.p_best[pairs[name]]),
        )
        for name in ours.order
        if name in pairs and name not in ours.panel.unheard and pairs[name] not in others.panel.unheard
    )


def compared(one: Side, two: Side, both: tuple[SharedForm, ...]) -> str:
    """The two studies in one sentence."""
    if both:
        assert one.facts.judgement is not None and two.facts.judgement is not None
        first, second = one.facts.judgement.best, two.facts.judgement.best
        same = any(pair.names == (first, second) for pair in both)
        head = "Both panels put the same form first" if same else "The two panels put different forms first"
        return f'{head}: "{first}" in {one.folder}, "{second}" in {two.folder}.'
    if one.facts.song.title == two.facts.song.title:
        return f'"{one.facts.song.title}", twice: {one.folder} and {two.folder}.'
    return f'"{one.facts.song.title}" and "{two.facts.song.title}", side by side.'


def _json(sides: tuple[Side, ...], both: tuple[SharedForm, ...], sentence: str) -> dict[str, Any]:
    return {
        "sentence": sentence,
        "studies": [{"folder": side.folder, **verdict_json(side.facts, side.sentence)} for side in sides],
        "same_forms": [
            {
                "names": list(pair.names),
                "settled": [round(value, 2) for value in pair.settled],
                "p_best": [round(value, 4) for value in pair.chances],
            }
            for pair in both
        ],
    }
