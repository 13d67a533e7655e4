"""The report: one self-contained page, the same in Markdown, the ratings as CSV, the verdict as JSON.

While the study is sealed they show progress and the sealed state, and nothing that ties a code or a rating
to a form.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from render.files import writing_into
from render.steps import Step, no_step
from reports.facts.dissent import dissent
from reports.facts.panel_reading import read_panel
from reports.facts.ratings import COLUMNS
from reports.facts.study_facts import Facts, gather
from reports.files import REPORT, cell, write_text
from reports.model.gates import SAFE
from reports.output import html, markdown
from reports.output.sound import AUDIO, BESIDE, Sound, SoundOptions, write_sound
from reports.way_back.package import WayBack, way_back
from sessions.resting import last_reading
from sessions.study import Study

# of a listen, what a sealed table may tell: the day and the place, neither rating nor code nor form; times
# of day would tell a form's length
SEALED_COLUMNS = ("listener", "day", "round", "position", "sitting", "heard_on", "means")
TEXTS = frozenset(("listener", "form", "heard_on"))  # somebody's own words


@dataclass(frozen=True)
class Written:
    """The files written, the folder of the forms' sound (None: none beside the page), and what the report
    says in one sentence."""

    paths: tuple[Path, ...]
    sentence: str
    sealed: bool
    audio: Path | None = None


def write_report(
    study: Study,
    *,
    open_now: bool = False,
    sound: SoundOptions = BESIDE,
    step: Step = no_step,
) -> Written:
    """Write report.html, report.md, ratings.csv and verdict.json into the study's report folder, and, once it
    is open, the forms' sound beside or inside the page.

    `open_now` opens a sealed study first, if anything in it is rated: its codes are tied to names from
    then on, and what is heard later stays out of the verdict. `step`
    hears of progress (words, done, of); an exception that it raises stops the work, and nothing is left
    half-written.

    Raises:
        SongError, AudioError, LogError: the study is not in order; NotRenderedError: nothing is
            rendered yet; WriteError: a file could not be written.
    """
    # refused before anything is opened or written; where there is no study, song.toml is what is missing
    _ = study.song, study.manifest
    sealed = open_now and study.has_log and study.log.contents(listens=False).opened is None
    if sealed and study.log.has_ratings():
        study.log.add_event("opened", {"why": why_opened(study)})
    step("reading the log and the ratings", 0, 1)
    facts = gather(study)
    return write_facts(facts, way_back(facts), study.folder / REPORT, sound, step)


def why_opened(study: Study) -> str:
    """Why it is opened: regularly, where by its ratings listening may stop or people were told so, or early.

    What was told holds, though by another version's rules the same ratings may not allow it any more.
    """
    reading = read_panel(study)
    if reading is not None and reading.may_stop:
        state: str = reading.state
    elif (told := last_reading(study.log.contents(listens=False).events)) and told["may_stop"]:
        state = told["state"]
    else:
        return "early, before the planned rounds were done"
    state = "safe to choose" if state == SAFE else state
    return f"regularly: by the ratings listening might stop ({state})"


def write_facts(
    facts: Facts,
    way: WayBack | None,
    folder: Path,
    sound: SoundOptions = BESIDE,
    step: Step = no_step,
) -> Written:
    """Write what was gathered into `folder`."""
    sentence = summary(facts)
    case = dissent(facts, facts.chosen) if facts.chosen is not None and not facts.sealed else None
    texts: dict[str, Callable[[Sound], str]] = {
        "report.html": lambda sound: html.html(facts, sentence, case, way, sound),
        "report.md": lambda _: markdown.markdown(facts, sentence, case, way),
        "ratings.csv": lambda _: ratings_csv(facts),
        "verdict.json": lambda _: as_json(verdict_json(facts, sentence)),
    }
    with writing_into(folder):
        sounds = write_sound(facts, folder, sound, step)
        for name, text in texts.items():
            step(f"writing {name}", 0, 1)
            write_text(folder / name, text(sounds))
    audio = folder / AUDIO if sounds.sources and not sounds.inside else None
    return Written(tuple(folder / name for name in texts), sentence, facts.sealed, audio)


def as_json(values: Mapping[str, Any]) -> str:
    """JSON for people and programs."""
    return json.dumps(values, indent=1, ensure_ascii=False) + "\n"


def summary(facts: Facts) -> str:
    """What the report says, in one sentence: the decision, else the verdict, else what is missing."""
    if facts.manifest is None:
        return "Nothing is rendered yet, so there is nothing to report."
    if len(facts.manifest.forms) < 2:
        return "There is only one form, and a verdict needs two: list another under [forms] in song.toml."
    if facts.judgement is None:
        if facts.ratings is not None and len(facts.ratings.both):
            return (
                "Every form that was rated has been changed or replaced since, and no form as it is now has "
                "been heard, so there is no verdict. Hear more rounds; if all are done, raise `rounds` under "
                "[plan] in song.toml."
            )
        return "Nothing has been rated yet, so there is no verdict."
    return facts.judgement.sealed if facts.sealed else facts.judgement.sentence


def ratings_csv(facts: Facts) -> str:
    """One row a rated listen; the columns are `ratings.COLUMNS`, sealed only those that tell nothing."""
    columns = list(SEALED_COLUMNS if facts.sealed else COLUMNS)
    if facts.ratings is None:
        return ",".join(columns) + "\n"
    table = facts.ratings.both[columns]
    for column in TEXTS.intersection(columns):
        table = table.assign(**{column: [cell(text) for text in table[column]]})
    return str(table.to_csv(index=False, lineterminator="\n"))


def verdict_json(facts: Facts, sentence: str) -> dict[str, Any]:
    """The verdict for other programs; sealed, nothing but the state and the progress."""
    judgement = facts.judgement
    values: dict[str, Any] = {
        "title": facts.song.title,
        "made": facts.made_utc,
        "sealed": facts.sealed,
        "sentence": sentence,
        "seed_sha256": facts.seed_sha256,
        "simulated": list(facts.simulated),
        "progress": [
            {"listener": x.name, "rounds": x.rounds_done, "of": facts.song.rounds, "days": x.days}
            for x in facts.listeners
        ],
        "verdict": judgement.as_json(sealed=facts.sealed) if judgement else None,
    }
    if facts.sealed:
        return values
    # forms whose figures in the verdict are the model's expectation alone: nobody has rated them yet
    values["unheard"] = list(judgement.panel.unheard) if judgement else []
    after = facts.judgement_after
    values["verdict_with_listens_after_opening"] = after.as_json() if after else None
    values["decisions"] = [
        {
            "form": d.form, "by": d.by, "because": d.because, "at_utc": d.at_utc,
            "against_verdict": d.against,
            "recorded": dict(d.recorded), "unchanged": {check.what: check.same for check in d.checks},
        }
        for d in facts.decisions
    ]  # fmt: skip
    return values
